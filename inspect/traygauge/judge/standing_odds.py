"""How pieces that stand on end are spread over lengths.

Short ones come to stand more often than long ones. By how much more is known for a drop without a bounce; shaken, or
dropped from higher, pieces stand as if by a power of that chance. Where tops tell how long pieces are that stand, they tell
that power, and with it what is like the others that tell nothing. What they tell blurs as pieces lean, by the angle of the cut
that they stand on (`standing_length.lean_of_cuts`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.judge.findings import BoolArray, FloatArray
from traygauge.measure.standing_length import LEAN_SD, u_standing_mm

#: How often a flank ends early, because it is in the dark or turned away, and how often what is seen says nothing of the
#: length: a neighbour's edge (drawn and path-traced tops: 2 to 5 of 100 are far too short).
_EARLY, _MISREAD = 0.04, 0.02
#: The powers, which is likeliest beforehand, and how far from that it may be (cylinders dropped from 3 to 15 mm, with and
#: without bounces: 1 to 2; set down at random: 0).
_POWERS, _POWER, _POWER_SD = np.linspace(0.0, 2.0, 5), 1.5, 1.0
#: Lengths in question, diameters; and how surely at the most all of some length stand.
_STEP, _TALLEST, _SUREST = 0.05, 3.0, 0.95
_LENGTHS = np.arange(_STEP, _TALLEST + _STEP / 2, _STEP)
_FACTORS = np.linspace(0.0, 4.0, 81)


def standing_chance(aspect_ratio: npt.ArrayLike) -> FloatArray:
    """Return how likely a piece of length / diameter r comes to stand on an end, up to a factor.

    Dropped in random orientation without a bounce a piece comes to lie with the chance r / sqrt(1 + r²) (Yong and
    Mahadevan, Am. J. Phys. 79 (2011) 1195). Shaking a tray topples some that stand: that is the factor.
    """
    r = np.asarray(aspect_ratio, float)
    return np.asarray(1.0 - r / np.hypot(1.0, r))


@dataclass(frozen=True, eq=False)
class Tops:
    """How far tops of k pieces that stand are seen from their feet.

    Parameters
    ----------
    length : ndarray (k,): the length which that says, diameters; NaN where nothing does.
    slant : ndarray (k,): how far the view moves a top by its height.
    """

    length: FloatArray
    slant: FloatArray

    @property
    def told(self) -> BoolArray:
        """Return of which anything is seen."""
        return np.isfinite(self.length) & np.isfinite(self.slant)

    def density(self, length: FloatArray, lean_sd: float = LEAN_SD) -> FloatArray:
        """Return how likely what is seen is for pieces of lengths (m,), diameters: ndarray (k, m), 1 where nothing is."""
        told = self.told
        seen = self.length[told, None]
        u = u_standing_mm(length, self.slant[told, None], 1.0, lean_sd)
        near = np.exp(-(((length - seen) / u) ** 2) / 2) / u / np.sqrt(2 * np.pi)
        early = (seen <= length) / np.maximum(length, _STEP)
        found = np.ones((len(told), len(length)))
        found[told] = (1 - _EARLY - _MISREAD) * near + _EARLY * early + _MISREAD / _TALLEST
        return found


@dataclass(frozen=True)
class StandingLaw:
    """By which power of `standing_chance` pieces stand, and up to which factor."""

    power: float = 1.0
    factor: float = 1.0

    def chance(self, aspect_ratio: FloatArray) -> FloatArray:
        """Return how likely pieces stand, up to the factor; 0 where the length is none."""
        some = np.maximum(aspect_ratio, 0.01)
        return np.where(aspect_ratio > 0, standing_chance(some) ** self.power, 0.0)

    def odds(self, aspect_ratio: FloatArray) -> FloatArray:
        """Return how many stand for each that lies, up to the factor."""
        chance = self.chance(aspect_ratio)
        return np.asarray(chance / (1.0 - np.minimum(self.factor * chance, _SUREST)))


def standing_law(
    aspect_ratio: FloatArray, weights: FloatArray, number: float, tops: Tops, lean_sd: float = LEAN_SD
) -> StandingLaw:
    """Return by what law pieces stand of which n lie, and what is seen of the tops of those that stand.

    Parameters
    ----------
    aspect_ratio, weights : ndarrays (n,): of those that lie, and what each stands for.
    number : how many stand.
    lean_sd : by how much those lean, as a tangent.

    Notes
    -----
    The mean over powers, each as likely as it makes what is seen of the tops, and as it is beforehand.
    """
    steps = np.rint(np.clip(aspect_ratio / _STEP, 1, len(_LENGTHS))).astype(int) - 1
    lie = np.bincount(steps, np.where(aspect_ratio > 0, weights, 0.0), len(_LENGTHS)).astype(float)
    lie += 1.0 / len(_LENGTHS)
    stand = np.array([lie * _law(power, lie, number).odds(_LENGTHS) for power in _POWERS])
    stand /= stand.sum(1, keepdims=True)
    log = np.log(tops.density(_LENGTHS, lean_sd)[tops.told] @ stand.T).sum(0)
    share = np.exp(log - log.max() - ((_POWERS - _POWER) / _POWER_SD) ** 2 / 2)
    return _law(float(share @ _POWERS / share.sum()), lie, number)


def _law(power: float, lie: FloatArray, number: float) -> StandingLaw:
    """Return the law of some power by which so many stand while others lie, as many as `lie` of each of `_LENGTHS`."""
    chance = _FACTORS[:, None] * StandingLaw(power).chance(_LENGTHS)
    stand = (chance / (1.0 - np.minimum(chance, _SUREST))) @ lie
    return StandingLaw(power, float(np.interp(number, stand, _FACTORS)))
