"""The light across bodies, from their axis outwards on either side."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.measure.frame import Frames
from traygauge.measure.signal import Signal, on_lines, steps_px
from traygauge_calib.tray_view import TrayView
from traygauge_shared.threads import blocks, in_threads

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

_STEP_PX = 0.55
_MOST_STEP = 0.11  # in half widths: of pieces a few pixels wide there are still some points on either side


def side_profiles(
    signal: Signal, tray: TrayView, frames: Frames, stations: FloatArray, half: FloatArray, u: FloatArray
) -> SingleArray:
    """Return the light across the axis as half profiles (n, 2, k, m), from the axis outwards.

    Parameters
    ----------
    stations : ndarray (n, k), mm along the axis; half : ndarray (n, k), mm; u : ndarray (m,), in half widths. The first
        side lies along `across`, the second against it.
    """
    height = np.broadcast_to(frames.height_mm[:, None], stations.shape)
    start, side = steps_px(tray, frames.point(stations), frames.across(stations) * half[..., None], height)
    return signal.at(on_lines(start[:, None], np.stack([side, -side], 1), u))


def middle_profiles(
    signal: Signal,
    tray: TrayView,
    frames: Frames,
    half: FloatArray,
    u: FloatArray,
    met: BoolArray | None = None,
) -> SingleArray:
    """Return half profiles (n, 2, m) as `side_profiles` does, their mean over the stations of `inner`.

    Without those that meet another piece (`met`, ndarray (n, 2, k)), unless all do.
    """

    def part(some: npt.NDArray[np.intp]) -> SingleArray:
        rows = frames.rows(some)
        profiles = side_profiles(signal.rows(some), tray, rows, inner(rows), half[some], u)
        mean = np.asarray(profiles.mean(2))
        if met is not None:
            for k, side in np.argwhere(met[some].any(2) & ~met[some].all(2)):
                mean[k, side] = profiles[k, side, ~met[some[k], side]].mean(0)
        return mean

    return np.concatenate(in_threads(part, blocks(len(frames))))


def inner(frames: Frames) -> FloatArray:
    """Return stations along the middle half of each body, ndarray (n, 7), mm."""
    return np.linspace(-0.25, 0.25, 7) * frames.length_mm[:, None]


def half_px(tray: TrayView, frames: Frames, likely: int) -> float:
    """Return the median of the likely half widths, px."""
    half = tray.px_per_mm(frames.centre_mm, frames.height_mm) * frames.diameter_mm / 2
    return float(np.median(half[:likely]))


def steps(tray: TrayView, frames: Frames, likely: int) -> float:
    """Return a step in units of the half width that is at most `_STEP_PX` long at the usual width."""
    return min(_STEP_PX / half_px(tray, frames, likely), _MOST_STEP)
