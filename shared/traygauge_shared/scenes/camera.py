"""The drawn scene's own cameras: a pinhole with one radial term over the tray, and a flat scan.

Kept apart from the measuring code's camera on purpose: truth must not share its errors.
World points are (x, y, h): sheet millimetres, x right, y down, h up from the paper. Pixels are OpenCV's:
(0, 0) is the centre of the top left pixel of the array as stored (before an EXIF orientation is applied).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Of 36 x 24 mm: what a 35-mm-equivalent focal length refers to (CIPA DCG-001).
FULL_FRAME_DIAGONAL_MM = 43.2666


@dataclass(frozen=True, eq=False)
class PhoneCamera:
    """A pinhole with radial distortion x' = x (1 + k1 r²).

    Parameters
    ----------
    width, height : of the stored array, px.
    focal_px : focal length.
    principal_px : (2,) px.
    k1 : radial term, r = tangent of the field angle.
    rotation : ndarray (3, 3), from (x, y, depth into the table) to the camera's frame (right, down, forward).
    centre_mm : ndarray (3,), x, y and height above the paper.
    orientation : EXIF orientation written to the file, 1 to 8.
    flat : whether nothing is seen from the side: no, for a phone.
    """

    width: int
    height: int
    focal_px: float
    principal_px: tuple[float, float]
    k1: float
    rotation: FloatArray
    centre_mm: FloatArray
    orientation: int = 1
    flat: bool = field(default=False, init=False)

    @property
    def focal_35mm(self) -> float:
        """Return the 35-mm-equivalent focal length (by the frame's diagonal), mm."""
        return self.focal_px * FULL_FRAME_DIAGONAL_MM / float(np.hypot(self.width, self.height))

    @property
    def px_per_mm(self) -> float:
        """Return the scale at the frame's middle, on the paper, px/mm."""
        return self.focal_px / float(self.centre_mm[2] / self.rotation[2, 2])

    def project(self, points: npt.ArrayLike) -> FloatArray:
        """Return pixels, ndarray (..., 2), of world points (..., 3)."""
        p = np.asarray(points, float)
        rel = (p - self.centre_mm) * np.array([1.0, 1.0, -1.0])
        cam = rel @ self.rotation.T
        xy = cam[..., :2] / cam[..., 2:]
        r2 = (xy**2).sum(-1, keepdims=True)
        return np.asarray(xy * (1.0 + self.k1 * r2) * self.focal_px + np.asarray(self.principal_px))

    def to_height(self, points_px: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return where the pixels' rays meet a height, ndarray (..., 2), sheet mm."""
        distorted = (np.asarray(points_px, float) - np.asarray(self.principal_px)) / self.focal_px
        r_d = np.sqrt((distorted**2).sum(-1, keepdims=True))
        r = r_d.copy()
        for _ in range(6):  # Newton on r (1 + k1 r²) = r_d
            r = r - (r * (1 + self.k1 * r * r) - r_d) / (1 + 3 * self.k1 * r * r)
        xy = distorted * np.where(r_d > 1e-12, r / np.maximum(r_d, 1e-12), 1.0)
        ray = np.concatenate([xy, np.ones_like(xy[..., :1])], -1) @ self.rotation
        reach = (self.centre_mm[2] - np.asarray(height_mm, float)) / ray[..., 2]
        return np.asarray(self.centre_mm[:2] + ray[..., :2] * reach[..., None])

    def view(self, points: FloatArray) -> FloatArray:
        """Return unit vectors from world points (..., 3) to the camera."""
        v = self.centre_mm - points
        return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))

    def facts(self) -> dict[str, Any]:
        """Return the exact camera for scene.json, in the terms of the test photos' scene.json."""
        import cv2

        depth = self.centre_mm * np.array([1.0, 1.0, -1.0])
        rvec = cv2.Rodrigues(self.rotation)[0].ravel()
        return {
            "model": "opencv pinhole + k1",
            "width": self.width,
            "height": self.height,
            "K": [
                [self.focal_px, 0.0, self.principal_px[0]],
                [0.0, self.focal_px, self.principal_px[1]],
                [0.0, 0.0, 1.0],
            ],
            "dist": [self.k1, 0.0, 0.0, 0.0, 0.0],
            "rvec": rvec.tolist(),
            "tvec": (-self.rotation @ depth).tolist(),
            "camera_centre_sheet_mm": depth.tolist(),
            "frame": "sheet: x right, y down, z into the table",
            "f35_mm": self.focal_35mm,
            "px_per_mm": self.px_per_mm,
            "tilt_deg": float(np.degrees(np.arccos(np.clip(self.rotation[2, 2], -1, 1)))),
        }


@dataclass(frozen=True, eq=False)
class ScanCamera:
    """A flatbed scan: pieces lie on the glass and are seen straight on, from the side they rest on.

    Sheet point (0, 0) is the image's top left corner; heights run from the glass away from the viewer.
    """

    width: int
    height: int
    dpi: float = 600.0
    orientation: int = 1
    flat: bool = field(default=True, init=False)

    @property
    def px_per_mm(self) -> float:
        """Return the scale, px/mm."""
        return self.dpi / 25.4

    def project(self, points: npt.ArrayLike) -> FloatArray:
        """Return pixels, ndarray (..., 2), of world points (..., 3): the height does not matter."""
        return np.asarray(np.asarray(points, float)[..., :2] * self.px_per_mm - 0.5)

    def to_height(self, points_px: npt.ArrayLike, height_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Return sheet points, ndarray (..., 2), mm."""
        return np.asarray((np.asarray(points_px, float) + 0.5) / self.px_per_mm)

    def view(self, points: FloatArray) -> FloatArray:
        """Return unit vectors from world points (..., 3) towards the viewer."""
        return np.broadcast_to(np.array([0.0, 0.0, 1.0]), points.shape)

    def facts(self) -> dict[str, Any]:
        """Return the exact camera for scene.json, in the terms of the test photos' scene.json."""
        return {
            "model": "orthographic scanner",
            "width": self.width,
            "height": self.height,
            "dpi": self.dpi,
            "px_per_mm": self.px_per_mm,
            "frame": "x right, y down from the image's top-left corner, mm",
        }


SceneCamera: TypeAlias = PhoneCamera | ScanCamera


def as_shown(points_px: npt.ArrayLike, width: int, height: int, orientation: int) -> FloatArray:
    """Return where stored pixels come to lie once a viewer has obeyed the EXIF orientation, ndarray (..., 2).

    Parameters
    ----------
    width, height : of the stored array.
    orientation : EXIF tag 0x0112, 1 to 8.
    """
    p = np.asarray(points_px, float)
    x, y = p[..., 0], p[..., 1]
    back_x, back_y = width - 1 - x, height - 1 - y
    pairs = {
        1: (x, y),
        2: (back_x, y),
        3: (back_x, back_y),
        4: (x, back_y),
        5: (y, x),
        6: (back_y, x),
        7: (back_y, back_x),
        8: (y, back_x),
    }
    return np.stack(pairs[orientation], -1)


def phone_over(
    middle_mm: tuple[float, float] = (96.0, 66.0),
    *,
    width: int = 4000,
    height: int = 3000,
    focal_35mm: float = 50.0,
    height_mm: float | None = None,
    across_mm: float = 244.0,
    tilt_deg: float = 0.0,
    tilt_towards_deg: float = 0.0,
    roll_deg: float = 0.0,
    k1: float = 0.0,
    principal_shift_px: tuple[float, float] = (0.0, 0.0),
    orientation: int = 1,
) -> PhoneCamera:
    """Return a phone looking at a point of the tray.

    Parameters
    ----------
    middle_mm : the point the axis goes through.
    height_mm : distance from that point along the axis; by default so that the frame is `across_mm` wide there.
    tilt_deg : between the axis and straight down; the camera stands off towards `tilt_towards_deg` (+x to +y).
    roll_deg : turn about the axis (180: photographed from the other side).
    principal_shift_px : of the principal point from the frame's middle.
    """
    focal_px = focal_35mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width, height))
    distance = height_mm if height_mm is not None else focal_px * across_mm / width
    tilt, towards, roll = np.radians([tilt_deg, tilt_towards_deg, roll_deg])
    off = distance * np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), -np.cos(tilt)])
    forward = -off / distance
    down = np.array([-np.sin(roll), np.cos(roll), 0.0])
    right = np.cross(down, forward)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    centre = np.array([middle_mm[0] + off[0], middle_mm[1] + off[1], -off[2]])
    principal = ((width - 1) / 2 + principal_shift_px[0], (height - 1) / 2 + principal_shift_px[1])
    return PhoneCamera(width, height, focal_px, principal, k1, rotation, centre, orientation)


def scan_of(size_mm: tuple[float, float] = (140.0, 95.0), dpi: float = 600.0) -> ScanCamera:
    """Return a flatbed scan of an area, mm."""
    scale = dpi / 25.4
    return ScanCamera(round(size_mm[0] * scale), round(size_mm[1] * scale), dpi)
