"""`traygauge inspect`: from photos to a verdict and a report."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from traygauge.commands import photos as asked
from traygauge.commands.photos import ScaleWords, inspect_files, photo_files
from traygauge.environment import Environment
from traygauge.exit_codes import code_of

if TYPE_CHECKING:
    from traygauge.batch import Batch

EXAMPLES = """\b
Examples:
  traygauge inspect tray.jpg
  traygauge inspect tray.jpg --spec rigid-1.75 --print kitchen
  traygauge inspect scoop1.jpg scoop2.jpg --spec my-spec.toml --look 2
  traygauge inspect lot-7/ --spec regrind --certificate --out reports/lot-7
  traygauge inspect scan.png --scan --json"""

Out = Annotated[
    Path | None,
    typer.Option(
        "--out",
        metavar="DIR",
        help="Where the report goes. Default: a folder beside the photo, named after it.",
    ),
]
Certificate = Annotated[
    bool,
    typer.Option("--certificate", help="Write certificate.pdf too: one page, to file or send with the lot."),
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
ScoopG = Annotated[
    float | None,
    typer.Option(
        "--scoop-g",
        metavar="G",
        min=0.001,
        max=100_000,
        help="What the very pieces on the photos weigh: gives flakes a mass, checks the strand's volume.",
    ),
]


def inspect(
    context: typer.Context,
    photos: asked.Photos,
    spec: asked.Spec = None,
    out: Out = None,
    certificate: Certificate = False,
    json: asked.Json = False,
    print_name: asked.Print = None,
    lens: asked.Lens = None,
    scan: asked.Scan = False,
    px_per_mm: asked.PxPerMm = None,
    reference: asked.Reference = None,
    look: Look = 1,
    scoop_g: ScoopG = None,
) -> int:
    """Measure the pieces in photos of one lot and judge the batch.

    Writes report.html, pieces.csv, verdict.json and the annotated photos. Defaults for spec, print and lens may
    stand in a traygauge.toml beside the photos.
    """
    from traygauge.batch import photo_names

    env: Environment = context.obj
    files = photo_files(photos)
    words = ScaleWords(print_name, scan, px_per_mm, reference, lens)
    batch = inspect_files(env, files, words, spec, quiet=json, looks=look, scoop_g=scoop_g)
    refused = {name for name, _ in batch.refused}
    used = [file for file, name in zip(files, photo_names(files), strict=True) if name not in refused]
    show_and_write(env, batch, out or report_folder(used or files), as_json=json, certificate=certificate)
    return code_of(batch)


def report_folder(files: Sequence[Path]) -> Path:
    """Return the folder for a batch's report: beside the first photo and named after it."""
    from traygauge.records import file_stem

    first = files[0]
    more = f" and {len(files) - 1} more" if len(files) > 1 else ""
    folder = first.parent / (file_stem(first.name) + more)
    return folder.with_name(folder.name + " report") if folder.is_file() else folder


def show_and_write(
    env: Environment, batch: Batch, folder: Path, *, as_json: bool = False, certificate: bool = False
) -> None:
    """Write the report, say the verdict and where the report is; of nothing but refused photos there is none.

    Written first, so that a reader of the output who has seen enough (a pipe) costs no report; said in any case.
    """
    from traygauge.records import verdict_json
    from traygauge.report import verdict_text

    written: list[str] = []
    try:
        if batch.photos:
            written = _write(batch, folder, certificate)
    finally:
        said = verdict_json(batch).decode() if as_json else verdict_text(batch, env.width, env.colour)
        env.say(said.rstrip())
    for line in written:
        (env.tell if as_json else env.say)(line)


def _write(batch: Batch, folder: Path, certificate: bool) -> list[str]:
    """Write the report and return the lines that say where it is."""
    from traygauge.report import write_report

    lines = [f"\nReport: {write_report(batch, folder)}"]
    if certificate:
        from traygauge.report.certificate import write_certificate

        lines.append(f"Certificate: {write_certificate(batch, folder / 'certificate.pdf')}")
    return lines
