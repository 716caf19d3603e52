"""Closed outlines in one ragged array: which may carry a thread, and where a thread leaves its body."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Number = TypeVar("Number", bound=np.generic)

#: Stretches of outline, in diameters, on which `suspects` looks for a narrow base, and the widest base there.
_PROBES = ((0.36, 0.15), (0.50, 0.22), (0.70, 0.29), (1.00, 0.36), (1.60, 0.42))


#: From which turn inwards an outline has a kink (20 degrees; a pinched end's flare has 12 over half a diameter).
KINK_RAD = 0.35


@dataclass(frozen=True, eq=False)
class Rings:
    """Closed outlines at even spacing, joined in one array.

    Parameters
    ----------
    points : ndarray (m, 2), px, stored by columns: x and y are reckoned with apart.
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

    def each(self, values: npt.NDArray[Number]) -> npt.NDArray[Number]:
        """Return the value of each point's ring, ndarray (m,), of one value a ring (n,)."""
        return np.repeat(values, self.count)

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

    @cached_property
    def owner(self) -> IntArray:
        """Return the ring of each point, ndarray (m,)."""
        return self.each(np.arange(len(self)))

    @cached_property
    def _turn(self) -> tuple[IntArray, IntArray, IntArray]:
        """Return of each point's ring the first index, the one after the last, and the size, ndarray (m,) each."""
        return self.each(self.start[:-1]), self.each(self.start[1:]), self.each(self.count)

    @cached_property
    def box(self) -> FloatArray:
        """Return each ring's extent, ndarray (n, 4): x0, y0, x1, y1."""
        low = np.minimum.reduceat(self.points, self.start[:-1])
        return np.concatenate([low, np.maximum.reduceat(self.points, self.start[:-1])], axis=1)

    def further(self, points: IntArray) -> IntArray:
        """Return for each point the index of the one that stands `points` (n,) further along its ring."""
        first, end, count = self._turn
        at = np.arange(len(self.points)) + self.each(points)
        at += count * (at < first)
        at -= count * (at >= end)
        return at

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
    points, ends = np.concatenate(outlines).T, np.cumsum([len(o) for o in outlines])
    closed = np.insert(points, ends, points[:, np.append(0, ends[:-1])], axis=1)
    size = np.diff(ends, prepend=0) + 1
    first = np.cumsum(size) - size
    seg = np.sqrt((np.diff(closed) ** 2).sum(0))
    seg[first[1:] - 1] = 0.0  # the jump from one outline to the next
    arc = np.concatenate([[0.0], np.cumsum(seg)])
    arc0, length = arc[first], arc[first + size - 1] - arc[first]
    # the jump has no length: a small offset per outline keeps the arc increasing across it
    shift = np.arange(n, dtype=float)
    arc += np.repeat(shift, size)
    count = np.maximum(np.round(length / step_px).astype(np.int64), 12)
    start = np.concatenate([[0], np.cumsum(count)])
    step = length / count
    want = np.repeat(arc0 + shift - start[:-1] * step, count) + np.arange(start[-1]) * np.repeat(step, count)
    x, y = (np.interp(want, arc, along) for along in closed)
    after = np.arange(start[-1]) + 1
    after[start[1:] - 1] = start[:-1]
    area = 0.5 * np.add.reduceat(x * y[after] - y * x[after], start[:-1])
    return Rings(np.stack([x, y]).T, start, step, np.abs(area), np.where(area < 0, -1.0, 1.0))


def arcs(outline: FloatArray) -> FloatArray:
    """Return the arc at each vertex of a closed outline (k, 2) and at its end, ndarray (k + 1,)."""
    closed = np.concatenate([outline, outline[:1]])
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])


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
    points = rings.points.T.astype(np.float32)
    sense = rings.each(rings.sense.astype(np.float32))
    for arc, width in _PROBES:
        ahead = np.clip(np.round(arc * diameter_px / rings.step).astype(np.int64), 2, rings.count // 2)
        widest = np.minimum(width * diameter_px + slack_px, ahead * rings.step / 2.2)
        base_x, base_y = points.take(rings.further(ahead), 1) - points
        narrow = np.flatnonzero(base_x**2 + base_y**2 < rings.each((widest**2).astype(np.float32)))
        half = points[:, rings.further(ahead // 2)[narrow]] - points[:, narrow]
        # outwards, that is to the right of the base where the inside lies on the left of the way; else it is a notch
        outside = (base_x[narrow] * half[1] - base_y[narrow] * half[0]) * sense[narrow] < 0
        hit[rings.owner[narrow[outside]]] = True
    # a tie between two bodies has no tip: it shows by its long outline around little area
    return hit | (rings.perimeter**2 > 24 * rings.area)


def outward(rings: Rings, span: int = 1) -> FloatArray:
    """Return the unit normals of all ring points, pointing out of the region, ndarray (m, 2), stored by columns."""
    ahead, points = np.full(len(rings), span), rings.points.T
    x, y = points.take(rings.further(ahead), 1) - points.take(rings.further(-ahead), 1)
    scale = rings.each(rings.sense) / np.sqrt(np.maximum(x**2 + y**2, 1e-18))
    return np.stack([y * scale, -x * scale]).T


def narrow_peaks(
    rings: Rings, values: npt.NDArray[np.floating], hidden: npt.NDArray[np.bool_], widest_px: float
) -> FloatArray:
    """Return how far each ring's values rise above their surroundings over less than a width, ndarray (n,).

    Parameters
    ----------
    rings : the rings.
    values : ndarray (m,), one for each ring point.
    hidden : ndarray (m,): where the value says nothing; no peak, and no end of one either.
    widest_px : what is broader along the ring is no peak.
    """
    pad = max(1, int(np.ceil(widest_px / rings.step.min())))
    count = rings.count
    wide = count + 2 * pad
    first = np.concatenate([[0], np.cumsum(wide)])
    local = np.arange(first[-1]) - np.repeat(first[:-1], wide) - pad
    index = np.repeat(rings.start[:-1], wide) + local % np.repeat(count, wide)
    values = values.astype(np.float32)
    around = np.where(hidden, np.float32(np.inf), values).take(index)
    line = np.ones((1, pad + 1), np.uint8)
    # the second look the other way round, so that lines of an even length shift nothing
    opened = cv2.dilate(cv2.erode(around[None], line, anchor=(0, 0)), line, anchor=(pad, 0))[0]
    own = (local >= 0) & (local < np.repeat(count, wide))
    rise = np.where(hidden, 0.0, values - opened[own])
    return np.asarray(np.maximum.reduceat(rise, rings.start[:-1]), float)


@dataclass(frozen=True, eq=False)
class Root:
    """Where a thread leaves its body.

    Parameters
    ----------
    at_px : arc along the thread's path at which it crosses the cut edge; negative before the path's first point.
    edge_px : arc at which it crosses the outline beside it, continued under it; NaN where it doesn't.
    kinks : how many sides of the thread show in the outline (0 to 2).
    first, last : indices into the ring: what lies between them (last may run past the end) is thread, not body.
    """

    at_px: float
    edge_px: float
    kinks: int
    first: int
    last: int


def root_of(
    ring: FloatArray, step: float, path: FloatArray, reach: FloatArray, blur_px: float, diameter: float
) -> Root | None:
    """Return where a thread's path crosses the edge of the body it sits on, None where it does not lie on the ring.

    The outline turns inwards where it leaves the body for the thread and where it comes back: between these two kinks
    lies the root. On a corner there may be one only, and for a thread too faint for the outline there is none. Then the
    outline beside the thread is continued under it, on the side that runs across.

    Parameters
    ----------
    ring : ndarray (m, 2): the body's closed outline with the thread, evenly spaced.
    step : that spacing, px.
    path : ndarray (k, 2): the thread from about the body outwards, evenly spaced, k >= 3.
    reach : ndarray (k,): half the thread's width there as its light tells, px.
    blur_px : standard deviation of the edges.
    diameter : of the body, px.
    """
    spacing = float(np.hypot(*(path[1] - path[0])))
    ahead = path[min(len(path) - 1, max(2, round(0.25 * diameter / spacing)))] - path[0]
    ahead /= np.hypot(*ahead)
    inside = max(2, round(0.3 * diameter / spacing))  # the thick root of a thread looks like body for a while
    longer = np.concatenate([path[0] - np.arange(inside, 0, -1)[:, None] * spacing * ahead, path])
    d2 = _squares_between(ring - path[0], longer - path[0])
    beside = 1.2 * np.sqrt(d2.min(axis=0))  # the thick root is thicker than its light tells
    broad = np.maximum(beside, np.concatenate([np.full(inside, reach[:3].max()), reach]))
    broad = np.minimum(broad, 0.24 * diameter) + 1.5 * blur_px + 0.8
    within = d2 < broad**2
    foot = int(np.argmin(d2[:, inside : inside + 3].min(axis=1)))
    run = _run(within.any(axis=1), foot)
    if run is None:
        return None
    arcs = d2.argmin(axis=1) * spacing  # where along the path each outline point lies
    nearest = inside * spacing + 0.35 * diameter
    kinks = _kinks(
        ring, run, arcs, min(nearest, 0.6 * spacing * len(longer)), max(2, round((1.5 * blur_px + 1) / step))
    )
    line = _across(
        ring,
        step,
        longer,
        spacing,
        run,
        max(3, round(0.2 * diameter / step)),
        ahead,
        round(nearest / spacing),
    )
    # blur rounds a kink off: half contrast passes 0.545 blurs outside a square one (Phi(0.545)² = 1/2)
    found = [float(np.mean(arcs[kinks])) - 0.545 * blur_px] if kinks else []
    found += [] if line is None else [line]
    if not found:
        return None
    at = float(np.mean(found))
    # body outline beside the inner continuation belongs to the body after all
    outer = np.arange(len(longer)) * spacing > at - 1.5 * step
    taken = _run((within & outer).any(axis=1), foot) or (foot, foot)
    m = len(ring)
    edge = float("nan") if line is None else line - inside * spacing
    return Root(at - inside * spacing, edge, len(kinks), taken[0] % m, taken[0] % m + taken[1] - taken[0])


def _squares_between(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the squared distances of points (m, 2) and (k, 2) near the origin, ndarray (m, k)."""
    squares = (a * a).sum(axis=1)[:, None] + (b * b).sum(axis=1)[None, :] - 2 * (a @ b.T)
    return np.asarray(np.maximum(squares, 0.0), float)


def _kinks(ring: FloatArray, run: tuple[int, int], arcs: FloatArray, most: float, m: int) -> list[int]:
    """Return the ring's points, one on each side of a thread at most, at which it turns inwards most."""
    index = np.arange(run[0] - m, run[1] + m + 1)
    n = len(ring)
    here = ring[index % n]
    coming, going = here - ring[(index - m) % n], ring[(index + m) % n] - here
    turn = np.arctan2(coming[:, 0] * going[:, 1] - coming[:, 1] * going[:, 0], (coming * going).sum(axis=1))
    from_first = ring - ring[0]
    if (from_first[:-1, 0] * from_first[1:, 1] - from_first[:-1, 1] * from_first[1:, 0]).sum() < 0:
        turn = -turn
    along = arcs[index % n]
    tip = int(np.argmax(along))
    found = []
    for side in (slice(0, tip), slice(tip, len(index))):
        inward = np.where(along[side] < most, turn[side], 0.0)
        if len(inward) and inward.min() < -KINK_RAD:
            found.append(int(index[side][np.argmin(inward)] % n))
    return found


def _run(near: npt.NDArray[np.bool_], foot: int, gap: int = 6) -> tuple[int, int] | None:
    """Return first and last index of the stretch around `foot` where `near` holds, gaps of a few points bridged."""
    m = len(near)
    hits = np.flatnonzero(near)
    if len(hits) == 0 or len(hits) > m - gap:
        return None
    after = np.diff(np.append(hits, hits[0] + m))  # to the next hit
    ends = np.flatnonzero(after > gap + 1)
    if len(ends) == 0:
        return None
    firsts, lasts = hits[(ends + 1) % len(hits)], hits[ends]
    lead = (foot - firsts) % m
    k = int(np.argmin(lead))  # the stretch that began last before the foot
    last = lasts[(k + 1) % len(ends)]
    first = foot - int(lead[k])
    last = first + int((last - firsts[k]) % m)
    return (first, last) if last >= foot - gap else None


def _across(
    ring: FloatArray,
    step: float,
    path: FloatArray,
    spacing: float,
    run: tuple[int, int],
    n: int,
    ahead: FloatArray,
    reach: int,
) -> float | None:
    """Return the arc along a path at which it crosses the edge that continues the outline beside it."""
    m = len(ring)
    cuts: list[tuple[float, float]] = []  # how squarely the side is crossed, and where
    left, right = ring[(run[0] - 1) % m], ring[(run[1] + 1) % m]
    for inner, outer in ((left, ring[(run[0] - 1 - n) % m]), (right, ring[(run[1] + 1 + n) % m])):
        edge = (inner - outer) / max(float(np.hypot(*(inner - outer))), 1e-9)
        cut = _crossing(path[:reach], spacing, inner, edge)
        across = float(ahead[0] * edge[1] - ahead[1] * edge[0]) ** 2
        if cut is not None and across > 0.2:
            cuts.append((across, cut))
    if not cuts:
        return _crossing(
            path[:reach], spacing, left, (right - left) / max(float(np.hypot(*(right - left))), 1e-9)
        )
    _, at = max(cuts)
    # beside a corner one side leads round it: only sides that agree are averaged
    near = [(a, c) for a, c in cuts if abs(c - at) < 0.5 * n * step]
    return sum(a * c for a, c in near) / sum(a for a, _ in near)


def _crossing(path: FloatArray, spacing: float, point: FloatArray, direction: FloatArray) -> float | None:
    """Return the arc along a path where it first crosses a line, None where it doesn't."""
    side = (path - point) @ np.array([-direction[1], direction[0]])
    change = np.flatnonzero((side[:-1] > 0) != (side[1:] > 0))
    if len(change) == 0:
        return None
    i = int(change[0])
    return spacing * (i + float(side[i] / (side[i] - side[i + 1])))
