"""How far rods rest at an angle, by both ends together: one tilt makes both bulge.

Where the axis rises by t towards an end, and the line of sight leans outwards there by l, the rims' bulges are
|sin t - l cos t| at that end, whose whole rim is seen, and |sin t + l cos t| at the lower one, whose outer half is
(`traygauge.measure.leaning`).
"""

from __future__ import annotations

import numpy as np

from traygauge.segment.part_ends import BULGES, SLANT, SLOPES, SURE, end_scores
from traygauge.segment.part_field import BoolArray, Field, Float32Array, FloatArray
from traygauge.segment.part_rods import at_an_angle, lean_along
from traygauge.segment.part_witness import FIRST, LAST

#: Tilts tried, radians; steeper ones are rarer (a normal distribution's standard deviation, common practice).
_TILTS, _TILT_SD = np.radians(np.arange(2.0, 72.0, 2.0)), np.radians(25.0)
#: Ends that bulge by more than this, radii, are discs: what stands.
_DISC = 0.84


def tilts(field: Field, rods: FloatArray, hidden: BoolArray) -> FloatArray:
    """Return at which angle rods (n, 6) rest, radians, (n,): 0 for those that lie and for discs.

    `hidden` (n, 95) marks sample points not to be read.
    """
    out = np.zeros(len(rods))
    some = np.flatnonzero(at_an_angle(field, rods) & (rods[:, 5] < _DISC / 2 * rods[:, 4]))
    if not len(some):
        return out
    lean = lean_along(field, rods[some])
    read = [~hidden[some, FIRST], ~hidden[some, LAST]]
    chance = [_explained(field, rods[some], raised, read, lean) for raised in (0, 1)]
    total = np.logaddexp(*chance) - (_TILTS / _TILT_SD) ** 2 / 2
    likely = np.exp(total - total.max(1, keepdims=True))
    out[some] = likely @ _TILTS / likely.sum(1)
    return out


def _explained(
    field: Field, rods: FloatArray, raised: int, read: list[BoolArray], lean: FloatArray
) -> FloatArray:
    """Return how well each tilt explains both ends of rods if the first (0) or last (1) is raised: logarithm, (n, tilts)."""
    outwards = (lean if raised else -lean)[:, None] * np.cos(_TILTS)
    total = np.zeros(outwards.shape)
    for k, side in enumerate((-1, 1)):
        up = k == raised
        score = end_scores(field, rods, side, read[k], np.full(len(rods), up))
        bulge = np.abs(np.sin(_TILTS) - outwards if up else np.sin(_TILTS) + outwards)
        total += _between(_of_bulges(score), bulge)
    return total


def _of_bulges(score: Float32Array) -> FloatArray:
    """Return how well each bulge explains an end, as a logarithm, over all slopes and places: ndarray (n, bulges)."""
    likely = SURE * score - ((SLOPES / SLANT) ** 2 / 2)[:, None]
    most = likely.max((2, 3), keepdims=True)
    return np.asarray(np.log(np.exp(likely - most).sum((2, 3))) + most[..., 0, 0], np.float64)


def _between(value: FloatArray, bulge: FloatArray) -> FloatArray:
    """Return values (n, bulges) at bulges (n, m) between those tried."""
    at = np.clip(np.searchsorted(BULGES, bulge) - 1, 0, len(BULGES) - 2)
    part = np.clip((bulge - BULGES[at]) / np.diff(BULGES)[at], 0.0, 1.0)
    low, high = (np.take_along_axis(value, at + k, 1) for k in (0, 1))
    return np.asarray(low * (1 - part) + high * part)
