"""What every command that looks at photos asks for: the photos, a spec, and where their scale comes from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from traygauge.environment import Environment
from traygauge_shared.errors import PhotoError

if TYPE_CHECKING:
    from traygauge.batch import Batch, Progress, Setup
    from traygauge.defaults import Defaults
    from traygauge_calib.lens import LensModel

_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"})
#: Our own pictures, which a report leaves in its folder.
_OURS = ".annotated.jpg"
_STAGES = ("load_photo", "calibrate", "check_fitness", "find_pieces", "measure_pieces")

Photos = Annotated[list[Path], typer.Argument(metavar="PHOTO", help="Photos of one lot, or folders of them.")]
Spec = Annotated[
    str | None,
    typer.Option(
        "--spec", metavar="FILE", help="What to judge against: a spec file, or a shipped spec by name."
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON, for scripts.")]
Print = Annotated[
    str | None,
    typer.Option(
        "--print",
        metavar="NAME",
        help="Which measured print of the sheet this is (traygauge sheet measured).",
    ),
]
Scan = Annotated[bool, typer.Option("--scan", help="These are flatbed scans: the scale is in their DPI tag.")]
PxPerMm = Annotated[
    float | None,
    typer.Option(
        "--px-per-mm",
        metavar="X",
        min=0.5,
        max=1000,
        help="State the scale (copy stand). No sheet is needed.",
    ),
]
Reference = Annotated[
    tuple[float, float, float, float, float] | None,
    typer.Option(
        "--reference",
        metavar="X1 Y1 X2 Y2 MM",
        help="A straight thing in the photo gives the scale: its two ends in pixels, and its length. No sheet is needed.",
    ),
]
Lens = Annotated[
    Path | None,
    typer.Option("--lens", metavar="FILE", help="A lens model of this camera (traygauge lens)."),
]


@dataclass(frozen=True)
class ScaleWords:
    """What the command line says about the scale; None where it says nothing."""

    print_name: str | None = None
    scan: bool = False
    px_per_mm: float | None = None
    reference: tuple[float, float, float, float, float] | None = None
    lens: Path | None = None

    @property
    def sheetless(self) -> tuple[object, ...]:
        """Return what gives a scale without a sheet."""
        return tuple(filter(None, (self.scan, self.px_per_mm, self.reference)))

    def is_silent(self) -> bool:
        """Return whether nothing was said."""
        return not (self.sheetless or self.print_name or self.lens)


def photo_files(given: Sequence[Path]) -> list[Path]:
    """Return the photos meant: files as they are, folders by the photos in them; each file once.

    The annotated pictures of an earlier report are no photos, and its folder, which lies beside them and comes with
    `tray*`, is passed over where something else is named as well.

    Raises
    ------
    PhotoError
        A folder has no photos in it.
    """
    from traygauge.records.stored import VERDICT

    reports = [path for path in given if (path / VERDICT).is_file()]
    files: dict[Path, Path] = {}
    for path in given:
        if path in reports and len(reports) < len(given):
            continue
        inside = _photos_in(path) if path.is_dir() else [path]
        for file in inside:
            files.setdefault(file.absolute(), file)
    return list(files.values())


def _photos_in(folder: Path) -> list[Path]:
    inside = sorted(
        p
        for p in folder.iterdir()
        if p.suffix.lower() in _ENDINGS and not p.name.startswith(".") and not p.name.endswith(_OURS)
    )
    if not inside:
        raise PhotoError(
            "there are no photos in this folder",
            found=str(folder),
            expected="files ending in " + ", ".join(sorted(_ENDINGS)),
            advice="name the folder that holds the photos themselves",
        )
    return inside


def inspect_files(
    env: Environment,
    files: Sequence[Path],
    words: ScaleWords,
    spec: str | None,
    *,
    quiet: bool = False,
    looks: int = 1,
    scoop_g: float | None = None,
) -> Batch:
    """Return photos measured and judged, with the defaults that stand beside them; say which, and how far it is.

    `quiet`: results go to a script, so that everything else is told beside them.
    """
    from traygauge.batch import inspect_batch
    from traygauge.defaults import read_defaults

    defaults = read_defaults(files)
    if defaults.path is not None:
        (env.tell if quiet else env.say)(defaults.in_words())
    setup = setup_of(env, words, defaults)
    with progress_bar(env) as progress:
        return inspect_batch(
            files, spec or defaults.spec, setup=setup, looks=looks, scoop_g=scoop_g, progress=progress
        )


def setup_of(env: Environment, words: ScaleWords, defaults: Defaults) -> Setup:
    """Return where the scale comes from. What the command line says goes before the defaults, as a whole."""
    from traygauge.batch import Setup
    from traygauge_calib.prints import find_print
    from traygauge_calib.sheetless import Reference

    if words.is_silent():
        lens = Path(defaults.lens) if defaults.lens else None
        words = ScaleWords(defaults.print_name, defaults.scan, defaults.px_per_mm, lens=lens)
    if len(words.sheetless) + bool(words.print_name) > 1:
        raise typer.BadParameter(
            "only one of --print, --scan, --px-per-mm and --reference can give the scale"
        )
    if words.lens and words.sheetless:
        raise typer.BadParameter("a lens model is for photos of a sheet, taken with that camera")
    ends = words.reference
    return Setup(
        print_record=find_print(env.config_folder, words.print_name) if words.print_name else None,
        px_per_mm=words.px_per_mm,
        scan=words.scan,
        reference=Reference(ends[:2], ends[2:4], ends[4]) if ends else None,
        lens=_lens(words.lens) if words.lens else None,
    )


def _lens(path: Path) -> LensModel:
    from traygauge_calib.lens_file import read_lens

    return read_lens(path)


@contextmanager
def progress_bar(env: Environment) -> Iterator[Progress | None]:
    """Show how far the photos are while they are worked on, if a person is looking; hand on what to call."""
    if not env.err_is_terminal:
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TextColumn("{task.fields[done]}"))
    console = Console(file=env.err, force_terminal=True, no_color=not env.colour)
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("Starting", total=1.0, done="")

        def progress(number: int, of: int, name: str, verb: str) -> None:
            done = (number + _STAGES.index(verb) / len(_STAGES)) / of
            said = f"{verb.replace('_', ' ').capitalize()}: {name}"
            bar.update(task, completed=done, description=said, done=f"photo {number + 1} of {of}")

        yield progress
