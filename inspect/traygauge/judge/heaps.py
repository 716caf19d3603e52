"""What an unparted heap can hide: a long piece in it has its own outline inside the heap's."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.judge.unmeasured import OF_BODY, most_pieces

FloatArray = npt.NDArray[np.float64]

#: Size of a pixel in which heaps are drawn, mm; large heaps take twice that.
PIXEL_MM = 0.1
LARGE_PX = 400
#: A piece is looked for with this part of its diameter and of its length: outlines are a little uncertain, and a mildly
#: bent piece leaves its chord (0.1 mm for 4 mm at a radius of 20 mm).
OF_DIAMETER, OF_LENGTH = 0.88, 0.98
#: Directions in which a straight axis is looked for.
DIRECTIONS = 36


def longs_in(outline_mm: FloatArray, length_mm: float, diameter_mm: float) -> int:
    """Return how many pieces of at least a length the heap inside an outline can hold.

    Every such piece, covered or not, has a strip of its length and diameter inside the outline. Its axis is a straight
    line that stays half a diameter away from the outline. Where no such line fits, no long piece can lie; where some
    do, the area that such strips cover limits their number.

    Parameters
    ----------
    outline_mm : ndarray (k, 2), closed, last point not repeated.
    length_mm, diameter_mm : of the pieces looked for.
    """
    mask, pixel = _drawn(outline_mm)
    radius = OF_DIAMETER * diameter_mm / 2
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) * pixel
    axes = _straight((depth >= radius).astype(np.uint8), (OF_LENGTH * length_mm - 2 * radius) / pixel)
    n, labels = cv2.connectedComponents(axes, connectivity=8)
    drawn = cv2.contourArea(outline_mm.astype(np.float32)) / np.count_nonzero(
        mask
    )  # mm² a pixel: edge pixels are full
    found = 0
    for part in range(1, n):
        away = cv2.distanceTransform((labels != part).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        area = drawn * float(np.count_nonzero((away * pixel <= diameter_mm / 2) & (mask > 0)))
        found += max(1, int(most_pieces(area, length_mm, diameter_mm)))
    return found


def longest_in(outline_mm: FloatArray, diameter_mm: float) -> float:
    """Return how long a straight piece inside the outline of one thing can be, mm; threads are no part of it.

    The longest strip of `OF_BODY` of its diameter, or of the outline's widest place where that is less.

    Parameters
    ----------
    outline_mm : ndarray (k, 2), closed, last point not repeated.
    diameter_mm : of the batch's pieces.
    """
    mask, pixel = _drawn(outline_mm)
    depth = (cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) - 0.5) * pixel
    radius = OF_BODY * min(diameter_mm / 2, float(depth.max()))
    axes = (depth >= radius).astype(np.uint8)
    side = int(np.ceil(np.hypot(*mask.shape))) + 2
    middle = np.array([mask.shape[1] - 1, mask.shape[0] - 1]) / 2
    longest = 0
    for angle in np.arange(DIRECTIONS) * np.pi / DIRECTIONS:
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array([[c, s], [-s, c]])
        place = np.column_stack([turn, (side - 1) / 2 - turn @ middle])
        row = cv2.warpAffine(255 * axes, place, (side, side)) > 50  # a line of single pixels must not break
        longest = max(longest, int(np.diff(np.flatnonzero(~row.ravel())).max(initial=1)) - 1)
    return ((longest - 1) * pixel + 2 * radius) / OF_LENGTH  # edge pixels are full: one less is still no less


def solidity(outline_mm: FloatArray) -> float:
    """Return the area inside an outline (k, 2) over that of its convex hull, 0..1."""
    outline = outline_mm.astype(np.float32)
    return cv2.contourArea(outline) / max(cv2.contourArea(cv2.convexHull(outline)), 1e-9)


def _drawn(outline_mm: FloatArray) -> tuple[npt.NDArray[np.uint8], float]:
    """Return the heap as a mask with a margin of two pixels, and the size of its pixels, mm."""
    low = outline_mm.min(0)
    extent = outline_mm.max(0) - low
    pixel = PIXEL_MM if extent.max() / PIXEL_MM <= LARGE_PX else 2 * PIXEL_MM
    size = np.ceil(extent / pixel).astype(int) + 5
    mask = np.zeros((size[1], size[0]), np.uint8)
    points = np.round(((outline_mm - low) / pixel + 2) * 16).astype(np.int32)
    cv2.fillPoly(mask, [points], 1, shift=4)
    return mask, pixel


def _straight(mask: npt.NDArray[np.uint8], length_px: float) -> npt.NDArray[np.uint8]:
    """Return the part of a mask that straight lines of a length inside it cover: openings in all directions."""
    found = np.zeros_like(mask)
    half = max(length_px / 2, 0.5)
    size = 2 * int(np.ceil(half)) + 1
    middle = size // 2
    for angle in np.arange(DIRECTIONS) * np.pi / DIRECTIONS:
        line = np.zeros((size, size), np.uint8)
        x, y = round(half * np.cos(angle)), round(half * np.sin(angle))
        cv2.line(line, (middle - x, middle - y), (middle + x, middle + y), 1)
        opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, line, borderType=cv2.BORDER_CONSTANT, borderValue=0)
        found |= opened.astype(np.uint8)
    return found
