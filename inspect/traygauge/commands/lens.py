"""`traygauge lens`: what one camera's lens does, from several photos of a sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from traygauge.commands import photos as asked
from traygauge.commands.photos import photo_files, progress_bar
from traygauge.commands.saying import say_heading, say_table, tell_refused
from traygauge.environment import Environment
from traygauge.exit_codes import ExitCode
from traygauge_shared.errors import TraygaugeError

if TYPE_CHECKING:
    from traygauge_calib.lens import LensModel
    from traygauge_shared.photo import Photo

EXAMPLES = """\b
Examples:
  traygauge lens sheet1.jpg sheet2.jpg sheet3.jpg sheet4.jpg
  traygauge lens lens-photos/ --print kitchen --out phone.lens.toml
  traygauge inspect tray.jpg --lens phone.lens.toml"""

SheetPhotos = Annotated[
    list[Path],
    typer.Argument(
        metavar="PHOTO", help="Photos of one sheet by one camera, from different sides, or a folder."
    ),
]
Out = Annotated[Path, typer.Option("--out", metavar="FILE", help="Where the lens model goes.")]


def lens(
    context: typer.Context,
    photos: SheetPhotos,
    out: Out = Path("traygauge.lens.toml"),
    print_name: asked.Print = None,
) -> int:
    """Fit a camera's lens to four or more photos of the sheet.

    The file is for inspect --lens. Take the photos with the lens and at the distance that pieces are photographed
    with: tilt the phone by 15 to 30 degrees to each side, and let the sheet come into every part of the frame.
    """
    from traygauge_calib.lens import fit_lens
    from traygauge_calib.lens_file import write_lens
    from traygauge_calib.prints import find_print

    env: Environment = context.obj
    record = find_print(env.config_folder, print_name) if print_name else None
    loaded, refused = _loaded(env, photo_files(photos))
    tell_refused(env, refused)
    model = fit_lens(loaded, print_record=record)
    _say(env, model)
    env.say(f"\nWritten: {write_lens(out, model)}")
    env.say(f"Next: traygauge inspect PHOTO --lens {out}")
    return ExitCode.BAD_INPUT if refused else ExitCode.FINE


def _loaded(env: Environment, files: Sequence[Path]) -> tuple[list[Photo], list[tuple[str, TraygaugeError]]]:
    """Return the photos in the files, and what is wrong with those that cannot be read."""
    from traygauge_shared.loading import load_photo

    loaded: list[Photo] = []
    refused: list[tuple[str, TraygaugeError]] = []
    with progress_bar(env) as progress:
        for k, file in enumerate(files):
            if progress is not None:
                progress(k, len(files), file.name, "load_photo")
            try:
                loaded.append(load_photo(file))
            except TraygaugeError as error:
                refused.append((file.name, error))
    return loaded, refused


def _say(env: Environment, model: LensModel) -> None:
    from traygauge.records import printable

    used = sum(not view.dropped for view in model.views)
    focal = "no focal length" if model.focal_35mm is None else f"{model.focal_35mm:g} mm"
    wide, high = model.size_px
    env.say(
        f"Lens of {printable(model.camera_name) or 'a camera without a name'} ({focal} in EXIF, "
        f"{wide} x {high} px), fitted to {used} of {len(model.views)} photos"
    )
    x, y = model.principal_px
    rows = [
        ("focal length", f"{model.focal_px:.1f} px", f"± {2 * model.u_focal_px:.1f}"),
        ("middle of the lens", f"{x:.1f}, {y:.1f} px", f"± {2 * model.u_principal_px:.1f}"),
        ("bend k1", f"{model.k1:+.4f}", f"± {2 * model.u_k1:.4f}"),
        ("bend k2", f"{model.k2:+.4f}", f"± {2 * model.u_k2:.4f}"),
        ("corners are off by", f"{model.rms_px:.2f} px", "root mean square"),
        ("frame covered", f"{100 * model.coverage:.0f} %", "of its 48 cells hold corners"),
    ]
    say_table(env, rows)
    say_heading(env, "Photos")
    say_table(
        env,
        [
            (
                printable(view.name, longest=24),
                str(view.corners) if not view.dropped else "",
                _number(view.rms_px, ".2f"),
                _number(view.tilt_deg, ".0f", "°"),
                f"not used: {printable(view.dropped, longest=200)}" if view.dropped else "",
            )
            for view in model.views
        ],
        ("photo", "corners", "off by, px", "tilt", ""),
    )


def _number(value: float, form: str, unit: str = "") -> str:
    return f"{value:{form}}{unit}" if math.isfinite(value) else ""
