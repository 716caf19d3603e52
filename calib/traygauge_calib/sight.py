"""What a photo can show: the thinnest thread, the smallest crumb, and how well a length can be known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from traygauge_calib.tray_view import TrayView

#: A thread is followed from so many pixels of width on, a crumb counted from so many across (10 px across is the
#: habit for measuring a shape, from memory; 8 for counting, common practice, no source).
THREAD_PX, CRUMB_PX = 2.0, 8.0
#: What stands out of the noise: signal over noise (common practice, no source).
STANDS_OUT = 5.0
#: A thread's signal is taken over so much of its length, mm.
THREAD_RUN_MM = 1.0
#: Uncertainty of an edge point, px, and what of it comes through to a piece's length (measured on drawn pieces: edge
#: points off by 0.1 px at 16 px per mm shift lengths by 0.007 mm).
EDGE_PX, LENGTH_PER_EDGE = 0.1, 1.12


@dataclass(frozen=True)
class Sight:
    """What a photo can show, at the worst place of its window.

    Parameters
    ----------
    thread_mm : width of the thinnest thread that is followed.
    crumb_mm : diameter of the smallest crumb that is counted; smaller ones and dust are not seen.
    u_length_mm : standard uncertainty of the length of a whole piece of the size asked about.
    """

    thread_mm: float
    crumb_mm: float
    u_length_mm: float

    @classmethod
    def worst(cls, sights: Sequence[Sight]) -> Sight:
        """Return what every one of several photos can show (at least one)."""
        return cls(
            max(s.thread_mm for s in sights),
            max(s.crumb_mm for s in sights),
            max(s.u_length_mm for s in sights),
        )


def sight_of(
    tray: TrayView, contrast_to_noise: float, *, length_mm: float = 3.0, diameter_mm: float = 1.75
) -> Sight:
    """Return what a photo can show of pieces that stand out by a contrast of so many times the noise.

    A contrast that is not known (NaN, an empty tray) limits nothing: then scale and blur alone speak.

    Notes
    -----
    A thread of width w under a blur of s (both px) keeps w / (s sqrt(2 pi)) of its contrast, a disc of diameter d
    the share 1 - exp(-d² / (8 s²)) in its middle. The length's parts: edges; scale; height of the pieces' plane;
    sideways view, D a / H, through the height and the foot point of the camera (JCGM 100, 5.1.2).
    """
    x0, y0, x1, y1 = tray.window_mm
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1], [(x0 + x1) / 2, (y0 + y1) / 2]])
    scale = float(tray.px_per_mm(corners).min())
    blur = float(tray.blur_px.at(corners).max())
    signal = max(float(contrast_to_noise), 1e-6) if np.isfinite(contrast_to_noise) else np.inf
    thread = STANDS_OUT / (signal * np.sqrt(THREAD_RUN_MM * scale)) * blur * np.sqrt(2.0 * np.pi)
    share = min(STANDS_OUT / signal, 0.99)
    crumb = blur * np.sqrt(-8.0 * np.log1p(-share))
    away = float(np.linalg.norm(tray.lean(corners), axis=1).max())
    height = tray.camera_height_mm
    known = tray.scale
    parts = [
        LENGTH_PER_EDGE * np.hypot(EDGE_PX, blur / signal) / scale,
        known.relative * length_mm,
        known.plane_mm / height * length_mm,
        diameter_mm * away * known.height_relative,
        diameter_mm * known.foot_mm / height,
    ]
    return Sight(
        max(THREAD_PX, float(thread)) / scale,
        max(CRUMB_PX, float(crumb)) / scale,
        float(np.sqrt(np.square(parts).sum())),
    )
