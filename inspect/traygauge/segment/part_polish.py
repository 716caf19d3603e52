"""The ends of rods, read with all that an end can look like.

A cut face leans: sideways it makes the end oblique, up or down it makes the outline bulge as half an ellipse, on top
of the bulge that the sideways view gives, and a piece that rests at an angle bulges more still, at both ends alike.
Only the bulge's shape tells how far the end reaches beyond the cut face's middle, and the length is measured between
those middles.
"""

from __future__ import annotations

import numpy as np
from scipy.special import erf

from traygauge.segment.part_contact import held_back
from traygauge.segment.part_ends import (
    APEX,
    BULGES,
    FACE,
    FINE,
    SHIFTS,
    SLANT,
    SLOPES,
    SURE,
    end_scores,
    steps_met,
    strip_across,
    sums_along,
)
from traygauge.segment.part_field import BoolArray, Field, Float32Array, FloatArray, f32
from traygauge.segment.part_rods import at_an_angle, face_side, lean_along
from traygauge.segment.part_witness import FIRST, LAST

#: Spread of the bulge that slanted cuts make, in radii; how unlikely (log) any bulge is at the most.
_BULGE_SD, _BULGE_MOST = 0.12, 90.0
#: Steps of a strip across an end, diameters, to find leaning pieces.
_COARSE = 1.0 / 28.0


def polished(field: Field, rods: FloatArray, hidden: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return the rods (n, 6) with their ends placed anew, and each end's own bulge (n, 2), radii.

    `hidden` (n, 95) marks sample points not to be read.
    """
    if not len(rods):
        return rods, np.empty((0, 2))
    radius = rods[:, 4] / 2
    view = _usual_bulge(lean_along(field, rods))
    most = np.where(at_an_angle(field, rods), rods[:, 5] / radius, view)
    face = face_side(field, rods)
    ends, bulge = [], []
    for side, part in ((-1, FIRST), (1, LAST)):
        score = end_scores(field, rods, side, ~hidden[:, part], (face == side) & (most > 0.05))
        shift, depth = _placed(score, np.where(most > 0.8, most, view), most)
        ends.append(side * (rods[:, 3] / 2 + APEX * (rods[:, 5] - depth * radius)) + shift * field.diameter)
        bulge.append(depth)
    cap = (bulge[0] + bulge[1]) / 2 * radius
    back = held_back(_with_ends(rods, ends[0], ends[1], cap), field.diameter)
    out = _with_ends(rods, ends[0] + back[:, 0], ends[1] - back[:, 1], cap)
    return out, np.stack(bulge, 1)


def _usual_bulge(view: FloatArray) -> FloatArray:
    """Return how far ends bulge on average, radii, where the view alone makes `view` of it.

    Cuts lean up and down as much as they lean sideways, either way: the mean of a folded normal distribution.
    """
    z = view / SLANT
    return np.asarray(SLANT * np.sqrt(2 / np.pi) * np.exp(-0.5 * z**2) + view * erf(z / np.sqrt(2)), float)


def _with_ends(rods: FloatArray, first: FloatArray, last: FloatArray, cap: FloatArray) -> FloatArray:
    """Return the rods with their flanks' ends at places along the axis (n,) from the middle, and a bulge (n,)."""
    out = rods.copy()
    middle = (first + last) / 2
    out[:, 0] += middle * np.cos(rods[:, 2])
    out[:, 1] += middle * np.sin(rods[:, 2])
    out[:, 3] = np.maximum(last - first, 0.0)
    out[:, 5] = cap
    return out


def _placed(score: Float32Array, least: FloatArray, most: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return an end's shift (n,), diameters, and its bulge (n,), radii, near what is known of it.

    The mean over all that an end can look like, each weighed by how well it is seen: the outlines of a cut that leans
    and of one that lies a little further out are almost alike, and the best of them hops from one to the other.
    """
    outside = np.maximum(least[:, None] - BULGES, 0) + np.maximum(BULGES - most[:, None], 0)
    bulging = np.minimum((outside / _BULGE_SD) ** 2 / 2, _BULGE_MOST)[:, :, None, None]
    leaning = ((SLOPES / SLANT) ** 2 / 2)[:, None]
    score = SURE * score - f32(bulging) - f32(leaning)
    likely = np.exp(score - score.max((1, 2, 3), keepdims=True)).sum(2)
    likely /= likely.sum((1, 2), keepdims=True)
    bulge = likely.sum(2) @ BULGES
    return np.asarray(likely.sum(1) @ SHIFTS * FINE, np.float64), np.asarray(bulge, np.float64)


#: Bulges tried for whole ends, radii, and how far (coarse steps) those may lie from the ends found so far.
_WHOLE = np.array([0.0, 0.1, 0.2, 0.3, 0.42, 0.56, 0.7, 0.85])
_WHOLE_SHIFTS = np.arange(-8, 27)


def reread(field: Field, rods: FloatArray) -> FloatArray:
    """Return other readings of rods (n, 6) fitted as lying flat: lying with other ends, and resting at an angle.

    Both ends bulge alike, and one shows its face: towards the camera's foot point if the piece lies flat, either one
    if not (it comes first along the axis then). Where the fit took the edge between face and flank for the end, the
    outline lies two bulges further out.
    """
    if not len(rods):
        return rods
    plain: list[Float32Array] = []
    faced: list[Float32Array] = []
    plain_at: list[FloatArray] = []
    faced_at: list[FloatArray] = []
    for side in (-1, 1):
        outer, both = _whole_ends(field, rods, side)
        for score, best, at in ((outer, plain, plain_at), (both, faced, faced_at)):
            best.append(score.max(2))
            at.append(_WHOLE_SHIFTS[score.argmax(2)] * _COARSE * field.diameter)
    known = np.abs(lean_along(field, rods))[:, None]
    total = np.stack([faced[0] + plain[1], plain[0] + faced[1]], 1)  # (n, face first or last, bulges)
    flat = np.broadcast_to(np.abs(_WHOLE - known)[:, None] < 0.06, total.shape).copy()
    flat[np.arange(len(rods)), np.where(face_side(field, rods) < 0, 1, 0)] = False
    angled = np.broadcast_to((known + 0.25 < _WHOLE)[:, None], total.shape)
    out = []
    for allowed in (flat, angled):
        some = np.flatnonzero(allowed.any((1, 2)))
        score = np.where(allowed, total, -np.inf)[some]
        last, bulge = np.unravel_index(score.reshape(len(some), -1).argmax(1), score.shape[1:])
        depth = _WHOLE[bulge] * rods[some, 4] / 2
        base = rods[some, 3] / 2 + APEX * (rods[some, 5] - depth)
        first_at = np.where(last == 0, faced_at[0][some, bulge], plain_at[0][some, bulge])
        last_at = np.where(last == 0, plain_at[1][some, bulge], faced_at[1][some, bulge])
        new = _with_ends(rods[some], -base - first_at, base + last_at, depth)
        new[:, 2] += np.pi * ((last == 1) & (allowed is angled))
        out.append(new)
    both_kinds = np.concatenate(out)
    return both_kinds[both_kinds[:, 3] > 0.25 * field.diameter]


def _whole_ends(field: Field, rods: FloatArray, side: int) -> tuple[Float32Array, Float32Array]:
    """Return the pull of an end's outline, and with that of its face, for each bulge and shift: (n, bulges, shifts)."""
    strip = strip_across(field, rods, side, np.ones((len(rods), 7), bool), _COARSE, 64)
    outer, inner, between = (
        sums_along(strip, steps_met(_WHOLE, np.zeros(1), side * _WHOLE_SHIFTS, bulging, side, _COARSE, 64))[
            :, :, 0
        ]
        for bulging in (side, -side, 0)
    )
    return outer, outer + np.float32(FACE) * np.maximum(inner - between, 0)
