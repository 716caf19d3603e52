"""Sharpness and noise of a picture without a ring, read from the picture itself."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.edges import find_sharpening, fit_steps, profile_edges
from traygauge_calib.ring_quality import Window, sharpness
from traygauge_calib.tray_view import LocalField
from traygauge_shared.light import LINEAR_OF_CODE
from traygauge_shared.threads import in_bands

FloatArray = npt.NDArray[np.float64]

_PATCHES = 24  # edges are taken from so many patches along the longer side ...
_PATCH_PX = 96  # ... none larger than this
_REACH_PX = 8.0  # how far an edge is followed to either side


def edge_quality(
    grey: npt.NDArray[np.uint8], to_mm: float, window_mm: Window
) -> tuple[LocalField, FloatArray | None, float]:
    """Return blur as a field, the edge response (k, 2) or None, and the overshoot, from the strongest edges.

    Parameters
    ----------
    grey : ndarray (H, W), uint8, one channel, sRGB code values.
    to_mm : mm per px, the window's origin being the picture's top left corner.

    Notes
    -----
    Edges of things are no sharper than the picture and often softer (round flanks, shadows): the sharpest third
    is believed. Without clear edges the blur is put at 0.8 px.
    """
    here, normal = _strong_edges(grey)
    if len(here) < 12:
        return LocalField.constant(0.8), None, 0.0
    along = 3.0 * np.stack([-normal[:, 1], normal[:, 0]], 1)
    profiles = profile_edges(grey, here, along, _REACH_PX * normal)
    steps = fit_steps(profiles)
    sharpening = find_sharpening(profiles, steps)
    steps = fit_steps(profiles, sharpening, start=steps, rounds=3)
    good = steps.good & (steps.spread_px < 0.35 * _REACH_PX)
    if np.count_nonzero(good) < 12:
        return LocalField.constant(0.8), None, 0.0
    sharp = good & (steps.spread_px <= np.percentile(steps.spread_px[good], 35))
    places = (here[sharp] + 0.5) * to_mm
    return sharpness(places, steps.spread_px[sharp], np.zeros(int(sharp.sum())), sharpening, window_mm)


def flat_noise(grey: npt.NDArray[np.uint8]) -> LocalField:
    """Return the noise of the flattest parts of a picture: deviations of 9 x 9 spots from planes, linear light."""
    height, width = grey.shape
    step = max(9, int(np.sqrt(height * width / 4000.0)))
    rows, columns = np.arange(0, max(height - 9, 1), step), np.arange(0, max(width - 9, 1), step)
    patches = np.lib.stride_tricks.sliding_window_view(grey, (9, 9))[rows[:, None], columns[None]]
    light = LINEAR_OF_CODE[patches.reshape(-1, 9, 9)].astype(float)
    y, x = np.meshgrid(np.arange(-4, 5), np.arange(-4, 5), indexing="ij")
    rest = light - light.mean((1, 2), keepdims=True)
    for tilt in (x, y):
        rest -= ((rest * tilt).sum((1, 2)) / (tilt**2).sum())[:, None, None] * tilt
    noise = np.sqrt((rest**2).sum((1, 2)) / 78.0)
    bright = light.mean((1, 2)) < 0.995  # clipped spots have no noise
    if not bright.any():
        return LocalField.constant(1e-3)
    usual = np.percentile(noise[bright], 30)
    return LocalField.constant(max(float(np.median(noise[bright & (noise < 1.5 * usual + 1e-9)])), 1e-3))


def _strong_edges(grey: npt.NDArray[np.uint8]) -> tuple[FloatArray, FloatArray]:
    """Return the steepest place in each of many patches (N, 2) and the unit vector towards its bright side (N, 2).

    Patches of bounded size lie evenly over the picture, so that a large scan costs no more than a small one.
    """
    height, width = grey.shape
    rim = int(_REACH_PX) + 4
    step = max(64, max(height, width) // _PATCHES)
    side = min(step, _PATCH_PX)
    here, slopes = [], []
    for top in range(rim, height - rim - 8, step):
        for left in range(rim, width - rim - 8, step):
            part = grey[top : min(top + side, height - rim), left : min(left + side, width - rim)]
            gx, gy = cv2.spatialGradient(cv2.GaussianBlur(part, (0, 0), 1.2))
            steep = np.abs(np.asarray(gx, np.int32)) + np.abs(np.asarray(gy, np.int32))
            row, column = divmod(int(steep.argmax()), part.shape[1])
            if steep[row, column] > 60:
                here.append((left + column, top + row))
                slopes.append((gx[row, column], gy[row, column]))
    if not here:
        return np.empty((0, 2)), np.empty((0, 2))
    slope = np.array(slopes, float)
    return np.array(here, float), slope / np.linalg.norm(slope, axis=1, keepdims=True)


def green_of(pixels: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Return the green channel of an RGB picture as an array of its own, ndarray (H, W), uint8."""
    green = np.empty(pixels.shape[:2], np.uint8)
    in_bands(len(pixels), lambda rows: cv2.extractChannel(pixels[rows], 1, green[rows]))
    return green
