"""What the pieces that lie free say of the batch's strand, and which connected things need no parting at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Fewer free pieces than this say nothing of a batch.
_FEWEST = 5
#: Share of the rod-shaped things that must agree on one diameter, and of all solid ones, for strand to be there.
_AGREEING, _AMONG_ALL = 0.5, 0.15
#: Single things have such a solidity, and rods fill the smallest rectangle around them to this share.
_CONVEX, FILLED = 0.92, 0.83
#: Flakes are told among convex things of more than so many square diameters by a width unlike strand's by so much in log; a piece
#: that stands is a disc, or an oval up to so many diameters long.
_CRUMB, _UNLIKE, _DISC = 0.35, 0.2, 1.35
#: From this share on a batch holds flakes, and is regrind: of 260 drawn and rendered photos, worn, crowded, blurred and in hard
#: light, none without flakes shows as many, and of 19 that are a seventh of flakes and more, 16; those that are two fifths and
#: more show 0.2 to 0.35.
SOME_FLAKES, REGRIND = 0.055, 0.15
#: So many flakes are none, but pairs side by side.
_PAIRS = 2
#: Points of middle lines that a heap's diameter needs, and the share of them that must agree.
_RIDGE, _GATHERED = 60, 0.55


@dataclass(frozen=True)
class StrandPrior:
    """What the pieces that lie free say of the batch's strand.

    Parameters
    ----------
    diameter_px, diameter_sd_px : middle and spread of the diameter, photo pixels.
    length_px, length_sd_px : middle and spread of the length, photo pixels; an infinite spread: not known.
    n : pieces it rests on.
    flakes : share of flakes among the things as solid as one piece, by their width; about half of what there are.
    """

    diameter_px: float
    diameter_sd_px: float
    length_px: float
    length_sd_px: float
    n: int
    flakes: float = 0.0


def _rod_like(area: FloatArray, solidity: FloatArray, long: FloatArray, short: FloatArray) -> BoolArray:
    """Return which things are as convex and rectangular as a rod seen from above."""
    fill = area / np.maximum(long * short, 1e-9)
    return np.asarray((solidity > _CONVEX) & (fill > FILLED))


def strand_prior(
    area_px: npt.ArrayLike,
    solidity: npt.ArrayLike,
    rect_long_px: npt.ArrayLike,
    rect_short_px: npt.ArrayLike,
) -> StrandPrior | None:
    """Return what free pieces say of the strand, or None where they are no strand of one diameter.

    Parameters
    ----------
    area_px, solidity, rect_long_px, rect_short_px : (n,) each, of connected things: area, area over that of the
        convex hull, sides of the smallest rectangle around it (all after threads are taken off, where they can be).

    Notes
    -----
    The diameter is the mode of the rectangles' shorter sides on a logarithmic scale (a window of 12 %), weighted
    alike for every thing longer than wide. Flakes spread over it, strand gathers at one place.
    """
    area, solid = np.asarray(area_px, float), np.asarray(solidity, float)
    long, short = np.asarray(rect_long_px, float), np.asarray(rect_short_px, float)
    use = _rod_like(area, solid, long, short) & (long > 1.15 * short) & (short > 4)
    if int(use.sum()) < _FEWEST:
        return None
    width = np.sort(np.log(short[use]))
    inside = np.searchsorted(width, width + 0.12, side="right") - np.arange(len(width))
    first = int(np.argmax(inside))
    n = int(inside[first])
    solid_things = int(((solid > 0.85) & (short > 0.4 * np.exp(width[first]))).sum())
    if n < _FEWEST or n < _AGREEING * use.sum() or n < _AMONG_ALL * solid_things:
        return None
    members = np.exp(width[first : first + n])
    middle = float(np.median(members))
    of_batch = use & (np.abs(short / middle - 1) < 0.1)
    lengths = long[of_batch]
    typical = float(np.median(lengths))
    return StrandPrior(
        middle,
        max(1.4826 * float(np.median(np.abs(members - middle))), 0.02 * middle),
        typical,
        max(1.4826 * float(np.median(np.abs(lengths - typical))), 0.05 * typical),
        n,
        _flakes(area, solid, long, short, middle),
    )


def _flakes(
    area: FloatArray, solidity: FloatArray, long: FloatArray, short: FloatArray, diameter: float
) -> float:
    """Return the share of flakes among convex things; crumbs count for neither, and two pieces side by side for strand."""
    convex = (solidity > _CONVEX) & (area > _CRUMB * diameter**2)
    disc = (long < _DISC * diameter) & (area > 0.7 * long * short)
    unlike = np.abs(np.log(np.maximum(short, 1.0) / diameter)) > _UNLIKE
    flake = convex & unlike & ~_rod_like(area, solidity, long, short) & ~disc
    return max(int(flake.sum()) - _PAIRS, 0) / max(int(convex.sum()), 1)


def heap_prior(masks: Sequence[BoolArray]) -> StrandPrior | None:
    """Return what clumps themselves say of the strand, where too little lies free; None where it is no strand.

    Lengths are not known then: the prior allows any.
    """
    diameter, share = usual_width(masks)
    if share < _GATHERED:
        return None
    return StrandPrior(diameter, 0.05 * diameter, 2 * diameter, float("inf"), 0)


def usual_width(masks: Sequence[BoolArray]) -> tuple[float, float]:
    """Return the width, px, at which most middle lines of some masks gather, and which share of their points does.

    The middle lines of heaped strand lie half a diameter inside the outline wherever a flank is free on both sides,
    so the largest distances to the outline gather at that value (in a window of 12 %); those of flakes spread.
    """
    found = []
    for mask in masks:
        edged = cv2.copyMakeBorder(mask.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
        depth = np.asarray(cv2.distanceTransform(edged, cv2.DIST_L2, 5), np.float32)
        top = cv2.dilate(depth, np.ones((3, 3), np.uint8))
        deep = np.flatnonzero(depth > 3)
        here = depth.ravel()[deep]
        found.append(here[here >= top.ravel()[deep] - 1e-3])
    depths = np.sort(np.log(np.concatenate(found))) if found else np.empty(0)
    if len(depths) < _RIDGE:
        return 0.0, 0.0
    inside = np.searchsorted(depths, depths + 0.12, side="right") - np.arange(len(depths))
    first = int(np.argmax(inside))
    n = int(inside[first])
    return 2 * float(np.exp(np.median(depths[first : first + n]))), n / len(depths)


def looks_single(
    area_px: npt.ArrayLike,
    solidity: npt.ArrayLike,
    rect_long_px: npt.ArrayLike,
    rect_short_px: npt.ArrayLike,
    prior: StrandPrior | None,
) -> BoolArray:
    """Return which connected things are surely one piece and need no parting, ndarray (n,) of bool.

    With a strand: rod-shaped with the batch's diameter and no longer than usual (two pieces end to end look like one
    long one, so unusual lengths are left to the picture), a disc of that diameter, or smaller than any two pieces.
    Without one: nearly convex.
    """
    area, solid = np.asarray(area_px, float), np.asarray(solidity, float)
    long, short = np.asarray(rect_long_px, float), np.asarray(rect_short_px, float)
    if prior is None:
        return np.asarray(solid > 0.9)
    d = prior.diameter_px
    tiny = area < 0.35 * d * d
    usual = long < prior.length_px + max(2.5 * prior.length_sd_px, 0.25 * d)
    slim = short < d * 1.12 + 2 * prior.diameter_sd_px
    return np.asarray(tiny | (_rod_like(area, solid, long, short) & slim & usual))
