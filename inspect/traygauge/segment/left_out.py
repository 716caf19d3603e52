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
    x0, y0 = regions.origin_px
    h, w = regions.labels.shape
    pixels = regions.tray.photo.pixels[y0 : y0 + h : STEP_PX, x0 : x0 + w : STEP_PX]
    signal = LINEAR_OF_CODE[pixels] @ regions.contrast
    found = regions.labels[::STEP_PX, ::STEP_PX][: signal.shape[0], : signal.shape[1]] > 0
    halfway = _across(regions, (regions.level_tray + regions.level_piece) / 2, signal.shape)
    free = _window(regions, signal.shape) & ~_grown(found)
    left_out = np.count_nonzero(free & (signal > halfway))
    return left_out / max(float(np.count_nonzero(found)), 1.0)


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
