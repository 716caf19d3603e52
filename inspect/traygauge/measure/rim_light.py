"""What the rounded rim of a cut lacks of the light of its flank, and by how much a bright piece looks shorter for it.

A rim rounded to a radius turns from where the flank looks to where the face does, as a flank turns from its axis to its
limb: over both the light falls alike, where both look the same way. So flanks that lie across a direction tell what rims
that look in it lack. Towards a window they are brighter than the flank, and the piece looks longer; on the other side, where
a lamp's light ends soon, two thirds of a radius are dark.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.measure.limb import MOST_TURN, Limb, flank_light

FloatArray = npt.NDArray[np.float64]

#: Where the light of flanks is read, in half widths; beyond, up to the limb, the last place tells what is left.
PLACES = np.arange(0.05, 0.8, 0.1)
_READ = 0.8
_ACROSS = np.linspace(0.0, 1.0, 101)
_TURNS = np.linspace(-MOST_TURN, MOST_TURN, 121)
_EVEN_ONES = 4.0  # flanks' worth of trust in rims that lack the same whichever way they look
_ROUNDS, _FAR = 4, 2.0  # of weighing down flanks further off than so many robust standard deviations


@dataclass(frozen=True, eq=False)
class RimLight:
    """What rims of bright pieces in one photo lack of their flanks' light, by the way they look.

    Parameters
    ----------
    terms : ndarray (5,): mean and the first two harmonics over the azimuth: one lamp, or two that face each other.
    """

    terms: FloatArray

    @classmethod
    def even(cls, lacking: float) -> RimLight:
        """Return rims that lack the same whichever way they look."""
        return cls(np.array([lacking, 0.0, 0.0, 0.0, 0.0]))

    def lacking(self, azimuth: FloatArray) -> FloatArray:
        """Return the light that rims looking towards `azimuth` (...), radians, lack, in shares of flank and radius."""
        return np.asarray(_harmonics(azimuth) @ self.terms, float)


def rim_light(flank: FloatArray, azimuth: FloatArray, limb: Limb) -> RimLight:
    """Return what rims lack in a photo by the light of its flanks.

    Parameters
    ----------
    flank : ndarray (k, len(PLACES)): their light, over that on the axis; NaN is left out.
    azimuth : ndarray (k,): where they look, radians.
    limb : of the photo.
    """
    sky, lamps = flank_light(_ACROSS, limb, _TURNS[:, None])
    light = np.broadcast_to((1 - limb.share) * sky + limb.share * lamps, (len(_TURNS), len(_ACROSS)))
    known = np.isfinite(flank).all(1)
    if not (limb.own_light or limb.frontal) or not known.any():
        return RimLight.even(1.0 - float(light[len(_TURNS) // 2].mean()))
    last, left = light[:, np.abs(_ACROSS - PLACES[-1]) < 0.05].mean(1), light[:, _ACROSS > _READ].mean(1)
    if limb.frontal:
        left = flank[known, -1] * left[0] / last[0]
    else:
        left = np.interp(flank[known, -1], np.maximum.accumulate(last), left)
    lacking = 1.0 - _READ * flank[known].mean(1) - (1.0 - _READ) * left
    terms = _harmonics(azimuth[known])
    held = np.diag([0.0, 1.0, 1.0, 1.0, 1.0]) * _EVEN_ONES
    counts = np.ones(len(lacking))
    for _ in range(_ROUNDS):
        weighted = terms * counts[:, None]
        found = np.linalg.solve(weighted.T @ terms + held, weighted.T @ lacking)
        rest = np.abs(lacking - terms @ found)
        counts = 1 / (1 + (rest / (_FAR * 1.4826 * np.median(rest) + 1e-9)) ** 2)
    return RimLight(found)


def _harmonics(azimuth: FloatArray) -> FloatArray:
    turns = (np.ones_like(azimuth), *(of(k * azimuth) for k in (1, 2) for of in (np.cos, np.sin)))
    return np.stack(turns, -1)


def seems_short(lacking: FloatArray, face: FloatArray, apart: FloatArray) -> FloatArray:
    """Return how far inwards of its cut an end seems to lie, in radii of its rim, (e,).

    The light that lacks lies at the edge between flank and face; the end is placed by that and the face's outer edge, each
    by the square of its step (least squares, closed form for a blur wider than the rim).

    Parameters
    ----------
    lacking : ndarray (e,), as `RimLight.lacking`.
    face : ndarray (e,): brightness of the faces in sight, between tray (0) and flank (1).
    apart : ndarray (e,): distance of both edges in standard deviations of the blur; 0 where no face is seen.
    """
    inner, outer = 1.0 - face, face
    overlap = np.exp(-np.square(apart) / 4)
    step = inner**2 + outer**2 + 2 * inner * outer * overlap
    return np.asarray(lacking * (inner + outer * overlap) / step, float)
