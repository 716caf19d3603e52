"""Outlines at half contrast, to sub-pixel, read from the photo's own pixels in linear light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.regions import Labels
from traygauge_shared.light import LINEAR_OF_CODE
from traygauge_shared.threads import in_bands

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IndexArray = npt.NDArray[np.intp]
Bool = npt.NDArray[np.bool_]
Light = npt.NDArray[np.uint16] | Float32Array
Number = TypeVar("Number", bound=np.number[Any])

#: Samples along the outline's normal, in units of the edge spread, outward positive.
STATIONS = np.arange(-4.0, 5.0, dtype=np.float32)
_BETWEEN = STATIONS[:-1] + np.float32(0.5)
#: Where the levels inside and outside are read, edge spreads from the edge.
LEVELS = 2
#: So many stations more than there are may be asked for.
BEYOND = 4
#: In a signal of colours, blurred more, the tray is looked for as far out as this.
FOOT = 3.5
#: Contours longer than this many pixels are followed on every second one.
LONG_PX = 40
#: Points in a row of the sampling grid: `cv2.remap` takes no image with more than 32767 rows or columns.
ROW = 4096
#: So many contours are followed at once: what is made of them on the way fits into a processor core's own memory.
AT_ONCE = 150


@dataclass(frozen=True, eq=False)
class Outlines:
    """The outlines of all regions in one list.

    Parameters
    ----------
    points : ndarray (m, 2): x, y of the edge, crop pixels.
    region : ndarray (m,): number of the region, ascending.
    free : ndarray (m,), bool: whether the tray lies beyond, not another piece.
    inner, outer : ndarray (m,): signal levels just inside and outside.
    rise : ndarray (m,): how far the signal rises across the edge and its wider surroundings.
    """

    points: FloatArray
    region: IndexArray
    free: Bool
    inner: FloatArray
    outer: FloatArray
    rise: FloatArray

    def take(self, order: npt.ArrayLike) -> Outlines:
        """Return the outlines of the regions of index `order` (k,), numbered anew."""
        order = np.asarray(order, np.intp)
        count = np.bincount(self.region)
        length = count[order]
        begin = np.repeat((np.cumsum(count) - count)[order] - (np.cumsum(length) - length), length)
        at = begin + np.arange(len(begin))
        levels = (a[at] for a in (self.inner, self.outer, self.rise))
        return Outlines(self.points[at], np.repeat(np.arange(len(order)), length), self.free[at], *levels)

    @classmethod
    def joined(cls, parts: Sequence[Outlines]) -> Outlines:
        """Return the outlines of several lists (none of them empty) as one, numbered on."""
        before = np.cumsum([0, *(part.region[-1] + 1 for part in parts)])
        region = np.concatenate([part.region + n for part, n in zip(parts, before, strict=False)])
        points, free, inner, outer, rise = (
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("points", "free", "inner", "outer", "rise")
        )
        return cls(points, region, free, inner, outer, rise)

    def mean(self, value: FloatArray) -> FloatArray:
        """Return the mean of values (m,) over each region's free points; over all where none is free."""
        weight = np.where(self.free, 1.0, 1e-9)
        return np.bincount(self.region, value * weight) / np.bincount(self.region, weight)

    def apart(self, values: npt.NDArray[Number]) -> list[npt.NDArray[Number]]:
        """Return values of the points (m, ...), one ndarray a region."""
        end = np.cumsum(np.bincount(self.region)).tolist()
        return [values[a:b] for a, b in zip([0, *end], end, strict=False)]

    @property
    def levels(self) -> tuple[FloatArray, FloatArray]:
        """Return the signal's levels beside and inside each region, (n,) each."""
        return self.mean(self.outer), self.mean(self.inner)


def linear_light(pixels: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint16]:
    """Return the pixels' linear light, 0..65535 for 0..1, uint16."""
    table = np.round(LINEAR_OF_CODE * 65535).astype(np.uint16)
    return cv2.LUT(pixels, table).astype(np.uint16, copy=False)


def weighted_light(pixels: npt.NDArray[np.uint8], weight: FloatArray) -> Float32Array:
    """Return the weighted sum (h, w) of the pixels' linear R, G, B; `weight` (3,)."""
    light, shares = np.empty(pixels.shape[:2], np.float32), weight[None].astype(np.float32)
    in_bands(
        len(light),
        lambda rows: cv2.transform(cv2.LUT(pixels[rows], LINEAR_OF_CODE), shares, light[rows]),
        high=16,
    )
    return light


def refine(
    contours: Sequence[npt.NDArray[np.int32]],
    light: Light,
    weight: FloatArray,
    *,
    blur_px: float,
    beside: tuple[Labels, IndexArray] | None = None,
) -> Outlines:
    """Return the contours moved along their normals to the half-contrast edge.

    Parameters
    ----------
    contours : n contours (k, 2), pixel centres of the regions' rims, as OpenCV follows them.
    light : ndarray (h, w, 3), uint16: linear light, or (h, w), float32: already weighted as all regions have it.
    weight : ndarray (n, 3): the signal of each region as weights of linear R, G, B.
    blur_px : standard deviation of the edge spread.
    beside : label image (h, w) and the contours' numbers (n,) in it, or None. Where another region lies beyond the
        edge, the outline runs between the two regions' pixels.
    """
    # one after the other: two threads would wait for the interpreter most of the time
    parts = []
    for k in range(0, len(contours), AT_ONCE):
        part = slice(k, k + AT_ONCE)
        neighbours = None if beside is None else (beside[0], beside[1][part])
        parts.append(_refined(contours[part], light, weight[part], blur_px, neighbours))
    return Outlines.joined(parts)


def _refined(
    contours: Sequence[npt.NDArray[np.int32]],
    light: Light,
    weight: FloatArray,
    blur_px: float,
    beside: tuple[Labels, IndexArray] | None,
) -> Outlines:
    """Return some contours as `refine` does."""
    contours = [c[::2] if len(c) > LONG_PX else c for c in contours]
    length = np.array([len(c) for c in contours])
    region = np.repeat(np.arange(len(contours)), length)
    ring = _Ring.of(length)
    points = np.concatenate(contours).astype(np.float32)
    normal = _normals(points, ring)
    step = np.float32(max(1.0, blur_px))
    signal = _sample(points, normal * step, light, weight, region)
    coloured = (weight > 0).any(1) & (weight < 0).any(1)
    foot = np.where(coloured, np.float32(FOOT), np.float32(LEVELS))[region] if coloured.any() else None
    # beyond its ends a profile goes on as it is there
    longer = np.concatenate([signal[:1]] * BEYOND + [signal] + [signal[-1:]] * BEYOND)
    shift, inner, outer = _crossing(longer, np.zeros(len(points), np.float32), foot)
    for _ in range(3):  # where the edge is believed to be decides where its levels are read
        shift, inner, outer = _crossing(longer, ring.smooth(shift), foot)
    middle = len(STATIONS) // 2
    rise = signal[:middle].max(0) - signal[middle + 1 :].min(0)
    free = np.ones(len(points), bool)
    if beside is not None:
        free = _free(points + 2.0 * normal, beside[0], beside[1][region])
    shift = ring.smooth(np.where(free, shift * step, np.float32(0.5)))
    moved = (points + shift[:, None] * normal).astype(float)
    return Outlines(moved, region, free, *(a.astype(float) for a in (inner, outer, rise)))


def _free(beyond: Float32Array, labels: Labels, number: IndexArray) -> Bool:
    """Return whether no other region lies at each of the points."""
    x, y = (np.clip(np.rint(beyond[:, k]).astype(int), 0, labels.shape[1 - k] - 1) for k in (0, 1))
    there = labels[y, x]
    return np.asarray((there == 0) | (there == number), bool)


@dataclass(frozen=True, eq=False)
class _Ring:
    """The neighbours of each point in its closed contour."""

    before: IndexArray
    after: IndexArray

    @classmethod
    def of(cls, length: IndexArray) -> _Ring:
        end = np.cumsum(length)
        before, after = np.arange(-1, end[-1] - 1), np.arange(1, end[-1] + 1)
        before[end - length], after[end - 1] = end - 1, end - length
        return cls(before, after)

    def smooth(self, value: Float32Array) -> Float32Array:
        around = value[self.before] + value[self.after]
        return np.asarray(0.5 * value + 0.25 * around, np.float32)


def _normals(points: Float32Array, ring: _Ring) -> Float32Array:
    """Return outward unit normals (OpenCV follows outer contours so that the outside lies to the right)."""
    place = np.ascontiguousarray(points.T)
    near = place.take(ring.after, 1) - place.take(ring.before, 1)
    x, y = near.take(ring.after, 1) + near.take(ring.before, 1) + near
    return np.asarray(
        np.stack([-y, x], -1) / np.maximum(np.hypot(x, y), np.float32(1e-6))[:, None], np.float32
    )


def _sample(
    points: Float32Array,
    normal: Float32Array,
    light: Light,
    weight: FloatArray,
    region: IndexArray,
) -> Float32Array:
    """Return the signal along each normal, ndarray (stations, m), linear light 0..1."""
    m, k = len(points), len(STATIONS)
    where = np.empty((2, -(-m * k // ROW) * ROW), np.float32)
    where[:, m * k :] = 0.0
    for axis in (0, 1):
        np.add(
            points[:, axis],
            STATIONS[:, None] * normal[:, axis],
            out=where[axis, : m * k].reshape(k, m),
        )
    x, y = where.reshape(2, -1, ROW)
    found = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if light.ndim == 2:
        return np.asarray(found, np.float32).reshape(-1)[: m * k].reshape(k, m)
    value = found.reshape(-1, 3)[: m * k].astype(np.float32).reshape(k, m, 3)
    return np.asarray(
        np.einsum("kmc,mc->km", value, (weight / 65535.0).astype(np.float32)[region]), np.float32
    )


def _crossing(
    longer: Float32Array, around: Float32Array, foot: Float32Array | None
) -> tuple[Float32Array, Float32Array, Float32Array]:
    """Return the offset of the half-contrast edge (in stations), and the levels inside and outside, (m,) each.

    Levels are read two edge spreads on either side of where the edge is believed to be (`around`): nearer they
    hold the blur, farther they hold shading, shadow or the neighbour. A thread is narrower than that: its crest
    and its feet count. `foot` says how much farther out the tray is looked for, if it is. `longer` is the signal
    at the stations and at `BEYOND` more on either side.
    """
    rows, part = _rows(longer, around, np.arange(-LEVELS, LEVELS + 2))
    level = rows[:-1] + (rows[1:] - rows[:-1]) * part
    inner, outer = level[: LEVELS + 1].max(0), level[LEVELS:].min(0)
    if foot is not None:
        (near, far), share = _rows(longer, around + foot, np.arange(2))
        outer = np.minimum(outer, near + (far - near) * share)
    middle = (inner + outer) / 2
    shift = around - part + _falls(*(rows[LEVELS : LEVELS + 2] - middle))  # mostly it is right there
    rest = np.flatnonzero(np.isnan(shift))
    above = longer[BEYOND : BEYOND + len(STATIONS)].take(rest, 1) - middle[rest]
    gap = np.abs(_BETWEEN[:, None] - around[rest])
    gap[(above[:-1] < 0) | (above[1:] >= 0)] = np.inf  # no way down here
    nearest = gap.argmin(0)
    column = np.arange(len(rest))
    elsewhere = STATIONS[nearest] + _falls(above[nearest, column], above[nearest + 1, column])
    shift[rest] = np.where(np.isnan(elsewhere), around[rest], elsewhere)
    return shift, inner, outer


def _falls(a: Float32Array, b: Float32Array) -> Float32Array:
    """Return where between a and b, 0..1, a falling line passes 0; NaN where none does."""
    falls = (a >= 0) & (b < 0)
    return np.where(falls, a / np.where(falls, a - b, np.float32(1.0)), np.float32(np.nan))


def _rows(longer: Float32Array, place: Float32Array, beside: IndexArray) -> tuple[Float32Array, Float32Array]:
    """Return each column's signal (k, m) some stations beside the last before a place, and how far that is beyond it."""
    index = place + np.float32(BEYOND - STATIONS[0])
    left = index.astype(np.intp)
    m = longer.shape[1]
    return longer.ravel()[left * m + np.arange(m) + beside[:, None] * m], index - left.astype(np.float32)
