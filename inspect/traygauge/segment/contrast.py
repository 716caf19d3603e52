"""In which colour do tray and pieces differ? Weights for the signal, and a first, coarse look for pieces."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField
from traygauge.segment.colour import LUMINANCE
from traygauge.segment.window import Window
from traygauge_shared.light import LINEAR_OF_CODE, srgb_to_linear

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
Mask = npt.NDArray[np.uint8]

#: How far a pixel must lie from the tray's colour, in standard deviations of the tray, to be looked at.
FAR = 8.0
#: A shadow takes up to this share of the tray's code value (sRGB; 0.45 left of it is 0.17 of the light).
DARKEST_SHADOW = 0.55


@dataclass(frozen=True, eq=False)
class CoarseLook:
    """What half the resolution shows.

    Parameters
    ----------
    flat : ndarray (h / 2, w / 2, 3), float32: code values minus the tray's, scaled to the tray's average light.
    strong : ndarray (h / 2, w / 2), uint8: 255 where the colour cannot be the tray's, lit or in shadow.
    tray : ndarray (3,): the tray's code value under the average light.
    covariance : ndarray (3, 3): of the bare tray's code values at half resolution.
    """

    flat: Float32Array
    strong: Mask
    tray: FloatArray
    covariance: FloatArray


def look(window: Window, field: TrayField) -> CoarseLook:
    """Return where the picture's colour cannot be the tray's, at half the resolution.

    A shadow scales the tray's colour toward dark; what differs across that direction, or is brighter than the
    tray, or darker than shadows get, is a piece.
    """
    size = window.pixels.shape[0] // 2, window.pixels.shape[1] // 2
    half = cv2.resize(window.pixels, size[::-1], interpolation=cv2.INTER_AREA)
    tray = field.colour
    base = field.at_size(size)
    flat = (half - base) * (np.float32(1.0) * tray.astype(np.float32) / np.maximum(base, 1.0))
    bare = cv2.resize(field.bare.astype(np.uint8), size[::-1], interpolation=cv2.INTER_NEAREST)[::3, ::3] > 0
    covariance = _robust_covariance(flat[::3, ::3][bare]) if bare.any() else np.eye(3)
    floor = np.eye(3) + np.outer(tray, tray) * 0.01**2
    whiten = np.linalg.cholesky(np.linalg.inv(covariance + floor)).T
    shade = whiten @ tray
    length = float(np.linalg.norm(shade))
    axis = shade / length
    # rows: along the shadow's direction, then two across it
    across = np.linalg.svd(np.eye(3) - np.outer(axis, axis))[2][:2]
    turned = cv2.transform(flat, (np.vstack([axis, across]) @ whiten).astype(np.float32))
    along, one, two = cv2.split(turned)
    inside = cv2.resize(window.inside, size[::-1], interpolation=cv2.INTER_NEAREST)
    coloured = cv2.magnitude(one, two) > FAR
    deep = max(FAR, _darkest(along, coloured, inside, length))
    strong = ((along > FAR) | coloured | (along < -deep)) & (inside > 0)
    return CoarseLook(flat, strong.astype(np.uint8) * 255, tray, covariance)


def _robust_covariance(sample: Float32Array) -> FloatArray:
    """Return the covariance of the sample's bulk."""
    centred = sample - np.median(sample, 0)
    size = np.abs(centred).max(1)
    keep = size <= 4.0 * 1.4826 * np.median(size)
    return np.cov(centred[keep].T.astype(float))


def _darkest(along: Float32Array, coloured: npt.NDArray[np.bool_], inside: Mask, length: float) -> float:
    """Return how dark a pixel of the tray's hue must be to be no shadow, in units of `along`."""
    share = -along[::2, ::2] / length
    dark = share[(share > 0.25) & ~coloured[::2, ::2] & (inside[::2, ::2] > 0)]
    if len(dark) < 50:
        return DARKEST_SHADOW * length
    level = float(np.percentile(dark, 90))
    return max(0.5 * level, 0.1) * length


def main_colour(coarse: CoarseLook, *, core_px: int) -> FloatArray | None:
    """Return the code values (3,) of most pieces under the tray's average light; None where nothing is seen.

    Parameters
    ----------
    coarse : the coarse look.
    core_px : pixels of the half resolution to stay away from the pieces' edges.
    """
    core = cv2.erode(coarse.strong, np.ones((2 * core_px + 1, 2 * core_px + 1), np.uint8))
    found = coarse.flat[core > 0]
    if not len(found):
        return None
    return np.clip(np.median(found, 0) + coarse.tray, 0.0, 255.0).astype(float)


def weights(piece: FloatArray, coarse: CoarseLook) -> FloatArray:
    """Return the weights (3,) of linear R, G, B in which pieces stand out most against noise and shadow.

    Luminance is kept where it is good enough, because a photo's file holds colour at half the resolution.
    The weights' sizes add up to 1; pieces lie above the tray.
    """
    light_tray, light_piece = (srgb_to_linear(c / 255.0) for c in (coarse.tray, piece))
    slope = srgb_to_linear((coarse.tray + 1.0) / 255.0) - light_tray
    noise = (coarse.covariance * 2.0 + np.eye(3)) * np.outer(slope, slope)
    noise += np.outer(light_tray, light_tray) * 0.1**2
    step = light_piece - light_tray
    best = np.linalg.solve(noise, step)

    def clear(w: FloatArray) -> float:
        return float((w @ step) ** 2 / (w @ noise @ w))

    chosen = LUMINANCE if clear(LUMINANCE) >= 0.2 * clear(best) else best
    return np.asarray(chosen * np.sign(chosen @ step) / np.abs(chosen).sum(), float)


def code_weights(weight: FloatArray, tray: FloatArray, piece: FloatArray) -> FloatArray:
    """Return weights (3,) of code values that step from tray to piece as the linear signal does."""
    rise = np.where(np.abs(piece - tray) > 2.0, piece - tray, 1.0)
    high = np.where(np.abs(piece - tray) > 2.0, piece, tray + 1.0)
    slope = (srgb_to_linear(high / 255.0) - srgb_to_linear(tray / 255.0)) / rise
    return np.asarray(weight * slope, float)


def linear_light(pixels: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint16]:
    """Return the pixels' linear light, 0..65535 for 0..1, uint16."""
    table = np.round(LINEAR_OF_CODE * 65535).astype(np.uint16)
    return cv2.LUT(pixels, table).astype(np.uint16, copy=False)
