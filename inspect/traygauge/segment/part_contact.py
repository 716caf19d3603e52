"""Ends against another piece's flank: pieces that touch side by side do not lie in each other."""

from __future__ import annotations

import numpy as np

from traygauge.segment.part_cover import pairs_near
from traygauge.segment.part_field import FloatArray, IntArray

#: Places across an end at which it is looked for in others, radii.
_ACROSS = np.linspace(-1.0, 1.0, 9)
#: An end that lies further in another piece than this (diameters) lies above or below it, and ends that meet a flank at
#: less than this angle (sine) slide along it.
_DEEPEST, _LEAST_SINE = 0.2, 0.5
#: Standard deviations of an end's place and of a flank's, diameters, and of a cut's slope.
_END_SD, _FLANK_SD, _SLOPE_SD = 0.026, 0.011, 0.09


def held_back(rods: FloatArray, diameter: float) -> FloatArray:
    """Return how far each end of rods (n, 6) goes back because it would lie in another's flank, pixels: ndarray (n, 2).

    A corner of a square end lies in the other piece when the end was found too far out, at the other's limb, or when the
    cut is oblique, and of the two variances' sum the end's own share is taken back (the mean of a sum's part given the sum).
    """
    depth = np.zeros((len(rods), 2))
    i, j = pairs_near(rods)
    for one, other in ((i, j), (j, i)):
        for k, side in enumerate((-1.0, 1.0)):
            np.maximum.at(depth[:, k], one, _depth(rods, one, other, side, diameter))
    end, slope = _END_SD**2, (_SLOPE_SD / 2) ** 2
    return np.asarray(depth * end / (end + slope + _FLANK_SD**2))


def _depth(rods: FloatArray, one: IntArray, other: IntArray, side: float, diameter: float) -> FloatArray:
    """Return how deep (m,) one end of rods lies in the flanks of others, along its own axis; 0 where it does not."""
    x, y, angle, length, width, _ = rods[one].T[:, :, None]
    u, v, turn, half, wide, _ = rods[other].T[:, :, None]
    c, s = side * np.cos(angle), side * np.sin(angle)
    px, py = (
        x + length / 2 * c - _ACROSS * width / 2 * s - u,
        y + length / 2 * s + _ACROSS * width / 2 * c - v,
    )
    along = np.abs(px * np.cos(turn) + py * np.sin(turn))
    sine = s * np.cos(turn) - c * np.sin(turn)
    across = (py * np.cos(turn) - px * np.sin(turn)) * np.sign(sine)
    passed = across + wide / 2
    inside = (along < half / 2) & (passed > 0) & (passed < _DEEPEST * diameter) & (np.abs(sine) > _LEAST_SINE)
    return np.asarray(np.where(inside, passed / np.maximum(np.abs(sine), _LEAST_SINE), 0.0).max(1))
