"""Two pieces still joined by uncut material: a cut line across the flanks that stops short of going through."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.measure.frame import Frames
from traygauge.measure.signal import Signal, on_lines, steps_px
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]

#: Where the light is read, in half widths: outside a web, which is at most 0.6 of the strand thick, inside the edge.
_LINES = np.array([0.68, 0.76, 0.84])
_STEP_PX = 0.6
#: A cut line is no further from square than this across the piece, and its sides are looked at this far from it, mm.
_SLANT_MM, _BESIDE_MM = 0.15, (0.18, 0.5)
#: The shorter of two joined pieces is at least this long, in diameters.
_SHORTEST = 0.3
_MOST_STATIONS = 400
#: Lines elsewhere on the same body are texture, highlights or noise, and this many times their depth proves nothing.
_TEXTURE = 2.0


def cut_line_depth(signal: Signal, tray: TrayView, frames: Frames, tray_level: FloatArray) -> FloatArray:
    """Return how deep the deepest line across each body falls on both flanks, 0 (no line) to 1 (the tray shows), (n,).

    Parameters
    ----------
    signal : in which the bodies lie above the tray; frames : of n bodies.
    tray_level : ndarray (n,), signal of the tray beside each.
    """
    if not len(frames):
        return np.zeros(0)
    step = _STEP_PX / float(np.median(tray.px_per_mm(frames.centre_mm, frames.height_mm)))
    reach = np.maximum(frames.length_mm / 2 - _SHORTEST * frames.diameter_mm, 0.0)
    count = int(np.clip(np.ceil(2 * reach.max() / step), 1, _MOST_STATIONS))
    s = (np.arange(count) - (count - 1) / 2) * step
    light = _above_tray(signal, _flanks(signal, tray, frames, s), tray_level)
    near, far = (max(1, round(mm / step)) for mm in _BESIDE_MM)
    if count <= 2 * far:
        return np.zeros(len(frames))
    both = _spread(_dips(light, near, far), max(1, round(_SLANT_MM / step))).min(1)
    both[np.abs(s)[None] > reach[:, None]] = 0.0
    deepest = both.max(1)
    elsewhere = np.abs(s[None] - s[both.argmax(1)][:, None]) > _BESIDE_MM[1]
    return np.asarray((deepest - _TEXTURE * (both * elsewhere).max(1)).clip(0.0, 1.0), float)


def _flanks(signal: Signal, tray: TrayView, frames: Frames, s: npt.NDArray[np.floating]) -> SingleArray:
    """Return the light along both flanks, ndarray (n, 2, len(s))."""
    along = np.broadcast_to(s, (len(frames), len(s)))
    points = frames.point(along)
    across, height = frames.across(along) * frames.diameter_mm[:, None, None] / 2, frames.height_mm[:, None]
    start, side = steps_px(tray, points, across, np.broadcast_to(height, along.shape))
    lines = on_lines(start[:, None], np.stack([side, -side], 1), _LINES)
    return np.asarray(signal.at(lines).mean(-1), np.float32)


def _above_tray(signal: Signal, light: SingleArray, tray_level: FloatArray) -> SingleArray:
    """Return the light (n, 2, k) over the tray's. Dark pieces as ratios: a gap in one is a little less dark."""
    level = tray_level.astype(np.float32)[:, None, None]
    dark = np.flatnonzero(signal.sense < 0)
    if len(dark):
        ratios = signal.rows(dark)
        light[dark], level[dark] = ratios.steps_of_light(light[dark]), ratios.steps_of_light(level[dark])
    return np.asarray(np.maximum(light - level, np.float32(0)), np.float32)


def _dips(light: SingleArray, near: int, far: int) -> SingleArray:
    """Return how far the light (..., k) falls below both its sides, as a share of the lower one."""
    inner = slice(far, light.shape[-1] - far)
    sides = []
    for sign in (-1, 1):
        shifted = [
            light[..., far + sign * k : light.shape[-1] - far + sign * k] for k in range(near, far + 1)
        ]
        sides.append(np.median(np.stack(shifted), 0))
    level = np.minimum(*sides)
    dips = np.zeros_like(light)
    dips[..., inner] = np.where(level > 0, 1 - light[..., inner] / np.maximum(level, 1e-9), 0.0)
    return dips


def _spread(values: SingleArray, reach: int) -> SingleArray:
    """Return the largest value within `reach` places along the last axis."""
    padded = np.pad(values, [(0, 0)] * (values.ndim - 1) + [(reach, reach)])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, -1).max(-1))
