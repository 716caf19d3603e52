"""Closed outlines of many bodies at once, and how far they lie from the rods that should explain them."""

from __future__ import annotations

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
        return tuple(np.split(self.points, self.start[1:])) if len(self.size) else ()

    def mean(self, values: npt.ArrayLike) -> FloatArray:
        """Return the mean of a value (m,) over each body's vertices, ndarray (n,)."""
        return np.asarray(np.add.reduceat(np.asarray(values, float), self.start) / self.size)

    def some(self, bodies: npt.NDArray[np.intp], count: int) -> FloatArray:
        """Return `count` vertices of each of some bodies, evenly picked, ndarray (len(bodies), count, 2)."""
        pick = self.start[bodies][:, None] + (np.arange(count) * self.size[bodies][:, None]) // count
        return self.points[pick]


def rod_gaps(outlines: Outlines, bodies: Bodies, tray: TrayView) -> tuple[FloatArray, FloatArray]:
    """Return how far each vertex (m,) lies from its body's silhouette, and how far beyond its ends, in diameters.

    The silhouette is that of a cylinder between its two cut faces, seen as the camera sees it. Beyond an end lies what
    is no wider than the body; of the rest the second figure is 0.
    """
    frames, ends, every = bodies.frames, bodies.ends, outlines.every
    x, y = (p - every(c) for p, c in zip(outlines.points.T, frames.centre_mm.T, strict=True))
    ex, ey = (every(e) for e in frames.along().T)
    s, v = x * ex + y * ey, y * ex - x * ey
    v -= every(frames.bend / 2) * s**2
    _, lean = frames.lean(tray, frames.centre_mm[:, None], np.zeros((len(frames), 1)))
    half = frames.diameter_mm / 2 * np.sqrt(1 + lean[:, 0] ** 2)
    q = np.sqrt(np.maximum(every((half - ROUNDING_MM) ** 2) - v**2, 0))
    # across runs the other way round at the end against the axis
    left, right = (
        side * (s - every(ends.slope[:, i]) * v) - every(ends.view[:, i]) * q for i, side in ((0, -1), (1, 1))
    )
    over = np.maximum(left, right) - every(frames.length_mm / 2)
    distance = np.maximum(over, np.abs(v) - every(half))
    beyond = np.where(np.abs(v) < every(half), np.maximum(over, 0.0), 0.0)
    width = every(frames.diameter_mm)
    return np.asarray(np.abs(distance) / width), np.asarray(beyond / width)
