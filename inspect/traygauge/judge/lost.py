"""Pieces lost to measuring are no fair sample: short ones stand on end, long and tailed ones lie under others.

What was measured stands for them: each lost piece is shared out over the measured ones that it may be like. Which
those are is said by what shows of it, as far as anything does (the length that shows of a covered piece, the extent of
a leaning one), and by the chance that geometry gives to a piece of some size of being lost in that way. How many were
lost is seen, so only the proportion of the chances is taken from a model.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from traygauge.judge.findings import BoolArray, FloatArray
from traygauge.judge.unmeasured import Reach
from traygauge.measure.pieces import Pieces

#: More than so many lost ones a measured piece does not stand for on the average, whatever the model says.
MOST_LOST = 4.0
#: How surely a length lies inside the bounds that are seen of it, as a standard deviation in diameters (common practice).
BOUND_SD = 0.2
_ROUNDS = 100
#: Pieces of up to three times the usual length come to lie under others at most so many times as often as usual ones
#: (`crossing_odds`: 2.0 to 2.3 where the usual ones are one to three times as long as thick).
OFTENER = 2.3
#: Pieces up to twice as thick as usual come to lie against others at most so many times as often, thinner ones less often
#: (`crossing_odds`: 1.34 to 1.50 where the usual ones are one to three times as long as thick).
WIDER_OFTENER = 1.5
#: States of pieces that are lost to others lying on or beside them.
UNDER_OTHERS = ("covered", "leaning", "unresolved")
#: Up to so many pieces in one heap met by chance when they were strewn (judgement); what is larger was not spread, and may
#: be what hooked together.
FEW = 3


def standing_chance(aspect_ratio: npt.ArrayLike) -> FloatArray:
    """Return how likely a piece of length / diameter r comes to stand on an end, up to a factor.

    Dropped in random orientation without a bounce a piece comes to lie with the chance r / sqrt(1 + r²) (Yong and
    Mahadevan, Am. J. Phys. 79 (2011) 1195). Shaking a tray topples some that stand: that is the factor.
    """
    r = np.asarray(aspect_ratio, float)
    return np.asarray(1.0 - r / np.hypot(1.0, r))


def crossing_odds(area_mm2: npt.ArrayLike, perimeter_mm: npt.ArrayLike) -> FloatArray:
    """Return how likely things thrown at random meet others of their kind, up to a factor.

    Two convex outlines thrown at random meet in proportion to A1 + A2 + P1 P2 / (2 pi), areas and perimeters
    (Santaló's kinematic formula, from memory).
    """
    area, perimeter = np.asarray(area_mm2, float), np.asarray(perimeter_mm, float)
    return np.asarray(area + area.mean() + perimeter * perimeter.mean() / (2.0 * np.pi))


def stand_for(likely: FloatArray, number: FloatArray, weights: FloatArray) -> FloatArray:
    """Return what each of n measured pieces counts for, 1 and more, so that together they make up for k lost things.

    Parameters
    ----------
    likely : ndarray (k, n): the chance that a piece like the measured one is lost as the thing is, up to a factor.
    number : ndarray (k,): how many pieces each thing is. As many as `MOST_LOST` for each measured one at the most.
    weights : ndarray (n,): what the measured ones stand for beside.

    Notes
    -----
    The most likely batch of which these were measured and those lost: self-consistent weights (Turnbull, J. R. Stat.
    Soc. B 38 (1976) 290), found by sharing out the lost ones again and again. For a loss by chance p it is 1 / (1 - p),
    for lengths of which only the beginning shows the estimate of Kaplan and Meier.
    """
    highest = likely.max(1, initial=0.0)
    possible = highest > 0
    likely, number = likely[possible] / highest[possible, None], number[possible]
    number = number * min(1.0, MOST_LOST * float(weights.sum()) / max(float(number.sum()), 1e-9))
    total = weights.astype(float)
    for _ in range(_ROUNDS):
        shared = number / np.maximum(likely @ total, 1e-9)
        before, total = total, weights + total * (shared @ likely)
        if np.abs(total - before).max() < 1e-3:
            break
    return np.asarray(np.divide(total, weights, out=np.ones_like(total), where=weights > 0))


def made_up(
    pieces: Pieces, reached: Reach, weights: FloatArray, enters: BoolArray, lost: BoolArray
) -> FloatArray:
    """Return what each piece that enters a figure stands for (n,), beside its weight; 1 for the others.

    Parameters
    ----------
    enters, lost : ndarrays (n,), bool: pieces that the figure is drawn from, and those of its kind that it lacks.
        Of a heap, so many are lost as lie between the fewest and the most that it can hold.
    """
    state = pieces["state"].astype(str)
    counts = np.ones(len(pieces))
    lost = lost & (state != "cut off")  # the weights make up for those
    if not enters.any() or not lost.any():
        return counts
    one, out = np.flatnonzero(enters), np.flatnonzero(lost)
    likely = _inside(reached, one, out)
    likely *= np.where((state[out] == "upright")[:, None], _standing(pieces, reached)[one], 1.0)
    # where an upper piece begins is as likely for each mm of a covered one, so that only what shows counts
    met = np.isin(state[out], ("leaning", "unresolved"))
    likely *= np.where(met[:, None], _crossing(pieces, enters)[one], 1.0)
    counts[one] = stand_for(likely, reached.holds[out], weights[one])
    return counts


def _inside(reached: Reach, one: npt.NDArray[np.intp], out: npt.NDArray[np.intp]) -> FloatArray:
    """Return how well the length of each piece of `one` (n,) fits the bounds of each of `out` (k,): ndarray (k, n), 0..1.

    Never quite 0, so that what fits none of them goes to those that fit it best.
    """
    length = (reached.low[one] + np.fmin(reached.high[one], 1e6)) / 2
    sd = BOUND_SD * np.maximum(reached.diameter_mm[out], 0.1)[:, None]
    low, high = np.nan_to_num(reached.low[out]), np.fmin(reached.high[out], 1e6)
    fits = ndtr((length - low[:, None]) / sd) * ndtr((high[:, None] - length) / sd)
    return np.asarray(np.where(np.isfinite(length), np.maximum(fits, 1e-12), 1e-12))


def odds_when_hidden(
    pieces: Pieces, reached: Reach, short: BoolArray, unknown: BoolArray, limit_mm: float
) -> FloatArray:
    """Return the odds to be long of each piece that hides its length by chance, in units of those of all pieces (k,).

    Of the unknown ones those are meant that stand, lie under others or lean on them. By what shows of the latter they can
    only be like some of the short ones, and like any of the long: the fewer of the short ones, the likelier it is long.

    Parameters
    ----------
    short : ndarray (n,), bool: measured pieces that are not long.
    unknown : ndarray (n,), bool: pieces that may be long and may not.
    limit_mm : what is longer is long.

    Notes
    -----
    Long ones stand by the chance of the shortest of them at the most. Leaning ones show all of themselves, and long ones
    lean `OFTENER` times as often at the most. A covered one shows a part: pieces meet in proportion to a + b L of their
    length L, and where the upper one begins is as likely for each mm, so that a part of some size is in proportion to
    (a + b L) / L seen of a piece, of long ones no oftener than of short ones.
    """
    state = pieces["state"].astype(str)
    under = np.flatnonzero(unknown & np.isin(state, UNDER_OTHERS[:2]))
    like = np.zeros(len(under))
    if len(under) and short.any():
        like = _inside(reached, np.flatnonzero(short), under).mean(1)
    oftener = np.where(state[under] == "leaning", OFTENER, 1.0)
    standing = _odds_standing(pieces, reached, short, unknown & (state == "upright"), limit_mm)
    return np.concatenate([standing, oftener / np.maximum(like, 1e-9)])


def odds_when_met(reached: Reach, longs: FloatArray, few: BoolArray) -> FloatArray:
    """Return the odds to be long of what lies in small heaps, one for each long piece that they have room for (k,).

    In units of those of all pieces. Their pieces met by chance, long ones `OFTENER` times as often at the most: so many
    are long of all in such heaps together, and they lie where there is room for them.

    Parameters
    ----------
    longs : ndarray (n,): how many long pieces each heap has room for.
    few : ndarray (n,), bool: heaps of up to `FEW` pieces.
    """
    room = few & (longs > 0)
    if not room.any():
        return np.zeros(0)
    number = reached.holds
    each = OFTENER * number[few].sum() / number[room].sum() * number[room] / longs[room]
    return np.repeat(each, longs[room].astype(int))


def _odds_standing(
    pieces: Pieces, reached: Reach, short: BoolArray, upright: BoolArray, limit_mm: float
) -> FloatArray:
    """Return the odds to be long of what stands (k,): the chance to stand at the limit's length over that of short ones."""
    usual = _standing(pieces, reached)[short]
    usual = usual[usual > 0]
    if not len(usual):
        return np.ones(np.count_nonzero(upright))
    ratio = limit_mm / np.maximum(reached.diameter_mm[upright], 0.01)
    return np.asarray(np.minimum(standing_chance(ratio) / usual.mean(), 1.0))


def _standing(pieces: Pieces, reached: Reach) -> FloatArray:
    ratio = np.nan_to_num(pieces["length_mm"].astype(float)) / np.maximum(reached.diameter_mm, 0.01)
    return np.where(ratio > 0, standing_chance(np.maximum(ratio, 0.01)), 0.0)


def _crossing(pieces: Pieces, enters: BoolArray) -> FloatArray:
    large, small, area = (
        np.nan_to_num(pieces[k].astype(float)) for k in ("feret_max_mm", "feret_min_mm", "area_mm2")
    )
    # the perimeter of a convex outline is pi times its mean Feret diameter (Cauchy)
    odds = np.zeros(len(pieces))
    odds[enters] = crossing_odds(area[enters], np.pi * (large + small)[enters] / 2)
    return odds
