"""Rods fitted to the edge field, and what each point of a rod speaks for or against it.

A rod is a row of six figures in work pixels: middle x, y, axis angle (rad, x towards y), length between the flanks'
ends, diameter, and the depth by which its outline bulges beyond the flanks' ends as half an ellipse (what of a round
end is seen when the camera looks along the axis). A disc is a rod of length 0 whose bulge is its radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.part_field import Field, Float32Array, edge_seen, pull

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: An outline point speaks for the rod when its edge is seen more clearly than this.
EVEN = 0.45
#: What a square diameter of explained area is worth, in diameters of outline.
AREA_WORTH = 0.5
#: What a square diameter outside the clump costs.
OUTSIDE_COST = 3.0
#: What a clear line right across a rod costs, in diameters of outline.
LINE_COST = 1.0

_AXIAL = np.linspace(-0.92, 0.92, 12)
_CAP = np.array([-0.85, -0.57, -0.28, 0.0, 0.28, 0.57, 0.85])
_ARCH = np.sqrt(1 - _CAP**2)
_ROWS = np.array([-0.72, -0.36, 0.0, 0.36, 0.72])
_GRID_ACROSS = np.tile(_ROWS, 10)
_GRID_ALONG = np.repeat(np.linspace(-0.9, 0.9, 10), 5)
_GRID_ARCH = np.sqrt(1 - _GRID_ACROSS**2)
_FINE_ALONG = np.linspace(-0.97, 0.97, 30)
#: Samples of a rod: 24 on the flanks, 14 on the ends, 50 inside.
FLANK, ENDS, INSIDE, SAMPLES = slice(0, 24), slice(24, 38), slice(38, 88), 88
_TILTS = np.array([-0.3, -0.15, 0.0, 0.15, 0.3])


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


def cap_depth(angle: FloatArray, diameter: FloatArray, lean: tuple[float, float]) -> FloatArray:
    """Return how far a lying rod's outline bulges beyond its flanks' ends, because it is seen from the side, px."""
    return np.asarray(diameter / 2 * np.abs(lean[0] * np.cos(angle) + lean[1] * np.sin(angle)))


def energy_across(tensor: Float32Array, c: FloatArray, s: FloatArray) -> Float32Array:
    """Return the energy of edges across the direction (c, s); c and s broadcast."""
    return np.asarray(
        c * c * tensor[..., 0] + 2 * s * c * tensor[..., 1] + s * s * tensor[..., 2], np.float32
    )


def lying(rods: FloatArray, lean: tuple[float, float]) -> FloatArray:
    """Return rods (n, 6) from (n, 5): the bulge of pieces that lie flat is known from the view."""
    return np.concatenate([rods, cap_depth(rods[:, 2], rods[:, 4], lean)[:, None]], 1)


def refined(field: Field, rods: FloatArray, diameter_sd: float = 0.05) -> FloatArray:
    """Return the rods (n, 6) moved onto the edges near them: flanks first, then ends, twice.

    `diameter_sd` is the batch's relative spread of diameters.
    """
    out = rods.copy()
    for reach in (3.0, 1.5):
        out = _flanks_moved(field, out, reach, diameter_sd)
        out = _ends_moved(field, out, reach)
    return out


def _flanks_moved(field: Field, rods: FloatArray, reach: float, diameter_sd: float) -> FloatArray:
    unit = field.diameter / 28.0
    offset = np.linspace(-reach, reach, 13) * unit
    slope = np.linspace(-1, 1, 7)  # of the reach at the rod's ends
    x, y, angle, length, diameter = rods[:, :5].T
    c, s = np.cos(angle)[:, None, None], np.sin(angle)[:, None, None]
    along = (length[:, None] / 2 * _AXIAL)[:, :, None]
    lag = np.rint(slope[:, None] * _AXIAL[None] * 6).astype(int)  # in steps of the offset
    take = np.clip(np.arange(13) + lag[:, :, None], 0, 12)  # (slope, axial, offset)
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
    joint = joint - (0.1 * ((wide / field.diameter - 1) / diameter_sd) ** 2)[:, None]
    k, a, b = np.unravel_index(joint.reshape(len(rods), -1).argmax(1), joint.shape[1:])
    middle = (offset[a] + offset[b]) / 2
    out = rods.copy()
    out[:, 0] -= middle * np.sin(angle)
    out[:, 1] += middle * np.cos(angle)
    out[:, 2] += np.arctan2(slope[k] * reach * unit, np.maximum(length / 2, 1.0))
    out[:, 4] += offset[b] - offset[a]
    return out


def _ends_moved(field: Field, rods: FloatArray, reach: float) -> FloatArray:
    """Return the rods with their ends drawn along the axis onto edges across it, whatever the cut's slope."""
    offset = np.linspace(-reach, reach, 13) * field.diameter / 28.0
    angle, length, diameter, cap = rods[:, 2:].T
    lateral = (diameter[:, None] / 2 * _CAP)[:, :, None]
    towards = np.sign(field.lean[0] * np.cos(angle) + field.lean[1] * np.sin(angle))
    moved = []
    for side in (-1.0, 1.0):
        end = side * length[:, None, None] / 2 + offset
        drawn = _drawn_across(field, rods, end, side, lateral)
        # the near end shows its face: the outline and the edge between face and flank, both as half ellipses
        near = (side * towards < 0) & (cap > 0.05 * diameter)
        if near.any():
            face = _drawn_across(field, rods[near], end[near], -side, lateral[near])
            drawn[near] += 0.6 * face
        drawn -= 0.1 * np.abs(_TILTS)[:, None]
        moved.append(_peak(drawn.max(1), offset))
    out = rods.copy()
    shift = (moved[0] + moved[1]) / 2
    out[:, 0] += shift * np.cos(angle)
    out[:, 1] += shift * np.sin(angle)
    out[:, 3] = np.maximum(out[:, 3] + moved[1] - moved[0], 0.2 * field.diameter)
    return out


def _drawn_across(
    field: Field, rods: FloatArray, end: FloatArray, bulge: float, lateral: FloatArray
) -> Float32Array:
    """Return the pull of edges across rods at ends (n, 1, k) from the middle, cut slopes in between: (n, 5, k)."""
    c, s = np.cos(rods[:, 2])[:, None, None, None], np.sin(rods[:, 2])[:, None, None, None]
    flat = end + bulge * rods[:, 5, None, None] * _ARCH[None, :, None]
    along = flat[:, None] + _TILTS[:, None, None] * lateral[:, None]
    t = sampled(
        field.tensor,
        rods[:, 0, None, None, None] + along * c - lateral[:, None] * s,
        rods[:, 1, None, None, None] + along * s + lateral[:, None] * c,
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
    points : ndarray (n, 88, 2), work pixels: flanks, ends, inside.
    value : ndarray (n, 88): for (positive) or against the rod, in diameters of outline.
    seen : ndarray (n, 88): clearness of the edge there (inside: of edges across the axis).
    inside : ndarray (n, 88): whether the point lies in the clump.
    """

    points: FloatArray
    value: FloatArray
    seen: FloatArray
    inside: BoolArray

    def take(self, index: IntArray) -> Witness:
        """Return the witness of some of the rods."""
        return Witness(self.points[index], self.value[index], self.seen[index], self.inside[index])


def sample_points(rods: FloatArray) -> FloatArray:
    """Return the 88 sample points of each rod (n, 6), ndarray (n, 88, 2)."""
    half, radius, cap = rods[:, 3, None] / 2, rods[:, 4, None] / 2, rods[:, 5, None]
    along = np.concatenate(
        [
            half * _AXIAL,
            half * _AXIAL,
            -half - cap * _ARCH,
            half + cap * _ARCH,
            (half + cap * _GRID_ARCH) * _GRID_ALONG,
        ],
        1,
    )
    shape = np.concatenate([-np.ones(12), np.ones(12), _CAP, _CAP, _GRID_ACROSS])
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
    na, nl = _ARCH * np.ones_like(cap), cap / (diameter / 2) * _CAP
    size = np.hypot(na, nl)
    na, nl = na / size, nl / size
    for side, part in ((-1.0, slice(24, 31)), (1.0, slice(31, 38))):
        seen[:, part] = edge_seen(energy_across(t[:, part], side * na * c - nl * s, side * na * s + nl * c))
    seen[:, INSIDE] = np.repeat(_lines_across(field, rods), 5, 1)
    value = np.empty_like(seen)
    value[:, FLANK] = (seen[:, FLANK] - EVEN) * length / d / 12
    value[:, ENDS] = (seen[:, ENDS] - EVEN) * np.hypot(diameter, 0.57 * 2 * cap) / d / 7
    share = (length * diameter + np.pi / 2 * cap * diameter) / d**2 / 50
    against = LINE_COST * np.maximum(seen[:, INSIDE] - 0.35, 0) * diameter / d / 5
    value[:, INSIDE] = np.where(inside[:, INSIDE], AREA_WORTH * share - against, -OUTSIDE_COST * share)
    return Witness(points, value, seen, inside)


def _lines_across(field: Field, rods: FloatArray) -> FloatArray:
    """Return how clearly lines run right across each rod, ndarray (n, 10): tenths from end to end.

    The near end shows its face: an edge across the axis there belongs to the piece and is left out.
    """
    half, radius, cap = rods[:, 3, None] / 2, rods[:, 4, None] / 2, rods[:, 5, None]
    c, s = np.cos(rods[:, 2, None]), np.sin(rods[:, 2, None])
    along = (half + cap) * _FINE_ALONG
    total = np.zeros(along.shape, np.float32)
    for row in _ROWS:
        across = row * radius
        t = sampled(
            field.tensor, rods[:, 0, None] + along * c - across * s, rods[:, 1, None] + along * s + across * c
        )
        total += edge_seen(energy_across(t, c, s))
    towards = np.sign(
        field.lean[0] * c + field.lean[1] * s
    )  # +: the near end is the one at negative distance
    from_near = half + cap + towards * along
    from_far = half + cap - towards * along
    d = field.diameter
    beside = (from_near < 2 * cap + 0.2 * d) | (from_far < cap + 0.2 * d)
    lines = np.where(beside, 0.0, total / len(_ROWS))
    return np.asarray(lines.reshape(len(rods), 10, 3).max(2))


def lies_in(points: FloatArray, rods: FloatArray, margin: float) -> BoolArray:
    """Return whether points (m, k, 2) lie in rods (m, 6), grown by a margin in pixels: ndarray (m, k)."""
    c, s = np.cos(rods[:, 2, None]), np.sin(rods[:, 2, None])
    dx, dy = points[..., 0] - rods[:, 0, None], points[..., 1] - rods[:, 1, None]
    along, across = np.abs(dx * c + dy * s), np.abs(dy * c - dx * s)
    radius = np.maximum(rods[:, 4, None] / 2 + margin, 1e-9)
    bulge = rods[:, 5, None] * np.sqrt(np.maximum(1 - (across / radius) ** 2, 0))
    return np.asarray((across < radius) & (along < rods[:, 3, None] / 2 + bulge + margin))


def hidden_by(points: FloatArray, rods: FloatArray, diameter: float) -> BoolArray:
    """Return which of the sample points (m, 88, 2) of rods are hidden when the other `rods` (m, 6) lie above.

    The upper rod's own outline may be the outline of a neighbour too, so it hides only what lies well within; inside
    the lower one, though, the upper one's outline is a line across that says nothing against it.
    """
    out = np.empty(points.shape[:2], bool)
    out[:, :38] = lies_in(points[:, :38], rods, -0.07 * diameter)
    out[:, INSIDE] = lies_in(points[:, INSIDE], rods, 0.1 * diameter)
    return out
