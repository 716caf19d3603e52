"""Figures of shape of closed outlines, after ISO 9276-6:2008.

A area, P perimeter, x_Fmax and x_Fmin largest and smallest Feret diameter, A_c and P_c area and perimeter of the convex
hull. The standard's aspect ratio x_Fmin / x_Fmax is called `feret_ratio` here, because the trade's aspect ratio is
length over diameter.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

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

    @property
    def area_diameter_mm(self) -> FloatArray:
        """Return the diameter of the circle of equal area, x_A."""
        return np.sqrt(4 * self.area_mm2 / np.pi)

    @property
    def perimeter_diameter_mm(self) -> FloatArray:
        """Return the diameter of the circle of equal perimeter, x_P."""
        return self.perimeter_mm / np.pi

    @property
    def feret_ratio(self) -> FloatArray:
        """Return x_Fmin / x_Fmax (the standard's aspect ratio)."""
        return _ratio(self.feret_min_mm, self.feret_max_mm)

    @property
    def form_factor(self) -> FloatArray:
        """Return 4 pi A / P², 1 for a circle."""
        return _ratio(4 * np.pi * self.area_mm2, self.perimeter_mm**2)

    @property
    def circularity(self) -> FloatArray:
        """Return the square root of the form factor (ISO 9276-6; many libraries call the unrooted value so)."""
        return np.sqrt(self.form_factor)

    @property
    def roundness(self) -> FloatArray:
        """Return 4 A / (pi x_Fmax²)."""
        return _ratio(4 * self.area_mm2, np.pi * self.feret_max_mm**2)

    @property
    def compactness(self) -> FloatArray:
        """Return x_A / x_Fmax, the square root of the roundness."""
        return _ratio(self.area_diameter_mm, self.feret_max_mm)

    @property
    def extent(self) -> FloatArray:
        """Return A / (x_Fmax x_Fmin)."""
        return _ratio(self.area_mm2, self.feret_max_mm * self.feret_min_mm)

    @property
    def solidity(self) -> FloatArray:
        """Return A / A_c."""
        return _ratio(self.area_mm2, self.hull_area_mm2)

    @property
    def convexity(self) -> FloatArray:
        """Return P_c / P."""
        return _ratio(self.hull_perimeter_mm, self.perimeter_mm)

    @property
    def is_rectangle_like(self) -> npt.NDArray[np.bool_]:
        """Return where a rectangle of equal area and perimeter exists (P² >= 16 A).

        It does not for circles, ellipses up to about 2:1 and the like. A square is the limit, where rounding decides.
        """
        return self.perimeter_mm**2 >= 16 * self.area_mm2

    @property
    def fibre_length_mm(self) -> FloatArray:
        """Return the geodesic length x_LG: of the rectangle of equal area and perimeter, else x_Fmax."""
        quarter = self.perimeter_mm / 4
        model = quarter + np.sqrt(np.maximum(quarter**2 - self.area_mm2, 0.0))
        return np.where(self.is_rectangle_like, model, self.feret_max_mm)

    @property
    def fibre_width_mm(self) -> FloatArray:
        """Return the mean width x_E = A / x_LG."""
        return _ratio(self.area_mm2, self.fibre_length_mm)

    @property
    def elongation(self) -> FloatArray:
        """Return x_E / x_LG."""
        return _ratio(self.fibre_width_mm, self.fibre_length_mm)

    @property
    def straightness(self) -> FloatArray:
        """Return x_Fmax / x_LG. The rectangle model has it above 1 for straight pieces (the diagonal)."""
        return _ratio(self.feret_max_mm, self.fibre_length_mm)


def shapes_of(outlines_mm: tuple[npt.ArrayLike, ...]) -> Shapes:
    """Return the shapes of closed outlines, each an ndarray (k, 2), last point not repeated.

    Outlines of fewer than three points have zero area and NaN ratios.
    """
    outlines = _quiet([np.asarray(o, float).reshape(-1, 2) for o in outlines_mm])
    hulls = [_hull(o) for o in outlines]
    longest, narrowest = _feret(hulls)
    area, perimeter = _area_and_length(outlines)
    hull_area, hull_perimeter = _area_and_length(hulls)
    return Shapes(area, perimeter, hull_area, hull_perimeter, longest, narrowest)


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


def _joined(outlines: list[FloatArray]) -> tuple[FloatArray, IntArray, IntArray]:
    """Return all points in one array, each ring's start (n + 1), and each point's successor in its ring."""
    size = np.array([len(o) for o in outlines], np.int64)
    start = np.concatenate([[0], np.cumsum(size)])
    after = np.arange(start[-1]) + 1
    some = size > 0
    after[start[1:][some] - 1] = start[:-1][some]
    return (np.concatenate(outlines) if outlines else np.zeros((0, 2))), start, after


def _per_ring(values: FloatArray, start: IntArray) -> FloatArray:
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray(total[start[1:]] - total[start[:-1]], float)


def _area_and_length(outlines: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    near = [o - o[:1] for o in outlines]  # from a near origin: no cancellation far from (0, 0)
    p, start, after = _joined(near)
    q = p[after]
    area = 0.5 * _per_ring(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0], start)
    return np.abs(area), _per_ring(np.hypot(*(q - p).T), start)


#: Weights of a local cubic over seven points (Savitzky and Golay, Anal. Chem. 36 (1964) 1627, table I).
_CUBIC_7 = np.array([-2, 3, 6, 7, 6, 3, -2]) / 21
_LONG_STEP = 2.3  # times an outline's mean step


def _quiet(outlines: list[FloatArray]) -> list[FloatArray]:
    """Return outlines without the noise of their points.

    Points a step h apart, off by s across the outline, make it s²/h² longer and push its hull outwards. A local cubic
    over seven points leaves a twelfth of that and keeps smooth curves; corners of a photo's outline are rounded by blur
    anyway. Points beside a long step (drawn polygons, chords) stay where they are, as do outlines below 16 points.
    """
    points, start, after = _joined(outlines)
    if not len(points):
        return outlines
    size = np.diff(start)
    owner = np.repeat(np.arange(len(size)), size)
    first, count = start[:-1][owner], size[owner]
    ring = np.arange(len(points)) - first
    around = [first + (ring + k) % count for k in range(-3, 4)]
    smooth = sum((w * points[at] for w, at in zip(_CUBIC_7, around, strict=True)), np.zeros_like(points))
    step = np.hypot(*(points[after] - points).T)
    usual = _per_ring(step, start) / np.maximum(size, 1)
    longest = np.max([step[at] for at in around[:-1]], axis=0)
    keep = (longest >= _LONG_STEP * usual[owner]) | (count < 16)
    return np.split(np.where(keep[:, None], points, smooth), start[1:-1])


def _hull(points: FloatArray) -> FloatArray:
    if len(points) < 3:
        return points
    near = (points - points[0]).astype(np.float32)
    index = cv2.convexHull(near.reshape(-1, 1, 2), returnPoints=False)
    return np.asarray(points[index[:, 0]], float)


def _feret(hulls: list[FloatArray], chunk: int = 128) -> tuple[FloatArray, FloatArray]:
    """Return the largest and smallest Feret diameters: between hull points, and across hull sides."""
    longest, narrowest = np.zeros(len(hulls)), np.zeros(len(hulls))
    order = np.argsort([len(h) for h in hulls], kind="stable")
    for at in range(0, len(hulls), chunk):
        some = order[at : at + chunk]
        most = max(1, max(len(hulls[k]) for k in some))
        # shorter hulls repeat their last point: sides of no length, which say nothing
        h = np.stack([_padded(hulls[k], most) for k in some])
        h = h - h[:, :1]
        side = np.roll(h, -1, axis=1) - h
        length = np.hypot(side[..., 0], side[..., 1])
        unit = side / np.where(length > 0, length, 1.0)[..., None]
        dx, dy = h[:, None, :, 0] - h[:, :, None, 0], h[:, None, :, 1] - h[:, :, None, 1]
        longest[some] = np.sqrt((dx * dx + dy * dy).max(axis=(1, 2)))
        across = np.abs(dx * unit[:, :, None, 1] - dy * unit[:, :, None, 0]).max(axis=2)
        across = np.where(length > 0, across, np.inf).min(axis=1)
        narrowest[some] = np.where(np.isfinite(across), across, 0.0)
    return longest, narrowest


def _padded(hull: FloatArray, most: int) -> FloatArray:
    if len(hull) == 0:
        return np.zeros((most, 2))
    return np.concatenate([hull, np.broadcast_to(hull[-1], (most - len(hull), 2))])
