"""Bent strand: outlines that are one band along a smooth curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.polynomial import Polynomial

FloatArray = npt.NDArray[np.float64]

#: A band is longer than so many times its width; its sides are those points of the outline that lie further than so many
#: widths from either end, and so many points are needed.
_LONG, _ENDS, _ENOUGH = 2.5, 0.7, 20
#: How far a band's sides may lie from where the curve and the width put them, in widths: by root mean square, and at most
#: (drawn and rendered ones 0.02 and 0.1; of two pieces end to end, which leave a kink, a step or a notch, 0.04 and 0.15 up).
_ROUGH, _FAR = 0.025, 0.1
#: How steeply the curve may leave the line of its largest spread (a tangent).
_STEEP = 1.5
#: By how much a band may be wider or narrower than the strand, as a share of that.
_UNLIKE = 0.15
_ROUNDS = 3


@dataclass(frozen=True)
class Band:
    """A band of even width along a smooth curve, in the units of the outline's points.

    Parameters
    ----------
    centre, axis : the curve's middle, and its direction there, radians, x towards y.
    bend : mean curvature, positive where it turns from x towards y.
    length, width : along and across it.
    """

    centre: tuple[float, float]
    axis: float
    bend: float
    length: float
    width: float


def band_of(points: FloatArray) -> Band | None:
    """Return the band that a closed outline (k, 2) is, or None: where it has a kink, a step, a notch, or its width changes.

    The curve is a cubic over the line of the outline's largest spread, fitted to both sides at once by least squares.
    """
    centre = points.mean(0)
    along = np.linalg.eigh((points - centre).T @ (points - centre))[1][:, 1]
    axes = np.array([along, [-along[1], along[0]]])
    u, v = axes @ (points - centre).T
    span, ends = float(np.ptp(u)), _ENDS * _even_width(points)
    side = (u > u.min() + ends) & (u < u.max() - ends)
    if side.sum() < _ENOUGH:
        return None
    first = float(u.min())
    curve, width, off, steep = _sides_fitted((2.0 * (u - first) / span - 1.0)[side], v[side], span / 2)
    if (
        span < _LONG * width
        or steep > _STEEP
        or np.abs(off).max() > _FAR * width
        or np.sqrt((off**2).mean()) > _ROUGH * width
    ):
        return None
    angle = np.arctan(curve.deriv()(np.linspace(-1.0, 1.0, 41)) / (span / 2))
    steps = span / 40 / np.cos(angle)
    arc, inner = (
        float(np.trapezoid(steps)),
        slice(6, 35),
    )  # a cubic's ends run on too straight to tell the bend
    x, y = centre + np.array([first + span / 2, float(curve(0.0))]) @ axes
    return Band(
        centre=(float(x), float(y)),
        axis=float(np.arctan2(along[1], along[0]) + angle[20]),
        bend=float(np.diff(angle[inner]).sum()) / float(np.trapezoid(steps[inner])),
        length=arc
        - width / 2 * float(np.abs(np.tan(angle[[0, -1]])).sum()),  # corners reach beyond the curve's ends
        width=width,
    )


def _sides_fitted(t: FloatArray, v: FloatArray, half: float) -> tuple[Polynomial, float, FloatArray, float]:
    """Return curve over t (k,), -1 to 1 for `half` either way, and width of a band with sides v (k,), how far they lie off it, and how steep it is."""
    curve, width = Polynomial.fit(t, v, 3, domain=[-1, 1]), 0.0
    for _ in range(_ROUNDS):
        across = np.sqrt(1.0 + (curve.deriv()(t) / half) ** 2)
        above = np.sign(v - curve(t)) * across / 2.0
        columns = np.concatenate([np.vander(t, 4, increasing=True), above[:, None]], 1)
        *powers, width = np.linalg.lstsq(columns, v, rcond=None)[0].tolist()
        curve = Polynomial(powers)
    slope = curve.deriv()(t) / half
    off = np.abs(v - curve(t)) / np.sqrt(1.0 + slope**2) - width / 2.0
    return curve, width, off, float(np.abs(slope).max())


def is_bent_strand(contour: npt.NDArray[np.int32], diameter: float) -> bool:
    """Return whether an outline (k, 2), the outermost pixels, is one band as wide as the strand."""
    band = band_of(contour.astype(np.float64))
    return band is not None and abs((band.width + 1.0) / diameter - 1.0) < _UNLIKE


def _even_width(points: FloatArray) -> float:
    """Return how wide the band of even width is that has an outline's area and length."""
    x, y = points.T
    area = abs(float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())) / 2
    around = float(np.hypot(*(np.roll(points, -1, 0) - points).T).sum())
    return float(around / 2 - np.sqrt(max(around**2 / 4 - 4 * area, 0.0))) / 2
