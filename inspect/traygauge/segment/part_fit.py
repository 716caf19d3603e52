"""Rods fitted to the edge field, and what each point of a rod speaks for or against it.

A rod is a row of six figures in work pixels: middle x, y, axis angle (rad, x towards y), length between the flanks'
ends, diameter, and the depth by which its outline bulges beyond the flanks' ends as half an ellipse (what of a round
end is seen when the camera looks along the axis). A disc is a rod of length 0 whose bulge is its radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from traygauge.segment.part_field import (
    BoolArray,
    Field,
    Float32Array,
    FloatArray,
    IntArray,
    edge_seen,
    f32,
    pull,
)

#: An outline point speaks for the rod when its edge is seen more clearly than this.
EVEN = 0.45
#: What a square diameter of explained area is worth, in diameters of outline.
AREA_WORTH = 0.5
#: What a square diameter outside the clump costs.
OUTSIDE_COST = 3.0
#: What a clear line right across a rod costs, in diameters of outline.
LINE_COST = 2.4
#: What the edge between face and flank counts for a rod that does not lie flat.
FACE_WORTH = 1.0

_AXIAL = np.linspace(-0.92, 0.92, 12)
CAP = np.array([-0.85, -0.57, -0.28, 0.0, 0.28, 0.57, 0.85])
ARCH = np.sqrt(1 - CAP**2)
_ROWS = np.array([-0.72, -0.36, 0.0, 0.36, 0.72])
_GRID_ACROSS = np.tile(_ROWS, 10)
_GRID_ALONG = np.repeat(np.linspace(-0.9, 0.9, 10), 5)
_GRID_ARCH = np.sqrt(1 - _GRID_ACROSS**2)
_FINE = 60
_FINE_ALONG = np.linspace(-0.98, 0.98, _FINE)
#: Shapes of a line across, in radii at each row: oblique by 17 degrees, straight, bulging either way.
_LINE_SHAPES = np.array(
    [
        slope * _ROWS + bulge * (np.sqrt(1 - _ROWS**2) - 0.8)
        for slope in (-0.3, 0.0, 0.3)
        for bulge in (-0.5, 0.0, 0.5)
    ]
)
#: Samples of a rod: 24 on the flanks, 14 on the ends, 50 inside, 7 between face and flank.
FLANK, ENDS, INSIDE, FACE = slice(0, 24), slice(24, 38), slice(38, 88), slice(88, 95)
OUTLINE, SAMPLES = slice(0, 38), 95


def sampled(image: Float32Array, x: FloatArray, y: FloatArray) -> Float32Array:
    """Return the image at points (...), bilinear, zero outside: ndarray (..., channels) or (...)."""
    count = x.size
    width = 1024
    rows = max(1, -(-count // width))
    mx = np.zeros(rows * width, np.float32)
    my = np.zeros(rows * width, np.float32)
    mx[:count], my[:count] = x.ravel(), y.ravel()
    out = cv2.remap(
        image,
        mx.reshape(rows, width),
        my.reshape(rows, width),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
    )
    depth = image.shape[2:]
    return np.asarray(out.reshape(rows * width, *depth)[:count].reshape(*x.shape, *depth))


def lean_along(field: Field, rods: FloatArray) -> FloatArray:
    """Return the lean along each rod's axis (n,): negative where the near end is the one at positive distance."""
    lean = field.lean_at(rods[:, 0], rods[:, 1])
    return np.asarray(lean[:, 0] * np.cos(rods[:, 2]) + lean[:, 1] * np.sin(rods[:, 2]))


def energy_across(tensor: Float32Array, c: FloatArray, s: FloatArray) -> Float32Array:
    """Return the energy of edges across the direction (c, s); c and s broadcast."""
    return np.asarray(
        c * c * tensor[..., 0] + 2 * s * c * tensor[..., 1] + s * s * tensor[..., 2], np.float32
    )


def at_an_angle(field: Field, rods: FloatArray) -> BoolArray:
    """Return which rods bulge more at their ends than pieces that lie flat: leaning ones and discs."""
    return np.asarray(rods[:, 5] > rods[:, 4] / 2 * (np.abs(lean_along(field, rods)) + 0.2))


def face_side(field: Field, rods: FloatArray) -> FloatArray:
    """Return at which end each rod shows its cut face (n,), -1 or 1 along the axis.

    For a piece that lies flat that is the end towards the camera's foot point; for one at an angle the first end.
    """
    flat = np.where(lean_along(field, rods) > 0, -1.0, 1.0)
    return np.where(at_an_angle(field, rods), -1.0, flat)


def lying(field: Field, rods: FloatArray) -> FloatArray:
    """Return rods (n, 6) from (n, 5): how far the ends of pieces that lie flat bulge is known from the view."""
    return np.concatenate([rods, rods[:, 4:] / 2 * np.abs(lean_along(field, rods))[:, None]], 1)


@dataclass(frozen=True)
class Search:
    """How far and how finely outlines are moved, in work pixels at the full `WORK_DIAMETER`.

    Parameters
    ----------
    reach : largest move to either side.
    steps : number of offsets tried.
    slopes : number of turns tried, up to the reach at the rod's ends.
    tilts : slopes of the cut faces tried.
    """

    reach: float
    steps: int
    slopes: int
    tilts: tuple[float, ...]


ROUGH = Search(3.0, 7, 5, (-0.2, 0.0, 0.2))
FINE = Search(1.5, 13, 7, (-0.3, -0.15, 0.0, 0.15, 0.3))


def refined(field: Field, rods: FloatArray, search: Search, diameter_sd: float = 0.05) -> FloatArray:
    """Return the rods (n, 6) moved onto the edges near them, flanks first, then ends.

    `diameter_sd` is the batch's relative spread of diameters.
    """
    return _ends_moved(field, _flanks_moved(field, rods, search, diameter_sd), search)


def _flanks_moved(field: Field, rods: FloatArray, search: Search, diameter_sd: float) -> FloatArray:
    reach, steps = search.reach * field.diameter / 28.0, search.steps
    offset = np.linspace(-reach, reach, steps)
    slope = np.linspace(-1, 1, search.slopes)  # of the reach at the rod's ends
    x, y, angle, length, diameter = rods[:, :5].T
    c, s = np.cos(angle)[:, None, None], np.sin(angle)[:, None, None]
    along = (length[:, None] / 2 * _AXIAL)[:, :, None]
    lag = np.rint(slope[:, None] * _AXIAL[None] * (steps // 2)).astype(int)  # in steps of the offset
    take = np.clip(np.arange(steps) + lag[:, :, None], 0, steps - 1)  # (slope, axial, offset)
    sides = []
    for side in (-1.0, 1.0):
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
    joint = joint - f32(0.1 * ((wide / field.diameter - 1) / diameter_sd) ** 2)[:, None]
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
    offset = np.linspace(-search.reach, search.reach, search.steps) * field.diameter / 28.0
    tilts = np.array(search.tilts)
    angle, length, diameter, cap = rods[:, 2:].T
    face = face_side(field, rods)
    moved = []
    for side in (-1.0, 1.0):
        end = side * length[:, None] / 2 + offset
        drawn = _drawn_across(field, rods, end, side, tilts)
        # the near end shows its face: the outline and the edge between face and flank, both as half ellipses
        near = (face == side) & (cap > 0.05 * diameter)
        if near.any():
            drawn[near] += 0.6 * _drawn_across(field, rods[near], end[near], -side, tilts)
        moved.append(_peak((drawn - 0.1 * f32(np.abs(tilts))[:, None]).max(1), offset))
    out = rods.copy()
    shift = (moved[0] + moved[1]) / 2
    out[:, 0] += shift * np.cos(angle)
    out[:, 1] += shift * np.sin(angle)
    least = 0.2 * field.diameter
    out[:, 3] = np.maximum(out[:, 3] + moved[1] - moved[0], least - np.minimum(cap, least))
    return out


def _drawn_across(
    field: Field, rods: FloatArray, end: FloatArray, bulge: float, tilts: FloatArray
) -> Float32Array:
    """Return the pull of edges across rods, at ends (n, k) from the middle and slopes (m,): ndarray (n, m, k)."""
    c, s = np.cos(rods[:, 2])[:, None, None, None], np.sin(rods[:, 2])[:, None, None, None]
    lateral = (rods[:, 4, None] / 2 * CAP)[:, None, :, None]
    flat = end[:, None, :] + bulge * rods[:, 5, None, None] * ARCH[None, :, None]
    along = flat[:, None] + tilts[:, None, None] * lateral
    t = sampled(
        field.tensor,
        rods[:, 0, None, None, None] + along * c - lateral * s,
        rods[:, 1, None, None, None] + along * s + lateral * c,
    )
    return np.asarray(pull(energy_across(t, c, s)).mean(2))


def _peak(value: Float32Array, offset: FloatArray) -> FloatArray:
    """Return where each row (n, k) is largest, by a parabola through the highest and its neighbours."""
    k = np.clip(value.argmax(1), 1, value.shape[1] - 2)
    row = np.arange(len(value))
    left, top, right = value[row, k - 1], value[row, k], value[row, k + 1]
    bend = np.minimum(left - 2 * top + right, -1e-9)
    part = np.clip(0.5 * (left - right) / bend, -1.0, 1.0)
    return np.asarray(offset[k] + part * (offset[1] - offset[0]))


@dataclass(frozen=True, eq=False)
class Witness:
    """What each sample point of n rods says.

    Parameters
    ----------
    points : ndarray (n, 95, 2), work pixels: flanks, ends, inside, face.
    value : ndarray (n, 95): for (positive) or against the rod, in diameters of outline.
    seen : ndarray (n, 95): clearness of the edge there (inside: of edges across the axis).
    inside : ndarray (n, 95): whether the point lies in the clump.
    """

    points: FloatArray
    value: FloatArray
    seen: FloatArray
    inside: BoolArray

    def take(self, index: IntArray) -> Witness:
        """Return the witness of some of the rods."""
        return Witness(self.points[index], self.value[index], self.seen[index], self.inside[index])


def sample_points(rods: FloatArray) -> FloatArray:
    """Return the 95 sample points of each rod (n, 6), ndarray (n, 95, 2)."""
    half, radius, cap = rods[:, 3, None] / 2, rods[:, 4, None] / 2, rods[:, 5, None]
    along = np.concatenate(
        [
            half * _AXIAL,
            half * _AXIAL,
            -half - cap * ARCH,
            half + cap * ARCH,
            (half + cap * _GRID_ARCH) * _GRID_ALONG,
            -half + cap * ARCH,
        ],
        1,
    )
    shape = np.concatenate([-np.ones(12), np.ones(12), CAP, CAP, _GRID_ACROSS, CAP])
    across = radius * shape
    c, s = np.cos(rods[:, 2, None]), np.sin(rods[:, 2, None])
    out = np.empty((len(rods), SAMPLES, 2))
    out[..., 0] = rods[:, 0, None] + along * c - across * s
    out[..., 1] = rods[:, 1, None] + along * s + across * c
    return out


def witness(field: Field, rods: FloatArray) -> Witness:
    """Return what each sample point of the rods (n, 6) says for or against them."""
    points = sample_points(rods)
    t = sampled(field.tensor, points[..., 0], points[..., 1])
    inside = sampled(field.inside, points[..., 0], points[..., 1]) > 0.5
    c, s = np.cos(rods[:, 2, None]), np.sin(rods[:, 2, None])
    d, length, diameter, cap = field.diameter, rods[:, 3, None], rods[:, 4, None], rods[:, 5, None]
    seen = np.empty(points.shape[:2])
    seen[:, FLANK] = edge_seen(energy_across(t[:, FLANK], -s, c))
    # the normal of a bulged end turns towards the flanks
    na, nl = ARCH * np.ones_like(cap), cap / (diameter / 2) * CAP
    size = np.hypot(na, nl)
    na, nl = na / size, nl / size
    for side, part in ((-1.0, slice(24, 31)), (1.0, slice(31, 38)), (1.0, FACE)):
        seen[:, part] = edge_seen(energy_across(t[:, part], side * na * c - nl * s, side * na * s + nl * c))
    seen[:, INSIDE] = np.repeat(_lines_across(field, rods), 5, 1)
    value = np.empty_like(seen)
    value[:, FLANK] = (seen[:, FLANK] - EVEN) * length / d / 12
    arc = np.sqrt(1 + 1.467 * (2 * cap / diameter) ** 2)  # of a half ellipse, from 1 to pi / 2
    value[:, ENDS] = (seen[:, ENDS] - EVEN) * arc * diameter / d / 7
    angled = at_an_angle(field, rods)[:, None]
    value[:, FACE] = np.where(angled, FACE_WORTH * (seen[:, FACE] - EVEN) * arc * diameter / d / 7, 0)
    share = (length * diameter + np.pi / 2 * cap * diameter) / d**2 / 50
    against = LINE_COST * np.maximum(seen[:, INSIDE] - 0.35, 0) * diameter / d / 5
    value[:, INSIDE] = np.where(inside[:, INSIDE], AREA_WORTH * share - against, -OUTSIDE_COST * share)
    return Witness(points, value, seen, inside)


def _lines_across(field: Field, rods: FloatArray) -> FloatArray:
    """Return how clearly lines run right across each rod, ndarray (n, 10): tenths from end to end.

    Straight, oblique and bulging lines count alike: the end of another piece may look like any of them. The near end
    shows the rod's own face: an edge across the axis there belongs to the piece and is left out.
    """
    half, radius, cap = rods[:, 3, None] / 2, rods[:, 4, None] / 2, rods[:, 5, None]
    c, s = np.cos(rods[:, 2])[:, None, None], np.sin(rods[:, 2])[:, None, None]
    along = (half + cap) * _FINE_ALONG
    across = (radius * _ROWS)[:, :, None]
    t = sampled(
        field.tensor,
        rods[:, 0, None, None] + along[:, None] * c - across * s,
        rods[:, 1, None, None] + along[:, None] * s + across * c,
    )
    seen = edge_seen(energy_across(t, c, s))  # (n, 5 rows, 60 columns)
    lines = np.zeros(along.shape, np.float32)
    per_radius = radius / ((half + cap) * (_FINE_ALONG[1] - _FINE_ALONG[0]))  # columns
    for shape in _LINE_SHAPES:
        at = np.rint(per_radius * shape).astype(np.int64)[:, :, None] + np.arange(_FINE)
        moved = np.take_along_axis(seen, np.clip(at, 0, _FINE - 1), 2)
        lines = np.maximum(lines, moved.mean(1))
    face = face_side(field, rods)[:, None]
    from_near = half + cap - face * along
    from_far = half + cap + face * along
    d = field.diameter
    beside = (from_near < 2 * cap + 0.3 * d) | (from_far < cap + 0.3 * d)
    return np.asarray(np.where(beside, 0.0, lines).reshape(len(rods), 10, _FINE // 10).max(2))


_MARGIN = np.concatenate([np.full(38, -0.07), np.full(50, 0.1), np.full(7, -0.07)]).astype(np.float32)
_CHUNK = 1024


def hidden_by(points: FloatArray, rods: FloatArray, diameter: float) -> BoolArray:
    """Return which of the sample points (m, 95, 2) of rods are hidden when the other `rods` (m, 6) lie above.

    The upper rod's own outline may be the outline of a neighbour too, so it hides only what lies well within; inside
    the lower one, though, the upper one's outline is a line across that says nothing against it.
    """
    out = np.empty(points.shape[:2], bool)
    margin = _MARGIN * np.float32(diameter)
    for at in range(0, len(points), _CHUNK):
        part = slice(at, at + _CHUNK)
        x, y, angle, length, width, cap = rods[part].astype(np.float32).T[:, :, None]
        c, s = np.cos(angle), np.sin(angle)
        dx = points[part, :, 0].astype(np.float32) - x
        dy = points[part, :, 1].astype(np.float32) - y
        along = np.abs(dx * c + dy * s)
        across = np.abs(dy * c - dx * s)
        radius = np.maximum(width / 2 + margin, 1e-3)
        bulge = cap * np.sqrt(np.maximum(1 - (across / radius) ** 2, 0))
        out[part] = (across < radius) & (along < length / 2 + margin + bulge)
    return out
