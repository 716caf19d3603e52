"""Small operations on pixel masks that several steps share; masks are ndarray (h, w), uint8, 255 for true."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.uint8]
Float32Array = npt.NDArray[np.float32]
#: What OpenCV hands back.


def grown(image: Mask, size: tuple[int, ...], *, smooth: bool = False) -> Mask:
    """Return an image enlarged to `size` = (rows, columns), by repeating or by interpolating."""
    how = cv2.INTER_LINEAR if smooth else cv2.INTER_NEAREST
    return np.asarray(cv2.resize(image, (size[1], size[0]), interpolation=how), np.uint8)


def over(image: Mask, level: float) -> Mask:
    """Return where an image of bytes lies above a level."""
    return np.asarray(cv2.threshold(image, level, 255, cv2.THRESH_BINARY)[1], np.uint8)


def without(mask: Mask, other: Mask) -> Mask:
    """Return what is in one mask and not in the other."""
    return np.asarray(cv2.bitwise_and(mask, cv2.bitwise_not(other)), np.uint8)


def both(mask: Mask, other: Mask) -> Mask:
    """Return what is in both masks."""
    return np.asarray(cv2.bitwise_and(mask, other), np.uint8)


def either(mask: Mask, other: Mask) -> Mask:
    """Return what is in one mask or the other."""
    return np.asarray(cv2.bitwise_or(mask, other), np.uint8)


def square(reach: int) -> Mask:
    """Return the square neighbourhood of `reach` pixels each way."""
    return np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)


def disc(width: float) -> Mask:
    """Return the round neighbourhood of about a width, an odd number of pixels."""
    size = 2 * round(width / 2) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def dilated(mask: Mask, kernel: Mask) -> Mask:
    """Return a mask, each point widened to the neighbourhood."""
    return np.asarray(cv2.dilate(mask, kernel), np.uint8)


def eroded(mask: Mask, kernel: Mask) -> Mask:
    """Return the points whose whole neighbourhood is in a mask; beyond the image nothing is."""
    return np.asarray(cv2.erode(mask, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=(0.0,)), np.uint8)


def opened(mask: Mask, kernel: Mask) -> Mask:
    """Return a mask without what is narrower than the neighbourhood."""
    return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, kernel), np.uint8)


def closed(mask: Mask, kernel: Mask) -> Mask:
    """Return a mask with gaps narrower than the neighbourhood filled."""
    return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel), np.uint8)


def weighted(image: npt.NDArray[np.uint8] | Float32Array, weights: npt.NDArray[np.float64]) -> Float32Array:
    """Return the weighted sum of an image's colours, float32; weights (3,) or with a constant (4,)."""
    values = image if image.dtype == np.float32 else image.astype(np.float32)
    return np.asarray(cv2.transform(values, weights[None].astype(np.float32)), np.float32)
