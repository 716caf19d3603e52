"""Closed outlines of many bodies at once, and how far they lie from the rods that should explain them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.measure.body import Bodies
from traygauge.measure.end_fit import ROUNDING_MM
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Outlines:
    """Closed outlines of n bodies in sheet mm, laid end to end, in the tray's plane or one above it.

    Parameters
    ----------
    points : ndarray (m, 2), mm; owner : ndarray (m,), which body; start : ndarray (n,), where each begins.
    """

    points: FloatArray
    owner: npt.NDArray[np.intp]
    start: npt.NDArray[np.intp]

    @classmethod
    def of(cls, tray: TrayView, outlines_px: tuple[FloatArray, ...]) -> Outlines:
        """Return outlines given in photo pixels, seen in the tray's own plane."""
        sizes = np.array([len(o) for o in outlines_px], np.intp)
        points = tray.to_mm(np.concatenate(outlines_px)) if len(sizes) else np.zeros((0, 2))
        start = (np.cumsum(sizes) - sizes).astype(np.intp)
        return cls(points, np.repeat(np.arange(len(sizes)), sizes), start)

    def raised(self, tray: TrayView, height_mm: FloatArray) -> Outlines:
        """Return outlines of the tray's plane as the same rays show them in planes at the given heights (n,)."""
        shift = height_mm[self.owner][:, None] * tray.lean(self.points)
        return Outlines(self.points - shift, self.owner, self.start)

    def each(self) -> tuple[FloatArray, ...]:
        """Return one ndarray (k, 2) a body."""
        return tuple(np.split(self.points, self.start[1:])) if len(self.start) else ()

    def mean(self, values: npt.ArrayLike) -> FloatArray:
        """Return the mean of a value (m,) over each body's vertices, ndarray (n,)."""
        sums = np.add.reduceat(np.asarray(values, float), self.start)
        return np.asarray(sums / np.bincount(self.owner, minlength=len(self.start)))

    def some(self, bodies: npt.NDArray[np.intp], count: int) -> FloatArray:
        """Return `count` vertices of each of some bodies, evenly picked, ndarray (len(bodies), count, 2)."""
        size = np.bincount(self.owner, minlength=len(self.start))[bodies]
        pick = self.start[bodies][:, None] + (np.arange(count) * size[:, None]) // count
        return self.points[pick]


def rod_gaps(outlines: Outlines, bodies: Bodies, tray: TrayView) -> FloatArray:
    """Return how far each vertex (m,) lies from its body's silhouette, in diameters.

    The silhouette is that of a cylinder between its two cut faces, seen as the camera sees it.
    """
    frames, ends = bodies.frames, bodies.ends
    who = outlines.owner
    rel = outlines.points - frames.centre_mm[who]
    s, v = (rel * frames.along()[who]).sum(1), (rel * frames.across()[who]).sum(1)
    v = v - frames.bend[who] * s**2 / 2
    _, lean = frames.lean(tray, frames.centre_mm[:, None], np.zeros((len(frames), 1)))
    half = frames.diameter_mm / 2 * np.sqrt(1 + lean[:, 0] ** 2)
    q = np.sqrt(np.clip((half - ROUNDING_MM)[who] ** 2 - v**2, 0, None))
    reach = frames.length_mm[who] / 2
    right = s - (reach + ends.slope[who, 1] * v + ends.view[who, 1] * q)
    # across runs the other way round at the end against the axis
    left = -s - (reach - ends.slope[who, 0] * v + ends.view[who, 0] * q)
    distance = np.maximum(np.maximum(right, left), np.abs(v) - half[who])
    return np.asarray(np.abs(distance) / frames.diameter_mm[who])
