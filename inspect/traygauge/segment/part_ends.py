"""How well an end of every shape explains the edges in which a rod may end.

A cut face leans: sideways it makes the end oblique, up or down it makes the outline bulge as half an ellipse, on top
of the bulge that the sideways view gives, and a piece that rests at an angle bulges more still, at both ends alike.
"""

from __future__ import annotations

import numpy as np

from traygauge.segment.part_field import BoolArray, Field, Float32Array, FloatArray, IntArray, f32, pull
from traygauge.segment.part_rods import ARCH, CAP, energy_across, sampled

#: Bulges tried, in radii, and sideways slopes of the cut face.
BULGES = np.array([0.0, 0.08, 0.16, 0.24, 0.32, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
SLOPES = np.array([-0.36, -0.24, -0.12, 0.0, 0.12, 0.24, 0.36])
#: An end is sought where its outline is, this share of the bulge beyond the flanks' end.
APEX = 0.85
#: Tangent of a cut's angle from square, as a standard deviation (common practice, no source).
SLANT = 0.09
#: How much likelier an end is that is seen more clearly by 1, as a logarithm (swept on drawn scenes).
SURE = 30.0
#: What the edge between face and flank counts, against the outline; in full from this bulge on.
FACE, _FACE_SEEN = 0.5, 0.2
#: Steps of a strip across an end in the last reading, diameters.
FINE = 0.5 / 28.0
#: Fine steps that an end may move in the last reading.
SHIFTS = np.arange(-8, 9)


def end_scores(field: Field, rods: FloatArray, side: int, read: BoolArray, faced: BoolArray) -> Float32Array:
    """Return the pull on one end for each (bulge, slope, shift): of its outline and of the edge behind its face.

    Ends that must show their face (`faced`) are held to both; of others a cut that slants may show it.
    """
    strip = strip_across(field, rods, side, read, FINE, 48, falling=True)
    outer, inner, between = (
        sums_along(strip, steps_met(BULGES, SLOPES, SHIFTS, bulging, side, FINE, 48))
        for bulging in (side, -side, 0)
    )
    shown = np.minimum(1, BULGES / _FACE_SEEN).astype(np.float32)[:, None, None]
    must = faced[:, None, None, None]
    return f32(outer + np.float32(FACE) * np.where(must, shown * inner, np.maximum(inner - between, 0)))


def strip_across(
    field: Field,
    rods: FloatArray,
    side: int,
    read: BoolArray,
    step: float,
    half: int,
    *,
    falling: bool = False,
) -> Float32Array:
    """Return the pull of edges across the rods around one end's outline: ndarray (n, 7 across, 2 half + 1 along).

    Each row is weighted so that a sum over them is the mean of those to be read. With `falling`, edges beyond which a place
    is less like the strand count more: of a dark gap's two edges that is the piece's own.
    """
    x, y, angle, length, diameter, cap = f32(rods).T[:, :, None, None]
    c, s = np.cos(angle), np.sin(angle)
    apex = side * (length / 2 + np.float32(APEX) * cap)
    along = apex + np.arange(-half, half + 1, dtype=np.float32) * np.float32(step * field.diameter)
    across = diameter / 2 * CAP[:, None]
    at = x + along * c - across * s, y + along * s + across * c
    energy = energy_across(sampled(field.tensor, *at), c, s)
    if falling and field.likeness is not None:
        rise = sampled(field.likeness, *at)
        energy = energy + np.minimum(side * (rise[..., 0] * c + rise[..., 1] * s), 0.0) ** 2
    weight = read + 1e-3
    weight = (weight / weight.sum(1, keepdims=True)).astype(np.float32)
    return f32(pull(f32(energy)) * weight[:, :, None])


def steps_met(
    bulges: FloatArray, slopes: FloatArray, shifts: IntArray, bulging: int, side: int, step: float, half: int
) -> IntArray:
    """Return which step of a strip an end of some shape and shift meets: (bulges, slopes, 7, shifts)."""
    at = bulges[:, None, None] * (bulging * ARCH - side * APEX) + slopes[:, None] * CAP
    steps = np.rint(at * 0.5 / step).astype(np.int64)[..., None] + shifts
    return np.asarray(np.clip(steps + half, 0, 2 * half), np.int64)


def sums_along(strip: Float32Array, index: IntArray) -> Float32Array:
    """Return the sums of strips (n, 7, steps) along ends of every shape: (n, bulges, slopes, shifts)."""
    total = strip[:, 0][:, index[:, :, 0]]
    for row in range(1, strip.shape[1]):
        total = total + strip[:, row][:, index[:, :, row]]
    return total
