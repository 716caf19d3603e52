"""Cameras: how a point above the sheet gets into the photo, and back.

Sheet coordinates: millimetres, x right, y down, origin at the outer corner of the board's first square
(without a sheet: the image's top left corner). Heights are millimetres above the sheet's paper, up positive.
Photo coordinates: pixels, x right, y down, (0, 0) is the **centre** of the top left pixel (OpenCV's convention),
of the photo as loaded (EXIF rotation already applied).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


class Camera(Protocol):
    """What every camera model answers. Heights broadcast against the points."""

    def project(self, points_mm: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return photo pixels, ndarray of shape (..., 2), of points (..., 2) at a height above the paper."""
        ...

    def to_plane(self, points_px: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return sheet points, ndarray of shape (..., 2), mm, where the pixels' rays meet the plane at a height."""
        ...

    def lean(self, points_mm: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return how far, per mm of height, a point appears moved in the plane: ndarray (..., 2), mm/mm.

        Away from the camera's foot point; for a perspective camera (point - foot) / (H - height), 0 for a scan.
        """
        ...


@dataclass(frozen=True, eq=False)
class PerspectiveCamera:
    """A pinhole with radial distortion over the sheet.

    Parameters
    ----------
    focal_px : focal length, px.
    principal_px : (2,) px.
    distortion : (k1, k2), OpenCV's radial terms: x' = x (1 + k1 r² + k2 r⁴) with r = tan of the field angle.
    rotation : ndarray (3, 3), sheet frame (x right, y down, z **into** the table) to camera frame.
    centre_mm : ndarray (3,), x, y and **height above the paper** (positive) of the camera centre.
    """

    focal_px: float
    principal_px: tuple[float, float]
    distortion: tuple[float, float]
    rotation: FloatArray
    centre_mm: FloatArray

    @property
    def foot_mm(self) -> FloatArray:
        """Return the point of the sheet right under the camera, ndarray of shape (2,), mm."""
        return self.centre_mm[:2]

    @property
    def height_mm(self) -> float:
        """Return the camera's height above the paper, mm."""
        return float(self.centre_mm[2])

    @property
    def tilt_deg(self) -> float:
        """Return the angle between the optical axis and the sheet's normal, degrees."""
        return float(np.degrees(np.arccos(np.clip(self.rotation[2, 2], -1.0, 1.0))))

    def project(self, points_mm: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return photo pixels of points at a height above the paper (see `Camera.project`)."""
        # coordinates apart: arrays with a last axis of two or three are reckoned with five times slower
        points = np.asarray(points_mm, float)
        x, y = points[..., 0] - self.centre_mm[0], points[..., 1] - self.centre_mm[1]
        z = self.centre_mm[2] - np.asarray(height_mm, float)
        right, down, away = (r[0] * x + r[1] * y + r[2] * z for r in self.rotation)
        u, v = right / away, down / away
        r2 = u * u + v * v
        k1, k2 = self.distortion
        grown = (1.0 + r2 * (k1 + k2 * r2)) * self.focal_px
        return np.stack([u * grown + self.principal_px[0], v * grown + self.principal_px[1]], -1)

    def to_plane(self, points_px: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return sheet points where the pixels' rays meet the plane at a height (see `Camera.to_plane`)."""
        points = np.asarray(points_px, float)
        seen = [(points[..., i] - self.principal_px[i]) / self.focal_px for i in (0, 1)]
        k1, k2 = self.distortion
        x, y = seen
        for _ in range(8):  # fixed point: converges to 1e-12 for the |k1| r² < 0.1 that phones have
            r2 = x * x + y * y
            grown = 1.0 + r2 * (k1 + k2 * r2)
            x, y = seen[0] / grown, seen[1] / grown
        right, down, away = (x * r[0] + y * r[1] + r[2] for r in self.rotation.T)
        reach = (self.centre_mm[2] - np.asarray(height_mm, float)) / away
        return np.stack([self.centre_mm[0] + right * reach, self.centre_mm[1] + down * reach], -1)

    def lean(self, points_mm: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return the apparent shift per mm of height (see `Camera.lean`)."""
        points = np.asarray(points_mm, float)
        reach = self.centre_mm[2] - np.asarray(height_mm, float)
        return np.asarray((points - self.foot_mm) / reach[..., None], float)


@dataclass(frozen=True, eq=False)
class FlatCamera:
    """A scan or a copy stand: the same scale everywhere, no sideways view.

    Parameters
    ----------
    px_per_mm : (across, down), px/mm.
    origin_px : photo pixel of sheet point (0, 0); (-0.5, -0.5) is the image's top left corner.
    """

    px_per_mm: tuple[float, float]
    origin_px: tuple[float, float] = (-0.5, -0.5)

    def project(self, points_mm: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return photo pixels; the height does not matter (see `Camera.project`)."""
        seen = np.asarray(points_mm, float) * np.asarray(self.px_per_mm) + np.asarray(self.origin_px)
        return np.asarray(seen, float)

    def to_plane(self, points_px: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return sheet points; the height does not matter (see `Camera.to_plane`)."""
        away = np.asarray(points_px, float) - np.asarray(self.origin_px)
        return np.asarray(away / np.asarray(self.px_per_mm), float)

    def lean(self, points_mm: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return zeros: nothing is seen from the side (see `Camera.lean`)."""
        return np.zeros_like(np.asarray(points_mm, float))
