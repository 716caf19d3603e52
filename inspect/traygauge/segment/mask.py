"""Which pixels belong to pieces, thin tails included, at the photo's full resolution."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField
from traygauge.segment.contrast import CoarseLook, code_weights
from traygauge.segment.window import Window

FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.uint8]

#: Threads up to this width are followed below the piece's own threshold.
THREAD_MM = 0.35
#: Where shadows are no danger, a pixel counts from this share of the pieces' contrast on.
LOW_MARK = 0.2
#: A thread's crest stands out by this share of the pieces' contrast at least.
THREAD_CONTRAST = 0.2


def piece_mask(
    window: Window, field: TrayField, coarse: CoarseLook, weight: FloatArray, piece: FloatArray
) -> Mask:
    """Return 255 where a pixel shows a piece, ndarray (h, w), uint8.

    A pixel belongs to a piece where the signal passes a mark between tray and pieces: a low one where shadows
    cannot reach it, because the shaded flank of a piece is darker than its middle. Thin ridges that pass a
    lower mark are kept where they hang on such pixels.
    """
    by_code = code_weights(weight, coarse.tray, piece)
    tray_level = field.code @ by_code
    step = float((piece - coarse.tray) @ by_code)
    share = _threshold(coarse, by_code, step)
    light = (field.code @ coarse.tray) / float(coarse.tray @ coarse.tray)
    top = float((tray_level + step * light).max())
    low = float(tray_level.min()) - 0.5 * step
    gain = 255.0 / max(top - low + 0.3 * step, 1e-9)
    signal = cv2.transform(window.pixels, np.append(by_code * gain, -low * gain)[None])
    size = window.pixels.shape[1], window.pixels.shape[0]
    threshold = np.clip((tray_level - low + share * step * light) * gain, 0, 255).astype(np.uint8)
    strong = cv2.compare(signal, cv2.resize(threshold, size, interpolation=cv2.INTER_LINEAR), cv2.CMP_GT)
    width = 2 * round(THREAD_MM * window.px_per_mm / 2) + 1
    ridge = cv2.morphologyEx(signal, cv2.MORPH_TOPHAT, np.ones((width, width), np.uint8))
    mark = THREAD_CONTRAST * step * float(np.median(light)) * gain
    mask = cv2.bitwise_or(strong, cv2.compare(ridge, max(mark, 6.0), cv2.CMP_GT))
    return cv2.bitwise_and(mask, window.inside).astype(np.uint8, copy=False)


def _threshold(coarse: CoarseLook, by_code: FloatArray, step: float) -> float:
    """Return the share of the way from tray to piece at which a pixel counts as piece."""
    noise = float(np.sqrt(by_code @ (2.0 * coarse.covariance + np.eye(3)) @ by_code))
    lowest = max(LOW_MARK, 6.0 * noise / step)
    reach = -float(coarse.tray @ by_code) * 0.5 / step  # how far a deep shadow gets toward the pieces
    if reach <= lowest:
        return lowest
    rise = cv2.transform(coarse.flat[::2, ::2], by_code[None] / step)
    seen = rise[(rise > 0.3) & (rise < 1.5)]
    if len(seen) < 50:
        return 0.5
    counts, edges = np.histogram(seen, 60)
    return float(np.clip(_parting_level(counts, edges), 0.4, 0.75))


def _parting_level(counts: npt.NDArray[np.intp], edges: FloatArray) -> float:
    """Return the level that parts a histogram into two groups best (least variance within, Otsu 1979)."""
    middle = (edges[:-1] + edges[1:]) / 2
    below = np.cumsum(counts)[:-1]
    above = counts.sum() - below
    sum_below = np.cumsum(counts * middle)[:-1]
    sum_above = (counts * middle).sum() - sum_below
    gap = sum_above / np.maximum(above, 1) - sum_below / np.maximum(below, 1)
    return float(edges[1:-1][np.argmax(below * above * gap**2)])
