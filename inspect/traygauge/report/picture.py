"""Photos as pictures in the report: the part that matters at a moderate size, and close-ups at one scale.

Points of a picture are SVG's: (0, 0) is the **outer corner** of the top left pixel, so that a photo pixel (x, y),
whose centre has whole numbers, lies at (x + 0.5, y + 0.5).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.report.model import FloatArray, Mark
from traygauge_calib.tray_view import TrayView
from traygauge_shared.photo import Photo

Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Frame:
    """The part of a photo that a picture shows: columns x0..x1, rows y0..y1 (ends not in it), scaled."""

    x0: int
    y0: int
    x1: int
    y1: int
    scale: float

    @property
    def width(self) -> int:
        """Return the picture's number of columns."""
        return max(1, round((self.x1 - self.x0) * self.scale))

    @property
    def height(self) -> int:
        """Return the picture's number of rows."""
        return max(1, round((self.y1 - self.y0) * self.scale))

    def of(self, points_px: FloatArray) -> FloatArray:
        """Return picture points (..., 2) of photo pixels (..., 2)."""
        size = np.array([self.width / (self.x1 - self.x0), self.height / (self.y1 - self.y0)])
        points: FloatArray = (points_px + 0.5 - np.array([self.x0, self.y0])) * size
        return points


def window_frame(tray: TrayView, *, longest: int = 2000, rim: float = 0.03) -> Frame:
    """Return the frame of the window with a rim around it, its longer side at most `longest` pixels."""
    corners = tray.window_px
    low, high = corners.min(0), corners.max(0)
    margin = rim * float((high - low).max())
    x0, y0 = (max(0, int(v)) for v in np.floor(low - margin))
    x1 = min(tray.photo.width, int(np.ceil(high[0] + margin)) + 1)
    y1 = min(tray.photo.height, int(np.ceil(high[1] + margin)) + 1)
    if x1 - x0 < 2 or y1 - y0 < 2:  # a window outside the photo: show all of it
        x0, y0, x1, y1 = 0, 0, tray.photo.width, tray.photo.height
    return Frame(x0, y0, x1, y1, min(1.0, longest / max(x1 - x0, y1 - y0)))


def frame_pixels(photo: Photo, frame: Frame) -> Pixels:
    """Return the framed part of a photo, ndarray of shape (h, w, 3), RGB."""
    import cv2

    part = photo.pixels[frame.y0 : frame.y1, frame.x0 : frame.x1]
    if frame.scale >= 1.0:
        return part
    size = (frame.width, frame.height)
    return np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.uint8)


def jpeg(pixels: Pixels, *, quality: int = 82) -> bytes:
    """Return RGB pixels as the bytes of a JPEG file without any metadata."""
    import cv2

    swapped = np.ascontiguousarray(pixels[..., ::-1])
    _, data = cv2.imencode(".jpg", swapped, [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, 1])
    return bytes(data)


def tray_picture(
    tray: TrayView, box_mm: tuple[float, float, float, float], px_per_mm: float, height_mm: float = 0.0
) -> Pixels:
    """Return part of the tray seen from straight above, at one scale wherever it lies.

    Parameters
    ----------
    box_mm : (x0, y0, x1, y1) in sheet mm.
    px_per_mm : scale of the picture.
    height_mm : of the plane that is shown true to scale, above the pieces' plane.

    Returns
    -------
    ndarray of shape (h, w, 3), uint8, RGB; grey where the photo ends.
    """
    import cv2

    x0, y0, x1, y1 = box_mm
    columns, rows = max(1, round((x1 - x0) * px_per_mm)), max(1, round((y1 - y0) * px_per_mm))
    x = x0 + (np.arange(columns) + 0.5) * (x1 - x0) / columns
    y = y0 + (np.arange(rows) + 0.5) * (y1 - y0) / rows
    at = tray.to_px(np.stack(np.meshgrid(x, y), -1), height_mm)
    low = np.maximum(np.floor(at.min((0, 1))).astype(int) - 2, 0)
    high = np.ceil(at.max((0, 1))).astype(int) + 3
    part = tray.photo.pixels[low[1] : max(high[1], 0), low[0] : max(high[0], 0)]
    grey = (128, 128, 128)
    if not part.size:
        return np.full((rows, columns, 3), 128, np.uint8)
    local = (at - low).astype(np.float32)
    x_at, y_at = np.ascontiguousarray(local[..., 0]), np.ascontiguousarray(local[..., 1])
    shown = cv2.remap(part, x_at, y_at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=grey)
    return np.asarray(shown, np.uint8)


@dataclass(frozen=True, eq=False)
class Drawn:
    """One mark in a picture's points: closed outline, open tails, open centreline, each ndarray (k, 2)."""

    outline: FloatArray
    tails: tuple[FloatArray, ...]
    centreline: FloatArray


def draw(tray: TrayView, frame: Frame, marks: Sequence[Mark]) -> list[Drawn]:
    """Return the marks in the points of a frame, all projected at once."""
    lines = [line for m in marks for line in (m.outline_mm, *m.tails_mm, m.centreline_mm)]
    if not lines:
        return []
    lengths = [len(line) for line in lines]
    heights = np.repeat([m.height_mm for m in marks], [_points(m) for m in marks])
    points = frame.of(tray.to_px(np.concatenate(lines), heights))
    pieces = iter(np.split(points, np.cumsum(lengths)[:-1]))
    return [Drawn(next(pieces), tuple(next(pieces) for _ in m.tails_mm), next(pieces)) for m in marks]


def _points(mark: Mark) -> int:
    return len(mark.outline_mm) + sum(map(len, mark.tails_mm)) + len(mark.centreline_mm)


def simplified(points: FloatArray, tolerance: float = 0.4, *, closed: bool = True) -> FloatArray:
    """Return a line with as few of its points as keep it within a tolerance (Douglas and Peucker)."""
    import cv2

    if len(points) < 4:
        return points
    few = cv2.approxPolyDP(points.astype(np.float32)[:, None], tolerance, closed)
    return np.asarray(few[:, 0], float)
