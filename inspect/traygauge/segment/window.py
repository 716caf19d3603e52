"""The part of the photo that shows the tray, cut out on a grid of whole blocks."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.tray_view import TrayView
from traygauge_shared.shrinking import shrunk

#: The light field is estimated on blocks of about this size: a third of a strand, so that a piece is several.
BLOCK_MM = 0.5
#: The coarse look is taken at about this scale: a file holds colour at half the resolution anyway.
COARSE_PX_PER_MM = 8.0
#: This much along the window's rim is not looked at: printing tolerance, and the ring's blurred edge, whose white is fifty
#: times as bright as a dark tray: of that, three standard deviations out, a fifteenth of the tray's own light is left.
RIM_MM, RIM_BLURS = 0.25, 3.0


@dataclass(frozen=True, eq=False)
class Window:
    """The crop of the photo that holds the window.

    Parameters
    ----------
    origin_px : photo pixel (x, y) of `pixels[0, 0]`.
    pixels : ndarray (h, w, 3), uint8, RGB; h and w are multiples of `block`.
    inside : ndarray (h, w), uint8: 255 where the tray can be seen, 0 on the ring and beyond the image.
    coarse : ndarray (h / step, w / step, 3), uint8: `pixels` at the coarse resolution.
    step : even number of pixels that make one of the coarse resolution.
    block : pixels along a block's side, a multiple of `step`.
    px_per_mm : the scale in the middle.
    blur_px : standard deviation of the edge spread in the middle, px.
    """

    origin_px: tuple[int, int]
    pixels: npt.NDArray[np.uint8]
    inside: npt.NDArray[np.uint8]
    coarse: npt.NDArray[np.uint8]
    step: int
    block: int
    px_per_mm: float
    blur_px: float

    @property
    def grid(self) -> tuple[int, int]:
        """Return the number of blocks, (rows, columns)."""
        return self.pixels.shape[0] // self.block, self.pixels.shape[1] // self.block

    def part(self, blocks: tuple[slice, slice]) -> Window:
        """Return a part of the window, given by slices of its blocks."""
        down, across = at = self.pixels_of(blocks)
        origin = self.origin_px[0] + across.start, self.origin_px[1] + down.start
        coarse = self.coarse[self.coarse_of(blocks)]
        return Window(
            origin,
            self.pixels[at],
            self.inside[at],
            coarse,
            self.step,
            self.block,
            self.px_per_mm,
            self.blur_px,
        )

    def pixels_of(self, blocks: tuple[slice, slice]) -> tuple[slice, slice]:
        """Return the pixels that blocks cover, both as slices (down, across)."""
        down, across = (slice(s.start * self.block, s.stop * self.block) for s in blocks)
        return down, across

    def coarse_of(self, blocks: tuple[slice, slice]) -> tuple[slice, slice]:
        """Return the pixels of the coarse resolution that blocks cover, both as slices (down, across)."""
        side = self.block // self.step
        down, across = (slice(s.start * side, s.stop * side) for s in blocks)
        return down, across


def cut_window(tray: TrayView) -> Window:
    """Return the crop of the photo that holds the tray's window.

    Parameters
    ----------
    tray : the tray view; a scan's window is the whole image.
    """
    image = tray.photo.pixels
    height, width = image.shape[:2]
    middle = np.array([tray.window_mm[:2], tray.window_mm[2:]]).mean(0)
    px_per_mm = float(tray.px_per_mm(middle))
    step = 2 * max(1, round(px_per_mm / COARSE_PX_PER_MM / 2))
    block = step * max(1, round(px_per_mm * BLOCK_MM / step))
    outline = tray.window_px
    x0, y0 = (max(int(v), 0) for v in np.floor(outline.min(0)))
    x1, y1 = (min(int(v) + 1, size) for v, size in zip(np.ceil(outline.max(0)), (width, height), strict=True))
    h, w = (-(-side // block) * block for side in (y1 - y0, x1 - x0))
    crop = image[y0 : y0 + h, x0 : x0 + w]
    missing = h - crop.shape[0], w - crop.shape[1]
    if any(missing):  # the image ends inside the last block
        padded = cv2.copyMakeBorder(crop, 0, missing[0], 0, missing[1], cv2.BORDER_REPLICATE)
        crop = np.asarray(padded, np.uint8)
    inside = np.zeros((h, w), np.uint8)
    line = np.round((outline - (x0, y0)) * 16).astype(np.int32)
    cv2.fillPoly(inside, [line], (255.0,), shift=4)
    if tray.source == "sheet":
        rim = max(5, round(RIM_MM * px_per_mm), round(RIM_BLURS * tray.blur_px.high))
        cv2.polylines(
            inside, [line], True, (0.0,), 2 * rim - 2, shift=4
        )  # its ends are rounded up by a pixel
    inside[height - y0 :] = 0
    inside[:, width - x0 :] = 0
    coarse = shrunk(crop, (h // step, w // step))
    return Window((x0, y0), crop, inside, coarse, step, block, px_per_mm, float(tray.blur_px.at(middle)))
