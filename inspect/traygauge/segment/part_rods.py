"""Rods: what a piece of strand looks like from above, and reading the edge field along them.

A rod is a row of six figures in work pixels: middle x, y, axis angle (rad, x towards y), length between the flanks'
ends, diameter, and the depth by which its outline bulges beyond the flanks' ends as half an ellipse (what of a round
end is seen when the camera looks along the axis). A disc is a rod of length 0 whose bulge is its radius.
"""

from __future__ import annotations

import cv2
import numpy as np

from traygauge.segment.part_field import BoolArray, Field, Float32Array, FloatArray

#: Where an end's outline is read, radii from the axis, and how far a bulge of 1 reaches there.
CAP = np.array([-0.85, -0.57, -0.28, 0.0, 0.28, 0.57, 0.85], np.float32)
ARCH = np.sqrt(1 - CAP**2)


def sampled(image: Float32Array, x: Float32Array, y: Float32Array) -> Float32Array:
    """Return the image at points (...), bilinear, zero outside: ndarray (..., channels) or (...)."""
    count = x.size
    width = 1024 if count < 2**24 else 16384  # neither side of a grid may be longer than 32767
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


def energy_across(tensor: Float32Array, c: Float32Array, s: Float32Array) -> Float32Array:
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


def grown(rods: FloatArray, by: float) -> FloatArray:
    """Return rods grown on all sides by some pixels."""
    out = rods.copy()
    out[:, 3] += 2 * by
    out[:, 4] += 2 * by
    return out
