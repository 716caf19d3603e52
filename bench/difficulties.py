"""One difficulty at a time, drawn: is the tray come through, or refused?

    python bench/difficulties.py [--trays 2] [CASE ...]

Every case of `traygauge_shared.scenes.CASES` is drawn a few times at 12 MP and goes through the whole tool. A line a case
says how many pieces were found and invented, how many of the touching ones got a length within `NEAR_MM`, how many longs
were found, and by how much the stated mean cut length is off on each tray; or why the photo was refused.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from accuracy import LONG_MM, interval
from scoring import LONG_GUARD_MM, STRANDS, Matched, match, pooled, read_truth

from traygauge import inspect_photo
from traygauge_shared.errors import TraygaugeError
from traygauge_shared.scenes import CASES, case_scene, draw, write_drawn

#: A parted piece's length is right within this; a batch's mean within that.
NEAR_MM, MEAN_MM = 0.15, 0.03
_FEW = 5  # strand pieces: of fewer no mean is asked


@dataclass(frozen=True, eq=False)
class Outcome:
    """What one drawn tray came to: `refused` says why it was, else `matched` and the stated mean's error, mm, or NaN."""

    case: str
    refused: str = ""
    matched: Matched | None = None
    mean_error: float = float("nan")


def outcome(job: tuple[str, int]) -> Outcome:
    """Return what a tray of (case, seed) comes to."""
    case, seed = job
    with tempfile.TemporaryDirectory() as kept:
        folder = Path(kept)
        write_drawn(draw(case_scene(case, seed)), folder, "tray")
        truth = read_truth(folder / "tray.truth.csv")
        photo = next(p for p in folder.iterdir() if p.name in ("tray.jpg", "tray.png"))
        try:
            batch = inspect_photo(photo)
        except TraygaugeError as error:
            return Outcome(case, str(error).splitlines()[0])
    stated = [f.value for f in batch.verdict.figures if f.name == "mean_length_mm"]
    wanted = _mean_length(truth)
    off = stated[0] - wanted if stated else float("nan")
    return Outcome(case, "", match(truth, batch.pieces, LONG_MM), off)


def _mean_length(truth: dict[str, np.ndarray]) -> float:
    """Return the mean true length, mm, of all strand pieces off the border, seen or not; NaN where they are few."""
    if "length_mm" not in truth:
        return float("nan")
    strand = np.isin(truth["kind"], STRANDS) & (truth["on_border"] != 1)
    return float(truth["length_mm"][strand].mean()) if strand.sum() >= _FEW else float("nan")


def _near(m: Matched) -> tuple[int, int]:
    """Return (touching strand pieces with a length within `NEAR_MM`, all of them)."""
    pick = np.isin(m.kind, STRANDS) & (m.group == "touching")
    off = np.abs(m.measured["length_mm"] - m.truth["length_mm"])[pick] if pick.any() else np.zeros(0)
    return int((off <= NEAR_MM).sum()), int(pick.sum())


def line(case: str, outcomes: list[Outcome]) -> str:
    """Return a case's line."""
    seen = [o for o in outcomes if o.matched is not None]
    refused = [o.refused for o in outcomes if o.refused]
    said = f"refused {len(refused)} of {len(outcomes)}: {refused[0]}" if refused else ""
    if not seen:
        return f"{case:18s} {said}"
    return f"{case:18s} {figures(seen)} {said}".rstrip()


def figures(seen: list[Outcome]) -> str:
    """Return the figures of measured trays."""
    m = pooled([o.matched for o in seen if o.matched is not None])
    found, near = m.recall("all"), _near(m)
    longs = m.rate("length_mm", LONG_MM, LONG_GUARD_MM, "all")[:2] if len(m.kind) else (0, 0)
    means = [f"{1e3 * o.mean_error:+.0f}" for o in seen if np.isfinite(o.mean_error)]
    return (
        f"found {found[0]:4d} of {found[1]:<4d} invented {m.spare:2d}  touching {near[0]:3d} of {near[1]:<3d}  "
        f"longs {longs[0]:2d} of {longs[1]:<2d}  mean off, µm: {' '.join(means) or '–'}"
    )


def outcomes(cases: Sequence[str], trays: int) -> Iterator[Outcome]:
    """Yield what the cases' trays come to, in order."""
    with Pool() as pool:
        yield from pool.imap(outcome, [(c, 500 + k) for c in cases for k in range(trays)])


def main(cases: Sequence[str] = tuple(CASES), trays: int = 2) -> None:
    """Print the table and, pooled, what is asked of it."""
    seen: list[Outcome] = []
    rows: list[Outcome] = []
    for o in outcomes(cases, trays):
        rows.append(o)
        if len(rows) == trays:
            print(line(o.case, rows), flush=True)
            seen += [r for r in rows if r.matched is not None]
            rows = []
    if not seen:
        return
    m = pooled([o.matched for o in seen if o.matched is not None])
    found, all_ = m.recall("all")
    longs = m.rate("length_mm", LONG_MM, LONG_GUARD_MM, "all")
    means = np.array([o.mean_error for o in seen if np.isfinite(o.mean_error)])
    print(f"\nfound {interval(found, all_)}; invented {m.spare}")
    print(f"touching ones within {NEAR_MM} mm: {interval(*_near(m))}")
    print(f"longs found, touching ones too: {interval(*longs[:2])}")
    print(f"means within {MEAN_MM} mm: {interval(int((np.abs(means) <= MEAN_MM).sum()), len(means))}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "cases", nargs="*", default=list(CASES), metavar="CASE", help="of CASES; all unless told"
    )
    parser.add_argument("--trays", type=int, default=2)
    asked = parser.parse_args()
    if unknown := sorted(set(asked.cases) - set(CASES)):
        parser.error(f"no such case: {', '.join(unknown)}; expected: some of {', '.join(CASES)}")
    main(**vars(asked))
