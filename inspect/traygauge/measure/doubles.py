"""Two pieces that pass for one: still joined by uncut material, or lying end to end.

What is joined shows a cut line across the flanks that stops short of going through. What only touches shows, if no gap,
that the two do not lie in one line: at the joint both flanks step aside, or turn by a corner, where those of one strand
bend evenly.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

from traygauge.measure.end_light import Apart
from traygauge.measure.frame import Frames
from traygauge.measure.medians import medians
from traygauge.measure.met_flanks import met_stations
from traygauge.measure.signal import Signal, on_lines, steps_px
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]
Kind = TypeVar("Kind", np.float32, np.bool_)

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
#: Stations along a body at which its flanks' edges are looked for, and how far from its ends those stay, diameters; either of
#: two bodies has so many.
_STATIONS, _END, _FEWEST = np.linspace(-1.0, 1.0, 41), 0.2, 7
_NEAR = 3  # stations up to which one that meets another piece lies in its shade
#: Where across they are looked for, half widths: up to the first below lies a body, from the second on what is beside it, and a
#: flank is plain where those differ by this share of the body's light.
_EDGE, _IN, _OUT, _PLAIN = np.linspace(0.6, 1.4, 20), 0.9, 1.2, 0.15
#: Half widths beyond which an edge's distance from a line says no more (something else lies there), and by which a body
#: is narrower than usual where a gap between two shows.
_ELSEWHERE, _GAP = 0.15, 0.2


def cut_line_depth(signal: Signal, tray: TrayView, frames: Frames, tray_level: FloatArray) -> FloatArray:
    """Return how deep the deepest line across each body falls, 0 (no line) to 1 (the tray shows on both flanks), (n,).

    The geometric mean of both flanks: a web lies anywhere, and a line that is deep on one flank may be faint on the
    other, but what falls on one flank alone is a neighbour's shade or a nick. In dark pieces a line is lighter where the
    tray shows through, and darker where it is a cleft that gets no light.

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
    s = (np.arange(count, dtype=float) - (count - 1) / 2) * step
    light = _above_tray(signal, _flanks(signal, tray, frames, s), tray_level)
    near, far = (max(1, round(mm / step)) for mm in _BESIDE_MM)
    if count <= 2 * far:
        return np.zeros(len(frames))
    slant, dark = max(1, round(_SLANT_MM / step)), np.flatnonzero(signal.sense < 0)
    falls, rises = _lines(light, near, far)
    both = _on_both(falls, slant)
    both[dark] = np.maximum(both[dark], _on_both(rises[dark], slant))
    both[np.abs(s)[None] > reach[:, None]] = 0.0
    deepest = both.max(1)
    elsewhere = np.abs(s[None] - s[both.argmax(1)][:, None]) > _BESIDE_MM[1]
    return np.asarray((deepest - _TEXTURE * (both * elsewhere).max(1)).clip(0.0, 1.0), float)


def crookedness(signal: Signal, tray: TrayView, frames: Frames, apart: Apart) -> FloatArray:
    """Return how much better two straight bodies one after the other explain the edges than one evenly bent one, (n,).

    In half widths: the root of the difference between the mean squares of what either leaves of both flanks' edges.

    Parameters
    ----------
    signal : in which the bodies lie above the tray; frames : of n bodies; apart : what is known of them beside others.
    """
    if not len(frames):
        return np.zeros(0)
    reach = np.maximum(frames.length_mm / 2 - _END * frames.diameter_mm, 0.0)
    along = reach[:, None] * _STATIONS
    light = _beside_axis(signal, tray, frames, along, _EDGE)
    half = np.broadcast_to(frames.diameter_mm[:, None] / 2, along.shape)
    met = met_stations(tray, frames, along, half, apart)
    edge = np.where(_spread(met, _NEAR), np.nan, _edges(_above_tray(signal, light, apart.tray_level)))
    width = edge.mean(1, keepdims=True)
    usual = np.median(np.nan_to_num(width, nan=1.0), 2, keepdims=True)
    known = np.isfinite(edge) & ~(width < usual - _GAP)
    edge = np.where(known, edge, 0.0)
    whole = _unexplained(edge, known, np.ones((1, len(_STATIONS))), 2)[0]
    count = np.arange(len(_STATIONS))
    first = (count < count[_FEWEST : 1 - _FEWEST, None]).astype(float)
    halves = _unexplained(edge, known, first, 1) + _unexplained(edge, known, 1.0 - first, 1)
    gained = np.maximum(whole - halves.min(0), 0.0)
    return np.asarray(np.sqrt(gained / np.maximum(known.sum((1, 2)), 1)), float)


def _edges(light: SingleArray) -> FloatArray:
    """Return where light (n, 2, k, m) over the tray's crosses half of either flank's own step, half widths; NaN if nowhere.

    From outside in: beside a dark piece lies shadow, perhaps more than half as dark, and a highlight runs along it.
    """
    inside, outside = (np.median(light[..., some], (2, 3)) for some in (_EDGE < _IN, _EDGE > _OUT))
    half = ((inside + outside) / 2)[..., None]
    body = light > half[..., None]
    last = body.shape[-1] - 1 - body[..., ::-1].argmax(-1)
    high, low = (
        np.take_along_axis(light, np.minimum(last + k, body.shape[-1] - 1)[..., None], -1)[..., 0]
        for k in (0, 1)
    )
    place = _EDGE[0] + (last + (high - half) / np.maximum(high - low, 1e-9)) * (_EDGE[1] - _EDGE[0])
    plain = inside - outside > _PLAIN * inside.max(1, keepdims=True)
    return np.where(plain[..., None] & body.any(-1) & ~body[..., -1], place, np.nan)


def _unexplained(
    edge: FloatArray, known: npt.NDArray[np.bool_], parts: FloatArray, degree: int
) -> FloatArray:
    """Return the squares (p, n) that curves of a degree through parts (p, k) of the known edges (n, 2, k) leave of them."""
    powers = np.vander(_STATIONS, degree + 1)
    some = parts[:, None, None] * known
    normal = some @ (powers[:, :, None] * powers[:, None]).reshape(len(powers), -1)
    normal = normal.reshape(*some.shape[:3], degree + 1, degree + 1) + 1e-9 * np.eye(degree + 1)
    curve = np.linalg.solve(normal, ((some * edge) @ powers)[..., None])[..., 0]
    rest = np.clip(edge - curve @ powers.T, -_ELSEWHERE, _ELSEWHERE)
    return np.asarray((some * rest**2).sum((2, 3)), float)


def _flanks(signal: Signal, tray: TrayView, frames: Frames, s: FloatArray) -> SingleArray:
    """Return the light along both flanks, ndarray (n, 2, len(s))."""
    along = np.broadcast_to(s, (len(frames), len(s)))
    return np.asarray(_beside_axis(signal, tray, frames, along, _LINES).mean(-1), np.float32)


def _beside_axis(
    signal: Signal, tray: TrayView, frames: Frames, along: FloatArray, places: FloatArray
) -> SingleArray:
    """Return the light at stations (n, k), mm, and places (m,) on either side, half widths: ndarray (n, 2, k, m)."""
    points = frames.point(along)
    across, height = frames.across(along) * frames.diameter_mm[:, None, None] / 2, frames.height_mm[:, None]
    start, side = steps_px(tray, points, across, np.broadcast_to(height, along.shape))
    return np.asarray(signal.at(on_lines(start[:, None], np.stack([side, -side], 1), places)), np.float32)


def _above_tray(signal: Signal, light: SingleArray, tray_level: FloatArray) -> SingleArray:
    """Return the light (n, ...) over the tray's. Dark pieces as ratios: a gap in one is a little less dark."""
    level = tray_level.astype(np.float32).reshape(-1, *([1] * (light.ndim - 1)))
    dark = np.flatnonzero(signal.sense < 0)
    if len(dark):
        ratios = signal.rows(dark)
        light[dark], level[dark] = ratios.steps_of_light(light[dark]), ratios.steps_of_light(level[dark])
    return np.asarray(np.maximum(light - level, np.float32(0)), np.float32)


def _lines(light: SingleArray, near: int, far: int) -> tuple[SingleArray, SingleArray]:
    """Return how far the light (..., k) falls below both its sides, and rises above both, as shares of theirs."""
    inner = slice(far, light.shape[-1] - far)
    sides = []
    for sign in (-1, 1):
        shifted = [
            light[..., far + sign * k : light.shape[-1] - far + sign * k] for k in range(near, far + 1)
        ]
        sides.append(medians(np.stack(shifted, -1)))
    falls, rises = np.zeros_like(light), np.zeros_like(light)
    for out, level, way in ((falls, np.minimum(*sides), 1), (rises, np.maximum(*sides), -1)):
        out[..., inner] = np.where(level > 0, way * (1 - light[..., inner] / np.maximum(level, 1e-9)), 0.0)
    return falls, rises


def _on_both(depth: SingleArray, slant: int) -> SingleArray:
    """Return how deep lines (n, 2, k) are on both flanks, which they may cross so many stations apart, (n, k)."""
    return np.asarray(np.sqrt(np.maximum(_spread(depth, slant), 0).prod(1)), np.float32)


def _spread(values: npt.NDArray[Kind], reach: int) -> npt.NDArray[Kind]:
    """Return the largest value within `reach` places along the last axis."""
    padded = np.pad(values, [(0, 0)] * (values.ndim - 1) + [(reach, reach)])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, -1).max(-1))
