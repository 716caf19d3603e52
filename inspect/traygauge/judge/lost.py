"""Pieces lost to measuring are no fair sample: short ones stand on end, long and tailed ones lie under others.

What was measured stands for them: each piece counts for itself and for those like it that were lost, in proportion to
the chance of being lost that geometry gives a piece of its size. How many were lost is seen, so only that
proportion is taken from a model.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.judge.findings import BoolArray, FloatArray
from traygauge.judge.unmeasured import Reach
from traygauge.measure.pieces import Pieces

#: More than so many lost ones a measured piece does not stand for, whatever the model says.
MOST_LOST = 4.0
#: States of pieces that are lost to others lying on or beside them.
UNDER_OTHERS = ("covered", "leaning", "unresolved")


def standing_odds(aspect_ratio: npt.ArrayLike) -> FloatArray:
    """Return how likely a piece of length / diameter r stands on an end: minus the logarithm of the chance to lie.

    Dropped in random orientation without a bounce a piece comes to lie with the chance r / sqrt(1 + r²), after a
    vigorous flip with 2 / pi atan(r) (Yong and Mahadevan, Am. J. Phys. 79 (2011) 1195). A tray sees something in
    between: the mean of the two logarithms.
    """
    r = np.asarray(aspect_ratio, float)
    return np.asarray(-(np.log(r / np.hypot(1.0, r)) + np.log(2.0 / np.pi * np.arctan(r))) / 2.0)


def crossing_odds(area_mm2: npt.ArrayLike, perimeter_mm: npt.ArrayLike) -> FloatArray:
    """Return how likely things thrown at random meet others of their kind, up to a factor.

    Two convex outlines thrown at random meet in proportion to A1 + A2 + P1 P2 / (2 pi), areas and perimeters
    (Santaló's kinematic formula, from memory).
    """
    area, perimeter = np.asarray(area_mm2, float), np.asarray(perimeter_mm, float)
    return np.asarray(area + area.mean() + perimeter * perimeter.mean() / (2.0 * np.pi))


def stand_for(odds: FloatArray, lost: float, weights: FloatArray) -> FloatArray:
    """Return what each measured piece counts for, 1 and more, so that all together make up for the lost ones.

    A piece is measured with the chance exp(-k odds), and counts for exp(k odds); k is such that the pieces, by
    their weights, make up for so many lost ones. As many as `MOST_LOST` for each measured one at the most.
    """
    total = float(weights.sum())
    lost = min(lost, MOST_LOST * total)
    if not lost > 0 or not total > 0 or not np.isfinite(odds).all() or odds.max() <= 0:
        return np.ones_like(odds)
    scaled = odds / float(odds.max())
    # from a k that is too large Newton's steps come down without passing the root: the sum is convex in k
    k = float(np.log1p(lost / max(float(weights[scaled.argmax()]), 1e-9)))
    for _ in range(50):
        each = weights * np.exp(k * scaled)
        step = (float(each.sum()) - total - lost) / float((each * scaled).sum())
        k -= step
        if step < 1e-6 * k:
            break
    return np.asarray(np.exp(k * scaled))


def made_up(
    pieces: Pieces, reached: Reach, weights: FloatArray, enters: BoolArray, lost: BoolArray
) -> FloatArray:
    """Return what each piece that enters a figure stands for (n,), beside its weight; 1 for the others.

    Parameters
    ----------
    enters, lost : ndarrays (n,), bool: pieces that the figure is drawn from, and those of its kind that it lacks.
        Of a heap, so many are lost as lie between the fewest and the most that it can hold.
    """
    counts = np.ones(len(pieces))
    if not enters.any() or not lost.any():
        return counts
    for names, odds in ((("upright",), _standing(pieces)), (UNDER_OTHERS, _crossing(pieces, enters))):
        number = float(reached.holds[lost & np.isin(pieces["state"].astype(str), names)].sum())
        counts[enters] *= stand_for(odds[enters], number, weights[enters])
    return counts


def _standing(pieces: Pieces) -> FloatArray:
    ratio = np.nan_to_num(pieces["aspect_ratio"].astype(float))
    return np.where(ratio > 0, standing_odds(np.maximum(ratio, 0.01)), 0.0)


def _crossing(pieces: Pieces, enters: BoolArray) -> FloatArray:
    large, small, area = (
        np.nan_to_num(pieces[k].astype(float)) for k in ("feret_max_mm", "feret_min_mm", "area_mm2")
    )
    # the perimeter of a convex outline is pi times its mean Feret diameter (Cauchy)
    odds = np.zeros(len(pieces))
    odds[enters] = crossing_odds(area[enters], np.pi * (large + small)[enters] / 2)
    return odds
