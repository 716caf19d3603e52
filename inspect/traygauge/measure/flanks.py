"""Diameter and bend from the straight flanks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from traygauge.measure.across import middle_profiles, side_profiles, steps
from traygauge.measure.by_direction import Half, u_uneven
from traygauge.measure.cast_shadow import Taken, taken_for_piece
from traygauge.measure.end_light import Apart
from traygauge.measure.frame import Frames
from traygauge.measure.half_widths import HalfWidths, held_ends, straightened
from traygauge.measure.met_flanks import held_to_batch
from traygauge.measure.placed_edges import PhotoLight, Placed, read_edges, sense_of
from traygauge.measure.signal import Signal
from traygauge_calib.tray_view import TrayView
from traygauge_shared.threads import blocks, in_threads

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

STATIONS = 9
_END_MM = 0.18  # the cut edge's rounding and smear stay out of the flank
_MOVED = 0.02  # of the diameter: frames that their edges move further than this are refined again
#: Edges are read around where steps of light, as ratios, are steepest, which blur moves outwards, and the limb inside of it.
#: Where most edges of bright pieces turn out to lie aside by more than this, in half widths (a fifth of what a profile counts
#: by), all are read once more around the edges found. Of dark pieces it would follow their shadows (drawn trays).
_ASIDE = 0.03
_OUTLINE_SD, _OUTLINE_MOST = (
    0.1,
    3.0,
)  # how far an edge may lie from the outline, in half widths; the most it costs


@dataclass(frozen=True, eq=False)
class Flanks:
    """What the flanks say, over n pieces.

    Parameters
    ----------
    frames : refined: centre across the axis, direction, bend, diameter (of the circle that looks this wide).
    seen_mm : ndarray (n,): mean width over the middle half, as the camera sees it in the axis's plane.
    widths_mm : ndarray (n, STATIONS): width along the body, smoothed, from near one end to near the other.
    ends_mm : ndarray (n, 2): that width carried on to either end, and held to the photo's usual one.
    residual : ndarray (n,): how badly the flank's light is explained, over contrast.
    unread : ndarray (n,), bool: whose own width is not known: others lie against a flank.
    u_met_mm : ndarray (n,): standard uncertainty of a diameter through flanks that meet other pieces.
    u_light_mm : ndarray (n, 2): of length and diameter through a flash, lamps at one side or a lamp's shadow, which all
        pieces share; by what is known of such light, and by how far diameters swing with the way pieces lie.
    softer : ndarray (n,): how much wider than the photo's the blur is in which each is read.
    light : of the photo.
    shadow : what a lamp's shadow adds to dark pieces; taken off the flanks already.
    """

    frames: Frames
    seen_mm: FloatArray
    widths_mm: FloatArray
    ends_mm: FloatArray
    residual: FloatArray
    unread: BoolArray
    u_met_mm: FloatArray
    u_light_mm: FloatArray
    softer: FloatArray
    light: PhotoLight
    shadow: Taken


def _steep_places(profile: SingleArray, u: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Return the `count` steepest drops of half profiles (..., m), from the axis outwards: place in u and steepness.

    Each is the steepest within 0.1 u. A highlight's edge and a shadow's are among them, so one alone decides nothing.
    """
    step = u[1] - u[0]
    light = np.ascontiguousarray(profile.reshape(-1, len(u)).T)
    drop = light[:-2] - light[2:]
    around = drop.copy()
    for k in range(1, max(1, round(0.1 / step)) + 1):
        np.maximum(around[k:], drop[:-k], out=around[k:])
        np.maximum(around[:-k], drop[k:], out=around[:-k])
    height = np.where((drop >= around) & (drop > 0), drop, 0)
    n = drop.shape[1]
    each = np.arange(n)
    place, steepness = [], []
    for _ in range(count):
        steepest = height.argmax(0)
        at = np.clip(steepest, 1, len(drop) - 2)
        low, mid, high = (drop.take(at * n + each + i * n) for i in (-1, 0, 1))
        curve = low - 2 * mid + high
        part = np.where(curve < 0, 0.5 * (low - high) / np.where(curve < 0, curve, 1.0), 0.0)
        place.append(u.take(at + 1) + np.clip(part, -1, 1) * step)
        steepness.append(height.take(steepest * n + each))
        height.put(steepest * n + each, 0)
    shape = (*profile.shape[:-1], count)
    return np.stack(place, -1).reshape(shape), np.stack(steepness, -1).astype(float).reshape(shape)


def _widths_in_batch(width: FloatArray, weight: FloatArray, likely: int) -> FloatArray:
    """Return how common each candidate width (n, k) is among the first, likely bodies' (weights summing to 1 a body).

    A kernel density over the logarithm, 2 % wide: pieces of one strand agree on the width of their bodies, while the
    highlights and shadows beside them do not.
    """
    grid = np.linspace(np.log(0.05), np.log(50.0), 1400)
    place = np.log(np.clip(width, 0.051, 49.0))
    histogram, _ = np.histogram(place[:likely], grid, weights=weight[:likely])
    kernel = np.exp(-0.5 * (np.arange(-16, 17) * (grid[1] - grid[0]) / 0.02) ** 2)
    density = np.convolve(histogram, kernel, "same")
    return np.asarray(np.interp(place, (grid[1:] + grid[:-1]) / 2, density))


def _choose_edges(profiles: SingleArray, u: FloatArray, half_mm: FloatArray, likely: int) -> FloatArray:
    """Return the two sides' edges (n, 2), in u, of station-averaged half profiles (n, 2, m).

    Of the steep places of either side that pair is taken which is steep, near the outline's half width (u = 1), and as
    wide as the batch's other pieces (the first, `likely` ones).
    """
    place, height = _steep_places(profiles, u, 3)
    strength = height / (height.max(-1, keepdims=True) + 1e-12)
    pair_width = ((place[:, 0, :, None] + place[:, 1, None, :]) * half_mm[:, None, None]).reshape(
        len(place), -1
    )
    pair_strength = (strength[:, 0, :, None] * strength[:, 1, None, :]).reshape(len(place), -1)
    share = pair_strength / (pair_strength.sum(1, keepdims=True) + 1e-12)
    common = _widths_in_batch(pair_width, share, likely)
    # the outline keeps to colour where a shadow is as dark as the piece; where it does not, the batch overrules it
    far = np.minimum(0.5 * ((place - 1.0) / _OUTLINE_SD) ** 2, _OUTLINE_MOST)
    off = (far[:, 0, :, None] + far[:, 1, None, :]).reshape(len(place), -1)
    best = (np.log(pair_strength + 1e-6) + np.log(common + 0.02 * likely) - off).argmax(1)
    i = np.arange(len(place))
    return np.stack([place[i, 0, best // 3], place[i, 1, best % 3]], -1)


def fit_flanks(signal: Signal, tray: TrayView, frames: Frames, apart: Apart, likely: int) -> Flanks:
    """Return diameter, bend and refined frames of n pieces from the light across their axes.

    Parameters
    ----------
    signal : in which pieces lie above the tray.
    frames : first guesses, good to about a fifth of the diameter.
    apart : what in the photo belongs to other pieces.
    likely : so many of the first show what is usual in the photo (blur, widths); the others are axes tried besides.
    """
    rough = _first_width(signal, tray, frames, likely)
    u = np.arange(0.66, 1.34, 1.2 * steps(tray, rough, likely))
    frames, width = _refined(signal, tray, rough, u)
    # edges are read squarely across an axis that is nearly right
    moved = (
        np.hypot(*(frames.centre_mm - rough.centre_mm).T) + np.abs(frames.diameter_mm - rough.diameter_mm) / 2
    )
    moved += np.abs(frames.axis - rough.axis) * frames.length_mm / 2
    again = np.flatnonzero(moved > _MOVED * frames.diameter_mm)
    if len(again):
        better, wider = _refined(signal.rows(again), tray, frames.rows(again), u)
        frames = frames.put(again, better)
        width.put(again, wider)
    return _fine(signal, tray, frames, width, apart, likely)


def _refined(signal: Signal, tray: TrayView, frames: Frames, u: FloatArray) -> tuple[Frames, HalfWidths]:
    """Return what `_refine` does, block by block."""
    parts = blocks(len(frames))
    refine = partial(_refine, tray=tray, u=u)
    refined = in_threads(refine, map(signal.rows, parts), map(frames.rows, parts))
    widths = (np.concatenate([getattr(w, k) for _, w in refined]) for k in ("terms", "stray"))
    return Frames.joined([some for some, _ in refined]), HalfWidths(*widths)


def _first_width(signal: Signal, tray: TrayView, frames: Frames, likely: int) -> Frames:
    """Return frames whose width and place across the axis come from the batch's common edges."""
    half = np.repeat(frames.diameter_mm[:, None] / 2, 7, 1)
    u = np.arange(0.3, 1.7, 1.5 * steps(tray, frames, likely))
    profiles = middle_profiles(signal, tray, frames, half, u)
    edge = _choose_edges(signal.steps_of_light(profiles), u, half[:, 0], likely)
    shift = (edge[:, 0] - edge[:, 1]) / 2 * half[:, 0]
    return replace(
        frames,
        centre_mm=frames.centre_mm + shift[:, None] * frames.across(),
        diameter_mm=edge.sum(1) * half[:, 0],
    )


def _shadow(signal: Signal, tray: TrayView, frames: Frames, seen_mm: FloatArray, likely: int) -> Taken:
    """Return what shadow passes for more of pieces that look `seen_mm` (n,) wide; bright ones, and colours, have none."""
    if sense_of(signal, likely) >= 0:
        return Taken.none(len(frames))
    return taken_for_piece(seen_mm, frames.axis, tray.lean(frames.centre_mm, frames.height_mm), likely)


def _stations(frames: Frames) -> FloatArray:
    reach = np.maximum(frames.length_mm / 2 - _END_MM - 0.1 * frames.diameter_mm, 0.3 * frames.length_mm)
    return np.linspace(-1, 1, STATIONS) * np.minimum(reach, 0.42 * frames.length_mm)[:, None]


def _refine(signal: Signal, frames: Frames, tray: TrayView, u: FloatArray) -> tuple[Frames, HalfWidths]:
    """Return the frames straightened on the edges of single stations, and their half widths."""
    stations = _stations(frames)
    half = np.repeat(frames.diameter_mm[:, None] / 2, STATIONS, 1)
    profiles = side_profiles(signal, tray, frames, stations, half, u)
    place, height = _steep_places(signal.steps_of_light(profiles), u, 2)
    nearness = np.exp(-0.5 * ((place - 1.0) / 0.12) ** 2)
    pick = (height * nearness).argmax(-1)[..., None]
    edges = np.take_along_axis(place, pick, -1)[..., 0] * half[:, None]
    frames, width = straightened(frames, stations, edges[:, 0], edges[:, 1])
    return replace(frames, diameter_mm=np.maximum(2 * width.terms[:, 0], 0.2)), width


def _fine(
    signal: Signal, tray: TrayView, frames: Frames, width: HalfWidths, apart: Apart, likely: int
) -> Flanks:
    """Place both edges of every piece by the shaded model, each side's stations averaged once they are aligned."""
    half, met, placed = read_edges(signal, tray, frames, width, apart, likely)
    if sense_of(signal, likely) > 0 and np.median(np.abs(placed.edge[:likely] - 1.0)) > _ASIDE:
        frames, width = _onto_edges(frames, width, half, placed.edge)
        half, met, placed = read_edges(signal, tray, frames, width, apart, likely)
    edge, slant = placed.edge, _slant(tray, frames)
    look = np.where(met.any((1, 2)), np.nan, half.mean(1) * edge.sum(1) / slant)
    shadow = _shadow(signal, tray, frames, look, likely)
    edge = edge - shadow.strips_mm / half.mean(1)[:, None]
    read = half.mean(1) * edge.sum(1) / slant
    diameter, unread, unseen, u_met = held_to_batch(read, met, likely)
    more = (diameter - read) * slant / half.mean(1)
    edge = edge + more[:, None] * unseen / np.maximum(unseen.sum(1, keepdims=True), 1)
    shift = (edge[:, 0] - edge[:, 1]) / 2 * half[:, 3]
    moved = replace(
        frames, centre_mm=frames.centre_mm + shift[:, None] * frames.across(), diameter_mm=diameter
    )
    widths = width.at(frames, _stations(frames)) * edge.sum(1, keepdims=True)
    tips = np.array([-0.5, 0.5]) * frames.length_mm[:, None]
    ends = width.at(frames, tips) * edge.sum(1, keepdims=True) / diameter[:, None]
    ends = held_ends(ends, 2 * width.stray / diameter, likely) * diameter[:, None]
    u_light = np.hypot(_u_light(signal, moved, unread, placed, likely), shadow.u_mm)
    residual = placed.residual.max(1)
    return Flanks(
        moved,
        diameter * slant,
        widths,
        ends,
        residual,
        unread,
        u_met,
        u_light,
        placed.softer,
        placed.light,
        shadow,
    )


def _onto_edges(
    frames: Frames, width: HalfWidths, half: FloatArray, edge: FloatArray
) -> tuple[Frames, HalfWidths]:
    """Return frames and half widths moved to where edges (n, 2) lie, in half widths (n, 7), mm."""
    more, aside = edge.sum(1) / 2, (edge[:, 0] - edge[:, 1]) / 2 * half[:, 3]
    centre = frames.centre_mm + aside[:, None] * frames.across()
    frames = replace(frames, centre_mm=centre, diameter_mm=frames.diameter_mm * more)
    return frames, replace(width, terms=width.terms * more[:, None])


def _slant(tray: TrayView, frames: Frames) -> FloatArray:
    """Return by how much wider than it is each piece (n,) looks from the side."""
    _, lean = frames.lean(tray, frames.centre_mm[:, None], np.zeros((len(frames), 1)))
    return np.asarray(np.sqrt(1 + lean[:, 0] ** 2), float)


def _u_light(signal: Signal, frames: Frames, unread: BoolArray, placed: Placed, likely: int) -> FloatArray:
    """Return what light leaves uncertain of lengths and diameters, ndarray (n, 2), mm."""
    known = np.where(unread, np.nan, frames.diameter_mm)[:likely]
    sense = sense_of(signal, likely)
    half: Half = "either" if placed.light.one_sided else "thicker"
    if sense == 0 or (sense > 0 and placed.light.flash):
        half = ""
    u = u_uneven(known, np.degrees(frames.axis), frames.diameter_mm, signal.sense < 0, sense == 0, half)
    u[:, 1] = np.hypot(u[:, 1], placed.u_mm)
    return u
