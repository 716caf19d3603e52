"""Parts of a clump that have never been cut apart: two pieces still joined by a web."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.part_result import Parting

FloatArray = npt.NDArray[np.float64]

#: How far a double's parts may turn (rad), gape and lie beside each other at the joint (diameters), and by how much the
#: light may fall right across it: each alone; together less (of 148 drawn doubles 126, of 16 pairs that met by chance none).
_TURN, _GAP, _STEP, _DARK = 0.2, 0.25, 0.08, 0.8
#: How deep (diameters) faces that meet may seem to lie in each other.
_DEEPEST = 0.1
#: Where the light at a joint is read: places across it (radii), and along it (diameters), where the lowest is within so
#: many of the middle, and the pieces' own light lies beyond so many.
_ACROSS, _ALONG = np.linspace(-0.4, 0.4, 5), np.linspace(-0.45, 0.45, 73)
_JOINT, _OWN = 0.18, 0.3


def doubles(parting: Parting, rgb: npt.NDArray[np.uint8]) -> list[tuple[int, int]]:
    """Return pairs of parts that lie so truly in one line, face to face, that they have never been cut apart.

    Both lie: what stands on end or leans has no face in line with another's. What is joined has no step at the joint, however
    its parts turn there, and no gap that is dark from flank to flank: a web is strand, and some light falls on it.

    Parameters
    ----------
    rgb : ndarray (h, w, 3): the clump's crop of the photo.
    """
    one, two = np.triu_indices(len(parting), 1)
    lying = np.array(parting.state) == "parted"
    some = lying[one] & lying[two]
    one, two = one[some], two[some]
    a, b = parting.rod_px[one], parting.rod_px[two]
    turn = (b[:, 2] - a[:, 2] + np.pi / 2) % np.pi - np.pi / 2
    middle = a[:, 2] + turn / 2
    middle += np.pi * (
        np.cos(middle) * (b - a)[:, 0] + np.sin(middle) * (b - a)[:, 1] < 0
    )  # from one to the other
    way = np.stack([np.cos(middle), np.sin(middle)], 1)
    tip_a, tip_b = _tip(a, middle, 1), _tip(b, middle, -1)
    d = (a[:, 4] + b[:, 4]) / 2
    gap = ((tip_b - tip_a) * way).sum(1) / d
    step = ((tip_b - tip_a) * np.stack([-way[:, 1], way[:, 0]], 1)).sum(1) / d
    far = np.hypot(np.hypot(turn / _TURN, np.maximum(gap, 0.0) / _GAP), step / _STEP)
    near = np.flatnonzero((far < 1.0) & (gap > -_DEEPEST))
    dark = _dark(rgb, (tip_a[near] + tip_b[near]) / 2, way[near], d[near])
    joined = near[np.hypot(far[near], dark / _DARK) < 1.0]
    return list(zip(one[joined].tolist(), two[joined].tolist(), strict=True))


def _tip(rods: FloatArray, towards: FloatArray, side: int) -> FloatArray:
    """Return the middle of that end of rods (n, 6) which looks in a direction (n,), or against it: ndarray (n, 2)."""
    way = np.stack([np.cos(rods[:, 2]), np.sin(rods[:, 2])], 1)
    same = np.sign(np.cos(rods[:, 2] - towards))
    return np.asarray(rods[:, :2] + (side * same * rods[:, 3] / 2)[:, None] * way)


def _dark(rgb: npt.NDArray[np.uint8], at: FloatArray, way: FloatArray, diameter: FloatArray) -> FloatArray:
    """Return by which share light falls right across joints (n, 2), at the place across where it falls least: (n,)."""
    if not len(at):
        return np.zeros(0)
    aside = np.stack([-way[:, 1], way[:, 0]], 1)[:, None, None]
    place = at[:, None, None] + diameter[:, None, None, None] * (
        _ALONG[:, None] * way[:, None, None] + _ACROSS[:, None, None] / 2 * aside
    )
    rows = place.reshape(-1, len(_ALONG), 2).astype(np.float32)
    colour = cv2.remap(rgb, rows[..., 0], rows[..., 1], cv2.INTER_LINEAR).astype(np.float64)
    beside = np.abs(_ALONG) > _OWN
    own = colour[:, beside].mean(1)
    light = (colour * own[:, None]).sum(2) / np.maximum((own * own).sum(1), 1.0)[:, None]
    lit = np.minimum(light[:, beside & (_ALONG < 0)].mean(1), light[:, beside & (_ALONG > 0)].mean(1))
    falls = 1.0 - light[:, np.abs(_ALONG) < _JOINT].min(1) / np.maximum(lit, 1e-3)
    return np.asarray(np.maximum(falls, 0.0).reshape(-1, len(_ACROSS)).min(1))
