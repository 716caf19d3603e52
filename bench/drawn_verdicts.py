"""Do verdicts hold on difficult trays? Draws hard scenes of known truth, inspects the photos and counts.

    python bench/drawn_verdicts.py [PHOTOS] [SEED] [FOLDER] [MEGAPIXELS]

Photos are drawn into FOLDER and taken from there the next time; without one they are not kept.
Every photo is judged by two limits. Prints a line for each and a table a limit: how many photos were refused; of the
others, how often the share of long pieces lies inside its stated interval (all that was not measured included), how many
were accepted or rejected wrongly, and how many of those that hold 300 pieces or more and are plainly good or bad were
decided. Exits with 1 where a promise is broken by more than chance allows (three standard errors).
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scoring import STRANDS, read_truth

from traygauge import inspect_photo
from traygauge.judge.judging import judge_pieces
from traygauge.judge.spec import Spec, parse_spec
from traygauge_shared.errors import TraygaugeError
from traygauge_shared.scenes import draw, write_drawn
from traygauge_shared.scenes.hard import hard_scene

#: Of the frames, unless told: the fewest that a photo may have shows how bad it gets.
MEGAPIXELS = 5.0
#: Long is what is this many times the usual length.
LONG = 1.4
#: A batch's limits on it, percent: what 300 pieces decide on both sides (shipped specs have it), and a lower one that many
#: of the drawn batches break plainly; half of it is more than 300 pieces can tell from it.
LIMITS = (8.0, 5.0)
#: A batch is plainly good below this share of the limit, plainly bad above that; so many pieces are to decide it.
GOOD, BAD, ENOUGH = 0.5, 2.0, 300
#: What is promised: shares inside their intervals, wrong verdicts at most, decided at least.
INSIDE, WRONG, DECIDED = 0.93, 0.05, 0.90
_SPEC = """
[spec]
name = "drawn"
[strand]
diameter_mm = {diameter:.2f}
length_mm = {length:.2f}
[pieces]
long_over_mm = {long:.3f}
[limits]
long_share = {{ at_most_percent = {limit:g} }}
"""


@dataclass(frozen=True)
class Judged:
    """What one photo came to.

    Parameters
    ----------
    name : which scene; note : what is difficult about it.
    pieces : on the tray; share : true share of long ones, percent; limit : that it was judged by.
    refused : why no verdict was given, empty where one was.
    low, high : stated interval of the share, percent; estimate : within.
    answer : accept, reject or undecided.
    """

    name: str
    note: str
    pieces: int
    share: float
    limit: float
    refused: str = ""
    low: float = 0.0
    estimate: float = float("nan")
    high: float = 100.0
    answer: str = ""

    @property
    def inside(self) -> bool:
        """Return whether the true share lies in the stated interval, to a rounding."""
        return self.low - 1e-6 <= self.share <= self.high + 1e-6

    @property
    def wrong(self) -> bool:
        """Return whether a bad batch was accepted or a good one rejected."""
        return self.answer == ("accept" if self.share > self.limit else "reject")

    @property
    def plain(self) -> bool:
        """Return whether the photo shows enough and is far enough from the limit that it has to be decided."""
        far = self.share < GOOD * self.limit or self.share > BAD * self.limit
        return self.pieces >= ENOUGH and far

    def line(self) -> str:
        """Return the photo's line."""
        said = (
            f"refused: {self.refused}"
            if self.refused
            else f"{self.estimate:5.1f} [{self.low:4.1f}, {self.high:5.1f}] {self.answer:9s} "
            f"{'' if self.inside else 'OUTSIDE '}{'WRONG' if self.wrong else ''}"
        )
        head = f"{self.name} {self.pieces:4d} pieces, {self.share:4.1f} % long, limit {self.limit:g} %"
        return f"{head}: {said} | {self.note}"


def judged(photos: int, seed: int, folder: Path, megapixels: float) -> Iterator[Judged]:
    """Yield what photos of difficult trays come to by each limit; every second one shows more than `ENOUGH` pieces."""
    for k in range(photos):
        name = f"h{seed}_{k:03d}"
        if not (folder / f"{name}.truth.csv").exists():
            pieces = ENOUGH + 15 + k % 17 if k % 2 else None
            scene = hard_scene(seed * 100_003 + k, mpix=megapixels, pieces=pieces)
            write_drawn(draw(scene), folder, name)
        yield from judge(folder, name)


def judge(folder: Path, name: str) -> list[Judged]:
    """Return what the photo of one difficult tray comes to, by each limit; measured once."""
    truth = read_truth(folder / f"{name}.truth.csv")
    note = str(json.loads((folder / f"{name}.scene.json").read_text())["note"])
    lengths, long_over, _ = _truth(truth, LIMITS[0])
    about = (name, note, len(lengths), 100 * float(np.mean(lengths > long_over)))
    try:
        batch = inspect_photo(folder / f"{name}.jpg")
    except TraygaugeError as error:
        return [Judged(*about, limit, str(error).split(";")[0]) for limit in LIMITS]
    photo = batch.photos[0]
    windows = {photo.photo.name: photo.tray.window_mm}
    found = []
    for limit in LIMITS:
        spec = _truth(truth, limit)[2]
        verdict = judge_pieces(batch.pieces, spec, windows_mm=windows, sight=photo.sight)[1]
        share = next((result for result in verdict.limits if "long_share" in result.path), None)
        if share is None:
            found.append(Judged(*about, limit, "no share judged"))
            continue
        i = share.with_unmeasured
        found.append(Judged(*about, limit, "", i.low, i.estimate, i.high, str(share.answer.value)))
    return found


def _truth(truth: dict[str, np.ndarray], limit: float) -> tuple[np.ndarray, float, Spec]:
    """Return the lengths (n,) with which the tray's pieces meet the screw, what is long, mm, and a spec made for them.

    Two pieces joined by a web are one, as long as both; two that a string ties are two; flakes go by their extent.
    """
    whole = truth["on_border"] != 1
    kind, length = truth["kind"][whole], truth["length_mm"][whole].astype(float)
    strand = np.isin(kind, STRANDS)
    parts = truth["part_lengths_mm"][whole]
    joined = [_numbers(parts[k]).sum(keepdims=True) for k in np.flatnonzero(kind == "double_web")]
    flakes = truth["plan_feret_max_mm"][whole].astype(float)[kind == "flake"]
    usual = float(np.median(length[strand]))
    text = _SPEC.format(
        diameter=float(np.median(truth["diameter_mm"][whole].astype(float)[strand])),
        length=usual,
        long=LONG * usual,
        limit=limit,
    )
    spec = parse_spec(text)
    return (
        np.concatenate([length[strand | (kind == "tied")], *joined, flakes]),
        spec.pieces.long_over_mm or 0.0,
        spec,
    )


def _numbers(text: object) -> np.ndarray:
    return np.array(str(text).split(";"), float)


def table(found: list[Judged]) -> tuple[str, bool]:
    """Return the counts as text, and whether every promise holds within chance."""
    seen = [one for one in found if not one.refused]
    plain = [one for one in seen if one.plain]
    counts = (
        ("share inside its stated interval", sum(one.inside for one in seen), len(seen), INSIDE, True),
        ("accepted or rejected wrongly", sum(one.wrong for one in seen), len(seen), WRONG, False),
        (
            "decided, of the plain ones",
            sum(one.answer != "undecided" for one in plain),
            len(plain),
            DECIDED,
            True,
        ),
    )
    lines = [f"limit {found[0].limit:g} %: {len(found)} photos, {len(found) - len(seen)} refused"]
    holds = True
    for name, hits, n, stated, at_least in counts:
        share = hits / n if n else float(at_least)
        slack = 3 * float(np.sqrt(stated * (1 - stated) / max(n, 1)))
        good = share >= stated - slack if at_least else share <= stated + slack
        holds &= good
        sign = "at least" if at_least else "at most"
        lines.append(
            f"{name:34s} {hits:4d} of {n:<4d} {100 * share:5.1f} %  ({sign} {100 * stated:.0f} %){'' if good else '  BROKEN'}"
        )
    return "\n".join(lines), holds


def main(arguments: list[str]) -> int:
    """Run the check and print its table; return 1 when a promise is broken."""
    photos, seed = (int(arguments[k]) if len(arguments) > k else d for k, d in enumerate((20, 1)))
    megapixels = float(arguments[3]) if len(arguments) > 3 else MEGAPIXELS
    found = []
    with tempfile.TemporaryDirectory() as none:
        folder = Path(arguments[2] if len(arguments) > 2 else none)
        for one in judged(photos, seed, folder, megapixels):
            print(one.line(), flush=True)
            found.append(one)
    tables = [table([one for one in found if one.limit == limit]) for limit in LIMITS]
    print("\n".join(text for text, _ in tables))
    return 0 if all(holds for _, holds in tables) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
