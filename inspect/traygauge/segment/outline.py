"""Outlines at half contrast, to sub-pixel, read from the photo's own pixels in linear light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

#: Samples along the outline's normal, in units of the edge spread, outward positive.
STATIONS = np.arange(-4, 5)
#: Where the levels inside and outside are read, edge spreads from the edge.
LEVELS = 2.0
#: Points in a row of the sampling grid: `cv2.remap` takes no image with more than 32767 rows.
ROW = 2048


@dataclass(frozen=True, eq=False)
class Outlines:
    """The contours of all regions in one list.

    Parameters
    ----------
    points : ndarray (m, 2): x, y of the edge, crop pixels.
    region : ndarray (m,): number of the region, ascending.
    free : ndarray (m,), bool: whether the tray lies beyond, not another piece.
    inner, outer : ndarray (m,): signal levels just inside and outside.
    rise : ndarray (m,): how far the signal rises across the edge and its wider surroundings.
    """

    points: FloatArray
    region: npt.NDArray[np.intp]
    free: npt.NDArray[np.bool_]
    inner: FloatArray
    outer: FloatArray
    rise: FloatArray

    def only(self, keep: npt.NDArray[np.bool_]) -> Outlines:
        """Return the outlines of the regions for which `keep` (n,) is true, numbered anew."""
        stay = keep[self.region]
        number = (np.cumsum(keep) - 1)[self.region[stay]]
        return Outlines(
            self.points[stay], number, self.free[stay], self.inner[stay], self.outer[stay], self.rise[stay]
        )

    def mean(self, value: FloatArray) -> FloatArray:
        """Return the mean of values (m,) or (m, 2) over each region's free points; over all where none is free."""
        if value.ndim == 2:
            return np.stack([self.mean(column) for column in value.T], -1)
        weight = np.where(self.free, 1.0, 1e-9)
        return np.bincount(self.region, value * weight) / np.bincount(self.region, weight)

    def split(self, points: FloatArray) -> tuple[FloatArray, ...]:
        """Return values at the points (m, ...) region by region."""
        return tuple(np.split(points, np.flatnonzero(np.diff(self.region)) + 1))


def levels(outlines: Outlines) -> FloatArray:
    """Return the signal's levels beside and inside each region, ndarray (n, 2)."""
    return np.stack([outlines.mean(outlines.outer), outlines.mean(outlines.inner)], -1)


def refine(
    contours: list[npt.NDArray[np.int32]],
    light: npt.NDArray[np.uint16],
    weight: FloatArray,
    *,
    blur_px: float,
    labels: npt.NDArray[np.int32] | None = None,
) -> Outlines:
    """Return the contours moved along their normals to the half-contrast edge.

    Parameters
    ----------
    contours : n contours (k, 2), pixel centres of the regions' rims, as OpenCV follows them.
    light : ndarray (h, w, 3), uint16: linear light.
    weight : ndarray (n, 3): the signal of each region as weights of linear R, G, B.
    blur_px : standard deviation of the edge spread.
    labels : ndarray (h, w) or None: k + 1 on the pixels of contour k. Where another region lies beyond the edge,
        the outline runs between the two regions' pixels.
    """
    length = np.array([len(c) for c in contours])
    region = np.repeat(np.arange(len(contours)), length)
    start = np.cumsum(length) - length
    points = np.concatenate(contours).astype(float)
    ring = _Ring(np.arange(len(region)) - start[region], start[region], length[region])
    normal = _normals(points, ring)
    step = max(1.0, blur_px)
    signal = _sample(points, normal, step * STATIONS, light, weight[region])
    shift, inner, outer = _crossing(signal)
    for _ in range(2):
        shift, inner, outer = _crossing(signal, around=ring.smooth(shift, (0.25, 0.5, 0.25)))
    middle = len(STATIONS) // 2
    rise = signal[:, :middle].max(1) - signal[:, middle + 1 :].min(1)
    free = _free(points + 2.0 * normal, region, labels)
    shift = ring.smooth(np.where(free, shift * step, 0.5), (0.25, 0.5, 0.25))
    return Outlines(points + shift[:, None] * normal, region, free, inner, outer, rise)


def _free(
    beyond: FloatArray, region: npt.NDArray[np.intp], labels: npt.NDArray[np.int32] | None
) -> npt.NDArray[np.bool_]:
    """Return whether no other region lies at each of the points."""
    if labels is None:
        return np.ones(len(region), bool)
    x, y = (np.clip(np.rint(beyond[:, k]).astype(int), 0, labels.shape[1 - k] - 1) for k in (0, 1))
    there = labels[y, x]
    return np.asarray((there == 0) | (there == region + 1), bool)


@dataclass(frozen=True, eq=False)
class _Ring:
    """Where each point stands in its closed contour."""

    place: npt.NDArray[np.intp]
    start: npt.NDArray[np.intp]
    length: npt.NDArray[np.intp]

    def neighbour(self, offset: int) -> npt.NDArray[np.intp]:
        return self.start + (self.place + offset) % self.length

    def smooth(self, value: FloatArray, kernel: tuple[float, ...]) -> FloatArray:
        reach = len(kernel) // 2
        return np.asarray(sum(k * value[self.neighbour(i - reach)] for i, k in enumerate(kernel)), float)


def _normals(points: FloatArray, ring: _Ring) -> FloatArray:
    """Return outward unit normals (OpenCV's outer contours run counter-clockwise in x right, y down)."""
    tangent = sum(
        w * (points[ring.neighbour(k)] - points[ring.neighbour(-k)])
        for k, w in ((1, 1.0), (2, 1.0), (3, 1.0))
    )
    tangent = np.asarray(tangent, float)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], -1)
    size = np.linalg.norm(normal, axis=1, keepdims=True)
    return normal / np.where(size > 1e-9, size, 1.0)


def _sample(
    points: FloatArray,
    normal: FloatArray,
    offset: FloatArray,
    light: npt.NDArray[np.uint16],
    weight: FloatArray,
) -> FloatArray:
    """Return the signal along each normal, ndarray (m, len(offset)), linear light 0..1."""
    m = len(points)
    rows = -(-m // ROW)
    where = np.zeros((rows * ROW, len(offset), 2), np.float32)
    where[:m] = points[:, None] + offset[:, None] * normal[:, None]
    grid = where.reshape(rows, ROW * len(offset), 2)
    found = cv2.remap(light, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    value = found.reshape(rows * ROW, len(offset), 3)[:m]
    return np.einsum("mkc,mc->mk", value, weight / 65535.0)


def _crossing(
    signal: FloatArray, around: FloatArray | float = 0.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the offset of the half-contrast edge (in stations), and the levels inside and outside.

    Levels are read two edge spreads on either side of where the edge is believed to be (`around`): nearer they
    hold the blur, farther they hold shading, shadow or the neighbour. A thread is narrower than that: its crest
    and its feet count.
    """
    around = np.broadcast_to(np.asarray(around, float), signal.shape[:1])
    inner = _at(signal, around - LEVELS)
    inner = np.maximum(inner, np.maximum(_at(signal, around - LEVELS / 2), _at(signal, around)))
    outer = _at(signal, around + LEVELS)
    outer = np.minimum(outer, np.minimum(_at(signal, around + LEVELS / 2), _at(signal, around)))
    above = signal - ((inner + outer) / 2)[:, None]
    falls = (above[:, :-1] >= 0) & (above[:, 1:] < 0)
    gap = np.abs(STATIONS[:-1] + 0.5 - around[:, None])
    first = np.where(falls, gap, 99.0).argmin(1)
    rows = np.arange(len(signal))
    a, b = above[rows, first], above[rows, first + 1]
    shift = STATIONS[first] + a / np.where(a - b > 0, a - b, 1.0)
    return np.where(falls.any(1), shift, around), inner, outer


def _at(signal: FloatArray, place: FloatArray) -> FloatArray:
    """Return each row's signal at a place given in edge spreads, linear between the stations."""
    index = np.clip(place - STATIONS[0], 0.0, len(STATIONS) - 1.001)
    left = index.astype(np.intp)
    rows = np.arange(len(signal))
    part = index - left
    return np.asarray(signal[rows, left] * (1 - part) + signal[rows, left + 1] * part, float)
