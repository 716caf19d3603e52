"""How wide bodies are along them, from edges read at single stations, and carried on to their ends."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from traygauge.measure.frame import Frames
from traygauge.measure.solving import solved

FloatArray = npt.NDArray[np.float64]

#: Of the diameter: what a squeezed end is as wide as, and how much wider ends read that are not squeezed (test photos).
_TIP, _READ_WIDE = (0.7, 1.25), 0.015
#: How far ends, which lie beyond all stations, stray in width by chance at the most, over what single stations do.
_AT_END = 3.2


@dataclass(frozen=True, eq=False)
class HalfWidths:
    """Half widths of n bodies along them.

    Parameters
    ----------
    terms : ndarray (n, 3), mm: coefficients over s / half the length, lowest order first.
    stray : ndarray (n,), mm: how far those read at single stations usually lie from that.
    """

    terms: FloatArray
    stray: FloatArray

    def at(self, frames: Frames, stations: FloatArray) -> FloatArray:
        """Return the half widths (n, k), mm, at stations (n, k), mm along the axis."""
        x = stations / (frames.length_mm / 2)[:, None]
        return self.terms[:, :1] + self.terms[:, 1:2] * x + self.terms[:, 2:3] * x**2

    def put(self, some: npt.NDArray[np.intp], other: HalfWidths) -> None:
        """Put others in the place of those of some bodies."""
        self.terms[some], self.stray[some] = other.terms, other.stray


def _robust_polynomial(x: FloatArray, y: FloatArray, ridge: FloatArray, rounds: int = 4) -> FloatArray:
    """Return coefficients (n, d) of y (n, k) over x (n, k), lowest order first, outliers and NaN left aside.

    `ridge` (d,) holds each coefficient back, in units of one point's weight; the weights are Tukey's biweight.
    """
    powers = np.stack([x.T**i for i in range(len(ridge))])  # pieces last, so that inner loops are long
    good = np.isfinite(y.T)
    filled = np.where(good, y.T, 0.0)
    weight = good.astype(float)
    for _ in range(rounds):
        weighted = powers * weight
        normal = np.einsum("ikn,jkn->ijn", weighted, powers) + np.diag(ridge + 1e-9)[..., None]
        coefficients = solved(normal, np.einsum("ikn,kn->in", weighted, filled))
        rest = np.abs(filled - np.einsum("ikn,in->kn", powers, coefficients))
        middle = np.partition(np.where(good, rest, 0.0), len(rest) // 2, axis=0)[len(rest) // 2]
        scale = np.maximum(1.4826 * middle, 0.004)
        weight = good * np.clip(1.0 - (rest / (5.0 * scale)) ** 2, 0.0, None) ** 2
    return coefficients.T


def straightened(
    frames: Frames, stations: FloatArray, left: FloatArray, right: FloatArray
) -> tuple[Frames, HalfWidths]:
    """Return the frames moved onto the middle of the flanks, and their half widths."""
    middle, half = (left - right) / 2, (left + right) / 2
    span = frames.length_mm / 2
    x = stations / span[:, None]
    line = _robust_polynomial(x, middle, np.array([0.0, 0.02, 0.6]))
    width = HalfWidths(_robust_polynomial(x, half, np.array([0.0, 0.3, 0.15])), np.zeros(len(half)))
    off = np.abs(half - width.at(frames, stations))
    n = frames.across()
    moved = replace(
        frames,
        centre_mm=frames.centre_mm + line[:, :1] * n,
        axis=frames.axis + line[:, 1] / span,
        bend=frames.bend + 2 * line[:, 2] / span**2,
    )
    return moved, replace(width, stray=1.4826 * np.median(off, 1))


def held_ends(ends: FloatArray, stray: FloatArray, likely: int) -> FloatArray:
    """Return how wide ends (n, 2) are, over the diameter, held to the photo's usual one as far as they are read by chance.

    A cut squeezes all ends of a strand about alike, but each another way. `stray` (n,): of widths at single stations, over
    the diameter.
    """
    usual = float(np.median(ends[:likely])) - 1.0
    usual = 1.0 + float(np.sign(usual)) * max(abs(usual) - _READ_WIDE, 0.0)
    spread = 1.4826 * float(np.median(np.abs(ends[:likely] - usual)))
    chance = _AT_END * float(np.median(stray[:likely]))
    own = max(0.0, 1.0 - (chance / max(spread, 1e-9)) ** 2)
    return np.clip(usual + own * (ends - usual), *_TIP)
