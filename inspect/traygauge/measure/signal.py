"""The photo's own pixels as one linear-light signal, read at sub-pixel places."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.tray_view import TrayView
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]
SignalArray = npt.NDArray[np.float32]

_DARK = 0.012  # linear light that counts as black: stray light and read noise of a phone, common practice
_LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709
_WIDEST = 16384  # cv2.remap refuses more than 32767 rows at once


@dataclass(frozen=True, eq=False)
class Signal:
    """Weighted linear light over a part of a photo.

    Parameters
    ----------
    values : ndarray of shape (h, w), float32.
    origin_px : photo pixel (x, y) of `values[0, 0]`.
    softness : how much wider its edges are than those of the ring (black on white), about: bodies lie above the plane
        in focus, and colour is stored at half size (JPEG) and smoothed by cameras.
    sense : 1 where the signal is light itself, -1 where it is light turned over, 0 where it mixes both (a difference
        of colours).
    """

    values: SignalArray
    origin_px: tuple[int, int]
    sense: int = 1
    softness: float = 1.3

    def steps_of_light(self, values: FloatArray) -> FloatArray:
        """Return signal values with equal *ratios* of light made equal steps, pieces still above the tray.

        A flank turned away from the light ends little brighter than a dark tray, and a shadow on a light tray is
        much brighter than the dark piece that throws it: both edges are plain as ratios and faint as differences.
        """
        if not self.sense:
            return values
        light = np.maximum(self.sense * values, 0.0) + _DARK
        return np.asarray(self.sense * np.log(light))

    def at(self, points_px: npt.ArrayLike) -> SignalArray:
        """Return the signal at photo pixels (..., 2), bicubic; places outside repeat the edge."""
        points = np.asarray(points_px, np.float32)
        flat = points.reshape(-1, 2) - np.asarray(self.origin_px, np.float32)
        n = len(flat)
        rows = -(-n // _WIDEST)
        flat = np.pad(flat, ((0, rows * _WIDEST - n), (0, 0))).reshape(rows, _WIDEST, 2)
        out = cv2.remap(
            self.values, flat[..., 0], flat[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(out, np.float32).reshape(-1)[:n].reshape(points.shape[:-1])


def read_signal(tray: TrayView, contrast: FloatArray, box: tuple[int, int, int, int]) -> Signal:
    """Return the signal of the photo's box (x0, y0, x1, y1), px: linear R, G, B weighted by `contrast`.

    sRGB is undone before weighting (IEC 61966-2-1), so that an edge's half level is half of the light.
    """
    x0, y0, x1, y1 = box
    pixels = tray.photo.pixels[y0:y1, x0:x1]
    table = LINEAR_OF_CODE[:, None] * np.asarray(contrast, np.float32)
    planes = cv2.LUT(pixels, np.ascontiguousarray(table[None]))
    values = np.asarray(cv2.transform(planes, np.ones((1, 3), np.float32)), np.float32)
    weights = np.asarray(contrast)
    share = float(weights.sum() / np.abs(weights).sum())
    grey = abs(float(weights @ _LUMA)) / float(np.linalg.norm(weights) * np.linalg.norm(_LUMA))
    return Signal(values, (x0, y0), int(np.sign(share)) if abs(share) > 0.7 else 0, 1.3 + 2.0 * (1.0 - grey))


def local_maps(
    tray: TrayView, anchors_mm: FloatArray, height_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return photo pixels (..., 2) of anchors and the local maps (..., 2, 2), px/mm, at their height.

    Around an anchor the projection is affine within a few millimetres to better than 0.01 px, which lets thousands
    of profiles be laid out with one multiplication each.
    """
    step = 0.25
    base = tray.to_px(anchors_mm, height_mm)
    across = tray.to_px(anchors_mm + [step, 0.0], height_mm) - tray.to_px(anchors_mm - [step, 0.0], height_mm)
    down = tray.to_px(anchors_mm + [0.0, step], height_mm) - tray.to_px(anchors_mm - [0.0, step], height_mm)
    return base, np.stack([across, down], -1) / (2 * step)
