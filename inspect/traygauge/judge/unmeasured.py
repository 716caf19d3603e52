"""What could not be measured, bounded by physics: the least and the greatest that it can be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.judge.findings import BoolArray, FloatArray, fed_length_mm, has
from traygauge.judge.spec import Spec
from traygauge.measure.pieces import Pieces

#: A piece more than this many diameters long does not stay standing on its cut face (common practice; beyond 2 the
#: chance to land on an end is a tenth, Yong and Mahadevan, Am. J. Phys. 79 (2011) 1195).
STANDS_UP_TO = 2.0
#: A thing up to this wide, diameters, is one piece along its length, or two in one line: two side by side are wider.
ONE_WIDE = 1.15
#: Diameters of what shows that may be no piece: a shadow, or by how much a raised end, up to two diameters above the tray,
#: is seen further out than it is (15 degrees off the middle of the view).
ASTRAY = 0.5
#: A thing wider than this, diameters, whose outline has less than this share of its convex hull's area is no single piece:
#: strand is narrower, and flakes are convex (drawn trays: 5 of 190 flakes were not, nor 9 of 10 of the strand that touched).
#: What is so and passes for one piece of unknown axis holds long ones at 1.9 times the odds of the rest, as small heaps do
#: (82 drawn trays: 18 of 157).
SEVERAL_WIDE, HOLLOW = 1.3, 0.94
#: A single piece is nowhere narrower than this part of its widest place: pinched cuts and ragged outlines are not, threads
#: are (judgement: threads are a quarter of the diameter, blurred up to a half).
OF_BODY = 0.7
#: States of single pieces whose length is bounded by what shows of their body.
_NOT_MEASURED = ("covered", "leaning", "axis unknown")
#: A batch with a larger share of flakes was not made by a strand cutter: it is regrind (judgement).
MOST_FLAKES = 0.2
#: Findings that a piece under another one, or in a heap, can hide.
_HIDDEN = ("stringy", "doubles", "tailed", "burred", "off-colour", "short", "thick", "thin")


@dataclass(frozen=True, eq=False)
class Reach:
    """The length each piece can have, mm (n,): both ends equal where it is measured; and what heaps can hold.

    Parameters
    ----------
    low, high : ndarray (n,): shortest and longest length that fits what is seen; NaN and the heap's own for heaps.
    diameter_mm : ndarray (n,): of the piece where seen, else of the batch.
    is_heap : ndarray (n,), bool.
    holds_fewest, holds_most : ndarray (n,): whole pieces of ordinary size that the heap can hold; 1 for single pieces.
    """

    low: FloatArray
    high: FloatArray
    diameter_mm: FloatArray
    is_heap: BoolArray
    holds_fewest: FloatArray
    holds_most: FloatArray

    @property
    def holds(self) -> FloatArray:
        """Return how many pieces each is likely to be (n,): between the fewest and the most; 1 for single pieces."""
        return np.asarray(np.sqrt(self.holds_fewest * self.holds_most))


def least_area_mm2(length_mm: npt.ArrayLike, diameter_mm: npt.ArrayLike) -> FloatArray:
    """Return the area, mm², that each further piece of a heap adds to it as seen from above.

    A piece lies on at most one other across its middle, which hides one diameter of its length, and never more than
    half of it: D max(L - D, L / 2).
    """
    length, diameter = np.asarray(length_mm, float), np.asarray(diameter_mm, float)
    return np.asarray(diameter * np.maximum(length - diameter, length / 2))


def most_pieces(area_mm2: npt.ArrayLike, length_mm: npt.ArrayLike, diameter_mm: npt.ArrayLike) -> FloatArray:
    """Return how many pieces of a length a heap of that area, as seen from above, can hold (...).

    One shows all of itself, two cross once at most, a third one lies on two others, four or more cross once each on
    the average.
    """
    area, length = np.asarray(area_mm2, float), np.asarray(length_mm, float)
    whole, least = length * diameter_mm, least_area_mm2(length, diameter_mm)
    found = np.zeros(np.broadcast(area, whole).shape)
    for n, needed in ((1, whole), (2, whole + least), (3, 2 * whole)):
        found = np.where(area >= needed - 1e-9, n, found)
    return np.asarray(
        np.maximum(found, np.where(area >= 4 * least - 1e-9, np.floor(area / least + 1e-9), 0.0))
    )


def reach(pieces: Pieces, spec: Spec | None) -> Reach:
    """Return the bounds for every piece.

    An upright piece is no longer than what stays standing; a covered or leaning one is at least as long as what is seen
    of it (half a diameter less where it leans, because a raised end is seen further out) and at most as its possible
    extent; a cut-off one counts by what is seen; one whose axis is unknown lies between its Feret diameters, of which the
    longer one reaches from corner to corner, and along the longer where it is no wider than one piece, less half a
    diameter that may be shadow. A flake where the spec says that the pieces are strand may be one that is badly seen, with
    its shadow: so is its length bounded where it is no wider than one piece, else only the most is known, because several
    may touch, as what is hollow does. Where that decides, what is seen is what fits straight into the outline, without
    threads.
    """
    state, seen = pieces["state"].astype(str), np.nan_to_num(pieces["feret_max_mm"])
    known = fed_length_mm(pieces)
    diameter = _diameters(pieces, spec)
    extent = np.where(np.isfinite(pieces["extent_mm"]), pieces["extent_mm"], np.inf)
    low, high = known.copy(), known.copy()
    flake = np.zeros(len(pieces), bool)
    if spec is not None and spec.strand.diameter_mm is not None:
        flake = (pieces["form"] == "flake") & np.isfinite(known) & ~has(pieces, "doubles")
    axis_unknown = (state == "axis unknown") & ~np.isfinite(known)
    heap = _several(pieces, flake | axis_unknown, diameter)
    flake &= ~heap
    heap |= state == "unresolved"
    fits = _body(pieces, spec, seen, diameter, flake | np.isin(state, _NOT_MEASURED))
    body = np.minimum(np.sqrt(np.maximum(seen**2 - diameter**2, 0.0)), fits)

    def put(name: str, least: FloatArray, most: FloatArray) -> None:
        here = (state == name) & ~np.isfinite(known)
        low[here], high[here] = least[here], np.maximum(most, least)[here]

    put("upright", np.zeros(len(pieces)), STANDS_UP_TO * diameter)
    # the raised end of a leaning piece lies on another one or two: no more than two diameters up
    put(
        "leaning", np.maximum(body - ASTRAY * diameter, 0.0), np.minimum(extent, np.hypot(fits, 2 * diameter))
    )
    put("covered", body, extent)
    put("cut off", body, body)
    across = np.nan_to_num(pieces["feret_min_mm"])
    along = (across > 0) & (across < ONE_WIDE * diameter) & (body > across)
    least = np.where(along, np.maximum(body - ASTRAY * diameter, across), across)
    most = np.where(seen > _limit_mm(spec), np.minimum(fits, _to_corners(seen, across, diameter)), fits)
    put("axis unknown", least, most)
    low[flake], high[flake] = np.where(along, least, 0.0)[flake], fits[flake]
    low[heap], high[heap] = np.nan, seen[heap]
    other = ~heap & ~np.isfinite(low)  # measured state without a length, as a crumb: what is seen of it
    low[other], high[other] = 0.0, seen[other]
    fewest, most = _holds(pieces, heap, known, diameter)
    return Reach(low, high, diameter, heap, fewest, most)


def heap_longs(pieces: Pieces, reached: Reach, limit_mm: float) -> FloatArray:
    """Return how many pieces longer than the limit each heap can hold (n,); 0 for single pieces.

    None where the heap itself reaches no further than the limit, or no strip so long fits into its outline; else as
    many as the area that such strips cover can show.
    """
    extent = np.where(np.isfinite(pieces["extent_mm"]), pieces["extent_mm"], pieces["feret_max_mm"])
    diameter = np.clip(reached.diameter_mm, 0.05, limit_mm)
    can = reached.is_heap & (extent > limit_mm)
    by_area = np.where(can, most_pieces(_area(pieces), limit_mm, diameter), 0.0)
    for k in np.nonzero(can)[0]:
        if len(pieces.outlines_mm) and len(pieces.outlines_mm[k]) > 2:
            from traygauge.judge.heaps import longs_in  # draws: not needed where nothing is heaped

            by_area[k] = min(by_area[k], longs_in(pieces.outlines_mm[k], limit_mm, float(diameter[k])))
    return by_area


def unread(pieces: Pieces) -> BoolArray:
    """Return the mask (n,) of the pieces whose length was measured and whose diameter was not: others lie against them."""
    return np.asarray(np.isfinite(pieces["length_mm"]) & ~np.isfinite(pieces["diameter_mm"]))


def hidden(pieces: Pieces, reached: Reach, finding: str) -> BoolArray:
    """Return the mask (n,) of single pieces on which a finding that is not seen may still be (covered ones, unread ones)."""
    if finding not in _HIDDEN:
        return np.zeros(len(pieces), bool)
    unseen = pieces["state"] == "covered"
    if finding in ("thick", "thin"):
        unseen |= ~np.isfinite(pieces["diameter_mm"]) & (pieces["state"] != "upright")
    return np.asarray(unseen & ~reached.is_heap)


def _diameters(pieces: Pieces, spec: Spec | None) -> FloatArray:
    of_piece = pieces["diameter_mm"].astype(float)
    strand = of_piece[(pieces["form"] == "strand") & np.isfinite(of_piece)]
    nominal = None if spec is None else spec.strand.diameter_mm
    if len(strand):
        usual = float(np.median(strand))
    elif nominal is not None:
        usual = nominal
    else:
        usual = np.nan
    width = np.where(pieces["state"] == "upright", pieces["feret_min_mm"], usual)
    width = np.where(np.isfinite(width), width, pieces["feret_min_mm"])
    return np.where(np.isfinite(of_piece), of_piece, np.nan_to_num(width))


def _limit_mm(spec: Spec | None) -> float:
    """Return what is longer is long, mm; infinite where nothing is."""
    limit = None if spec is None else spec.long_over_mm
    return np.inf if limit is None else limit


def _to_corners(seen: FloatArray, across: FloatArray, diameter: FloatArray) -> FloatArray:
    """Return how long straight pieces are at the most, mm (n,), that are seen from corner to corner over `seen` mm."""
    end = OF_BODY * np.minimum(across, diameter)
    return np.asarray(np.sqrt(np.maximum(seen**2 - end**2, 0.0)))


def _several(pieces: Pieces, doubtful: BoolArray, diameter: FloatArray) -> BoolArray:
    """Return which of the things that pass for flakes, or for pieces of unknown axis, are several that touch (n,)."""
    several = np.zeros(len(pieces), bool)
    wide = np.nan_to_num(pieces["feret_min_mm"]) > SEVERAL_WIDE * diameter
    for k in np.flatnonzero(doubtful & wide):
        if len(pieces.outlines_mm) and len(pieces.outlines_mm[k]) > 2:
            from traygauge.judge.heaps import solidity  # not needed where all is measured

            several[k] = solidity(pieces.outlines_mm[k]) < HOLLOW
    return several


def _body(
    pieces: Pieces, spec: Spec | None, seen: FloatArray, diameter: FloatArray, asked: BoolArray
) -> FloatArray:
    """Return the largest extents (n,); of those that are asked for and would be long by it, that of the body alone."""
    extent = seen.copy()
    for k in np.flatnonzero(asked & (seen > _limit_mm(spec))):
        if len(pieces.outlines_mm) and len(pieces.outlines_mm[k]) > 2:
            from traygauge.judge.heaps import longest_in  # draws: not needed where all is measured

            extent[k] = min(seen[k], longest_in(pieces.outlines_mm[k], float(diameter[k])))
    return extent


def _holds(
    pieces: Pieces, heap: BoolArray, known: FloatArray, diameter: FloatArray
) -> tuple[FloatArray, FloatArray]:
    one = np.ones(len(pieces))
    if not heap.any():
        return one, one
    whole = np.isfinite(known)
    length = float(np.median(known[whole])) if whole.any() else 0.0
    width = float(np.median(diameter[whole])) if whole.any() else 0.0
    if (
        length <= 0 or width <= 0
    ):  # nothing measured to compare with: at least two pieces, by their smallest width
        width = max(float(np.nanmin(pieces["feret_min_mm"][heap], initial=1.0)), 0.1)
        length = width
    area = _area(pieces)
    shows = float(np.median(area[whole])) if whole.any() else length * width
    fewest = np.maximum(1.0, np.floor(area / max(shows, length * width)))
    most = np.maximum(2.0, most_pieces(area, length, width))
    return np.where(heap, np.minimum(fewest, most), 1.0), np.where(heap, most, 1.0)


def _area(pieces: Pieces) -> FloatArray:
    return np.asarray(np.nan_to_num(pieces["area_mm2"].astype(float)))
