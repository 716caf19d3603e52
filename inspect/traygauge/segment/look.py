"""A coarse look: where the picture cannot be the tray, and what colour most of that has."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField
from traygauge.segment.window import Window

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
Mask = npt.NDArray[np.uint8]
Bool = npt.NDArray[np.bool_]

#: How far a pixel must lie from the tray's colour, in standard deviations of the tray, to be looked at.
FAR = 8.0
#: A shadow's hue differs from the tray's by up to this share of the tray's code value: its light is another one.
SHADOW_HUE = 0.12
#: A shadow takes at most about this share of the tray's code value (0.4 of it is left: 0.13 of the light).
DARKEST_SHADOW = 0.6


@dataclass(frozen=True, eq=False)
class CoarseLook:
    """What half the resolution shows.

    Parameters
    ----------
    even : ndarray (h / 2, w / 2, 3), float32: code values as they would be under the tray's average light.
    strong : ndarray (h / 2, w / 2), uint8: 255 where the colour cannot be the tray's, lit or in shadow; 128 where
        it can only be told from a shadow by being darker than shadows mostly are.
    inside : ndarray (h / 2, w / 2), uint8: 255 where the tray can be seen.
    tray : ndarray (3,): the tray's code value under the average light.
    noise : ndarray (3, 3): covariance of the bare tray's code values, pixel by pixel at full resolution.
    """

    even: Float32Array
    strong: Mask
    inside: Mask
    tray: FloatArray
    noise: FloatArray


    def likely(self) -> Mask:
        """Return 255 where pieces most likely are, like `strong`: what is but dark counts where most is that."""
        bright = cv2.compare(self.strong, 200, cv2.CMP_GT)
        dark = np.count_nonzero(self.strong) - cv2.countNonZero(bright)
        mostly = cv2.countNonZero(bright) < 0.3 * dark
        return (cv2.compare(self.strong, 0, cv2.CMP_GT) if mostly else bright).astype(np.uint8, copy=False)

    def part(self, half: tuple[slice, slice]) -> CoarseLook:
        """Return the look at a part, given by slices of its half resolution."""
        return CoarseLook(self.even[half], self.strong[half], self.inside[half], self.tray, self.noise)


def look(window: Window, field: TrayField) -> CoarseLook:
    """Return where the picture's colour cannot be the tray's, at half the resolution.

    A shadow scales the tray's colour toward dark; what differs across that direction, or is brighter than the
    tray, or darker than shadows get, is a piece.
    """
    size = window.pixels.shape[0] // 2, window.pixels.shape[1] // 2
    half = cv2.resize(window.pixels, size[::-1], interpolation=cv2.INTER_AREA)
    inside = cv2.resize(window.inside, size[::-1], interpolation=cv2.INTER_NEAREST)
    tray = field.colour
    gain = cv2.resize((tray / np.maximum(field.code, 1.0)).astype(np.float32), size[::-1])
    even = cv2.multiply(half, gain, dtype=cv2.CV_32F)
    covariance = _covariance(even[::3, ::3], field, tray)
    turn, length = _along_and_across(tray, covariance + np.eye(3) + np.outer(tray, tray) * 0.01**2)
    along, one, two = cv2.split(cv2.transform(even, np.hstack([turn, -(turn @ tray)[:, None]])))
    across = cv2.magnitude(one, two)
    # across is measured in standard deviations; what a shadow's hue may take of it grows with its depth
    coloured = across > FAR + np.float32(SHADOW_HUE * _hue_length(turn, tray)) * (along < 0)
    deep = max(FAR, _deepest_shadow(-along / length, coloured, inside) * length)
    strong = np.where((along > FAR) | coloured, 255, np.where(along < -deep, 128, 0)).astype(np.uint8)
    return CoarseLook(
        even.astype(np.float32, copy=False),
        cv2.bitwise_and(strong, inside).astype(np.uint8, copy=False),
        inside.astype(np.uint8, copy=False),
        tray,
        _covariance(window.pixels[::6, ::6].astype(np.float32), field, None),
    )


def _covariance(sample: Float32Array, field: TrayField, tray: FloatArray | None) -> FloatArray:
    """Return the covariance of the bare tray's code values about `tray`, or about the field."""
    size = sample.shape[1], sample.shape[0]
    bare = cv2.resize(field.bare.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    if np.count_nonzero(bare) < 100:
        return np.eye(3)
    around = cv2.resize(field.code, size)[bare] if tray is None else tray
    centred = sample[bare] - around
    centred -= np.median(centred, 0)
    spread = np.abs(centred).max(1)
    return np.cov(centred[spread <= 5.0 * np.median(spread)].T.astype(float))


def _along_and_across(tray: FloatArray, covariance: FloatArray) -> tuple[FloatArray, float]:
    """Return rows that turn code values into standard deviations along a shadow and twice across it.

    The second value is how long the way from the tray's colour to black is along the first row.
    """
    whiten = np.linalg.cholesky(np.linalg.inv(covariance)).T
    shade = whiten @ tray
    length = float(np.linalg.norm(shade))
    axis = shade / length
    across = np.linalg.svd(np.eye(3) - np.outer(axis, axis))[0][:, :2].T
    return np.vstack([axis, across]) @ whiten, length


def _hue_length(turn: FloatArray, tray: FloatArray) -> float:
    """Return the tray's code value in standard deviations across the shadow's direction, the softest one."""
    return float(np.linalg.norm(tray) / np.linalg.norm(np.linalg.pinv(turn[1:]), 2))


def _deepest_shadow(depth: Float32Array, coloured: Bool, inside: Mask) -> float:
    """Return how much of the tray's code value a pixel of its hue must lack to be no shadow.

    That is the middle between the darkest things' depth and the tray's: shadows of the usual kind are lighter.
    """
    dark = depth[::2, ::2][(depth[::2, ::2] > 0.25) & ~coloured[::2, ::2] & (inside[::2, ::2] > 0)]
    if len(dark) < 50:
        return DARKEST_SHADOW
    return float(np.clip(0.6 * np.percentile(dark, 90), 0.15, DARKEST_SHADOW))


def main_colour(coarse: CoarseLook, left: Mask, *, core_px: int) -> FloatArray | None:
    """Return the code values (3,) that most of `left` shows under the tray's average light; None for nothing.

    Parameters
    ----------
    coarse : the coarse look.
    left : ndarray like `coarse.strong`: where pieces are looked for.
    core_px : pixels of the half resolution to stay away from the pieces' edges.
    """
    core = cv2.erode(left, np.ones((2 * core_px + 1, 2 * core_px + 1), np.uint8))
    found = coarse.even[core > 0].astype(float)
    if not len(found):
        return None
    middle = np.median(found, 0)
    for _ in range(2):  # where pieces have several colours, the median may lie between them: go to the nearer
        near = np.linalg.norm(found - middle, axis=1) < np.linalg.norm(found - coarse.tray, axis=1)
        if near.any():
            middle = np.median(found[near], 0)
    return np.clip(middle, 0.0, 255.0)
