"""Figures of shape of closed outlines, after ISO 9276-6:2008.

A area, P perimeter, x_Fmax and x_Fmin largest and smallest Feret diameter, A_c and P_c area and perimeter of the convex
hull. The standard's aspect ratio x_Fmin / x_Fmax is called `feret_ratio` here, because the trade's aspect ratio is
length over diameter.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, fields
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate1d, maximum_filter1d

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Shapes:
    """Shapes of n outlines: six measured columns, and the figures that follow from them.

    Parameters
    ----------
    area_mm2, perimeter_mm, hull_area_mm2, hull_perimeter_mm, feret_max_mm, feret_min_mm : ndarray (n,).
    """

    area_mm2: FloatArray
    perimeter_mm: FloatArray
    hull_area_mm2: FloatArray
    hull_perimeter_mm: FloatArray
    feret_max_mm: FloatArray
    feret_min_mm: FloatArray

    def __len__(self) -> int:
        return len(self.area_mm2)

    def scaled(self, by: FloatArray) -> Shapes:
        """Return the shapes of the same outlines drawn larger by a factor each (n,)."""
        powers = (2, 1, 2, 1, 1, 1)
        return Shapes(
            *(getattr(self, f.name) * by**power for f, power in zip(fields(self), powers, strict=True))
        )

    @property
    def feret_ratio(self) -> FloatArray:
        """Return x_Fmin / x_Fmax (the standard's aspect ratio)."""
        return _ratio(self.feret_min_mm, self.feret_max_mm)

    @property
    def roundness(self) -> FloatArray:
        """Return 4 A / (pi x_Fmax²)."""
        return _ratio(4 * self.area_mm2, np.pi * self.feret_max_mm**2)

    @property
    def compactness(self) -> FloatArray:
        """Return x_A / x_Fmax, x_A being the diameter of the circle of equal area: the square root of the roundness."""
        return np.sqrt(self.roundness)

    @property
    def solidity(self) -> FloatArray:
        """Return A / A_c."""
        return _ratio(self.area_mm2, self.hull_area_mm2)

    @property
    def convexity(self) -> FloatArray:
        """Return P_c / P."""
        return _ratio(self.hull_perimeter_mm, self.perimeter_mm)

    @property
    def fibre_length_mm(self) -> FloatArray:
        """Return the geodesic length x_LG: of the rectangle of equal area and perimeter, else x_Fmax.

        There is no such rectangle (P² < 16 A) for circles, ellipses up to about 2:1 and the like.
        """
        quarter = self.perimeter_mm / 4
        rest = quarter**2 - self.area_mm2
        return np.where(rest >= 0, quarter + np.sqrt(np.maximum(rest, 0.0)), self.feret_max_mm)

    @property
    def fibre_width_mm(self) -> FloatArray:
        """Return the mean width x_E = A / x_LG."""
        return _ratio(self.area_mm2, self.fibre_length_mm)

    @property
    def straightness(self) -> FloatArray:
        """Return x_Fmax / x_LG. The rectangle model has it above 1 for straight pieces (the diagonal)."""
        return _ratio(self.feret_max_mm, self.fibre_length_mm)


def shapes_of(outlines_mm: tuple[npt.ArrayLike, ...]) -> Shapes:
    """Return the shapes of closed outlines, each an ndarray (k, 2), last point not repeated.

    Outlines of fewer than three points have zero area and NaN ratios.
    """
    each = [np.asarray(o, float).reshape(-1, 2) for o in outlines_mm]
    outlines = _quiet(_Rings.of(np.concatenate([np.zeros((0, 2)), *each]), [len(o) for o in each]))
    hulls = _hulls(outlines)
    return Shapes(outlines.area, outlines.perimeter, hulls.area, hulls.perimeter, *_feret(hulls))


def strand_volume_mm3(length_mm: npt.ArrayLike, diameter_mm: npt.ArrayLike) -> FloatArray:
    """Return the volume of strand bodies, pi/4 D² L.

    Exact for a cylinder cut by any two planes that do not meet inside it, L being the distance of the two cut faces'
    centres along the axis; for a bent one too (Pappus).
    """
    volume = np.pi / 4 * np.asarray(diameter_mm, float) ** 2 * np.asarray(length_mm, float)
    return np.asarray(volume, float)


def _ratio(a: FloatArray, b: FloatArray) -> FloatArray:
    out = np.full(np.shape(a), np.nan)
    np.divide(a, b, out=out, where=b > 0)
    return out


@dataclass(frozen=True, eq=False)
class _Rings:
    """Closed outlines of n things, laid end to end.

    Parameters
    ----------
    points : ndarray (2, m), x and y apart; start : ndarray (n + 1,): ring k is points[:, start[k]:start[k + 1]].
    """

    points: FloatArray
    start: IntArray

    @classmethod
    def of(cls, points: FloatArray, sizes: list[int]) -> _Rings:
        """Return rings of points (m, 2), each seen from its own first point: no cancellation far from (0, 0)."""
        size = np.array(sizes, np.int64)
        start = np.concatenate([[0], np.cumsum(size)])
        first = points[start[:-1][size > 0]].T
        return cls(points.T - np.repeat(first, size[size > 0], axis=1), start)

    @cached_property
    def size(self) -> IntArray:
        """Return the number of points of each ring, ndarray (n,)."""
        return np.diff(self.start)

    @cached_property
    def owner(self) -> IntArray:
        """Return the ring of each point, ndarray (m,)."""
        return np.repeat(np.arange(len(self.size)), self.size)

    @cached_property
    def after(self) -> IntArray:
        """Return the next point of each point's ring, ndarray (m,)."""
        after = np.arange(1, self.points.shape[1] + 1)
        some = self.size > 0
        after[self.start[1:][some] - 1] = self.start[:-1][some]
        return after

    @cached_property
    def side(self) -> FloatArray:
        """Return the way from each point to the next, ndarray (2, m)."""
        return self.points.take(self.after, 1) - self.points

    @cached_property
    def step(self) -> FloatArray:
        """Return the length of each side, ndarray (m,)."""
        return np.asarray(np.sqrt((self.side**2).sum(0)), float)

    @cached_property
    def perimeter(self) -> FloatArray:
        """Return the length of each ring, ndarray (n,)."""
        return self._total(self.step)

    @property
    def area(self) -> FloatArray:
        """Return the enclosed areas, ndarray (n,)."""
        return np.abs(self._total(_cross(self.points, self.side))) / 2

    def _total(self, values: FloatArray) -> FloatArray:
        run = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(run[self.start[1:]] - run[self.start[:-1]], float)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[0] * b[1] - a[1] * b[0], float)


#: Weights of a local cubic over seven points (Savitzky and Golay, Anal. Chem. 36 (1964) 1627, table I).
_CUBIC_7 = np.array([-2, 3, 6, 7, 6, 3, -2]) / 21
_LONG_STEP = 2.3  # times an outline's mean step


def _quiet(rings: _Rings) -> _Rings:
    """Return outlines without the noise of their points.

    Points a step h apart, off by s across the outline, make it s²/h² longer and push its hull outwards. A local cubic
    over seven points leaves a twelfth of that and keeps smooth curves; corners of a photo's outline are rounded by blur
    anyway. Points beside a long step (drawn polygons, chords) stay where they are, as do outlines below 16 points.
    """
    if not rings.points.size:
        return rings
    # laid out with the last three points of a ring before its first as well, and the first three after its last
    wide = rings.size + 6
    place = np.arange(wide.sum()) - np.repeat(np.cumsum(wide) - wide + 3, wide)
    around = np.repeat(rings.start[:-1], wide) + place % np.repeat(np.maximum(rings.size, 1), wide)
    around = np.minimum(around, rings.points.shape[1] - 1)
    own = np.flatnonzero((place >= 0) & (place < np.repeat(rings.size, wide)))
    smooth = correlate1d(rings.points.take(around, 1), _CUBIC_7, axis=1).take(own, 1)
    longest = maximum_filter1d(rings.step.take(around), 6).take(own)
    usual = np.where(rings.size < 16, 0.0, rings.perimeter / np.maximum(rings.size, 1))
    return _Rings(
        np.where(longest >= np.repeat(_LONG_STEP * usual, rings.size), rings.points, smooth), rings.start
    )


def _hulls(rings: _Rings) -> _Rings:
    """Return the convex hulls, all turning the same way."""
    points = np.ascontiguousarray(rings.points.T, np.float32)[:, None]
    hulls = [
        cv2.convexHull(points[a:b]) if b - a > 2 else points[a:b]
        for a, b in itertools.pairwise(rings.start.tolist())
    ]
    return _Rings.of(np.concatenate([points[:0], *hulls])[:, 0].astype(float), [len(h) for h in hulls])


def _feret(hulls: _Rings) -> tuple[FloatArray, FloatArray]:
    """Return the largest and smallest Feret diameters of convex rings.

    Parallel lines that hold a hull touch a side and the point furthest from it, where the hull has turned by half
    (rotating callipers: Toussaint, Proc. IEEE MELECON (1983) A10.02). The narrowest lie on a side, and the two points
    furthest apart are a side's end and its furthest point.
    """
    angle = np.arctan2(hulls.side[1], hulls.side[0])
    turn = np.mod(angle[hulls.after] - angle + 0.1, 2 * np.pi) - 0.1  # rounding may turn a straight one back
    run = np.concatenate([[0.0], np.cumsum(np.maximum(turn, 0.0))])
    first = np.repeat(hulls.start[:-1], hulls.size)
    turned = run[:-1] - run[first]
    apart = 7.0 * hulls.owner  # more than a full turn
    opposite = np.searchsorted(turned + apart, np.mod(turned + np.pi, 2 * np.pi) + apart)
    opposite = np.where(opposite == np.repeat(hulls.start[1:], hulls.size), first, opposite)
    away = hulls.points.take(opposite, 1) - hulls.points
    across = np.abs(_cross(hulls.side, away)) / np.where(hulls.step > 0, hulls.step, 1.0)
    # the furthest point may be either end of a parallel side
    other = hulls.points.take(hulls.after[opposite], 1) - hulls.points
    most = np.max([(way**2).sum(0) for way in (away, away - hulls.side, other, other - hulls.side)], axis=0)
    longest, narrowest = np.zeros(len(hulls.size)), np.zeros(len(hulls.size))
    some = hulls.size > 0
    if some.any():
        longest[some] = np.sqrt(np.maximum.reduceat(most, hulls.start[:-1][some]))
        narrowest[some] = np.minimum.reduceat(across, hulls.start[:-1][some])
    return longest, narrowest
