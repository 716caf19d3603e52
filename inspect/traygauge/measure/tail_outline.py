"""Closed outlines in one ragged array: which may carry a thread, and where a thread leaves its body."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Stretches of outline, in diameters, on which `suspects` looks for a narrow base, and the widest base there.
_PROBES = ((0.40, 0.16), (0.60, 0.26), (1.00, 0.36), (1.60, 0.42))


@dataclass(frozen=True, eq=False)
class Rings:
    """Closed outlines at even spacing, joined in one array.

    Parameters
    ----------
    points : ndarray (m, 2), px.
    start : ndarray (n + 1,): ring k is points[start[k]:start[k + 1]].
    step : ndarray (n,): spacing of its points along the outline, px.
    area : ndarray (n,): enclosed area, px².
    sense : ndarray (n,): +1 where the area is positive by the shoelace formula in x, y, else -1.
    """

    points: FloatArray
    start: IntArray
    step: FloatArray
    area: FloatArray
    sense: FloatArray

    def __len__(self) -> int:
        return len(self.step)

    @property
    def count(self) -> IntArray:
        """Return the number of points of each ring, ndarray (n,)."""
        return np.diff(self.start)

    @property
    def perimeter(self) -> FloatArray:
        """Return the length of each ring, ndarray (n,), px."""
        return self.step * self.count

    @property
    def width(self) -> FloatArray:
        """Return the width of the rectangle of equal area and perimeter, ndarray (n,), px (ISO 9276-6's fibre model).

        Where no such rectangle exists (P² < 16 A), the side of the square of equal area.
        """
        quarter = self.perimeter / 4
        root = np.sqrt(np.maximum(quarter**2 - self.area, 0.0))
        return np.where(root > 0, quarter - root, np.sqrt(self.area))

    def ring(self, k: int) -> FloatArray:
        """Return the points of ring k, ndarray (m, 2)."""
        return self.points[self.start[k] : self.start[k + 1]]


def even_rings(outlines: tuple[FloatArray, ...], step_px: float) -> Rings:
    """Return closed outlines resampled by arc length, one interpolation for all of them.

    Parameters
    ----------
    outlines : tuple of n ndarrays (k, 2), last point not repeated, k >= 3.
    step_px : wanted spacing; each ring takes the nearest one that divides its length, 12 points at least.
    """
    n = len(outlines)
    if n == 0:
        return Rings(np.zeros((0, 2)), np.zeros(1, np.int64), np.zeros(0), np.zeros(0), np.zeros(0))
    closed = np.concatenate([np.concatenate([o, o[:1]]) for o in outlines])
    size = np.array([len(o) + 1 for o in outlines])
    first = np.concatenate([[0], np.cumsum(size)[:-1]])
    seg = np.hypot(*np.diff(closed, axis=0).T)
    seg[first[1:] - 1] = 0.0  # the jump from one outline to the next
    arc = np.concatenate([[0.0], np.cumsum(seg)])
    arc0, length = arc[first], arc[first + size - 1] - arc[first]
    # the jump has no length: a small offset per outline keeps the arc increasing across it
    shift = np.arange(n, dtype=float)
    arc = arc + np.repeat(shift, size)
    count = np.maximum(np.round(length / step_px).astype(np.int64), 12)
    start = np.concatenate([[0], np.cumsum(count)])
    step = length / count
    local = np.arange(start[-1]) - np.repeat(start[:-1], count)
    want = np.repeat(arc0 + shift, count) + local * np.repeat(step, count)
    points = np.stack([np.interp(want, arc, closed[:, 0]), np.interp(want, arc, closed[:, 1])], -1)
    after = np.arange(start[-1]) + 1
    after[start[1:] - 1] = start[:-1]
    cross = points[:, 0] * points[after, 1] - points[:, 1] * points[after, 0]
    area = 0.5 * np.add.reduceat(cross, start[:-1])
    return Rings(points, start, step, np.abs(area), np.where(area < 0, -1.0, 1.0))


def suspects(rings: Rings, diameter_px: FloatArray, slack_px: float) -> npt.NDArray[np.bool_]:
    """Return which outlines may carry a thread, ndarray (n,): a cheap look that lets no thread go.

    Parameters
    ----------
    rings : the outlines.
    diameter_px : ndarray (n,), about the body's diameter.
    slack_px : allowed on the width of a base for blur.
    """
    hit = np.zeros(len(rings), bool)
    if len(rings) == 0:
        return hit
    count = rings.count
    local = np.arange(rings.start[-1]) - np.repeat(rings.start[:-1], count)
    base = np.repeat(rings.start[:-1], count)
    many = np.repeat(count, count)
    for arc, width in _PROBES:
        ahead = np.clip(np.round(arc * diameter_px / rings.step).astype(np.int64), 3, count // 2)
        other = base + (local + np.repeat(ahead, count)) % many
        chord = np.hypot(*(rings.points[other] - rings.points).T)
        narrow = chord < np.repeat(
            np.minimum(width * diameter_px + slack_px, ahead * rings.step / 2.2), count
        )
        hit |= np.logical_or.reduceat(narrow, rings.start[:-1])
    # a tie between two bodies has no tip: it shows by its long outline around little area
    return hit | (rings.perimeter**2 > 24 * rings.area)


def outward(rings: Rings, span: int = 2) -> FloatArray:
    """Return the unit normals of all ring points, pointing out of the region, ndarray (m, 2)."""
    count = np.repeat(rings.count, rings.count)
    base = np.repeat(rings.start[:-1], rings.count)
    local = np.arange(rings.start[-1]) - base
    run = rings.points[base + (local + span) % count] - rings.points[base + (local - span) % count]
    run *= (np.repeat(rings.sense, rings.count) / np.maximum(np.hypot(*run.T), 1e-9))[:, None]
    return np.stack([run[:, 1], -run[:, 0]], -1)


def narrow_peaks(rings: Rings, values: FloatArray, widest_px: float) -> FloatArray:
    """Return how far each ring's values rise above their surroundings over less than a width, ndarray (n,).

    Parameters
    ----------
    rings : the rings.
    values : ndarray (m,), one for each ring point.
    widest_px : what is broader along the ring is no peak.
    """
    pad = max(1, int(np.ceil(widest_px / rings.step.min())))
    count = rings.count
    wide = count + 2 * pad
    first = np.concatenate([[0], np.cumsum(wide)])
    local = np.arange(first[-1]) - np.repeat(first[:-1], wide) - pad
    index = np.repeat(rings.start[:-1], wide) + local % np.repeat(count, wide)
    around = values[index]
    size = pad + 1
    opened = ndimage.maximum_filter1d(
        ndimage.minimum_filter1d(around, size), size, origin=-1 if size % 2 == 0 else 0
    )
    own = (local >= 0) & (local < np.repeat(count, wide))
    return np.maximum.reduceat((around - opened)[own], rings.start[:-1])


@dataclass(frozen=True, eq=False)
class Root:
    """Where a thread leaves its body.

    Parameters
    ----------
    at_px : arc along the thread's path at which it crosses the cut edge; negative before the path's first point.
    first, last : indices into the ring: what lies between them (last may run past the end) is thread, not body.
    """

    at_px: float
    first: int
    last: int


def root_of(
    ring: FloatArray, step: float, path: FloatArray, reach: FloatArray, side_px: float
) -> Root | None:
    """Return where a thread's path crosses the edge of the body it sits on, None where it does not lie on the ring.

    The outline left and right of the thread is continued under it. On a corner one side runs along the thread and
    the other across: the crossing with the side that runs across counts.

    Parameters
    ----------
    ring : ndarray (m, 2): the body's closed outline with the thread, evenly spaced.
    step : that spacing, px.
    path : ndarray (k, 2): the thread from just inside the body outwards, evenly spaced, k >= 3.
    reach : ndarray (k,): half the thread's width and its blur there, px: outline within it is not the body's.
    side_px : length of outline on each side that shows which way the edge runs.
    """
    m = len(ring)
    d2 = ((ring[:, None, :] - path[None, :, :]) ** 2).sum(-1)
    near = (d2 < reach**2).any(axis=1)
    foot = int(np.argmin(d2[:, : max(3, int(3 / step))].min(axis=1)))
    if not near[foot] or near.all():
        return None
    first, last = foot, foot
    while near[(first - 1) % m] or near[(first - 2) % m]:
        first -= 1
        if last - first >= m - 4:
            return None
    while near[(last + 1) % m] or near[(last + 2) % m]:
        last += 1
        if last - first >= m - 4:
            return None
    n = max(3, round(side_px / step))
    spacing = float(np.hypot(*(path[1] - path[0])))
    along = path[min(len(path) - 1, max(2, int(4 / spacing)))] - path[0]
    along /= np.hypot(*along)
    total = at = 0.0
    for inner, outer in ((first - 1, first - 1 - n), (last + 1, last + 1 + n)):
        a, b = ring[inner % m], ring[outer % m]
        edge = (a - b) / max(float(np.hypot(*(a - b))), 1e-9)
        across = abs(float(along[0] * edge[1] - along[1] * edge[0])) ** 2
        cut = _crossing(path, spacing, a, edge, side_px)
        if cut is not None and across > 0.2:
            total += across**2
            at += across**2 * cut
    if total == 0.0:
        a, b = ring[(first - 1) % m], ring[(last + 1) % m]
        cut = _crossing(path, spacing, a, (b - a) / max(float(np.hypot(*(b - a))), 1e-9), side_px)
        return None if cut is None else Root(cut, first % m, first % m + last - first)
    return Root(at / total, first % m, first % m + last - first)


def _crossing(
    path: FloatArray, spacing: float, point: FloatArray, direction: FloatArray, reach: float
) -> float | None:
    """Return the arc along a path where it crosses a line near its start, or would if continued backwards."""
    side = (path - point) @ np.array([-direction[1], direction[0]])
    side = side[: max(4, int(reach / spacing))]
    change = np.flatnonzero(side[:-1] * side[1:] < 0)
    if len(change):
        i = int(change[0])
        return spacing * (i + float(side[i] / (side[i] - side[i + 1])))
    k = min(3, len(side) - 1)
    slope = (side[k] - side[0]) / (k * spacing)
    if abs(slope) < 0.3:
        return None
    back = -float(side[0] / slope)
    return max(back, -reach) if back < 0 else None
