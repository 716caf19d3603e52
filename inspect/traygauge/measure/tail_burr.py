"""Burrs: lips on cut edges that stand out of an otherwise smooth end of a body."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from traygauge.measure.solving import solved
from traygauge.measure.tail_outline import Rings, arcs
from traygauge.measure.tails import TAIL, Tails

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


def burr_heights(tails: Tails) -> FloatArray:
    """Return the height of each region's largest burr, ndarray (n,), mm; 0 where none is seen."""
    rings, sight = tails.scene.rings, tails.scene.sight
    lowest = max(LOWEST_MM * sight.px_per_mm, 0.8 * sight.blur_px)
    return burrs(rings, _off_tails(tails), sight.diameter_px, lowest) / sight.px_per_mm


def _off_tails(tails: Tails) -> BoolArray:
    """Return which ring points belong to a body, ndarray (m,), the swollen corners at tails' roots left out."""
    scene = tails.scene
    rings = scene.rings
    usable = rings.each(scene.solid)
    for k in np.unique(tails.owner):
        arc = arcs(scene.regions.outlines_px[k])
        vertex = np.searchsorted(arc, np.arange(rings.count[k]) * rings.step[k], side="right") - 1
        tail = tails.outline_part[k][np.minimum(vertex, len(tails.outline_part[k]) - 1)] == TAIL
        beside = max(1, round(0.15 * scene.sight.diameter_px / rings.step[k]))
        around = ndimage.binary_dilation(np.concatenate([tail] * 3), iterations=beside)
        usable[rings.start[k] : rings.start[k + 1]] &= ~around[len(tail) : 2 * len(tail)]
    return usable


def burrs(rings: Rings, usable: BoolArray, diameter_px: float, lowest_px: float) -> FloatArray:
    """Return how far a lip stands out of the ends of bodies over less than half of their width, px (n,).

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
        return np.zeros(0)
    middle, axis, half = _boxes(rings, usable)
    x, y = (points - rings.each(own) for points, own in zip(rings.points.T, middle.T, strict=True))
    ax, ay = (rings.each(own) for own in axis.T)
    along, beside = x * ax + y * ay, y * ax - x * ay
    fits = half[:, 0] > LEAST_ASPECT * half[:, 1]
    inner = np.where(fits, half[:, 0] - 0.5 * diameter_px, np.inf)
    kept = np.flatnonzero(
        usable & (np.abs(along) > rings.each(inner)) & (np.abs(beside) < rings.each(half[:, 1]))
    )
    owner = rings.owner[kept]
    place = beside[kept] / np.maximum(half[owner, 1], 1e-9)
    strip = np.minimum(((place + 1) / 2 * STRIPS).astype(np.int64), STRIPS - 1)
    end = 2 * owner + (along[kept] > 0)
    reach = np.full(2 * n * STRIPS, -np.inf)
    np.maximum.at(reach, end * STRIPS + strip, np.abs(along[kept]))
    above = _above_smooth(reach.reshape(2 * n, STRIPS))
    height = above.max(axis=1).reshape(n, 2)
    narrow = (above > 0.5 * lowest_px).sum(axis=1).reshape(n, 2) <= STRIPS // 2
    lip = narrow & (height > lowest_px) & (height < HIGHEST_OF_DIAMETER * diameter_px)
    return np.asarray(np.where(lip, height, 0.0).max(axis=1), float)


def _boxes(rings: Rings, usable: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the middles (n, 2), long axes (n, 2) and half sides (n, 2), long first, of the bodies' smallest boxes."""
    rows = np.zeros((len(rings), 5))
    points = np.ascontiguousarray(rings.points, np.float32)
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
    k = reach.shape[1]
    v = (np.arange(k) + 0.5) / k * 2 - 1
    basis = np.stack([np.ones(k), v, v * v], axis=-1)
    seen = np.isfinite(reach)
    value = np.where(seen, reach, 0.0)
    first = np.where(seen & (np.abs(v) < 0.9), 1.0, 0.0)  # the outermost strips round the corners
    weight = first
    residual = np.full(reach.shape, -np.inf)
    products = (basis[:, :, None] * basis[:, None, :]).reshape(k, 9)
    for _ in range(5):
        normal = (products.T @ weight.T).reshape(3, 3, -1) + 1e-6 * np.eye(3)[..., None]
        right = basis.T @ (weight * value).T
        residual = value - solved(normal, right).T @ basis.T
        outwards = np.maximum(residual, 0.0) / 0.5
        weight = first / (1 + outwards**4) / (1 + (np.minimum(residual, 0.0) / 1.2) ** 2)
    enough = seen.sum(axis=1) >= k - 1  # an end that carries a tail does not show its line
    return np.where(seen & enough[:, None], residual, -np.inf)
