"""The photo's own pixels as one linear-light signal, read at sub-pixel places."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.channel import DARK, MIXED, MeasuringLight, softness
from traygauge.segment.outline import weighted_light
from traygauge.segment.regions import Regions
from traygauge_calib.tray_view import TrayView
from traygauge_shared.light import LINEAR_OF_CODE
from traygauge_shared.threads import in_bands

FloatArray = npt.NDArray[np.float64]
SignalArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]
Scalar = TypeVar("Scalar", np.float32, np.uint8, np.signedinteger[Any])

_DARK = 0.012  # linear light that counts as black: stray light and read noise of a phone, common practice
_WIDEST = 1024  # cv2.remap refuses more than 32767 rows or columns at once


@dataclass(frozen=True, eq=False)
class Signal:
    """Weighted linear light over a part of a photo, read for n pieces; what is read has them as its first axis.

    Parameters
    ----------
    values : ndarray of shape (h, w), float32: the light in the weights that most pieces share.
    planes : ndarray of shape (h, w, 3), float32, linear R, G, B; None where all pieces share their weights.
    origin_px : photo pixel (x, y) of `values[0, 0]`.
    weights : ndarray (n, 3): each piece's own weights.
    odd : ndarray (n,), bool: pieces that are not read in the shared light.
    foreign : ndarray (n,), bool: pieces of another colour (see `channel.MeasuringLight`).
    softness : how much wider the shared signal's edges are than those of the ring (see `channel.softness`).
    of_colour : whether the shared signal is colour alone (see `channel.MeasuringLight.over`).
    """

    values: SignalArray
    planes: SignalArray | None
    origin_px: tuple[int, int]
    weights: FloatArray
    odd: BoolArray
    foreign: BoolArray
    softness: float
    of_colour: bool

    def rows(self, index: npt.NDArray[np.intp]) -> Signal:
        """Return the signal of the pieces of an index, in that order."""
        per_piece = {name: getattr(self, name)[index] for name in ("weights", "odd", "foreign")}
        return replace(self, **per_piece)

    @property
    def each_softness(self) -> FloatArray:
        """Return `softness` of the light that each piece is read in, ndarray (n,)."""
        soft = np.full(len(self.weights), self.softness)
        for k in np.flatnonzero(self.odd):
            soft[k] = softness(self.weights[k])
        return soft

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
        sense = self.sense.astype(np.float32).reshape(-1, *([1] * (values.ndim - 1)))
        ratio = sense * np.log(np.maximum(sense * values, 0) + np.float32(_DARK))
        return np.asarray(np.where(sense == 0, values, ratio), np.float32)

    def at(self, xy_px: SignalArray) -> SignalArray:
        """Return the signal at photo pixels (2, n, ...), bicubic; places outside repeat the edge."""
        out = look_up(self.values, xy_px, self.origin_px, cv2.INTER_CUBIC)
        if self.planes is not None and self.odd.any():
            colour = look_up(self.planes, xy_px[:, self.odd], self.origin_px, cv2.INTER_CUBIC)
            out[self.odd] = np.einsum("n...c,nc->n...", colour, self.weights[self.odd].astype(np.float32))
        return out


def look_up(
    image: npt.NDArray[Scalar], xy_px: SignalArray, origin_px: tuple[int, int], how: int
) -> npt.NDArray[Scalar]:
    """Return an image's values (..., channels if any) at photo pixels (2, ...), x and y in planes of their own."""
    n = xy_px[0].size
    maps = np.zeros((2, -(-n // _WIDEST) * _WIDEST), np.float32)
    np.subtract(xy_px.reshape(2, n), np.asarray(origin_px, np.float32)[:, None], out=maps[:, :n])
    x, y = maps.reshape(2, -1, _WIDEST)
    channels = image.shape[2:]
    found = np.empty(x.shape + channels, image.dtype)

    def look(rows: slice) -> None:
        found[rows] = cv2.remap(image, x[rows], y[rows], how, borderMode=cv2.BORDER_REPLICATE)

    in_bands(len(found), look)
    return found.reshape(-1, *channels)[:n].reshape(*xy_px.shape[1:], *channels)


def on_lines(start_px: FloatArray, step_px: FloatArray, places: FloatArray) -> SignalArray:
    """Return photo pixels (2, ..., m) on lines that start at (..., 2), at places (..., m) counted in steps (..., 2)."""
    # x and y in planes of their own in memory too
    start, step = (
        np.ascontiguousarray(np.moveaxis(a, -1, 0), np.float32)[..., None] for a in (start_px, step_px)
    )
    return np.asarray(places.astype(np.float32) * step + start, np.float32)


def read_signal(regions: Regions, light: MeasuringLight) -> Signal:
    """Return the signal of the photo around the regions: linear R, G, B weighted.

    sRGB is undone before weighting (IEC 61966-2-1), so that an edge's half level is half of the light.
    """
    (x0, y0), (h, w) = regions.origin_px, regions.labels.shape
    pixels = regions.tray.photo.pixels[y0 : y0 + h, x0 : x0 + w]
    odd = light.odd
    if light.over is not None:
        values = _colour_alone(pixels, light.weights, light.over)
    elif regions.light is not None and (light.weights == regions.contrast).all():
        values = regions.light  # weighted while pieces were looked for
    else:
        values = weighted_light(pixels, light.weights)
    planes = np.asarray(cv2.LUT(pixels, LINEAR_OF_CODE), np.float32) if odd.any() else None
    soft = softness(light.weights)
    return Signal(values, planes, (x0, y0), light.own, odd, light.foreign, soft, light.over is not None)


def _colour_alone(pixels: npt.NDArray[np.uint8], weights: FloatArray, over: FloatArray) -> SignalArray:
    """Return pixels' colour, `weights` over `over` (see `MeasuringLight.over`), ndarray (h, w)."""
    table, shares = LINEAR_OF_CODE ** np.float32(MIXED), np.stack([weights, over])
    values = np.empty(pixels.shape[:2], np.float32)

    def weigh(rows: slice) -> None:
        above, below = cv2.split(cv2.transform(cv2.LUT(pixels[rows], table), shares))
        # a colour that is neither tray nor piece may have none of what is divided by, or less
        np.divide(above, np.maximum(below, 0) + np.float32(DARK**MIXED), out=values[rows])

    in_bands(len(values), weigh, high=16)
    return values


def steps_px(
    tray: TrayView, points_mm: FloatArray, step_mm: FloatArray, height_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return photo pixels (..., 2) of points at a height, and how far a step (..., 2) from each leads there, px.

    Within a few millimetres the projection is affine to better than 0.02 px, so that the light around a point can be
    laid out in such steps.
    """
    ahead, back = tray.to_px(points_mm + step_mm, height_mm), tray.to_px(points_mm - step_mm, height_mm)
    return (ahead + back) / 2, (ahead - back) / 2


def local_maps(
    tray: TrayView, anchors_mm: FloatArray, height_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return photo pixels (..., 2) of anchors and the local maps (..., 2, 2), px/mm, at their height."""
    reach = 0.25
    base, across = steps_px(tray, anchors_mm, np.array([reach, 0.0]), height_mm)
    _, down = steps_px(tray, anchors_mm, np.array([0.0, reach]), height_mm)
    return base, np.stack([across, down], -1) / reach
