"""Bent strand: outlines that are one band along a smooth curve."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from numpy.polynomial import Polynomial

FloatArray = npt.NDArray[np.float64]

#: A band is longer than so many times its width; its sides are those points of the outline that lie further than so many
#: widths from either end, and so many points are needed.
_LONG, _ENDS, _ENOUGH = 2.5, 0.7, 20
#: How far a band's sides may lie from where the curve and the width put them, in widths: by root mean square, and at most
#: (drawn and rendered ones 0.02 and 0.1; of two pieces end to end, which leave a kink, a step or a notch, 0.04 and 0.15 up).
_ROUGH, _FAR = 0.025, 0.1
#: From so many times what ends take off on a curve may turn more than a cubic does: two usual pieces are shorter.
_FLEXIBLE = 14.0
#: How steeply the curve may leave the line of its largest spread (a tangent).
_STEEP = 1.5
#: By how much a band may be wider or narrower than the strand, as a share of that.
_UNLIKE = 0.15
_ROUNDS = 3
#: A band is straight where its rise is less than so many widths.
STRAIGHT = 0.15
#: Where light is read across a band (widths), in how many steps to a width along it, and by what share it may change, or fall
#: from flank to flank, within half a width.
_ACROSS, _STEPS = np.linspace(-0.25, 0.25, 5), 24
_CHANGES, _FALLS = 0.3, 0.3


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

    @property
    def rise(self) -> float:
        """Return how far the curve's middle lies from the line between its ends, in widths."""
        return abs(self.bend) * self.length**2 / (8.0 * self.width)

    def at(self, along: FloatArray, across: FloatArray) -> FloatArray:
        """Return places (..., 2) along and across an arc of the band's bend."""
        turn = self.bend * along
        x = along * (1 - turn**2 / 6) - across * np.sin(turn)
        y = along * turn / 2 * (1 - turn**2 / 12) + across * np.cos(turn)
        c, s = np.cos(self.axis), np.sin(self.axis)
        return np.stack([self.centre[0] + c * x - s * y, self.centre[1] + s * x + c * y], -1)


def band_of(points: FloatArray) -> Band | None:
    """Return the band that a closed outline (k, 2) is, or None: where it has a kink, a step, a notch, or its width changes.

    The curve is a polynomial over the line of the outline's largest spread, fitted to both sides at once by least squares: a
    cubic, of long ones to the fifth degree.
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
    degree = 5 if span > _FLEXIBLE * ends else 3
    curve, width, off, steep = _sides_fitted(
        (2.0 * (u - first) / span - 1.0)[side], v[side], span / 2, degree
    )
    if (
        span < _LONG * width
        or steep > _STEEP
        or np.abs(off).max() > _FAR * width
        or np.sqrt((off**2).mean()) > _ROUGH * width
    ):
        return None
    angle = np.arctan(curve.deriv()(np.linspace(-1.0, 1.0, 41)) / (span / 2))
    steps = span / 40 / np.cos(angle)
    inner = slice(6, 35)  # a cubic's ends run on too straight to tell the bend
    arc = float(np.trapezoid(steps))
    corners = width / 2 * float(np.abs(np.tan(angle[[0, -1]])).sum())  # reach beyond the curve's ends
    x, y = centre + np.array([first + span / 2, float(curve(0.0))]) @ axes
    return Band(
        centre=(float(x), float(y)),
        axis=float(np.arctan2(along[1], along[0]) + angle[20]),
        bend=float(np.diff(angle[inner]).sum()) / float(np.trapezoid(steps[inner])),
        length=arc - corners,
        width=width,
    )


def _sides_fitted(
    t: FloatArray, v: FloatArray, half: float, degree: int
) -> tuple[Polynomial, float, FloatArray, float]:
    """Return the curve and the width of a band with sides v (k,) at t (k,), how far they lie off it (k,), and how steep it is.

    `t` runs from -1 to 1, `half` either way.
    """
    curve, width = Polynomial.fit(t, v, degree, domain=[-1, 1]), 0.0
    for _ in range(_ROUNDS):
        across = np.sqrt(1.0 + (curve.deriv()(t) / half) ** 2)
        above = np.sign(v - curve(t)) * across / 2.0
        columns = np.concatenate([np.vander(t, degree + 1, increasing=True), above[:, None]], 1)
        *powers, width = np.linalg.lstsq(columns, v, rcond=None)[0].tolist()
        curve = Polynomial(powers)
    slope = curve.deriv()(t) / half
    off = np.abs(v - curve(t)) / np.sqrt(1.0 + slope**2) - width / 2.0
    return curve, width, off, float(np.abs(slope).max())


def is_bent_strand(contour: npt.NDArray[np.int32], diameter: float, rgb: npt.NDArray[np.uint8]) -> bool:
    """Return whether an outline (k, 2), the outermost pixels, is a bent band as wide as the strand, and nothing runs across it.

    Of what is straight rods, and what is known of doubles, say more.

    Parameters
    ----------
    rgb : ndarray (h, w, 3): the picture that it lies in.
    """
    band = band_of(contour.astype(np.float64))
    if band is None or band.rise < STRAIGHT or abs((band.width + 1.0) / diameter - 1.0) > _UNLIKE:
        return False
    return not _is_crossed(band, rgb)


def _is_crossed(band: Band, rgb: npt.NDArray[np.uint8]) -> bool:
    """Return whether a dark line runs right across a band, or its colour changes, as where two pieces lie end to end."""
    step = band.width / _STEPS
    count = int(band.length / step)
    along = step * (np.arange(count, dtype=float) - (count - 1) / 2)
    xy = band.at(along[:, None], _ACROSS * band.width).astype(np.float32)
    colour = cv2.remap(rgb, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR).astype(np.float64)
    near, reach = _STEPS // 6, _STEPS // 2
    here = np.arange(_STEPS, count - _STEPS)  # ends are lit otherwise
    means = sliding_window_view(colour.mean(1), reach - near, axis=0).mean(-1)
    before, after = means[here - reach], means[here + near + 1]
    changes = np.abs(after - before).sum(1) / np.maximum(np.maximum(before, after).sum(1), 1.0)
    beside = np.minimum(before.sum(1), after.sum(1))
    falls = 1.0 - colour[here].sum(2).max(1) / np.maximum(beside, 1.0)
    return bool((changes > _CHANGES).any() or (falls > _FALLS).any())


def _even_width(points: FloatArray) -> float:
    """Return how wide the band of even width is that has an outline's area and length."""
    line = (points - points[0]).astype(np.float32)
    area, around = cv2.contourArea(line), cv2.arcLength(line, True)
    return float(around / 2 - np.sqrt(max(around**2 / 4 - 4 * area, 0.0))) / 2
