"""Rods moved onto the edges near them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from traygauge.segment.part_field import Field, Float32Array, FloatArray, f32, pull
from traygauge.segment.part_rods import ARCH, CAP, energy_across, face_side, sampled
from traygauge.segment.part_witness import AXIAL

#: Steps that a diameter has: what a search's reach is told in.
_STEPS = 28.0


@dataclass(frozen=True)
class Search:
    """How far and how finely outlines are moved.

    Parameters
    ----------
    reach : largest move to either side, 28ths of the strand's diameter.
    steps : number of offsets tried.
    slopes : number of turns tried, up to the reach at the rod's ends.
    tilts : slopes of the cut faces tried.
    """

    reach: float
    steps: int
    slopes: int
    tilts: tuple[float, ...]


#: The first, from seeds on a coarse grid, and the last.
ROUGH = Search(3.0, 7, 5, (-0.2, 0.0, 0.2))
FINE = Search(1.5, 13, 7, ())


def refined(field: Field, rods: FloatArray, search: Search, diameter_sd: float = 0.05) -> FloatArray:
    """Return the rods (n, 6) moved onto the edges near them, flanks first, then ends.

    `diameter_sd` is the batch's relative spread of diameters.
    """
    if not len(rods):
        return rods
    moved = _flanks_moved(field, rods, search, diameter_sd)
    return _ends_moved(field, moved, search) if search.tilts else moved


def _flanks_moved(field: Field, rods: FloatArray, search: Search, diameter_sd: float) -> FloatArray:
    reach, steps = search.reach * field.diameter / _STEPS, search.steps
    offset = np.linspace(-reach, reach, steps).astype(np.float32)
    slope = np.linspace(-1, 1, search.slopes)  # of the reach at the rod's ends
    x, y, angle, length, diameter = f32(rods[:, :5]).T
    c, s = np.cos(angle)[:, None, None], np.sin(angle)[:, None, None]
    along = (length[:, None] / 2 * AXIAL)[:, :, None]
    lag = np.rint(slope[:, None] * AXIAL[None] * (steps // 2)).astype(int)  # in steps of the offset
    take = np.clip(np.arange(steps) + lag[:, :, None], 0, steps - 1)  # (slope, axial, offset)
    sides = []
    for side in (-1, 1):
        lateral = side * diameter[:, None, None] / 2 + offset
        t = sampled(
            field.tensor,
            x[:, None, None] + along * c - lateral * s,
            y[:, None, None] + along * s + lateral * c,
        )
        drawn = pull(energy_across(t, -s, c))
        sides.append(drawn[:, np.arange(12)[None, :, None], take].mean(2))
    # both flanks keep parallel; their distance keeps near the batch's diameter
    joint = sides[0][:, :, :, None] + sides[1][:, :, None, :]
    wide = diameter[:, None, None] + offset[None, None, :] - offset[None, :, None]
    joint -= (0.1 * ((wide / field.diameter - 1) / diameter_sd) ** 2)[:, None]
    k, a, b = np.unravel_index(joint.reshape(len(rods), -1).argmax(1), joint.shape[1:])
    middle = (offset[a] + offset[b]) / 2
    out = rods.copy()
    out[:, 0] -= middle * np.sin(angle)
    out[:, 1] += middle * np.cos(angle)
    out[:, 2] += np.arctan2(slope[k] * reach, np.maximum(length / 2, 1.0))
    out[:, 4] += offset[b] - offset[a]
    return out


def _ends_moved(field: Field, rods: FloatArray, search: Search) -> FloatArray:
    """Return the rods with their ends drawn along the axis onto edges across it, whatever the cut's slope."""
    offset = (np.linspace(-search.reach, search.reach, search.steps) * field.diameter / _STEPS).astype(
        np.float32
    )
    tilts = np.array(search.tilts, np.float32)
    angle, length, diameter, cap = f32(rods[:, 2:]).T
    face = face_side(field, rods)
    moved = []
    for side in (-1, 1):
        end = side * length[:, None] / 2 + offset
        drawn = _drawn_across(field, rods, end, side, tilts)
        # the near end shows its face: the outline and the edge between face and flank, both as half ellipses
        near = (face == side) & (cap > 0.05 * diameter)
        if near.any():
            drawn[near] += 0.6 * _drawn_across(field, rods[near], end[near], -side, tilts)
        moved.append(_peak((drawn - 0.1 * np.abs(tilts)[:, None]).max(1), offset))
    out = rods.copy()
    shift = (moved[0] + moved[1]) / 2
    out[:, 0] += shift * np.cos(angle)
    out[:, 1] += shift * np.sin(angle)
    least = 0.2 * field.diameter
    out[:, 3] = np.maximum(out[:, 3] + moved[1] - moved[0], least - np.minimum(cap, least))
    return out


def _drawn_across(
    field: Field, rods: FloatArray, end: Float32Array, bulge: int, tilts: Float32Array
) -> Float32Array:
    """Return the pull of edges across rods, at ends (n, k) from the middle and slopes (m,): ndarray (n, m, k)."""
    x, y, angle, _, diameter, cap = f32(rods).T[:, :, None, None, None]
    c, s = np.cos(angle), np.sin(angle)
    lateral = diameter / 2 * CAP[:, None]
    flat = end[:, None, :] + bulge * cap[..., 0] * ARCH[:, None]
    along = flat[:, None] + tilts[:, None, None] * lateral
    t = sampled(
        field.tensor,
        x + along * c - lateral * s,
        y + along * s + lateral * c,
    )
    return np.asarray(pull(energy_across(t, c, s)).mean(2))


def _peak(value: Float32Array, offset: Float32Array) -> FloatArray:
    """Return where each row (n, k) is largest, by a parabola through the highest and its neighbours."""
    k = np.clip(value.argmax(1), 1, value.shape[1] - 2)
    row = np.arange(len(value))
    left, top, right = value[row, k - 1], value[row, k], value[row, k + 1]
    bend = np.minimum(left - 2 * top + right, -1e-9)
    part = np.clip(0.5 * (left - right) / bend, -1.0, 1.0)
    return np.asarray(offset[k] + part * (offset[1] - offset[0]), np.float64)
