"""`traygauge inspect`: from photos to a verdict and a report."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from traygauge.environment import Environment
from traygauge.exit_codes import code_of
from traygauge_shared.errors import PhotoError

if TYPE_CHECKING:
    from traygauge.batch import Batch, Progress, Setup
    from traygauge.defaults import Defaults

_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"})
_STAGES = ("load_photo", "calibrate", "check_fitness", "find_pieces", "measure_pieces")

EXAMPLES = """\b
Examples:
  traygauge inspect tray.jpg
  traygauge inspect tray.jpg --spec rigid-1.75 --print kitchen
  traygauge inspect scoop1.jpg scoop2.jpg --spec my-spec.toml --look 2
  traygauge inspect lot-7/ --spec regrind --out reports/lot-7
  traygauge inspect scan.png --scan --json"""

Photos = Annotated[list[Path], typer.Argument(metavar="PHOTO", help="Photos of one lot, or folders of them.")]
Spec = Annotated[
    str | None,
    typer.Option(
        "--spec", metavar="FILE", help="What to judge against: a spec file, or a shipped spec by name."
    ),
]
Out = Annotated[
    Path | None,
    typer.Option(
        "--out",
        metavar="DIR",
        help="Where the report goes. Default: a folder beside the photo, named after it.",
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print the verdict as JSON, for scripts.")]
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
Look = Annotated[
    int,
    typer.Option(
        "--look",
        metavar="N",
        min=1,
        help="How often this batch has been judged, this time included: 2 after one more scoop.",
    ),
]


def inspect(
    context: typer.Context,
    photos: Photos,
    spec: Spec = None,
    out: Out = None,
    json: Json = False,
    print_name: Print = None,
    scan: Scan = False,
    px_per_mm: PxPerMm = None,
    reference: Reference = None,
    look: Look = 1,
) -> int:
    """Measure the pieces in photos of one lot and judge the batch.

    Writes report.html, pieces.csv, verdict.json and the annotated photos. Defaults for spec and print may
    stand in a traygauge.toml beside the photos.
    """
    from traygauge.batch import inspect_batch
    from traygauge.defaults import read_defaults

    env: Environment = context.obj
    files = photo_files(photos)
    defaults = read_defaults(files)
    if defaults.path is not None:
        (env.tell if json else env.say)(defaults.in_words())
    setup = _setup(env, defaults, print_name, scan, px_per_mm, reference)
    with progress_bar(env) as progress:
        batch = inspect_batch(files, spec or defaults.spec, setup=setup, looks=look, progress=progress)
    show_and_write(env, batch, out or report_folder(files), as_json=json)
    return code_of(batch)


def photo_files(given: Sequence[Path]) -> list[Path]:
    """Return the photos meant: files as they are, folders by the photos in them; each file once.

    Raises
    ------
    PhotoError
        A folder has no photos in it.
    """
    files: dict[Path, Path] = {}
    for path in given:
        if path.is_dir():
            inside = sorted(
                p for p in path.iterdir() if p.suffix.lower() in _ENDINGS and not p.name.startswith(".")
            )
            if not inside:
                raise PhotoError(
                    "there are no photos in this folder",
                    found=str(path),
                    expected="files ending in " + ", ".join(sorted(_ENDINGS)),
                    advice="name the folder that holds the photos themselves",
                )
        else:
            inside = [path]
        for file in inside:
            files.setdefault(file.absolute(), file)
    return list(files.values())


def report_folder(files: Sequence[Path]) -> Path:
    """Return the folder for a batch's report: beside the first photo and named after it."""
    from traygauge.records import file_stem

    first = files[0]
    more = f" and {len(files) - 1} more" if len(files) > 1 else ""
    folder = first.parent / (file_stem(first.name) + more)
    return folder.with_name(folder.name + " report") if folder.is_file() else folder


def show_and_write(env: Environment, batch: Batch, folder: Path, *, as_json: bool = False) -> None:
    """Say the verdict, write the report and say where it is; of nothing but refused photos there is none."""
    from traygauge.records import verdict_json
    from traygauge.report import verdict_text, write_report

    if as_json:
        env.say(verdict_json(batch).decode().rstrip())
    else:
        env.say(verdict_text(batch, env.width, env.colour).rstrip())
    if batch.photos:
        page = write_report(batch, folder)
        (env.tell if as_json else env.say)(f"\nReport: {page}")


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


def _setup(
    env: Environment,
    defaults: Defaults,
    print_name: str | None,
    scan: bool,
    px_per_mm: float | None,
    reference: tuple[float, float, float, float, float] | None,
) -> Setup:
    """Return where the scale comes from. What the command line says goes before the defaults, as a whole."""
    from traygauge.batch import Setup
    from traygauge_calib.prints import find_print
    from traygauge_calib.sheetless import Reference

    if not (print_name or scan or px_per_mm or reference):
        print_name, scan, px_per_mm = defaults.print_name, defaults.scan, defaults.px_per_mm
    if sum(map(bool, (print_name, scan, px_per_mm, reference))) > 1:
        raise typer.BadParameter(
            "only one of --print, --scan, --px-per-mm and --reference can give the scale"
        )
    return Setup(
        print_record=find_print(env.config_folder, print_name) if print_name else None,
        px_per_mm=px_per_mm,
        scan=scan,
        reference=Reference(reference[:2], reference[2:4], reference[4]) if reference else None,
    )
