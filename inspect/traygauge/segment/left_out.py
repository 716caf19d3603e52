"""What lies on the tray and was taken for none of its pieces: a net below the finding of pieces."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.regions import Regions
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: One pixel of so many is looked at, each way; next to a piece or to the window's edge none is.
STEP_PX = 16
#: Pieces are hard to see where the tray's light has risen by this share of theirs; code value from which on nothing is.
_AS_BRIGHT, _BURNT = 0.7, 250
#: From so many regions on their levels may run across the window.
ENOUGH = 12
_NEIGHBOURS = np.ones((3, 3), np.uint8)


def share_left_out(regions: Regions) -> float:
    """Return the area that looks like pieces and belongs to none, over the area of those found; 0 where none is found.

    A place looks like a piece where the photo's signal lies nearer to the level of the pieces there than to that of
    the tray: pieces overlooked, shadows as dark as pieces, glare as bright.
    """
    if not len(regions):
        return 0.0
    pixels, found, free = _looks(regions)
    signal = LINEAR_OF_CODE[pixels] @ regions.contrast
    halfway = _across(regions, (regions.level_tray + regions.level_piece) / 2, signal.shape)
    left_out = np.count_nonzero(free & (signal > halfway))
    return left_out / max(float(np.count_nonzero(found)), 1.0)


def share_in_glare(regions: Regions) -> float:
    """Return the share of the free tray that mirrors a lamp as bright as pieces are, which it hides there, 0..1.

    Of an empty tray that is what is as bright as a picture can be, where most of it is not. Dark pieces show in glare.
    """
    pixels, _, free = _looks(regions)
    if not free.any() or (len(regions) and not (regions.contrast > 0).any()):
        return 0.0
    if len(regions):
        step = regions.level_piece - regions.level_tray
        as_bright = _across(regions, regions.level_tray + _AS_BRIGHT * step, free.shape)
        glare = np.asarray(LINEAR_OF_CODE[pixels] @ regions.contrast > as_bright)
    else:
        glare = np.asarray((pixels >= _BURNT).all(-1))
        glare &= not np.median(glare[free])  # else it is a white tray
    return float(glare[free].mean())


def _looks(regions: Regions) -> tuple[npt.NDArray[np.uint8], BoolArray, BoolArray]:
    """Return the pixels that are looked at (h, w, 3), which are pieces', and which are free tray."""
    x0, y0 = regions.origin_px
    h, w = regions.labels.shape
    pixels = regions.tray.photo.pixels[y0 : y0 + h : STEP_PX, x0 : x0 + w : STEP_PX]
    found = regions.labels[::STEP_PX, ::STEP_PX][: pixels.shape[0], : pixels.shape[1]] > 0
    return pixels, found, _window(regions, found.shape) & ~_grown(found)


def _grown(mask: BoolArray) -> BoolArray:
    return np.asarray(cv2.dilate(mask.astype(np.uint8), _NEIGHBOURS) > 0)


def _window(regions: Regions, shape: tuple[int, ...]) -> BoolArray:
    """Return where the window is, its rim left out."""
    outline = (regions.tray.window_px - regions.origin_px) / STEP_PX
    inside = np.zeros(shape, np.uint8)
    cv2.fillPoly(inside, [np.round(outline * 16).astype(np.int32)], (1.0,), shift=4)
    eroded = cv2.erode(inside, _NEIGHBOURS, borderType=cv2.BORDER_CONSTANT, borderValue=(0.0,))
    return np.asarray(eroded > 0)


def _across(regions: Regions, level: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    """Return a level given at each region as a plane over the looks."""
    if len(level) < ENOUGH:
        return np.full(shape, float(np.median(level)))
    places = np.array([outline.mean(0) for outline in regions.outlines_px]) - regions.origin_px
    design = np.column_stack([places / STEP_PX, np.ones(len(places))])
    per_x, per_y, start = np.linalg.lstsq(design, level, rcond=None)[0]
    return np.asarray(start + per_x * np.arange(shape[1]) + per_y * np.arange(shape[0])[:, None])
