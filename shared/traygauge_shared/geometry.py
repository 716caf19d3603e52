"""Plane geometry on outlines and lines. Any unit; x right, y down, points as ndarrays of shape (n, 2), (x, y).

A polygon is closed, its last point not repeated; its signed area is positive where it runs clockwise as seen with
y down (counter-clockwise with y up).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def polygon_area(points: npt.ArrayLike) -> float:
    """Return the signed area of a polygon of shape (n, 2) (shoelace formula); 0 for fewer than three points."""
    p = np.asarray(points, float)
    if len(p) < 3:
        return 0.0
    x, y = (p - p[0]).T  # from a near origin: no cancellation for outlines far from (0, 0)
    return float(np.dot(x[:-1], y[1:]) - np.dot(y[:-1], x[1:])) / 2


def polygon_centroid(points: npt.ArrayLike) -> FloatArray:
    """Return the centre of gravity of a polygon's area, ndarray (2,); the points' mean where the area is 0."""
    p = np.asarray(points, float)
    q = p - p[0]
    following = np.roll(q, -1, axis=0)
    cross = q[:, 0] * following[:, 1] - q[:, 1] * following[:, 0]
    total = cross.sum()
    if total == 0:
        return np.asarray(p.mean(axis=0), float)
    return np.asarray(p[0] + (cross[:, None] * (q + following)).sum(axis=0) / (3 * total), float)


def line_length(points: npt.ArrayLike, *, closed: bool = False) -> float:
    """Return the length of a line through points (n, 2); `closed` adds the way back: a polygon's perimeter."""
    return float(_steps(np.asarray(points, float), closed).sum())


def convex_hull(points: npt.ArrayLike) -> FloatArray:
    """Return the convex hull of points (n, 2), ndarray (m, 2), area positive, without the points on its sides.

    Which points belong to it is decided in single precision about the first point (1e-7 of the extent).
    """
    p = np.asarray(points, float)
    near = (p - p[:1]).astype(np.float32)
    if len(p) < 3 or not near.any():
        return p[:2]
    index = cv2.convexHull(near.reshape(-1, 1, 2), returnPoints=False)
    hull = np.asarray(p[index[:, 0]], float)
    return hull[::-1] if polygon_area(hull) < 0 else hull


def feret_diameters(points: npt.ArrayLike) -> tuple[float, float]:
    """Return the largest and the smallest Feret diameter of points (n, 2): between parallel tangents.

    Both are reached between a side of the hull and the point opposite it, or a neighbour of that (rotating
    calipers: Toussaint 1983).
    """
    hull = convex_hull(points)
    if len(hull) < 3:
        return line_length(hull), 0.0
    side = np.roll(hull, -1, axis=0) - hull
    heading = np.maximum.accumulate(np.unwrap(np.arctan2(side[:, 1], side[:, 0])))
    both_turns = np.concatenate([heading, heading + 2 * np.pi])
    opposite = np.searchsorted(both_turns, heading + np.pi) % len(hull)
    # the point opposite a side, and its neighbours: sides may be parallel, and rounding decides which comes first
    near = hull[(opposite[:, None] + np.array([-1, 0, 1])) % len(hull)] - hull[:, None, :]
    largest = np.maximum(np.hypot(*near.T), np.hypot(*(near - side[:, None, :]).T)).max()
    across = np.abs(near[..., 0] * side[:, None, 1] - near[..., 1] * side[:, None, 0]).max(axis=1)
    return float(largest), float((across / np.hypot(side[:, 0], side[:, 1])).min())


def resample(points: npt.ArrayLike, count: int, *, closed: bool = False) -> FloatArray:
    """Return `count` points equally far apart along a line through points (n, 2), ndarray (count, 2).

    An open line keeps both its ends; a closed one starts at its first point, which is not repeated.
    """
    p = np.asarray(points, float)
    way = np.concatenate([[0.0], np.cumsum(_steps(p, closed))])
    if closed:
        p = np.concatenate([p, p[:1]])
    at = np.linspace(0.0, way[-1], count, endpoint=not closed)
    return np.column_stack([np.interp(at, way, p[:, 0]), np.interp(at, way, p[:, 1])])


@dataclass(frozen=True)
class Circle:
    """A circle fitted to points.

    Parameters
    ----------
    centre : (x, y).
    radius : infinite where the points lie on a straight line.
    rms : root mean square distance of the points from it.
    """

    centre: tuple[float, float]
    radius: float
    rms: float


def fit_circle(points: npt.ArrayLike) -> Circle:
    """Return the circle through points (n, 2), n >= 3, in the least squares of their distances to it.

    Started by the algebraic fit of Taubin (1991), which has little bias on short arcs, and finished by Gauss-Newton
    on the geometric distances. Points on a straight line give an infinite radius.
    """
    p = np.asarray(points, float)
    mean = p.mean(axis=0)
    q = p - mean
    size = np.sqrt((q**2).sum(axis=1).mean())
    start = _taubin(q / size) if len(p) >= 3 and size > 0 else None
    if start is None:
        direction = np.linalg.svd(q, full_matrices=False)[2][-1]
        return Circle(
            (float("nan"), float("nan")), float("inf"), float(np.sqrt(((q @ direction) ** 2).mean()))
        )
    cx, cy, r = _geometric_fit(q / size, *start)
    off = np.hypot(q[:, 0] - cx * size, q[:, 1] - cy * size) - r * size
    x, y = mean + size * np.array([cx, cy])
    return Circle((float(x), float(y)), float(r * size), float(np.sqrt((off**2).mean())))


def points_in_polygon(points: npt.ArrayLike, polygon: npt.ArrayLike) -> BoolArray:
    """Return which points (n, 2) lie inside a polygon (m, 2), ndarray (n,) of bool (even-odd rule).

    Of points exactly on a side, those of left and upper sides count as inside.
    """
    p, start = np.asarray(points, float)[:, None, :], np.asarray(polygon, float)
    side = np.roll(start, -1, axis=0) - start
    down = p[..., 1] - start[:, 1]
    spans = (down >= 0) != (down >= side[:, 1])
    slope = np.divide(side[:, 0], side[:, 1], out=np.zeros(len(side)), where=side[:, 1] != 0)
    crossed = spans & (p[..., 0] - start[:, 0] < down * slope)
    return np.asarray(crossed.sum(axis=1) % 2 == 1, bool)


def min_area_rect(points: npt.ArrayLike) -> tuple[FloatArray, float, float, float]:
    """Return the smallest rectangle around points (n, 2): middle (2,), longer side, shorter side, direction.

    The direction is that of the longer side, radians, from x towards y, in [0, pi).
    """
    p = np.asarray(points, float)
    middle, (a, b), degrees = cv2.minAreaRect((p - p[0]).astype(np.float32).reshape(-1, 1, 2))
    turn = 0.0 if a >= b else 90.0
    return p[0] + np.array(middle), max(a, b), min(a, b), float(np.radians((degrees + turn) % 180.0))


def _steps(p: FloatArray, closed: bool) -> FloatArray:
    step = np.diff(p, axis=0, append=p[:1]) if closed else np.diff(p, axis=0)
    return np.hypot(step[:, 0], step[:, 1])


def _taubin(q: FloatArray) -> tuple[float, float, float] | None:
    """Return centre and radius of Taubin's fit to centred points of unit size, None on a straight line."""
    z = (q**2).sum(axis=1)
    mean = z.mean()
    columns = np.column_stack([(z - mean) / (2 * np.sqrt(mean)), q])
    a, b, c = np.linalg.svd(columns, full_matrices=False)[2][-1]
    a = a / (2 * np.sqrt(mean))
    if abs(a) < 1e-9:
        return None
    d = -mean * a
    return -b / (2 * a), -c / (2 * a), float(np.sqrt(b * b + c * c - 4 * a * d) / (2 * abs(a)))


def _geometric_fit(q: FloatArray, cx: float, cy: float, r: float) -> tuple[float, float, float]:
    for _ in range(20):
        dx, dy = q[:, 0] - cx, q[:, 1] - cy
        distance = np.hypot(dx, dy)
        jacobian = np.column_stack([-dx / distance, -dy / distance, -np.ones(len(q))])
        step = np.linalg.lstsq(jacobian, r - distance, rcond=None)[0]
        cx, cy, r = cx + step[0], cy + step[1], r + step[2]
        if np.abs(step).max() < 1e-12 * max(1.0, r):
            break
    return cx, cy, r
