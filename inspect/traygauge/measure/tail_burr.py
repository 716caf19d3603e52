"""Burrs: lips on cut edges that stand out of an otherwise smooth end of a body."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.tail_outline import Rings

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Strips across an end; each keeps its outermost point.
STRIPS = 12
#: Shorter bodies than this many widths do not say which of their sides the ends are.
LEAST_ASPECT = 1.1
#: Lips lower than this are roughness and noise: of pieces without burr 97 % stay below (bench/tails_rate.py).
LOWEST_MM = 0.12
#: What stands out further is a face half lost in the dark, or a thread.
HIGHEST_OF_DIAMETER = 0.3


@dataclass(frozen=True, eq=False)
class Burrs:
    """The largest burr of each body.

    Parameters
    ----------
    height_px : ndarray (n,): above the end's smooth line, 0 where none stands out.
    on_burr : ndarray (m,), bool, over the ring points: whether a point lies on it.
    """

    height_px: FloatArray
    on_burr: BoolArray


def burrs(rings: Rings, usable: BoolArray, diameter_px: float, lowest_px: float) -> Burrs:
    """Return what stands out of the ends of bodies over less than half of their width.

    An end is a line or, seen at an angle or cut obliquely, a flat arc: a parabola fitted so that what stands out counts
    little. A burr as broad as the whole end cannot be told from a longer piece.

    Parameters
    ----------
    rings : outlines of the regions.
    usable : ndarray (m,), bool: ring points that belong to the body.
    diameter_px : usual width of the bodies.
    lowest_px : lips below this are none.
    """
    n = len(rings)
    if n == 0:
        return Burrs(np.zeros(0), np.zeros(0, bool))
    middle, axis, half = _boxes(rings, usable)
    relative = rings.points - middle[rings.owner]
    along = (relative * axis[rings.owner]).sum(axis=1)
    beside = relative[:, 1] * axis[rings.owner, 0] - relative[:, 0] * axis[rings.owner, 1]
    place = beside / np.maximum(half[rings.owner, 1], 1e-9)
    near_end = np.abs(along) > half[rings.owner, 0] - 0.5 * diameter_px
    fits = (half[:, 0] > LEAST_ASPECT * half[:, 1])[rings.owner]
    kept = np.flatnonzero(usable & near_end & fits & (np.abs(place) < 1))
    strip = np.minimum(((place[kept] + 1) / 2 * STRIPS).astype(np.int64), STRIPS - 1)
    end = 2 * rings.owner[kept] + (along[kept] > 0)
    reach = np.full((2 * n, STRIPS), -np.inf)
    np.maximum.at(reach, (end, strip), np.abs(along[kept]))
    above = _above_smooth(reach)
    height = above.max(axis=1).reshape(n, 2)
    narrow = (above > 0.5 * lowest_px).sum(axis=1).reshape(n, 2) <= STRIPS // 2
    lip = narrow & (height > lowest_px) & (height < HIGHEST_OF_DIAMETER * diameter_px)
    height = np.where(lip, height, 0.0)
    on_burr = np.zeros(len(rings.points), bool)
    standing = (above > 0.4 * lowest_px) & (height.reshape(-1) > 0)[:, None]
    on_burr[kept] = standing[end, strip]
    return Burrs(height.max(axis=1), on_burr)


def _boxes(rings: Rings, usable: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the middles (n, 2), long axes (n, 2) and half sides (n, 2), long first, of the bodies' smallest boxes."""
    rows = np.zeros((len(rings), 5))
    points = rings.points.astype(np.float32)
    all_of = np.logical_and.reduceat(usable, rings.start[:-1])
    for k, (a, b) in enumerate(itertools.pairwise(rings.start.tolist())):
        own = points[a:b] if all_of[k] else points[a:b][usable[a:b]]
        if len(own) > 4:
            (x, y), (w, h), deg = cv2.minAreaRect(own)
            rows[k] = (x, y, w, h, deg) if w >= h else (x, y, h, w, deg + 90)
    angle = np.radians(rows[:, 4])
    return rows[:, :2], np.stack([np.cos(angle), np.sin(angle)], -1), rows[:, 2:4] / 2


def _above_smooth(reach: FloatArray) -> FloatArray:
    """Return how far each strip (e, k) stands out of a parabola through its end, -inf where nothing is known."""
    e, k = reach.shape
    v = (np.arange(k) + 0.5) / k * 2 - 1
    basis = np.stack([np.ones(k), v, v * v], axis=-1)
    seen = np.isfinite(reach)
    value = np.where(seen, reach, 0.0)
    first = np.where(seen & (np.abs(v) < 0.9), 1.0, 0.0)  # the outermost strips round the corners
    weight = first
    residual = np.full((e, k), -np.inf)
    products = (basis[:, :, None] * basis[:, None, :]).reshape(k, 9)
    for _ in range(5):
        normal = (weight @ products).reshape(e, 3, 3) + 1e-6 * np.eye(3)
        right = (weight * value) @ basis
        residual = value - np.linalg.solve(normal, right[..., None])[..., 0] @ basis.T
        outwards = np.maximum(residual, 0.0) / 0.5
        weight = first / (1 + outwards**4) / (1 + (np.minimum(residual, 0.0) / 1.2) ** 2)
    enough = seen.sum(axis=1) >= k - 1  # an end that carries a tail does not show its line
    return np.where(seen & enough[:, None], residual, -np.inf)
