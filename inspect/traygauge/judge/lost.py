"""Pieces lost to measuring are no fair sample: short ones stand on end, long and tailed ones lie under others.

What was measured stands for them: each lost piece is shared out over the measured ones that it may be like. Which
those are is said by what shows of it, as far as anything does (the length that shows of a covered piece, the extent of
a leaning one, how far the top of a standing one is seen from its foot), and by the chance that geometry gives to a
piece of some size of being lost in that way. How many were lost is seen, so only the proportion of the chances is taken
from a model. Short pieces may all be lost: some of what stands may be like nothing that was measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from traygauge.judge.findings import BoolArray, FloatArray
from traygauge.judge.standing_odds import StandingLaw, Tops, standing_law
from traygauge.judge.unmeasured import MOST_FLAKES, STANDS_UP_TO, Reach
from traygauge.measure.pieces import Pieces
from traygauge.measure.standing_length import lean_of_cuts, u_standing_mm

#: More than so many lost ones a measured piece does not stand for on the average, whatever the model says.
MOST_LOST = 4.0
#: How surely a length lies inside the bounds that are seen of it, as a standard deviation in diameters (common practice).
BOUND_SD = 0.2
#: The longest that is thought to stand, diameters, but in regrind (cylinders dropped from 3 to 15 mm: 1 to 7 of 100 of
#: these; the bounds are `STANDS_UP_TO`).
_TALLEST = 2.5
#: What shows no more area than that of this many diameters by one, and may lie either way, is as long as its area says.
_ROUND = 1.3
#: So many lengths, from so many diameters on, stand for those up to what stays standing that no measured piece has, and as
#: many for longer ones, up to so many diameters.
_OTHERS, _SHORTEST, _LONGEST = 24, 0.1, 12.0
#: How well anything fits at the least.
_SCARCELY = 1e-12
#: What passes in regrind for a piece that stands is a flake this often (drawn regrind: 14 of 87).
_FLAKES_STANDING = 1 / 6
_ROUNDS = 100
#: Pieces of up to three times the usual length come to lie under others at most so many times as often as usual ones
#: (`crossing_odds`: 2.0 to 2.3 where the usual ones are one to three times as long as thick).
OFTENER = 2.3
#: Pieces up to twice as thick as usual come to lie against others at most so many times as often, thinner ones less often
#: (`crossing_odds`: 1.34 to 1.50 where the usual ones are one to three times as long as thick).
WIDER_OFTENER = 1.5
#: States of pieces that are lost to others lying on or beside them.
UNDER_OTHERS = ("covered", "leaning", "unresolved")
#: States of what is lost for being short: it stands, or is hardly longer than thick.
_SHORT = ("upright", "axis unknown")
#: Up to so many pieces in one heap met by chance when they were strewn (judgement); what is larger was not spread, and may
#: be what hooked together.
FEW = 3


def crossing_odds(area_mm2: npt.ArrayLike, perimeter_mm: npt.ArrayLike) -> FloatArray:
    """Return how likely things thrown at random meet others of their kind, up to a factor.

    Two convex outlines thrown at random meet in proportion to A1 + A2 + P1 P2 / (2 pi), areas and perimeters
    (Santaló's kinematic formula, from memory).
    """
    area, perimeter = np.asarray(area_mm2, float), np.asarray(perimeter_mm, float)
    return np.asarray(area + area.mean() + perimeter * perimeter.mean() / (2.0 * np.pi))


def stand_for(likely: FloatArray, number: FloatArray, weights: FloatArray, fixed: int = 0) -> FloatArray:
    """Return what each of n measured pieces counts for, 1 and more, so that together they make up for k lost things.

    Parameters
    ----------
    likely : ndarray (k, n): the chance that a piece like the measured one is lost as the thing is, up to a factor.
    number : ndarray (k,): how many pieces each thing is. As many as `MOST_LOST` for each measured one at the most.
    weights : ndarray (n,): what the measured ones stand for beside.
    fixed : the last so many are no measured pieces, and grow no likelier by what they stand for.

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
    total, grows = weights.astype(float), np.arange(len(weights)) < len(weights) - fixed
    for _ in range(_ROUNDS):
        prior = np.where(grows, total, weights)
        shared = number / np.maximum(likely @ prior, 1e-9)
        before, total = total, weights + prior * (shared @ likely)
        if np.abs(total - before).max() < 1e-3:
            break
    return np.asarray(np.divide(total, weights, out=np.ones_like(total), where=weights > 0))


@dataclass(frozen=True, eq=False)
class MadeUp:
    """What makes up for lost pieces.

    Parameters
    ----------
    counts : ndarray (n,): what each piece stands for, beside its weight; 1 where it stands for itself alone.
    length_mm, number : ndarrays (m,): lengths like none that was measured, and how many of the lost have them.
    """

    counts: FloatArray
    length_mm: FloatArray
    number: FloatArray


def made_up(
    pieces: Pieces, reached: Reach, weights: FloatArray, enters: BoolArray, lost: BoolArray
) -> MadeUp:
    """Return what each of n pieces that enters a figure stands for, and which lost ones are like none of them.

    Parameters
    ----------
    enters, lost : ndarrays (n,), bool: pieces that the figure is drawn from, and those of its kind that it lacks.
        Of a heap, so many are lost as lie between the fewest and the most that it can hold.

    Notes
    -----
    Where all short pieces stand, none is measured, nor a long one where all of them lean. A piece like none of those
    measured is as likely as one like a certain one of them (rule of succession): beside them stands one of any length up
    to what stays standing, so that as many stand as are the odds for one that lies, and one that is longer. Regrind has
    none, because what is unlike its strand is a flake; and what passes there for a piece that may lie either way is a
    flake as often as anything on the tray.
    """
    state = pieces["state"].astype(str)
    counts = np.ones(len(pieces))
    lost = lost & (state != "cut off")  # the weights make up for those
    if not enters.any() or not lost.any():
        return MadeUp(counts, np.zeros(0), np.zeros(0))
    one, out = np.flatnonzero(enters), np.flatnonzero(lost)
    usual = max(float(np.median(reached.diameter_mm[one])), 0.01)
    others, few = (np.zeros(0), np.zeros(0)) if _flaky(pieces) else _like_none()
    length = np.concatenate([_middle(reached)[one], others * usual])
    likely = _fits(pieces, reached, length, out)
    stands = state[out] == "upright"
    if stands.any():
        lean_sd = lean_of_cuts(_off_square(pieces, one))
        ratio, tops = _ratio(pieces, reached)[one], _tops(pieces, out, usual, lean_sd)
        law = standing_law(ratio, weights[one], stands.sum(), tops, lean_sd)
        standing = np.concatenate([law.chance(ratio), law.odds(others)])
        likely *= tops.density(length / usual, lean_sd) * np.where(stands[:, None], standing, 1.0)
    # whether an end lies under others does not depend on the length: of a covered piece only what shows counts
    met = np.isin(state[out], ("leaning", "unresolved"))
    likely[met, : len(one)] *= _met(_crossing(pieces, enters)[one], reached.holds[out[met]])
    likely[reached.is_heap[out], len(one) :] = 0.0
    alone = np.concatenate([weights[one], few])
    number = reached.holds[out] * _strand_share(pieces, state[out])
    stands_for = stand_for(likely, number, alone, len(few))
    counts[one] = stands_for[: len(one)]
    return MadeUp(counts, others * usual, (stands_for[len(one) :] - 1.0) * few)


def _like_none() -> tuple[FloatArray, FloatArray]:
    """Return lengths that no measured piece may have, diameters, and how many pieces are thought to have each."""
    short = np.linspace(_SHORTEST, STANDS_UP_TO, _OTHERS)
    long = STANDS_UP_TO * (_LONGEST / STANDS_UP_TO) ** (np.arange(1, _OTHERS + 1) / _OTHERS)
    # of longer ones the fewer the longer they are, by the square, so that one stands for all of them
    shares = np.full(_OTHERS, 1.0 / _OTHERS), -np.diff(STANDS_UP_TO / long, prepend=1.0)
    return np.concatenate([short, long]), np.concatenate(shares)


def _met(crossing: FloatArray, number: FloatArray) -> FloatArray:
    """Return how likely pieces are to be found in heaps of so many (k,) by their odds to meet (n,): ndarray (k, n).

    In proportion to the odds in a heap of two. In larger ones most of what is met has met others as well: of 2 (k - 1) / k
    neighbours that each piece has on the average in a heap that holds together by k - 1 contacts one is enough. Numbers of
    neighbours by Poisson's law, of which 0 is left out: 1 - exp(-m c / c̄) with m / (1 - exp(-m)) that average (to the
    second power of m).
    """
    neighbours = 2.0 - 2.0 / np.maximum(number, 2.0)
    mean = np.maximum(np.sqrt(12.0 * neighbours - 3.0) - 3.0, 1e-6)[:, None]
    return np.asarray(-np.expm1(-mean * crossing / max(float(crossing.mean()), 1e-9)) / mean)


def _flaky(pieces: Pieces) -> bool:
    return _flake_share(pieces) > MOST_FLAKES


def _strand_share(pieces: Pieces, state: npt.NDArray[np.str_]) -> FloatArray:
    """Return how many of the things of such states (k,) are strand, as a share."""
    if not _flaky(pieces):
        return np.ones(len(state))
    return np.where(state == "upright", 1.0 - _FLAKES_STANDING, 1.0 - _flake_share(pieces))


def _flake_share(pieces: Pieces) -> float:
    return float((pieces["form"] == "flake").mean())


def _fits(pieces: Pieces, reached: Reach, length_mm: FloatArray, out: npt.NDArray[np.intp]) -> FloatArray:
    """Return how well lengths (m,) fit what is seen of each of `out` (k,): ndarray (k, m), up to a factor for each.

    What stands is seldom longer than what surely may, and is so in regrind least of all. Of what may lie either way and
    is hardly longer than thick, its area counts, but in regrind, where it may be a flake. What was not explained and shows
    no more than one piece does may run on below others. Never quite 0, so that what fits none of them goes to those that
    fit it best.
    """
    low, high, diameter = reached.low[out], reached.high[out], np.maximum(reached.diameter_mm[out], 0.1)
    state = pieces["state"][out].astype(str)
    runs_on = reached.is_heap[out] & (reached.holds_fewest[out] <= 1)
    high = np.where(runs_on, np.fmax(high, pieces["extent_mm"][out]), high)
    shown = pieces["area_mm2"][out].astype(float) / diameter
    either_way = (state == "axis unknown") & (shown < _ROUND * diameter) & (not _flaky(pieces))
    low, high = np.where(either_way, shown, low), np.where(either_way, shown, high)
    if not _flaky(pieces):
        high = np.where(state == "upright", np.maximum(high, _TALLEST * diameter), high)
    fits = _inside(length_mm, low, high, BOUND_SD * diameter)
    covered = (state == "covered")[:, None]
    beyond = (length_mm - np.nan_to_num(low)[:, None]) / diameter[:, None]
    return np.where(covered, np.maximum(fits * hidden_run(beyond), _SCARCELY), fits)


def _off_square(pieces: Pieces, one: npt.NDArray[np.intp]) -> FloatArray:
    """Return the tangents of the cut angles of some pieces (k,), ndarray (k, 2)."""
    angles = [pieces[name][one].astype(float) for name in ("cut_angle_a_deg", "cut_angle_b_deg")]
    return np.asarray(np.tan(np.radians(np.stack(angles, -1))), float)


def _tops(pieces: Pieces, out: npt.NDArray[np.intp], usual_mm: float, lean_sd: float) -> Tops:
    seen, u = (pieces[name][out].astype(float) / usual_mm for name in ("standing_mm", "u_standing_mm"))
    return Tops(seen, u_standing_mm(seen, 1.0, 1.0, lean_sd) / u)


def hidden_run(diameters: npt.ArrayLike) -> FloatArray:
    """Return how likely so much of a piece is hidden beyond what shows of it, where an end lies under another, 1 for none.

    Ends lie anywhere under a strip one diameter wide that runs any way: at an angle a to the piece the strip hides up to
    1 / sin a of it. Over all angles that is 1 up to one diameter and 1 - sqrt(1 - 1 / h²) from there.
    """
    hidden = np.maximum(np.asarray(diameters, float), 1.0)
    return np.asarray(1.0 - np.sqrt(1.0 - 1.0 / hidden**2))


def _inside(length_mm: FloatArray, low: FloatArray, high: FloatArray, sd: FloatArray) -> FloatArray:
    """Return how well lengths (m,) lie between bounds (k,) that are certain by `sd` (k,): ndarray (k, m), 0..1."""
    low, high, sd = np.nan_to_num(low)[:, None], np.fmin(high, 1e6)[:, None], np.maximum(sd, 0.02)[:, None]
    fits = ndtr((length_mm - low) / sd) * ndtr((high - length_mm) / sd)
    return np.asarray(np.where(np.isfinite(length_mm), np.maximum(fits, _SCARCELY), _SCARCELY))


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
        low, high, sd = reached.low[under], reached.high[under], BOUND_SD * reached.diameter_mm[under]
        like = _inside(_middle(reached)[short], low, high, sd).mean(1)
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
    drop = StandingLaw()
    usual = drop.chance(_ratio(pieces, reached)[short])
    usual = usual[usual > 0]
    if not len(usual):
        return np.ones(np.count_nonzero(upright))
    ratio = limit_mm / np.maximum(reached.diameter_mm[upright], 0.01)
    return np.asarray(np.minimum(drop.chance(ratio) / usual.mean(), 1.0))


def _middle(reached: Reach) -> FloatArray:
    return np.asarray((reached.low + np.fmin(reached.high, 1e6)) / 2)


def _ratio(pieces: Pieces, reached: Reach) -> FloatArray:
    return np.asarray(
        np.nan_to_num(pieces["length_mm"].astype(float)) / np.maximum(reached.diameter_mm, 0.01)
    )


def _crossing(pieces: Pieces, enters: BoolArray) -> FloatArray:
    large, small, area = (
        np.nan_to_num(pieces[k].astype(float)) for k in ("feret_max_mm", "feret_min_mm", "area_mm2")
    )
    # the perimeter of a convex outline is pi times its mean Feret diameter (Cauchy)
    odds = np.zeros(len(pieces))
    odds[enters] = crossing_odds(area[enters], np.pi * (large + small)[enters] / 2)
    return odds
