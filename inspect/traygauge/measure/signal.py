"""The photo's own pixels as one linear-light signal, read at sub-pixel places."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.channel import softness
from traygauge_calib.tray_view import TrayView
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]
SignalArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

_DARK = 0.012  # linear light that counts as black: stray light and read noise of a phone, common practice
_WIDEST = 16384  # cv2.remap refuses more than 32767 rows at once


@dataclass(frozen=True, eq=False)
class Signal:
    """Weighted linear light over a part of a photo, read for n pieces; what is read has them as its first axis.

    Parameters
    ----------
    values : ndarray of shape (h, w), float32: the light in the weights that most pieces share.
    planes : ndarray of shape (h, w, 3), float32, linear R, G, B; None where all pieces share their weights.
    origin_px : photo pixel (x, y) of `values[0, 0]`.
    weights : ndarray (n, 3): each piece's own weights.
    odd : ndarray (n,), bool: pieces whose weights are not the shared ones.
    softness : how much wider the shared signal's edges are than those of the ring (see `channel.softness`).
    """

    values: SignalArray
    planes: SignalArray | None
    origin_px: tuple[int, int]
    weights: FloatArray
    odd: BoolArray
    softness: float

    def rows(self, index: npt.NDArray[np.intp]) -> Signal:
        """Return the signal of the pieces of an index, in that order."""
        return replace(self, weights=self.weights[index], odd=self.odd[index])

    @property
    def sense(self) -> npt.NDArray[np.int64]:
        """Return 1 where a piece's signal is light, -1 where light turned over, 0 where it mixes both, ndarray (n,).

        Dark pieces are read in light turned over, differences of colours in both.
        """
        share = self.weights.sum(1) / np.maximum(np.abs(self.weights).sum(1), 1e-12)
        return np.where(np.abs(share) > 0.7, np.sign(share), 0).astype(np.int64)

    def steps_of_light(self, values: SignalArray) -> SignalArray:
        """Return signal values (n, ...) with equal *ratios* of light made equal steps, pieces still above the tray.

        A flank turned away from the light ends little brighter than a dark tray, and a shadow on a light tray is
        much brighter than the dark piece that throws it: both edges are plain as ratios and faint as differences.
        """
        sense = self.sense.reshape(-1, *([1] * (values.ndim - 1)))
        ratio = sense * np.log(np.maximum(sense * values, 0.0) + _DARK)
        return np.asarray(np.where(sense == 0, values, ratio), np.float32)

    def at(self, points_px: npt.ArrayLike) -> SignalArray:
        """Return the signal at photo pixels (n, ..., 2), bicubic; places outside repeat the edge."""
        points = np.asarray(points_px, np.float32)
        out = _read(self.values, points, self.origin_px)
        if self.planes is not None and self.odd.any():
            colour = _read(self.planes, points[self.odd], self.origin_px)
            out[self.odd] = np.einsum("n...c,nc->n...", colour, self.weights[self.odd]).astype(np.float32)
        return out


def _read(image: SignalArray, points: SignalArray, origin_px: tuple[int, int]) -> SignalArray:
    """Return an image's values (..., channels if any) at photo pixels (..., 2)."""
    flat = points.reshape(-1, 2) - np.asarray(origin_px, np.float32)
    n = len(flat)
    rows = -(-n // _WIDEST)
    flat = np.pad(flat, ((0, rows * _WIDEST - n), (0, 0))).reshape(rows, _WIDEST, 2)
    out = cv2.remap(image, flat[..., 0], flat[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    channels = image.shape[2:]
    return np.asarray(out, np.float32).reshape(-1, *channels)[:n].reshape(*points.shape[:-1], *channels)


def read_signal(
    tray: TrayView, contrast: FloatArray, own_contrast: FloatArray, box: tuple[int, int, int, int]
) -> Signal:
    """Return the signal of the photo's box (x0, y0, x1, y1), px: linear R, G, B weighted.

    sRGB is undone before weighting (IEC 61966-2-1), so that an edge's half level is half of the light.

    Parameters
    ----------
    contrast : ndarray (3,): the weights that most pieces share; own_contrast : ndarray (n, 3): each piece's.
    """
    x0, y0, x1, y1 = box
    pixels = tray.photo.pixels[y0:y1, x0:x1]
    odd = np.asarray((np.abs(own_contrast - contrast) > 1e-9).any(1))
    table = LINEAR_OF_CODE[:, None] * np.asarray(contrast, np.float32)
    weighted = cv2.LUT(pixels, np.ascontiguousarray(table[None]))
    values = np.asarray(cv2.transform(weighted, np.ones((1, 3), np.float32)), np.float32)
    planes = np.asarray(cv2.LUT(pixels, LINEAR_OF_CODE), np.float32) if odd.any() else None
    return Signal(values, planes, (x0, y0), own_contrast, odd, softness(contrast))


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
