"""Parting by necks: what is no strand is cut where its outline comes close to itself between two notches."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.part_field import BoolArray, FloatArray, IntArray

LabelArray = npt.NDArray[np.int32]

#: A notch counts from this depth on, as a share of the square root of the area; and in pixels.
_NOTCH, _NOTCH_PX = 0.1, 2.0
#: A cut is made where it is no longer than this times what it takes away of the notches' depths.
_WORTH = 1.0
#: No more cuts than this are made in one thing.
_MOST_CUTS = 60


@dataclass(frozen=True, eq=False)
class Necks:
    """A thing cut at its necks.

    Parameters
    ----------
    labels : ndarray (h, w), int32: 0 outside, k + 1 for part k.
    confidence : ndarray (k,), 0..1: 1 less the longest cut around each part over the smaller side's equivalent
        diameter; 1 for an uncut thing.
    solidity : ndarray (k,): area over that of the convex hull.
    """

    labels: LabelArray
    confidence: FloatArray
    solidity: FloatArray


def parted_at_necks(mask: BoolArray, least_area: float) -> Necks:
    """Return a thing's parts after cuts from notch to notch, or from a notch straight across; none below an area."""
    todo = [(part, 1.0) for part in _pieces(mask)]
    done: list[tuple[BoolArray, float, float]] = []
    cuts = 0
    while todo:
        part, sure = todo.pop()
        cut = _best_cut(part, least_area) if cuts < _MOST_CUTS else None
        if cut is None:
            done.append((part, sure, solidity(part)))
            continue
        cuts += 1
        pieces, cut_px = cut
        width = 2 * min(float(piece.sum()) / np.pi for piece in pieces) ** 0.5
        todo += [(piece, min(sure, max(1.0 - cut_px / width, 0.0))) for piece in pieces]
    labels = np.zeros(mask.shape, np.int32)
    for k, (part, _, _) in enumerate(done):
        labels[part] = k + 1
    return Necks(labels, np.array([d[1] for d in done]), np.array([d[2] for d in done]))


def _pieces(mask: BoolArray) -> list[BoolArray]:
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=4)
    return [labels == k for k in range(1, count)]


def _outline(mask: BoolArray) -> npt.NDArray[np.int32]:
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(found, key=len)[:, 0], np.int32)


def solidity(mask: BoolArray) -> float:
    """Return a connected mask's area over that of its convex hull."""
    edge = _outline(mask)
    hull = cv2.convexHull(edge)
    around = cv2.contourArea(hull) + cv2.arcLength(hull, True) / 2 + 1
    return float(mask.sum()) / max(around, 1.0)


def _best_cut(mask: BoolArray, least_area: float) -> tuple[list[BoolArray], float] | None:
    """Return the parts left by the cut that pays best, and its length, px; None if none pays."""
    edge = _outline(mask)
    notch, depth = _notches(edge, float(mask.sum()))
    if not 0 < len(notch) <= 2 * _MOST_CUTS:  # a cut takes two notches away at most
        return None
    start, end, cost = _cuts(edge, notch, depth)
    for k in np.argsort(cost)[:6]:
        if cost[k] > _WORTH:
            break
        open_ = mask.astype(np.uint8)
        cv2.line(open_, edge[start[k]].tolist(), edge[end[k]].tolist(), 0, 1, cv2.LINE_8)
        pieces = [p for p in _pieces(open_ > 0) if p.sum() > 4]
        if len(pieces) > 1 and sorted(float(p.sum()) for p in pieces)[-2] >= least_area:
            return pieces, float(np.hypot(*(edge[start[k]] - edge[end[k]])))
    return None


def _notches(edge: npt.NDArray[np.int32], area: float) -> tuple[IntArray, FloatArray]:
    """Return the outline's notches: index of the deepest point and depth in pixels of each."""
    hull = cv2.convexHull(edge, returnPoints=False)
    if len(edge) < 8 or len(hull) < 4:
        return np.empty(0, np.int64), np.empty(0)
    hull = np.sort(hull, axis=0)[::-1]
    defects = cv2.convexityDefects(edge, hull)
    if defects is None:
        return np.empty(0, np.int64), np.empty(0)
    defects = defects.reshape(-1, 4)  # (n, 1, 4) before OpenCV 5
    depth = defects[:, 3] / 256.0
    deep = depth > max(_NOTCH_PX, _NOTCH * area**0.5)
    return defects[deep, 2].astype(np.int64), depth[deep]


def _cuts(
    edge: npt.NDArray[np.int32], notch: IntArray, depth: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return possible cuts as pairs of outline points, and the length of each over the depths that it takes away."""
    n, k = len(edge), len(notch)
    i, j = np.triu_indices(k, 1)
    length = np.hypot(*(edge[notch[i]] - edge[notch[j]]).T)
    pair_cost = length / (depth[i] + depth[j])
    # straight across: the nearest point of the outline that lies well away along it
    other, width = np.empty(k, np.int64), np.empty(k)
    for m in range(k):
        along = np.abs(notch[m] - np.arange(n))
        gap = np.hypot(*(edge[notch[m]] - edge).T)
        gap[np.minimum(along, n - along) < max(2.5 * depth[m], 0.12 * n)] = np.inf
        other[m] = gap.argmin()
        width[m] = gap[other[m]]
    across_cost = 1.6 * width / depth
    return (
        np.concatenate([notch[i], notch]),
        np.concatenate([notch[j], other]),
        np.concatenate([pair_cost, across_cost]),
    )
