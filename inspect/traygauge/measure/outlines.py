"""Closed outlines of many bodies at once, and how far they lie from the rods that should explain them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from traygauge.measure.body import Bodies
from traygauge.measure.end_model import ROUNDING_MM
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Outlines:
    """Closed outlines of n bodies in sheet mm, laid end to end, in the tray's plane or one above it.

    Parameters
    ----------
    points : ndarray (m, 2), mm; size : ndarray (n,), how many vertices each has.
    """

    points: FloatArray
    size: npt.NDArray[np.intp]

    @classmethod
    def of(cls, tray: TrayView, outlines_px: tuple[FloatArray, ...]) -> Outlines:
        """Return outlines given in photo pixels, seen in the tray's own plane."""
        points = tray.to_mm(np.concatenate(outlines_px)) if len(outlines_px) else np.zeros((0, 2))
        return cls(points, np.array([len(o) for o in outlines_px], np.intp))

    @cached_property
    def start(self) -> npt.NDArray[np.intp]:
        """Return where each body's vertices begin, ndarray (n,)."""
        return np.asarray(np.cumsum(self.size) - self.size, np.intp)

    def every(self, values: FloatArray) -> FloatArray:
        """Return the values (n, ...) of the vertices' bodies, ndarray (m, ...)."""
        return np.repeat(values, self.size, axis=0)

    def raised(self, tray: TrayView, height_mm: FloatArray) -> Outlines:
        """Return outlines of the tray's plane as the same rays show them in planes at the given heights (n,)."""
        return Outlines(self.points - self.every(height_mm)[:, None] * tray.lean(self.points), self.size)

    def each(self) -> tuple[FloatArray, ...]:
        """Return one ndarray (k, 2) a body."""
        start = self.start.tolist()
        return tuple(self.points[a:b] for a, b in zip(start, [*start[1:], len(self.points)], strict=True))

    def mean(self, values: npt.ArrayLike) -> FloatArray:
        """Return the mean of a value (m,) over each body's vertices, ndarray (n,)."""
        return np.asarray(np.add.reduceat(np.asarray(values, float), self.start) / self.size)

    @property
    def area(self) -> FloatArray:
        """Return the enclosed areas, mm², ndarray (n,)."""
        x, y = (self.points - self.every(self.points[self.start])).T
        after = np.arange(len(x)) + 1
        after[self.start + self.size - 1] = self.start
        return np.abs(np.add.reduceat(x * y[after] - x[after] * y, self.start)) / 2

    def rows(self, bodies: npt.NDArray[np.intp]) -> Outlines:
        """Return the outlines of some bodies."""
        each = self.each()
        return Outlines(np.concatenate([each[k] for k in bodies]), self.size[bodies])

    def some(self, bodies: npt.NDArray[np.intp], count: int) -> FloatArray:
        """Return `count` vertices of each of some bodies, evenly picked, ndarray (len(bodies), count, 2)."""
        pick = self.start[bodies][:, None] + (np.arange(count) * self.size[bodies][:, None]) // count
        return self.points[pick]


def rod_gaps(outlines: Outlines, bodies: Bodies, tray: TrayView) -> tuple[FloatArray, FloatArray]:
    """Return how far each vertex (m,) lies from its body's silhouette, and how far beyond its ends, in diameters.

    The silhouette is that of a cylinder between its two cut faces, seen as the camera sees it. Beyond an end lies what
    is no wider than the body; of the rest the second figure is 0.
    """
    frames, every = bodies.frames, outlines.every
    _, lean = frames.lean(tray, frames.centre_mm[:, None], np.zeros((len(frames), 1)))
    half = frames.diameter_mm / 2 * np.sqrt(1 + lean[:, 0] ** 2)
    v, past = past_faces(outlines.points, outlines.every, bodies, half)
    over, half, width = past.max(0), every(half), every(frames.diameter_mm)
    distance = np.maximum(over, np.abs(v) - half)
    beyond = np.where(np.abs(v) < half, np.maximum(over, 0.0), 0.0)
    return np.asarray(np.abs(distance) / width), np.asarray(beyond / width)


def past_faces(
    points_mm: FloatArray,
    each: Callable[[FloatArray], FloatArray],
    bodies: Bodies,
    half_mm: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return how far points (m, 2) lie from their bodies' axes, (m,), and beyond the outer rims of both cut faces, (2, m).

    Parameters
    ----------
    each : from the values (n, ...) of bodies to those of the points' own, (m, ...).
    half_mm : ndarray (n,): half widths that the rims are seen with, those of the bodies if none.
    """
    frames, ends = bodies.frames, bodies.ends
    half = frames.diameter_mm / 2 if half_mm is None else half_mm
    x, y = (points_mm - each(frames.centre_mm)).T
    ex, ey = each(frames.along()).T
    s, v = x * ex + y * ey, y * ex - x * ey
    v -= each(frames.bend / 2) * s**2
    q = np.sqrt(np.maximum(each((half - ROUNDING_MM) ** 2) - v**2, 0))
    rims = [each(ends.view[:, i]) * q + each(frames.length_mm / 2) for i in (0, 1)]
    # across runs the other way round at the end against the axis
    past = [side * (s - each(ends.slope[:, i]) * v) - rims[i] for i, side in ((0, -1), (1, 1))]
    return v, np.stack(past)
