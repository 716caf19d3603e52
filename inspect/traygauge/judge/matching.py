"""The same pieces in several photos of a tray on which nothing was moved, found again by their places."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from traygauge.measure.pieces import Pieces

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
ComplexArray = npt.NDArray[np.complex128]  # places: x + iy, mm

#: So near must a piece lie to its place in another photo. Pose, sag and the outline's own error move the middle of a
#: body by some tenths of a millimetre; neighbours are several millimetres away.
NEAR_MM = 1.0
#: First looked for so far away, then nearer: sheet and tray may have been nudged as a whole.
_NARROWING_MM = (6.0, 3.0, 1.5, 1.0)
#: The least share of pieces that must be found again where the tray was not shuffled.
LEAST_FOUND = 0.5


def match_places(one_mm: npt.ArrayLike, other_mm: npt.ArrayLike) -> IntArray:
    """Return for each place (n, 2) which of the other places (m, 2) is the same: ndarray (n,), -1 where none is.

    Places that are each other's nearest and at most `NEAR_MM` apart are the same, after the others have been moved
    and turned as a whole to fit as well as they can.
    """
    one, other = _complex(one_mm), _complex(other_mm)
    if not len(one) or not len(other):
        return np.full(len(one), -1, np.intp)
    moved = other
    for within in _NARROWING_MM:
        found = _mutual(one, moved, within)
        hit = found >= 0
        if np.count_nonzero(hit) >= 3:
            moved = _laid_onto(other, other[found[hit]], one[hit])
    return _mutual(one, moved, NEAR_MM)


def same_pieces(pieces: Pieces, photos: Sequence[str]) -> IntArray:
    """Return which rows of the table show the same pieces: ndarray (pieces found in all photos, photos)."""
    rows = [np.flatnonzero(pieces["photo"].astype(str) == name) for name in photos]
    places = np.stack([pieces["x_mm"], pieces["y_mm"]], -1).astype(float)
    first = rows[0]
    columns = [first]
    for others in rows[1:]:
        found = match_places(places[first], places[others])
        columns.append(np.where(found >= 0, others[found], -1) if len(others) else np.full(len(first), -1))
    table = np.stack(columns, -1)
    return np.asarray(table[(table >= 0).all(1)], np.intp)


def is_unmoved(pieces: Pieces, photos: Sequence[str], same: IntArray) -> bool:
    """Return whether enough pieces were found again to believe that nothing was moved between the photos."""
    fewest = min(int((pieces["photo"].astype(str) == name).sum()) for name in photos)
    return len(same) >= max(LEAST_FOUND * fewest, 1)


def _complex(places: npt.ArrayLike) -> ComplexArray:
    xy = np.asarray(places, float).reshape(-1, 2)
    return xy[:, 0] + 1j * xy[:, 1]


def _mutual(one: ComplexArray, other: ComplexArray, within: float) -> IntArray:
    """Return the index (n,) of each place's nearest other place, -1 where too far or nearer to another one."""
    from scipy.spatial import cKDTree

    a, b = (np.stack([z.real, z.imag], -1) for z in (one, other))
    away, nearest = map(np.asarray, cKDTree(b).query(a))
    back = np.asarray(cKDTree(a).query(b)[1])
    good = (away <= within) & (back[nearest] == np.arange(len(a)))
    return np.asarray(np.where(good, nearest, -1), np.intp)


def _laid_onto(places: ComplexArray, seen: ComplexArray, onto: ComplexArray) -> ComplexArray:
    """Return places moved and turned as a whole, in the way that brings those `seen` best onto their counterparts."""
    start, end = seen.mean(), onto.mean()
    turn = (np.conj(seen - start) * (onto - end)).sum()
    turn = turn / abs(turn) if abs(turn) > 0 else 1.0
    return np.asarray(end + turn * (places - start))
