"""Finding the ring's markers in a small copy of the photo: four-sided dark spots whose bits are a known id."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.sheets import BITS, SHEETS, marker_bits

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_CELLS = BITS + 2


@dataclass(frozen=True, eq=False)
class Markers:
    """Markers seen.

    Parameters
    ----------
    ids : ndarray (M,), int64; an id seen twice stands twice.
    corners_px : ndarray (M, 4, 2), of the picture handed in, clockwise from the marker's own top left.
    mirrored : how many quadrilaterals carry a sheet's marker as in a mirror.
    """

    ids: IntArray
    corners_px: FloatArray
    mirrored: int


def find_markers(grey: npt.NDArray[np.uint8]) -> Markers:
    """Return the markers of all sheets in a grey picture whose markers are 10 to 60 px wide.

    OpenCV's own detector finds the same ones but compares every spot with all thousand ids in turn, which
    takes 0.2 s on a ring; here the bits of all spots are read at once and looked up.
    """
    quads = _quads(grey)
    if not len(quads):
        return Markers(np.empty(0, np.int64), np.empty((0, 4, 2)), 0)
    bits, framed = _read(grey, quads)
    ids, turn = _look_up(bits)
    _, mirror_turn = _look_up(bits.transpose(0, 2, 1))
    known = framed & (turn >= 0)
    order = (np.arange(4)[None, :] + turn[:, None]) % 4
    turned = np.take_along_axis(quads, order[:, :, None], 1)
    ids, turned = _without_twins(ids[known], turned[known])
    return Markers(ids, turned, int(np.count_nonzero(framed & (mirror_turn >= 0))))


def _quads(grey: npt.NDArray[np.uint8]) -> FloatArray:
    """Return convex four-sided dark spots, ndarray (Q, 4, 2), px, clockwise."""
    found: list[npt.NDArray[np.int32]] = []
    for window in (13, 27):
        dark = cv2.adaptiveThreshold(grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window, 7)
        outlines, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for outline in outlines:
            if not 28 <= len(outline) <= 360:
                continue
            four = cv2.approxPolyDP(outline, 0.06 * len(outline), True)
            if len(four) == 4 and cv2.isContourConvex(four) and cv2.contourArea(four) > 40:
                found.append(_sides_fitted(outline, four))
    if not found:
        return np.empty((0, 4, 2))
    quads = np.stack(found)
    edge_a, edge_b = quads[:, 1] - quads[:, 0], quads[:, 2] - quads[:, 0]
    turning = edge_a[:, 0] * edge_b[:, 1] - edge_a[:, 1] * edge_b[:, 0]
    quads[turning < 0] = quads[turning < 0][:, ::-1]
    return quads


def _sides_fitted(outline: npt.NDArray[np.int32], four: npt.NDArray[np.int32]) -> FloatArray:
    """Return the four corners of an outline; contour pixels lie half a pixel inside the spot."""
    corners = four.reshape(4, 2).astype(float)
    middle = corners.mean(0)
    reach = corners - middle
    return middle + reach * (1.0 + 0.7 / np.maximum(np.linalg.norm(reach, axis=1), 1.0))[:, None]


def _read(
    grey: npt.NDArray[np.uint8], quads: FloatArray
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """Return the bits (Q, 5, 5) in each quadrilateral, and whether its border is dark (Q,)."""
    inner = (np.arange(_CELLS)[:, None] + np.array([0.3, 0.5, 0.7])).ravel() / _CELLS
    v, u = np.meshgrid(inner, inner, indexing="ij")
    weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], -1)
    places = np.einsum("rck,qkd->qrcd", weights, quads).astype(np.float32)
    flat = places.reshape(-1, len(inner) * len(inner), 2)
    values = cv2.remap(grey, flat, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    cells = values.reshape(-1, _CELLS, 3, _CELLS, 3).astype(np.float32).mean((2, 4))
    low, high = np.percentile(cells.reshape(len(cells), -1), [12, 92], axis=1)
    white = cells > ((low + high) / 2)[:, None, None]
    border = np.ones((_CELLS, _CELLS), bool)
    border[1:-1, 1:-1] = False
    framed = (white[:, border].sum(1) <= 2) & (high - low > 12)
    return white[:, 1:-1, 1:-1].astype(np.uint8), framed


def _look_up(bits: npt.NDArray[np.uint8]) -> tuple[IntArray, IntArray]:
    """Return (id, turn) of each 5 x 5 block, both (Q,); turn -1 where unknown, else where its top left is."""
    codes, ids, turns = _codes()
    asked = bits.reshape(len(bits), -1).astype(np.int64) @ _PLACES
    at = np.minimum(np.searchsorted(codes, asked), len(codes) - 1)
    hit = codes[at] == asked
    return np.where(hit, ids[at], -1), np.where(hit, turns[at], -1)


_PLACES = 1 << np.arange(BITS * BITS, dtype=np.int64)


@lru_cache(maxsize=1)
def _codes() -> tuple[IntArray, IntArray, IntArray]:
    """Return codes, ids and turns of the sheets' ring markers in four turns, with up to one wrong bit."""
    ids = np.concatenate([sheet.marker_ids for sheet in SHEETS.values()])
    bits = marker_bits()[ids]
    codes, names, turns = [], [], []
    for turn in range(4):
        # turned clockwise so often, the marker's own top left is at corner `turn` (clockwise from the top left)
        clean = np.rot90(bits, -turn, (1, 2)).reshape(len(ids), -1).astype(np.int64) @ _PLACES
        wrong = clean[:, None] ^ np.concatenate([[0], _PLACES])
        codes.append(wrong.ravel())
        names.append(np.repeat(ids, wrong.shape[1]))
        turns.append(np.full(wrong.size, turn))
    code, name, turn_of = np.concatenate(codes), np.concatenate(names), np.concatenate(turns)
    code, first, times = np.unique(code, return_index=True, return_counts=True)
    sure = times == 1
    return code[sure], name[first[sure]], turn_of[first[sure]].astype(np.int64)


def _without_twins(ids: IntArray, quads: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return the markers without those seen twice at the same place (several thresholds, inner contour)."""
    size = np.array([cv2.contourArea(q.astype(np.float32)) for q in quads])
    order = np.argsort(-size, kind="stable")
    keep: list[int] = []
    places: dict[int, list[FloatArray]] = {}
    for k in order:
        middle = quads[k].mean(0)
        near = 0.5 * np.sqrt(size[k])
        if all(np.linalg.norm(middle - other) > near for other in places.get(int(ids[k]), [])):
            places.setdefault(int(ids[k]), []).append(middle)
            keep.append(int(k))
    kept = np.array(sorted(keep, key=lambda k: int(ids[k])), np.int64)
    return ids[kept], quads[kept]
