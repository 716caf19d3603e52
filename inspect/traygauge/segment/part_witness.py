"""What each point of a rod speaks for or against it: its outline's edges, what it covers, lines that run across it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from traygauge.segment.part_field import (
    BoolArray,
    Field,
    Float32Array,
    FloatArray,
    IntArray,
    edge_seen,
    f32,
)
from traygauge.segment.part_rods import ARCH, CAP, at_an_angle, energy_across, face_side, sampled

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

#: Where a flank is read, half lengths from the middle, and rows and columns that the inside is read in.
AXIAL = np.linspace(-0.92, 0.92, 12).astype(np.float32)
_ROWS = np.array([-0.72, -0.36, 0.0, 0.36, 0.72], np.float32)
_GRID_ACROSS = np.tile(_ROWS, 10)
_GRID_ALONG = np.repeat(np.linspace(-0.9, 0.9, 10), 5).astype(np.float32)
_GRID_ARCH = np.sqrt(1 - _GRID_ACROSS**2)
#: A line across counts as half seen at so many times the noise of the brightness along the rod, and that noise at
#: least (grey levels); how far before and behind an end the brightness is compared, px.
_CLEAR, _LEAST_NOISE, _JOINT_PX = 10.0, 0.4, 2.5
#: Columns in which a usual piece is searched for lines across.
_COLUMNS_SHORT = 30
#: Shapes of a line across beside the straight one, in radii at each row: oblique by 17 degrees, bulging either way.
_BULGE = np.sqrt(1 - _ROWS**2) - 0.8
LINE_SHAPES = np.array([-0.3 * _ROWS, 0.3 * _ROWS, -0.5 * _BULGE, 0.5 * _BULGE])
STRAIGHT = LINE_SHAPES[:0]
#: Samples of a rod: 24 on the flanks, 14 on the ends, 50 inside, 7 between face and flank.
FLANK, ENDS, INSIDE, FACE = slice(0, 24), slice(24, 38), slice(38, 88), slice(88, 95)
LEFT, RIGHT, FIRST, LAST = slice(0, 12), slice(12, 24), slice(24, 31), slice(31, 38)
OUTLINE, SAMPLES = slice(0, 38), 95


@dataclass(frozen=True, eq=False)
class Witness:
    """What each sample point of n rods says.

    Parameters
    ----------
    points : ndarray (n, 95, 2), float32, work pixels: flanks, ends, inside, face.
    value : ndarray (n, 95), float32: for (positive) or against the rod, in diameters of outline.
    seen : ndarray (n, 95), float32: clearness of the edge there (inside: of edges across the axis).
    inside : ndarray (n, 95): whether the point lies in the clump.
    """

    points: Float32Array
    value: Float32Array
    seen: Float32Array
    inside: BoolArray

    def take(self, index: IntArray) -> Witness:
        """Return the witness of some of the rods."""
        return Witness(self.points[index], self.value[index], self.seen[index], self.inside[index])


def sample_points(rods: FloatArray) -> Float32Array:
    """Return the 95 sample points of each rod (n, 6), ndarray (n, 95, 2)."""
    x, y, angle, length, diameter, cap = f32(rods).T[:, :, None]
    half, radius = length / 2, diameter / 2
    along = np.concatenate(
        [
            half * AXIAL,
            half * AXIAL,
            -half - cap * ARCH,
            half + cap * ARCH,
            (half + cap * _GRID_ARCH) * _GRID_ALONG,
            -half + cap * ARCH,
        ],
        1,
    )
    shape = np.concatenate([np.repeat(np.array([-1, 1], np.float32), 12), CAP, CAP, _GRID_ACROSS, CAP])
    across = radius * shape
    c, s = np.cos(angle), np.sin(angle)
    out = np.empty((len(rods), SAMPLES, 2), np.float32)
    out[..., 0] = x + along * c - across * s
    out[..., 1] = y + along * s + across * c
    return out


def witness(field: Field, rods: FloatArray, shapes: FloatArray = LINE_SHAPES) -> Witness:
    """Return what each sample point of the rods (n, 6) says for or against them; `shapes` of lines across them."""
    points = sample_points(rods)
    t = sampled(field.tensor, points[..., 0], points[..., 1])
    inside = sampled(field.inside, points[..., 0], points[..., 1]) > 0.5
    d = field.diameter
    angle, length, diameter, cap = f32(rods).T[2:, :, None]
    c, s = np.cos(angle), np.sin(angle)
    seen = np.empty(points.shape[:2], np.float32)
    seen[:, FLANK] = edge_seen(energy_across(t[:, FLANK], -s, c))
    # the normal of a bulged end turns towards the flanks
    na, nl = ARCH * np.ones_like(cap), cap / (diameter / 2) * CAP
    size = np.hypot(na, nl)
    na, nl = na / size, nl / size
    for side, part in ((-1, FIRST), (1, LAST), (1, FACE)):
        seen[:, part] = edge_seen(energy_across(t[:, part], side * na * c - nl * s, side * na * s + nl * c))
    lines, noise = _lines_across(field, rods, shapes)
    for part in (FIRST, LAST):
        seen[:, part] = np.maximum(seen[:, part], _joint_seen(field, points[:, part], c, s, noise))
    seen[:, INSIDE] = np.repeat(lines, 5, 1)
    value = np.empty_like(seen)
    value[:, FLANK] = (seen[:, FLANK] - EVEN) * length / d / 12
    arc = np.sqrt(1 + 1.467 * (2 * cap / diameter) ** 2)  # of a half ellipse, from 1 to pi / 2
    value[:, ENDS] = (seen[:, ENDS] - EVEN) * arc * diameter / d / 7
    # of a disc without length the far outline is the face's own edge: what counts is that the ring is closed
    closed = np.sort(seen[:, ENDS], 1)[:, 3, None]
    part = np.minimum(1, length / (0.35 * d))
    face = part * seen[:, FACE] + (1 - part) * closed
    value[:, FACE] = at_an_angle(field, rods)[:, None] * FACE_WORTH * (face - EVEN) * arc * diameter / d / 7
    share = (length * diameter + np.pi / 2 * cap * diameter) / d**2 / 50
    against = LINE_COST * np.maximum(seen[:, INSIDE] - 0.35, 0) * diameter / d / 5
    value[:, INSIDE] = np.where(inside[:, INSIDE], AREA_WORTH * share - against, -OUTSIDE_COST * share)
    return Witness(points, value, seen, inside)


def _lines_across(field: Field, rods: FloatArray, shapes: FloatArray) -> tuple[Float32Array, Float32Array]:
    """Return how clearly lines run right across each rod, ndarray (n, 10): tenths from end to end, and noise (n, 2).

    Straight, oblique and bulging lines count alike: the end of another piece may look like any of them. The near end
    shows the rod's own face: an edge across the axis there belongs to the piece and is left out. The noise is that of
    the brightness' step and dip along the rod, averaged over its width.
    """
    out = np.zeros((len(rods), 10), np.float32)
    noise = np.ones((len(rods), 2), np.float32)
    reach = rods[:, 3] / 2 + rods[:, 5]
    long = reach > _COLUMNS_SHORT * 0.035 * field.diameter
    for some, columns in (
        (np.flatnonzero(~long), _COLUMNS_SHORT),
        (np.flatnonzero(long), 3 * _COLUMNS_SHORT),
    ):
        if len(some):
            out[some], noise[some] = _lines(field, rods[some], reach[some, None], columns, shapes)
    return out, noise


def _lines(
    field: Field, rods: FloatArray, reach: FloatArray, columns: int, shapes: FloatArray
) -> tuple[Float32Array, Float32Array]:
    """Return the tenths' clearest lines of rods, read in some number of columns, and the noise."""
    x, y, angle, _, diameter, cap = f32(rods).T[:, :, None]
    far, radius = f32(reach), diameter / 2
    c, s = np.cos(angle)[..., None], np.sin(angle)[..., None]
    at = np.linspace(-0.98, 0.98, columns).astype(np.float32)
    along = far * at
    across = (radius * _ROWS)[:, :, None]
    t = sampled(
        field.tensor,
        x[..., None] + along[:, None] * c - across * s,
        y[..., None] + along[:, None] * s + across * c,
    )
    edges = np.stack(
        [edge_seen(energy_across(t, c, s)), t[..., 3]], 1
    )  # (n, edge and brightness, 5 rows, columns)
    seen, light = edges.mean(2).transpose(1, 0, 2)
    noise = _noise(light)
    lines = np.maximum(seen, _stands_out(*_step_and_dip(light), noise))
    per_radius = radius / (far * (at[1] - at[0]))  # columns
    for shape in shapes:
        index = np.rint(per_radius * shape).astype(np.int64)[:, None, :, None] + np.arange(columns)
        moved = np.take_along_axis(edges, np.clip(index, 0, columns - 1), 3).mean(2)
        lines = np.maximum(lines, np.maximum(moved[:, 0], _stands_out(*_step_and_dip(moved[:, 1]), noise)))
    face = face_side(field, rods)[:, None]
    d = field.diameter
    beside = (far - face * along < 2 * cap + 0.3 * d) | (far + face * along < cap + 0.3 * d)
    return f32(np.where(beside, 0.0, lines).reshape(len(rods), 10, columns // 10).max(2)), noise


def _step_and_dip(light: Float32Array) -> tuple[Float32Array, Float32Array]:
    """Return the step and the dip of brightness profiles (n, k) at each place."""
    padded = np.pad(light, ((0, 0), (2, 2)), mode="edge")
    step = padded[:, 3:-1] - padded[:, 1:-3]
    dip = (padded[:, 4:] + padded[:, :-4]) / 2 - light
    return f32(step), f32(dip)


def _noise(light: Float32Array) -> Float32Array:
    """Return the noise of step and dip along brightness profiles (n, k), grey levels: ndarray (n, 2)."""
    parts = [1.4826 * np.median(np.abs(part), 1) for part in _step_and_dip(light)]
    return f32(np.maximum(np.stack(parts, 1), _LEAST_NOISE))


def _stands_out(step: Float32Array, dip: Float32Array, noise: Float32Array) -> Float32Array:
    """Return how clearly a step or a dark line stands out from the noise, 0..1."""
    z = np.maximum(np.abs(step) / noise[:, :1], dip / noise[:, 1:])
    return f32(z * z / (z * z + _CLEAR**2) * (z > 0))


def _joint_seen(
    field: Field, points: Float32Array, c: Float32Array, s: Float32Array, noise: Float32Array
) -> Float32Array:
    """Return how clearly the whole of an end (points (n, 7, 2)) is a step or a dark line, 0..1: ndarray (n, 1).

    The joint of two pieces alike in light is faint at each point, but runs right across.
    """
    off = np.float32(_JOINT_PX)
    light = [
        sampled(field.tensor, points[..., 0] + k * off * c, points[..., 1] + k * off * s)[..., 3].mean(
            1, keepdims=True
        )
        for k in (-1, 0, 1)
    ]
    return _stands_out(light[2] - light[0], (light[0] + light[2]) / 2 - light[1], noise)


#: How far beyond (+) or short of (-) the upper rod's outline a sample point is hidden, diameters: see `hidden_by`.
_MARGIN = np.concatenate([np.full(38, -0.07), np.full(50, 0.1), np.full(7, -0.07)]).astype(np.float32)
_CHUNK = 1024  # rods at a time, to save memory


def hidden_by(points: Float32Array, rods: FloatArray, diameter: float) -> BoolArray:
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
        dx, dy = points[part, :, 0] - x, points[part, :, 1] - y
        along = np.abs(dx * c + dy * s)
        across = np.abs(dy * c - dx * s)
        radius = np.maximum(width / 2 + margin, 1e-3)
        bulge = cap * np.sqrt(np.maximum(1 - (across / radius) ** 2, 0))
        out[part] = (across < radius) & (along < length / 2 + margin + bulge)
    return out
