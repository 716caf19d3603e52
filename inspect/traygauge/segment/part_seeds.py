"""Rods that may lie in a clump: axes between two parallel edges one diameter apart, ended by edges across."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.part_field import BoolArray, Field, Float32Array, FloatArray, IntArray, edge_seen, f32

#: Diameter of a strand, px, in the field that seeds are searched in.
COARSE_DIAMETER = 14.0
#: Directions of the axis tried over half a turn.
_ANGLES = 24
#: Steps along the axis, in diameters, over which a flank is averaged.
_LINE = (-0.4, -0.2, 0.2, 0.4)
_LATERAL = np.array([-0.66, -0.25, 0.25, 0.66])
#: Ends looked at on each side of a seed.
_ENDS = 3
#: A flank's edge seen in full at each of its points.
_FULL = 255 * (1 + len(_LINE))
#: One seed in each block of so many pixels to a side.
_BLOCK = 5
#: Diameters along the axis that every seed is followed.
_NEAR = 2.4
#: A first score, in diameters, below which nothing is followed up.
_LEAST = 0.3
#: A ring counts from this mean clearness of its edge.
_RING = 0.7
#: Seeds that are followed at a time.
_CHUNK = 1024
#: Lengths of upright pieces tried, diameters.
_TALL = np.array([0.6, 1.0, 1.4, 1.8, 2.3])


@dataclass(frozen=True, eq=False)
class Seeds:
    """Places from which to look for pieces, pixels of the field.

    Parameters
    ----------
    axis : ndarray (n, 3): x, y, angle (rad): points on an axis between two flanks.
    disc : ndarray (m, 2): x, y: middles of rings of the batch's diameter.
    """

    axis: FloatArray
    disc: FloatArray


def _shifted(
    image: npt.NDArray[np.uint8] | npt.NDArray[np.uint16], dx: float, dy: float, pad: int
) -> npt.NDArray[np.uint16]:
    """Return the inner part of a padded image, moved so that it shows what lies at (dx, dy)."""
    ix, iy = round(dx), round(dy)
    return image[pad + iy : image.shape[0] - pad + iy, pad + ix : image.shape[1] - pad + ix]  # type: ignore[return-value]


def seeds(field: Field, where: BoolArray | None = None, least: float = 0.3) -> Seeds:
    """Return where in the field pieces may lie (only at the pixels of `where`, if given).

    At each pixel and direction stands the weaker of two flanks' edges, one radius to either side, averaged over 0.8
    diameters along the axis; seeds are its local maxima. The mean of those edges over all directions, taken at the
    points alone, is largest in the middle of a ring.
    """
    radius = field.diameter / 2
    pad = int(np.ceil(radius + 2)) + 1
    tensor = cv2.copyMakeBorder(field.tensor[..., :3], *(2 * pad,) * 4, cv2.BORDER_CONSTANT)
    xx, xy, yy = (f32(part) for part in cv2.split(tensor))
    both, apart = (xx + yy) / 2, (yy - xx) / 2
    allowed = field.inside > 0.5 if where is None else where
    ring = np.zeros(allowed.shape, np.uint16)
    best = np.full(allowed.shape, int(least * _FULL), np.uint16)
    which = np.zeros(allowed.shape, np.uint8)
    near = np.ones((3, 3), np.uint8)
    angles = np.arange(_ANGLES) * np.pi / _ANGLES
    for k, (c, s) in enumerate(zip(np.cos(angles), np.sin(angles), strict=True)):
        energy = both + np.float32(c * c - s * s) * apart - np.float32(2 * s * c) * xy
        seen = np.asarray(cv2.dilate((255 * edge_seen(energy)).astype(np.uint8), near), np.uint8)
        line = _shifted(seen, 0, 0, pad).astype(np.uint16)
        for step in _LINE:
            line += _shifted(seen, step * field.diameter * c, step * field.diameter * s, pad)
        left = _shifted(line, -radius * s, radius * c, pad)
        right = _shifted(line, radius * s, -radius * c, pad)
        weaker = np.minimum(left, right)
        np.copyto(which, k, where=weaker > best)
        np.maximum(best, weaker, out=best)
        ring += _shifted(seen, -radius * s, radius * c, 2 * pad)
        ring += _shifted(seen, radius * s, -radius * c, 2 * pad)
    found = np.where(allowed & (best > least * _FULL), best, 0)
    y, x = _tops(f32(found), _BLOCK)
    round_ = f32(ring) * allowed / (2 * 255 * _ANGLES)
    v, u = np.nonzero((round_ >= cv2.dilate(round_, np.ones((5, 5), np.uint8))) & (round_ > _RING))
    axis = np.stack([x, y, angles[which[y, x]]], 1)
    return Seeds(axis.astype(np.float64), np.stack([u, v], 1).astype(np.float64))


def _tops(value: Float32Array, size: int) -> tuple[IntArray, IntArray]:
    """Return the place (rows, columns) of the highest value in each block of size x size pixels that has any."""
    h, w = value.shape
    rows, columns = -(-h // size), -(-w // size)
    full = np.zeros((rows * size, columns * size), np.float32)
    full[:h, :w] = value
    blocks = (
        full.reshape(rows, size, columns, size).transpose(0, 2, 1, 3).reshape(rows * columns, size * size)
    )
    at = blocks.argmax(1)
    some = np.flatnonzero(blocks[np.arange(len(at)), at] > 0)
    y = some // columns * size + at[some] // size
    x = some % columns * size + at[some] % size
    return y, x


def discs_at(field: Field, disc: FloatArray) -> FloatArray:
    """Return discs (n, 6) at middles (n, 2): what an upright piece's upper cut face looks like."""
    lean = field.lean_at(disc[:, 0], disc[:, 1])
    out = np.zeros((len(disc), 6))
    out[:, :2] = disc
    out[:, 2] = np.arctan2(-lean[:, 1], -lean[:, 0])
    out[:, 4], out[:, 5] = field.diameter, field.diameter / 2
    return out


def standing(field: Field, discs: FloatArray) -> FloatArray:
    """Return candidates (n, 6) of upright pieces of several lengths whose upper cut faces are discs (m, 6).

    The foot lies from the face towards the camera's foot point, by the piece's length times the lean, and the outline
    is that of a rod with round ends, the face first.
    """
    d = field.diameter
    lean = field.lean_at(discs[:, 0], discs[:, 1])
    shift = lean[:, None, :] * (d * _TALL)[None, :, None]
    length = np.hypot(shift[..., 0], shift[..., 1])
    out = np.repeat(discs[:, None], len(_TALL), 1)
    out[..., :2] -= shift / 2
    out[..., 2] = np.arctan2(-lean[:, 1], -lean[:, 0])[:, None]
    out[..., 3] = length
    return np.asarray(out[np.diff(length, axis=1, prepend=0) > 0.06 * d])


def rods_from(field: Field, seed: FloatArray, reach: float) -> FloatArray:
    """Return candidate rods (n, 5) x, y, angle, length, diameter, from seeds (m, 3).

    Each seed's axis is followed both ways for `reach` pixels; the clearest edges across it are taken as ends.
    """
    d = field.diameter
    some = range(0, len(seed), _CHUNK)
    found = [_rods_from(field, seed[at : at + _CHUNK], reach) for at in some]
    rods = np.concatenate([np.empty((0, 5)), *(r for r, _ in found)])
    return rods[_unlike(rods, np.concatenate([np.empty(0), *(s for _, s in found)]), d)]


def _rods_from(field: Field, seed: FloatArray, reach: float) -> tuple[FloatArray, FloatArray]:
    """Return the rods (n, 5) that seeds (m, 3) give, and their scores (n,)."""
    d = field.diameter
    first, second = (_one_side(field, seed, side, reach) for side in (-1, 1))
    (s0, x0, f0, i0), (s1, x1, f1, i1) = first, second
    length = s0[:, :, None] + s1[:, None, :]
    flank = f0[:, :, None] + f1[:, None, :]
    ends = x0[:, :, None] + x1[:, None, :]
    score = 2 * flank + d * ends - i0[:, :, None] - i1[:, None, :] - 0.7 * length - 0.8 * d
    good = (length > 0.3 * d) & (s0[:, :, None] > 0) & (s1[:, None, :] > 0) & (score > _LEAST * d)
    m, a, b = np.nonzero(good)
    shift = (s1[m, b] - s0[m, a]) / 2
    x = seed[m, 0] + shift * np.cos(seed[m, 2])
    y = seed[m, 1] + shift * np.sin(seed[m, 2])
    rods = np.stack([x, y, seed[m, 2], length[m, a, b], np.full(len(m), d)], 1)
    return rods, np.asarray(score[m, a, b], np.float64)


def _unlike(rods: FloatArray, score: FloatArray, d: float) -> IntArray:
    """Return the best of each lot of rods (n, 5) that are alike within a step of place, angle and length."""
    step = np.array([d / 8, d / 8, np.pi / _ANGLES, d / 5])
    cell = np.rint(rods[:, :4] / step).astype(np.int64)
    cell[:, 2] %= _ANGLES
    order = np.argsort(-score, kind="stable")
    spread = np.array([1 << 44, 1 << 24, 1 << 16, 1])
    _, first = np.unique((cell * spread).sum(1)[order], return_index=True)
    return order[first]


def _at(image: Float32Array, x: FloatArray, y: FloatArray) -> Float32Array:
    """Return the image at the nearest pixels."""
    xi = np.clip((x + 0.5).astype(np.int32), 0, image.shape[1] - 1)
    yi = np.clip((y + 0.5).astype(np.int32), 0, image.shape[0] - 1)
    return image[yi, xi]


def _one_side(
    field: Field, seed: FloatArray, side: int, reach: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return for each seed and end on one side: distance, clearness, flanks seen and edges met on the way.

    All are followed a usual piece's length, and only those whose flanks still run on there to the full reach.
    """
    d = field.diameter
    short = np.arange(1, int(min(reach, _NEAR * d)) + 1)
    across, covered, flank = _profiles(field, seed, side, short)
    found = _ends(across, covered, flank, short, d)
    last = slice(-max(1, int(d / 2)), None)
    on = np.flatnonzero((flank[:, last].mean(1) > 0.5) & (covered[:, last].mean(1) > 0.7))
    if reach > len(short) and len(on):
        steps = np.arange(1, int(reach) + 1)
        further = _ends(*_profiles(field, seed[on], side, steps), steps, d)
        for all_, some in zip(found, further, strict=True):
            all_[on] = some
    return found


def _profiles(
    field: Field, seed: FloatArray, side: int, steps: IntArray
) -> tuple[Float32Array, Float32Array, Float32Array]:
    """Return along each seed's axis (n, steps): edges across seen, share inside the clump, flanks seen."""
    d = field.diameter
    x, y = seed[:, 0, None].astype(np.float32), seed[:, 1, None].astype(np.float32)
    c, s = np.cos(seed[:, 2, None]).astype(np.float32), np.sin(seed[:, 2, None]).astype(np.float32)
    lean = field.lean_at(seed[:, 0], seed[:, 1]).astype(np.float32)
    cap = side * np.float32(d / 2) * np.abs(lean[:, :1] * c + lean[:, 1:] * s)
    along = (side * steps[None]).astype(np.float32)
    across, covered, flank = (np.zeros((len(seed), len(steps)), np.float32) for _ in range(3))
    for o in _LATERAL.astype(np.float32):
        lx, ly = x - o * d / 2 * s, y + o * d / 2 * c
        far = along + cap * np.sqrt(1 - o * o)
        t = _at(field.tensor, lx + far * c, ly + far * s)
        across += edge_seen(f32(c * c * t[..., 0] + 2 * s * c * t[..., 1] + s * s * t[..., 2]))
        covered += _at(field.inside, lx + along * c, ly + along * s) > 0.5
    for o in (-0.5, 0.5):
        lx, ly = x - np.float32(o * d) * s + along * c, y + np.float32(o * d) * c + along * s
        t = _at(field.tensor, lx, ly)
        flank += 0.5 * edge_seen(f32(s * s * t[..., 0] - 2 * s * c * t[..., 1] + c * c * t[..., 2]))
    return f32(across / len(_LATERAL)), f32(covered / len(_LATERAL)), flank


def _ends(
    across: Float32Array, covered: Float32Array, flank: Float32Array, steps: IntArray, d: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the clearest ends along profiles (n, steps): distance, clearness, flanks seen, edges met before."""
    n = len(across)
    gone = np.cumsum(covered < 0.5, 1) > 2
    soft = f32(cv2.blur(across, (3, 1), borderType=cv2.BORDER_REPLICATE))
    before = np.pad(soft[:, :-1], ((0, 0), (1, 0)))
    after = np.pad(soft[:, 1:], ((0, 0), (0, 1)))
    is_peak = (soft >= before) & (soft > after) & ~gone & (soft > 0.15) & (steps[None] > 0.1 * d)
    met = np.cumsum(np.maximum(across - 0.25, 0) + (1 - covered), 1)
    met = np.concatenate(
        [np.repeat(met[:, :1], 3, 1), met[:, :-3]], 1
    )  # the end's own edge is not met before it
    flanks = np.cumsum(flank, 1)
    worth = np.where(is_peak, 2 * flanks + d * soft - met - 0.7 * steps, -np.inf)
    best = np.argsort(-worth, 1)[:, :_ENDS]
    row = np.arange(n)[:, None]
    distance = np.where(np.isfinite(worth[row, best]), steps[best], -1.0)
    clear = np.asarray(soft[row, best], np.float64)
    return distance, clear, np.asarray(flanks[row, best], np.float64), np.asarray(met[row, best], np.float64)
