"""Rods that may lie in a clump: axes between two parallel edges one diameter apart, ended by edges across."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.part_field import Field, Float32Array, edge_seen, f32

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

COARSE_DIAMETER = 14.0
_ANGLES = 24
_LATERAL = np.array([-0.7, -0.35, 0.0, 0.35, 0.7])
#: Ends looked at on each side of a seed.
_ENDS = 3


def _shifted(image: Float32Array, dx: float, dy: float, pad: int) -> Float32Array:
    """Return the inner part of a padded image, moved so that it shows what lies at (dx, dy)."""
    ix, iy = round(dx), round(dy)
    return image[pad + iy : image.shape[0] - pad + iy, pad + ix : image.shape[1] - pad + ix]


def axis_maps(field: Field) -> tuple[Float32Array, FloatArray]:
    """Return how clearly a strand's axis runs through each pixel, ndarray (angles, h, w), and the angles (rad).

    At each pixel and direction: the weaker of the two flanks' edges, averaged over 0.8 diameters along the axis.
    """
    radius = field.diameter / 2
    pad = int(np.ceil(radius + 2)) + 1
    angles = np.arange(_ANGLES) * np.pi / _ANGLES
    h, w = field.inside.shape
    maps = np.empty((_ANGLES, h, w), np.float32)
    xx, xy, yy = cv2.split(
        cv2.copyMakeBorder(field.tensor, 2 * pad, 2 * pad, 2 * pad, 2 * pad, cv2.BORDER_CONSTANT)
    )
    square = np.ones((3, 3), np.uint8)
    for k, angle in enumerate(angles):
        c, s = float(np.cos(angle)), float(np.sin(angle))
        energy = (s * s) * xx - (2 * s * c) * xy + (c * c) * yy
        seen = f32(cv2.dilate(edge_seen(energy), square))
        line = _shifted(seen, 0, 0, pad).copy()
        for step in (-0.4, -0.2, 0.2, 0.4):
            line += _shifted(seen, step * field.diameter * c, step * field.diameter * s, pad)
        left = _shifted(line, -radius * s, radius * c, pad)
        right = _shifted(line, radius * s, -radius * c, pad)
        maps[k] = np.minimum(left, right) * 0.2
    maps *= field.inside > 0.5
    return maps, angles


def seeds(field: Field, least: float = 0.3) -> FloatArray:
    """Return axis points worth following, ndarray (n, 3): x, y, angle (rad) in the field's pixels."""
    maps, angles = axis_maps(field)
    square = np.ones((5, 5), np.uint8)
    peak = np.stack([cv2.dilate(m, square) for m in maps])
    around = np.maximum(peak, np.maximum(np.roll(peak, 1, 0), np.roll(peak, -1, 0)))
    k, y, x = np.nonzero((maps >= around) & (maps > least))
    return np.stack([x, y, angles[k]], 1).astype(np.float64)


def _gather(image: Float32Array, x: FloatArray, y: FloatArray) -> Float32Array:
    xi = np.clip(np.rint(x).astype(np.int32), 0, image.shape[1] - 1)
    yi = np.clip(np.rint(y).astype(np.int32), 0, image.shape[0] - 1)
    return image[yi, xi]


def rods_from(field: Field, seed: FloatArray, reach: float) -> tuple[FloatArray, FloatArray]:
    """Return candidate rods (n, 5) x, y, angle, length, diameter, and a first score each, for seeds (m, 3).

    Each seed's axis is followed both ways for `reach` pixels; the clearest edges across it are taken as ends.
    """
    if not len(seed):
        return np.empty((0, 5)), np.empty(0)
    d = field.diameter
    steps = np.arange(1, int(np.ceil(reach)) + 1, dtype=np.float64)
    c, s = np.cos(seed[:, 2]), np.sin(seed[:, 2])
    cap = d / 2 * np.abs(field.lean[0] * c + field.lean[1] * s)
    sides = []
    for sign in (-1.0, 1.0):
        sides.append(_one_side(field, seed, sign, steps, c, s, cap))
    (s0, x0, f0, i0), (s1, x1, f1, i1) = sides
    length = s0[:, :, None] + s1[:, None, :]
    flank = f0[:, :, None] + f1[:, None, :]
    inner = i0[:, :, None] + i1[:, None, :]
    ends = x0[:, :, None] + x1[:, None, :]
    score = 2 * flank + d * ends - inner - 0.7 * length - 0.8 * d
    good = (length > 0.3 * d) & (s0[:, :, None] > 0) & (s1[:, None, :] > 0)
    m, a, b = np.nonzero(good)
    shift = (s1[m, b] - s0[m, a]) / 2
    rods = np.stack(
        [
            seed[m, 0] + shift * c[m],
            seed[m, 1] + shift * s[m],
            seed[m, 2],
            length[m, a, b],
            np.full(len(m), d),
        ],
        1,
    )
    return rods, score[m, a, b]


def _one_side(
    field: Field,
    seed: FloatArray,
    sign: float,
    steps: FloatArray,
    c: FloatArray,
    s: FloatArray,
    cap: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return for each seed and end on one side: distance, clearness, flanks seen and edges met on the way."""
    d = field.diameter
    n = len(seed)
    ox, oy = seed[:, 0, None], seed[:, 1, None]
    along = sign * steps[None]
    across = np.zeros((n, len(steps)))
    covered = np.zeros((n, len(steps)))
    for o in _LATERAL:
        bulge = sign * cap[:, None] * np.sqrt(1 - o * o)
        lx = ox - o * d / 2 * s[:, None]
        ly = oy + o * d / 2 * c[:, None]
        t = _gather(field.tensor, lx + (along + bulge) * c[:, None], ly + (along + bulge) * s[:, None])
        cc, ss = c[:, None], s[:, None]
        across += edge_seen(f32(cc * cc * t[..., 0] + 2 * ss * cc * t[..., 1] + ss * ss * t[..., 2]))
        covered += _gather(field.inside, lx + along * cc, ly + along * ss) > 0.5
    across /= len(_LATERAL)
    covered /= len(_LATERAL)
    flank = np.zeros_like(across)
    for o in (-1.0, 1.0):
        lx = ox - o * d / 2 * s[:, None] + along * c[:, None]
        ly = oy + o * d / 2 * c[:, None] + along * s[:, None]
        t = _gather(field.tensor, lx, ly)
        cc, ss = c[:, None], s[:, None]
        flank += 0.5 * edge_seen(f32(ss * ss * t[..., 0] - 2 * ss * cc * t[..., 1] + cc * cc * t[..., 2]))
    gone = np.cumsum(covered < 0.5, 1) > 2
    soft = cv2.blur(across.astype(np.float32), (3, 1), borderType=cv2.BORDER_REPLICATE).astype(np.float64)
    before = np.concatenate([np.zeros((n, 1)), soft[:, :-1]], 1)
    after = np.concatenate([soft[:, 1:], np.zeros((n, 1))], 1)
    is_peak = (soft >= before) & (soft > after) & ~gone & (soft > 0.15) & (steps[None] > 0.15 * d)
    rank = np.where(is_peak, soft - 0.004 * steps[None] / d, -1.0)
    best = np.argsort(-rank, 1)[:, :_ENDS]
    row = np.arange(n)[:, None]
    real = rank[row, best] > 0
    distance = np.where(real, steps[best], -1.0)
    flanks = np.cumsum(flank, 1)[row, best]
    met = np.cumsum(np.maximum(across - 0.25, 0) + (1 - covered), 1)
    inner = met[row, np.maximum(best - 3, 0)]
    return distance, soft[row, best], flanks, inner
