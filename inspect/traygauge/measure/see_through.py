"""Pieces that can be seen through: their outline says where they end, because no light along them does.

A clear body is a lens. Along its axis run bright lines and dark ones, rows beside each other differ by several times
their contrast to the tray, and what the model of an end takes for a flank's light is any of them. What holds is the
outline: at the rim a clear body bends light so much that it shows no tray. So its silhouette, black on white, is what
cut faces are fitted to.

Half contrast places a thin bright rim too far out, up to 1.18 blurs for a line (where exp(-x²/2) falls to a half). How
far it does in a photo, the flanks say: their two edges are read in light, with the blur known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.edge_model import Optics
from traygauge.measure.end_light import Apart
from traygauge.measure.ends import Ends, fit_ends
from traygauge.measure.flanks import Flanks
from traygauge.measure.frame import Frames
from traygauge.measure.met_flanks import met_stations
from traygauge.measure.signal import Signal, on_lines, steps_px
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]

#: Pieces can be seen through where so many of the ends leave this share of their contrast unexplained: of opaque strand
#: one in twenty does, of clear strand every third (drawn trays).
_ENDS, _UNEXPLAINED = 0.25, 0.4
#: An outline is drawn in steps of this part of a pixel.
_FINE = 8
#: What a sample of a silhouette counts: it is one place a row, however many samples the edge there is blurred over.
_ONE_OF = 0.25
_LINE = 1.18  # blurs from a thin line to its half contrast
_REACH, _STEPS = 1.6, 97  # across an axis, in half widths, and places there


def seen_through(ends: Ends, likely: int) -> bool:
    """Return whether the first, likely pieces look as if one can see through them."""
    return bool(np.quantile(ends.residual[:likely], 1 - _ENDS) > _UNEXPLAINED)


def ends_of_outlines(tray: TrayView, flanks: Flanks, apart: Apart, likely: int) -> Ends:
    """Return the cut faces of n pieces as their outlines show them (see `ends.fit_ends`)."""
    blur = float(np.median(tray.blur_px.at(flanks.frames.centre_mm[:likely])))
    signal = silhouettes(apart.outlines_px, apart.labels.shape, apart.origin_px, blur, len(flanks.frames))
    white = replace(apart, tray_level=np.zeros(len(apart.tray_level)))
    plain = np.ones(len(flanks.frames))
    sharp = replace(flanks, softer=plain, light=replace(flanks.light, optics=Optics(blur, 0.0)))
    ends = fit_ends(signal, tray, sharp, white, likely, _ONE_OF)
    beyond = _beyond(signal, tray, flanks, apart, likely)
    most = _LINE * blur / float(np.median(tray.px_per_mm(flanks.frames.centre_mm, flanks.frames.height_mm)))
    return replace(ends, out_mm=ends.out_mm - np.clip(beyond, -most, most))


def silhouettes(
    outlines_px: Sequence[FloatArray],
    shape: tuple[int, ...],
    origin_px: tuple[int, int],
    blur_px: float,
    n: int,
) -> Signal:
    """Return the signal of outlines (k, 2) filled with 1 on 0, blurred, over a part of a photo, for n pieces.

    They are read as dark: their faces are as dark as their flanks.
    """
    values = np.zeros(shape, np.float32)
    margin = int(np.ceil(4 * blur_px)) + 1
    corner = np.array(shape[::-1])
    for outline in outlines_px:
        own = outline - np.asarray(origin_px)
        low = np.clip(np.floor(own.min(0)).astype(int) - margin, 0, corner)
        high = np.clip(np.ceil(own.max(0)).astype(int) + margin + 1, 0, corner)
        w, h = (high - low).tolist()
        if w <= 0 or h <= 0:
            continue
        fine = np.zeros((h * _FINE, w * _FINE), np.uint8)
        vertices = [np.rint(((own - low + 0.5) * _FINE - 0.5) * 16).astype(np.int32)]
        cv2.fillPoly(fine, vertices, 255, shift=4)
        cv2.polylines(fine, vertices, True, 128, shift=4)  # what the outline runs through is half inside
        drawn = cv2.resize(fine, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        there = values[low[1] : high[1], low[0] : high[0]]
        np.maximum(there, cv2.GaussianBlur(drawn, (0, 0), blur_px), out=there)
    none = np.zeros(n, bool)
    return Signal(values, None, origin_px, np.full((n, 3), -1 / 3), none, none, 1.0, False)


def _beyond(signal: Signal, tray: TrayView, flanks: Flanks, apart: Apart, likely: int) -> float:
    """Return how far outlines lie outside the edges that flanks show in light, mm: the median of likely pieces."""
    index = np.arange(likely)
    frames, seen = flanks.frames.rows(index), flanks.seen_mm[:likely]
    stations = np.linspace(-0.25, 0.25, 7) * frames.length_mm[:, None]
    width = _filled(signal.rows(index), tray, frames, stations)
    half = np.broadcast_to(frames.diameter_mm[:, None] / 2, stations.shape)
    rows = replace(apart, label=apart.label[:likely], end_mm=apart.end_mm[:likely])
    met = met_stations(tray, frames, stations, half, rows)
    out = (width - seen[:, None])[~met.any(1)] / 2
    return float(np.median(out)) if len(out) else 0.0


def _filled(signal: Signal, tray: TrayView, frames: Frames, stations: FloatArray) -> FloatArray:
    """Return how wide silhouettes are at stations (n, k) along their axes, mm, (n, k): their sum across."""
    half = frames.diameter_mm / 2
    height = np.broadcast_to(frames.height_mm[:, None], stations.shape)
    side = frames.across(stations) * half[:, None, None]
    start, step = steps_px(tray, frames.point(stations), side, height)
    place = np.broadcast_to(np.linspace(-_REACH, _REACH, _STEPS), (*stations.shape, _STEPS))
    found = signal.at(on_lines(start, step, place)).sum(-1) * (2 * _REACH / (_STEPS - 1))
    return np.asarray(found * half[:, None], float)
