"""Strand piece or flake: what shape and light say of each thing, and what the batch says of them all.

A flake can have nearly parallel sides, and a strand piece a ragged outline. So no single feature decides: shape and
light give each thing odds, widths that many of the batch share raise them, and how much of the batch is strand at all
is learned from the same photo. In a scoop of strand a poor outline is then a poor outline and no flake, and in a
regrind a flake that happens to be straight is still one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Weights of a logistic regression of strand against flake on drawn scenes (regrind, strand and both; the test photos
#: had no part in it): constant, then ln(gap + 0.003), ln(taper + 0.01), grain, ln(slope + 0.04), ln(bend + 0.01).
_WEIGHTS = np.array([-14.2, -0.7, -2.3, 1.5, -0.9, -0.8])
_FLOORS = np.array([0.003, 0.01, 0.0, 0.04, 0.01])
#: Shape and light alone say at most this much (log odds): their errors are not independent.
_MOST = 5.0
#: A thing that parting explained by a rod has shown that much already; among flakes half of that (drawn clumps
#: hold four times as many rods for strand as for as many flakes).
_PARTED = 2.0
#: Widths of strand agree within 3 % (ovality, wear of the die: common practice), but for this share that is ill fitted: those
#: lie near them still, by the second standard deviation (log).
_WIDTH_SD, _ILL_SD, _ILL_FITTED = 0.03, 0.2, 0.03
#: Density, in log width, of widths of no preference; and how many pieces of such widths a batch is taken to hold.
_ANY_WIDTH, _ANY_PIECES = 0.4, 2.0
#: Pieces of strand and flakes that a batch is taken to hold before it is looked at: most are strand.
_BEFORE = (4.0, 1.0)
#: What a photo's strand mostly shows, log odds, before it is looked at: mean, standard deviation, and how many pieces that
#: counts for. What shows much less than the batch's own, by up to so much, or has another width, is a flake rather than a
#: piece badly read: all of that counts where a third of the things are flakes, none where none is (swept on drawn trays).
_PLAIN, _AS_GOOD_AS, _ODD, _FLAKY = (4.0, 2.0), 6.0, 4.0, 1 / 3
_ROUNDS = 12
_LOG_MM = np.linspace(np.log(0.1), np.log(20.0), 1060)
#: Widths that the density of widths knows of, mm.
WIDTHS_MM = 0.11, 19.0


@dataclass(frozen=True, eq=False)
class StrandOdds:
    """Which of n things are strand pieces.

    Parameters
    ----------
    probability : ndarray (n,), 0 to 1.
    of_batch : the batch's share of strand pieces.
    diameter_mm : usual diameter of its strand; NaN where there is nothing.
    """

    probability: FloatArray
    of_batch: float
    diameter_mm: float


def evidence(
    gap: FloatArray,
    taper: FloatArray,
    grain: FloatArray,
    slope: FloatArray,
    bend: FloatArray,
    aspect: FloatArray,
) -> FloatArray:
    """Return the log odds (n,) of strand against flake that shape and light give, -5 to 5.

    Parameters
    ----------
    gap : mean distance of the outline from its rod, in diameters.
    taper : largest less smallest width, in diameters.
    grain : how much more the light varies across than along (`traygauge.measure.body.grain`).
    slope : tangent of the cut faces' angles from square, both in squares.
    bend : curvature of the centreline times the diameter.
    aspect : length over diameter. Flanks shorter than the thing is wide speak for strand by that part of what they show: as
        far as they go, any two edges are straight and alike.
    """
    gap, taper, slope, bend = (
        np.log(x + floor) for x, floor in zip((gap, taper, slope, bend), _FLOORS[[0, 1, 3, 4]], strict=True)
    )
    odds = _WEIGHTS[0] + np.stack([gap, taper, grain, slope, bend], -1) @ _WEIGHTS[1:]
    odds = np.clip(odds, -_MOST, _MOST)
    return np.asarray(np.where(odds > 0, odds * np.minimum(aspect, 1.0), odds))


def strand_odds(odds: FloatArray, width_mm: FloatArray, parted: npt.NDArray[np.bool_]) -> StrandOdds:
    """Return which things are strand, from what each shows and what all of them share.

    Parameters
    ----------
    odds : ndarray (n,): log odds of each by itself, as `evidence` gives them.
    width_mm : ndarray (n,): widths as of strand.
    parted : ndarray (n,), bool: explained by a rod when a heap was parted.
    """
    if not len(odds):
        return StrandOdds(np.zeros(0), 0.5, float("nan"))
    width = np.clip(np.nan_to_num(width_mm, nan=1.0), *WIDTHS_MM)
    alone, by_rod = np.nan_to_num(odds), np.where(parted, _PARTED, 0.0)
    p = 1 / (1 + np.exp(-alone - by_rod))
    share = 0.5
    for _ in range(_ROUNDS):
        share = float((p.sum() + _BEFORE[0]) / (len(p) + sum(_BEFORE)))
        flaky = min((1 - share) / _FLAKY, 1.0) ** 2
        odds = alone + (1 - flaky / 2) * by_rod
        # what hardly is strand vouches for no width: among many flakes some agree by chance
        usual = common_width(width, p * p, _ILL_FITTED * (1 - flaky))
        total = odds + np.log(usual / _ANY_WIDTH) + np.log(share / (1 - share)) - flaky * _oddness(odds, p)
        p = 1 / (1 + np.exp(-np.clip(total, -30, 30)))
    return StrandOdds(p, share, _weighted_median(width, p))


def _oddness(odds: FloatArray, p: FloatArray) -> FloatArray:
    """Return by how much less likely (log odds) things look so that show less than the batch's strand does (n,)."""
    count = p.sum() + _AS_GOOD_AS
    plain = (p @ odds + _AS_GOOD_AS * _PLAIN[0]) / count
    spread = np.sqrt((p @ (odds - plain) ** 2 + _AS_GOOD_AS * _PLAIN[1] ** 2) / count)
    below = np.maximum((plain - odds) / spread - 1.0, 0.0)
    return np.asarray(np.minimum(below**2 / 2, _ODD))


def common_width(width_mm: FloatArray, weight: FloatArray, ill_fitted: float = _ILL_FITTED) -> FloatArray:
    """Return how common each width (n,) is among the *other* pieces, as a density over the logarithm of width."""
    well, ill = (_density(np.log(width_mm), weight, sd) for sd in (_WIDTH_SD, _ILL_SD))
    return (1 - ill_fitted) * well + ill_fitted * ill


def _density(x: FloatArray, weight: FloatArray, sd: float) -> FloatArray:
    """Return the density of the other places near each (n,), each of them spread by a standard deviation."""
    step = _LOG_MM[1] - _LOG_MM[0]
    far = int(4 * sd / step)
    kernel = np.exp(-0.5 * (np.arange(-far, far + 1) * step / sd) ** 2)
    kernel /= kernel.sum() * step
    histogram, _ = np.histogram(x, _LOG_MM, weights=weight)
    density = np.interp(x, (_LOG_MM[1:] + _LOG_MM[:-1]) / 2, np.convolve(histogram, kernel, "same"))
    others = np.maximum(density - weight * kernel.max(), 0.0) + _ANY_PIECES * _ANY_WIDTH
    return np.asarray(others / (weight.sum() - weight + _ANY_PIECES))


def _weighted_median(values: FloatArray, weight: FloatArray) -> float:
    order = np.argsort(values)
    along = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(along, along[-1] / 2)])
