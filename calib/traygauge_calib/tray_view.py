"""The tray seen from straight above, with everything needed to go back to the photo."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from traygauge_calib.camera import Camera, FlatCamera, PerspectiveCamera
from traygauge_shared.photo import Photo

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class ScaleUncertainty:
    """Standard uncertainties that all pieces of a photo share; they do not shrink with the number of pieces.

    Parameters
    ----------
    relative : of every length, from bars, print and fit (dimensionless).
    height_relative : u(H) / H of the camera's height over the sheet (0 for a scan).
    plane_mm : standard uncertainty of the pieces' plane above or below the ring's paper (sag, card), mm.
    foot_mm : of the camera's foot point, mm.
    """

    relative: float
    height_relative: float = 0.0
    plane_mm: float = 0.0
    foot_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class LocalField:
    """A value known at some places of the tray, given anywhere as a smooth quadratic of the place.

    Parameters
    ----------
    coefficients : ndarray (6,), of 1, u, v, u², uv, v² with u, v the place scaled to -1..1 by the window.
    centre_mm, half_mm : (2,) middle and half sides of the window.
    low, high : the values met with, which bound the answers.
    """

    coefficients: FloatArray
    centre_mm: tuple[float, float]
    half_mm: tuple[float, float]
    low: float
    high: float

    def at(self, points_mm: npt.ArrayLike) -> FloatArray:
        """Return the value at each point, ndarray of shape (...)."""
        points = np.asarray(points_mm, float)
        u = (points[..., 0] - self.centre_mm[0]) / self.half_mm[0]
        v = (points[..., 1] - self.centre_mm[1]) / self.half_mm[1]
        c = self.coefficients
        value = c[0] + c[1] * u + c[2] * v + c[3] * u * u + c[4] * u * v + c[5] * v * v
        return np.asarray(np.clip(value, self.low, self.high), float)

    @classmethod
    def constant(cls, value: float) -> LocalField:
        """Return a field that is the same everywhere."""
        return cls(np.array([value, 0, 0, 0, 0, 0.0]), (0.0, 0.0), (1.0, 1.0), value, value)


@dataclass(frozen=True, eq=False)
class RingFacts:
    """What a sheet's ring tells about the photo beside the scale; `check_fitness` weighs it.

    Parameters
    ----------
    white, black : linear light (green) of paper and ink, 0..1, place by place.
    clipped : share of the paper's pixels at full scale.
    overshoot : how far sharpening carries an edge beyond the bright side's level, as a share of the step.
    curl_mm : by how much the paper rises or falls between middle and rim.
    seen : share of the ring's corners that were read.
    squared_up : whether the sheet lies exactly square in a picture that no camera writes in that shape.
    """

    white: LocalField
    black: LocalField
    clipped: float
    overshoot: float
    curl_mm: float
    seen: float
    squared_up: bool


@dataclass(frozen=True, eq=False)
class TrayView:
    """One photo's tray: window, camera, scale, local sharpness and noise.

    Parameters
    ----------
    photo : the photo as taken.
    camera : how sheet points get into it.
    window_mm : (x0, y0, x1, y1) of the plain window in sheet mm (a scan: the whole image).
    source : where the scale comes from: "sheet", "scan" (density tag), "stated" (px per mm given), "reference".
    scale : the shared standard uncertainties.
    blur_px : local standard deviation of the edge spread, px of the photo.
    noise : local standard deviation of the linear light of one pixel's green channel, 0..1 of full scale.
    edge_spread : ndarray (k, 2) or None: measured edge response of this photo, averaged over the ring's edges:
        distance from the edge in units of the local blur, response (0 dark side .. 1 bright side, overshoot kept).
    plane_offset_mm : height of the pieces' plane over the ring's paper.
    sheet_name, print_name : which sheet and which print it shows ("" without).
    warnings : sentences about the scale that a reader must see.
    ring : what the ring tells beside the scale; None without a sheet.
    is_scan : whether a flatbed scanner made it, whose bar lights pieces through the glass on which they lie.
    """

    photo: Photo
    camera: Camera
    window_mm: tuple[float, float, float, float]
    source: Literal["sheet", "scan", "stated", "reference"]
    scale: ScaleUncertainty
    blur_px: LocalField
    noise: LocalField
    edge_spread: FloatArray | None = None
    plane_offset_mm: float = 0.0
    sheet_name: str = ""
    print_name: str = ""
    warnings: tuple[str, ...] = field(default=())
    ring: RingFacts | None = None
    is_scan: bool = False

    def to_px(self, points_mm: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return photo pixels (..., 2) of points (..., 2) at a height above the *pieces'* plane."""
        return self.camera.project(points_mm, np.asarray(height_mm, float) + self.plane_offset_mm)

    def to_mm(self, points_px: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return sheet points (..., 2), mm, where the pixels' rays meet a plane above the pieces' plane."""
        return self.camera.to_plane(points_px, np.asarray(height_mm, float) + self.plane_offset_mm)

    def lean(self, points_mm: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return the apparent shift in the plane per mm of height, (..., 2): the direction of the sideways view."""
        return self.camera.lean(points_mm, np.asarray(height_mm, float) + self.plane_offset_mm)

    def px_per_mm(self, points_mm: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return the local scale (...), px/mm: square root of the area magnification at each point."""
        points = np.asarray(points_mm, float)
        step = 0.5
        ex, ey = np.array([step, 0.0]), np.array([0.0, step])
        dx = self.to_px(points + ex, height_mm) - self.to_px(points - ex, height_mm)
        dy = self.to_px(points + ey, height_mm) - self.to_px(points - ey, height_mm)
        return np.sqrt(np.abs(dx[..., 0] * dy[..., 1] - dx[..., 1] * dy[..., 0])) / (2 * step)

    @property
    def camera_height_mm(self) -> float:
        """Return the camera's height over the pieces' plane, mm (infinite for a scan)."""
        if isinstance(self.camera, PerspectiveCamera):
            return self.camera.height_mm - self.plane_offset_mm
        return float("inf")

    @property
    def is_flat(self) -> bool:
        """Return whether nothing is seen from the side (scan, copy stand)."""
        return isinstance(self.camera, FlatCamera)

    @property
    def window_px(self) -> FloatArray:
        """Return the window's outline in photo pixels, ndarray of shape (4 * 16, 2), clockwise from the top left."""
        x0, y0, x1, y1 = self.window_mm
        t = np.linspace(0, 1, 16, endpoint=False)[:, None]
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        return self.to_px(
            np.concatenate([a + t * (b - a) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)])
        )
