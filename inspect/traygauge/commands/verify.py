"""`traygauge verify`: pieces of known size on the tray, to see whether the figures hold on this bench."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from traygauge.commands import photos as asked
from traygauge.commands.photos import ScaleWords, inspect_files, photo_files
from traygauge.commands.saying import say_heading, say_json, say_list, say_table, tell_refused
from traygauge.environment import Environment
from traygauge.exit_codes import ExitCode

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from traygauge.batch import Batch
    from traygauge.judge.verification import Verification
    from traygauge.records import KnownPieces

    FloatArray = npt.NDArray[np.float64]

EXAMPLES = """\b
Examples (rods cut to 5.00 mm; pieces listed with their numbers):
  traygauge verify rods.jpg --length 5.00 --diameter 1.75 --u-known 0.01
  traygauge verify tray1.jpg tray2.jpg --known callipers.csv --spec rigid-1.75"""

#: A calliper on a cut piece (common practice, no source).
U_CALLIPER_MM = 0.02
#: So many pieces are listed, those that agree least first.
_LISTED = 12

KnownPhotos = Annotated[
    list[Path], typer.Argument(metavar="PHOTO", help="Photos of pieces whose size is known, or folders.")
]
Known = Annotated[
    Path | None,
    typer.Option(
        "--known",
        metavar="FILE",
        help="A table (CSV) with piece, length_mm, diameter_mm, as many as are known; the numbers are those of the "
        "report on the first photo, unless a column photo names another.",
    ),
]
Length = Annotated[
    float | None, typer.Option("--length", metavar="MM", min=0.05, help="The length of every piece.")
]
Diameter = Annotated[
    float | None, typer.Option("--diameter", metavar="MM", min=0.05, help="The diameter of every piece.")
]
UKnown = Annotated[
    float,
    typer.Option(
        "--u-known",
        metavar="MM",
        min=0.0,
        help="Standard uncertainty of the known sizes (a calliper's: 0.02).",
    ),
]
Out = Annotated[
    Path | None, typer.Option("--out", metavar="FILE", help="Write a table (CSV) with every piece there.")
]


@dataclass(frozen=True)
class Row:
    """One piece of known size."""

    photo: str
    piece: int
    quantity: str
    known_mm: float
    read_mm: float
    en: float


def verify(
    context: typer.Context,
    photos: KnownPhotos,
    known: Known = None,
    length: Length = None,
    diameter: Diameter = None,
    u_known: UKnown = U_CALLIPER_MM,
    spec: asked.Spec = None,
    out: Out = None,
    json: asked.Json = False,
    print_name: asked.Print = None,
    lens: asked.Lens = None,
    scan: asked.Scan = False,
    px_per_mm: asked.PxPerMm = None,
    reference: asked.Reference = None,
) -> int:
    """Measure pieces of known size: bias, spread, pass or fail.

    Gauge pins, cut rods or pieces measured with a calliper; ten or more say more than three. Each gets its En number.
    Exit code 0 where the stated uncertainty is kept (and the error fits the spec), 10 where not, 11 where too few can
    be told.
    """
    if known is None and length is None and diameter is None:
        raise typer.BadParameter("say what is known: --known FILE, --length MM or --diameter MM")
    env: Environment = context.obj
    listed = _read(known) if known is not None else None
    words = ScaleWords(print_name, scan, px_per_mm, reference, lens)
    batch = inspect_files(env, photo_files(photos), words, spec, quiet=json)
    tell_refused(env, batch.refused)
    if not batch.photos:
        return ExitCode.BAD_INPUT
    outcomes, rows = _verified(batch, _sizes(batch, listed, length, diameter, u_known))
    if json:
        say_json(env, {"passed": _passed(outcomes), "quantities": outcomes, "pieces": rows})
    else:
        _say(env, batch, outcomes, rows)
    if out is not None:
        _write(out, rows)
        (env.tell if json else env.say)(f"\nTable: {out}")
    if batch.refused:
        return ExitCode.BAD_INPUT
    return {True: ExitCode.FINE, False: ExitCode.REJECT, None: ExitCode.UNDECIDED}[_passed(outcomes)]


def _read(path: Path) -> KnownPieces:
    from traygauge.records import read_known
    from traygauge_shared.errors import SpecError

    try:
        return read_known(path.read_bytes(), path.name)
    except OSError as error:
        raise SpecError(
            "the list of known pieces cannot be read",
            found=f"{path}: {error.strerror or error}",
            expected="a table (CSV) with piece and length_mm or diameter_mm",
            advice="check its path",
        ) from error


def _sizes(
    batch: Batch, listed: KnownPieces | None, length: float | None, diameter: float | None, u_known: float
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Return quantity -> (known sizes, their standard uncertainties), a value a piece; NaN where nothing is known."""
    import numpy as np

    n, photos = len(batch.pieces), [p.photo.name for p in batch.photos]
    by_row = listed.by_row(batch.pieces, photos) if listed is not None else {}
    nothing = np.full(n, np.nan)
    sizes = {}
    for quantity, all_of in (("length_mm", length), ("diameter_mm", diameter)):
        size, u = by_row.get(quantity, nothing), by_row.get(f"u_{quantity}", nothing)
        size = np.where(np.isfinite(size), size, np.nan if all_of is None else all_of)
        sizes[quantity] = (size, np.where(np.isfinite(u), u, u_known))
    return sizes


def _verified(
    batch: Batch, sizes: dict[str, tuple[FloatArray, FloatArray]]
) -> tuple[list[Verification], list[Row]]:
    """Return the outcome for each quantity of which something is known, and every piece that entered."""
    import numpy as np

    from traygauge.judge.sample import sample
    from traygauge.judge.spec_tables import NO_SPEC
    from traygauge.judge.verification import usable, verify

    windows = {p.photo.name: p.tray.window_mm for p in batch.photos}
    ready = sample(batch.pieces, batch.spec or NO_SPEC, windows)
    outcomes, rows = [], []
    for quantity, (size, u) in sizes.items():
        value = batch.pieces[quantity].astype(float)
        used = np.flatnonzero(usable(batch.pieces, size, quantity))
        if len(used) < 2:
            continue
        outcome = verify(ready, size, u, quantity)
        outcomes.append(outcome)
        rows += [
            Row(
                str(batch.pieces["photo"][k]),
                int(batch.pieces["piece"][k]),
                quantity,
                float(size[k]),
                float(value[k]),
                float(en),
            )
            for k, en in zip(used, outcome.en, strict=True)
        ]
    return outcomes, rows


def _passed(outcomes: list[Verification]) -> bool | None:
    """Return whether all agree and are good enough; None where there was nothing to tell it from."""
    return all(o.agrees and o.is_good_enough is not False for o in outcomes) if outcomes else None


def _say(env: Environment, batch: Batch, outcomes: list[Verification], rows: list[Row]) -> None:
    word = {True: "PASS", False: "FAIL", None: "UNDECIDED"}[_passed(outcomes)]
    say_list(env, [_reason(outcomes)], mark=f"{word}  ")
    say_list(env, [f"Next: {_next_step(outcomes)}"], mark=" " * (len(word) + 2))
    if outcomes:
        say_heading(env, "What was found")
        say_list(env, [sentence for o in outcomes for sentence in o.sentences()], mark="  - ")
    if batch.spec is not None and any(o.is_good_enough is None for o in outcomes):
        unlimited = "The spec sets no limit with a nominal size on all of this."
        say_list(env, [unlimited], mark="  - ")
    _say_rows(env, rows)


def _reason(outcomes: list[Verification]) -> str:
    if not outcomes:
        return "Fewer than two pieces of known size could be measured."
    if not all(o.agrees for o in outcomes):
        return "The known sizes are missed by more than the stated uncertainty."
    if any(o.is_good_enough is False for o in outcomes):
        return "The stated uncertainty is kept, but it is too large for this spec."
    return "The known sizes are found within the stated uncertainty."


def _next_step(outcomes: list[Verification]) -> str:
    if not outcomes:
        return "lay ten or more pieces of known size on the tray, apart, and take the photo again."
    if _passed(outcomes):
        return "none; do it again after a new print, another phone or another light."
    missed = next((o for o in outcomes if not o.agrees or o.is_good_enough is False), outcomes[0])
    if not missed.bias.low <= 0 <= missed.bias.high and abs(missed.bias.estimate) > missed.repeatability_mm:
        return (
            "all read off to one side: measure the print's bars (traygauge sheet measured), state the height of the "
            "tray over the paper (--plane-offset), and check the known sizes."
        )
    return "the readings scatter: go nearer or use the longer lens, give more and softer light, and check the known sizes."


def _say_rows(env: Environment, rows: list[Row]) -> None:
    if not rows:
        return
    worst = sorted(rows, key=lambda r: -abs(r.en) if math.isfinite(r.en) else 0.0)[:_LISTED]
    say_heading(env, "Pieces" if len(rows) <= _LISTED else f"The {_LISTED} of {len(rows)} that agree least")
    say_table(
        env,
        [
            (
                f"{r.photo} {r.piece}",
                f"{r.known_mm:.3f}",
                f"{r.read_mm:.3f}",
                f"{r.read_mm - r.known_mm:+z.3f}",
                f"{r.en:+z.2f}",
                r.quantity.removesuffix("_mm"),
            )
            for r in worst
        ],
        ("piece", "known, mm", "read", "error", "En", ""),
    )


def _write(path: Path, rows: list[Row]) -> None:
    import csv
    import io

    from traygauge.records import safe_text, write_whole

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("photo", "piece", "quantity", "known_mm", "read_mm", "error_mm", "en"))
    for r in rows:
        sizes = (f"{v:.4f}" for v in (r.known_mm, r.read_mm, r.read_mm - r.known_mm))
        writer.writerow((safe_text(r.photo), r.piece, r.quantity, *sizes, f"{r.en:.3f}"))
    write_whole(path, text.getvalue().encode())
