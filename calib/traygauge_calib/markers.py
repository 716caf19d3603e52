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
    """Markers seen, of whichever board.

    Parameters
    ----------
    ids : ndarray (M,), int64; an id seen twice stands twice.
    corners_px : ndarray (M, 4, 2), of the picture handed in, clockwise from the marker's own top left.
    mirrored : how many quadrilaterals carry a sheet's marker as in a mirror.
    """

    ids: IntArray
    corners_px: FloatArray
    mirrored: int


def find_markers(grey: npt.NDArray[np.uint8], enough: int = 24) -> Markers:
    """Return the markers in a grey picture that are 10 to 60 px wide.

    Parameters
    ----------
    grey : ndarray (H, W), uint8.
    enough : with so many markers from the first threshold, a wider one and a sharpened picture are not tried.

    Notes
    -----
    OpenCV's own detector finds the same ones but compares every spot with all thousand ids in turn, which takes
    0.2 s on a ring; here the bits of all spots are read at once and looked up.
    """
    seen: list[Markers] = []
    for window, sharpen in ((15, 0.0), (31, 0.0), (21, 2.5)):
        picture = _sharpened(grey, sharpen) if sharpen else grey
        seen.append(_markers_of(picture, _quads(picture, window)))
        if len(seen[-1].ids) >= enough:
            break
    ids = np.concatenate([part.ids for part in seen])
    quads = np.concatenate([part.corners_px for part in seen])
    first = _first_of_twins(ids, quads)
    return Markers(ids[first], quads[first], max(part.mirrored for part in seen))


def _sharpened(grey: npt.NDArray[np.uint8], amount: float) -> npt.NDArray[np.uint8]:
    """Return a picture in which blurred markers can be read."""
    soft = cv2.GaussianBlur(grey, (0, 0), 1.8)
    return np.asarray(cv2.addWeighted(grey, 1.0 + amount, soft, -amount, 0.0), np.uint8)


def _markers_of(grey: npt.NDArray[np.uint8], quads: FloatArray) -> Markers:
    """Return those of the quadrilaterals that are markers."""
    if not len(quads):
        return Markers(np.empty(0, np.int64), np.empty((0, 4, 2)), 0)
    bits, framed = _read(grey, quads)
    ids, turn = _look_up(bits)
    _, mirror_turn = _look_up(bits.transpose(0, 2, 1))
    known = framed & (turn >= 0)
    order = (np.arange(4)[None, :] + turn[:, None]) % 4
    turned = np.take_along_axis(quads, order[:, :, None], 1)
    return Markers(ids[known], turned[known], int(np.count_nonzero(framed & (mirror_turn >= 0))))


def _quads(grey: npt.NDArray[np.uint8], window: int) -> FloatArray:
    """Return convex four-sided dark spots, ndarray (Q, 4, 2), px, clockwise."""
    dark = cv2.adaptiveThreshold(grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window, 7)
    outlines, tree = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    found = []
    for outline, parent in zip(outlines, tree[0, :, 3] if outlines else (), strict=True):
        if parent < 0 and 28 <= len(outline) <= 360:  # with a parent: the outline of a hole, a bright spot
            four = cv2.approxPolyDP(outline, 0.06 * len(outline), True)
            if len(four) == 4 and cv2.isContourConvex(four):
                found.append(four)
    if not found:
        return np.empty((0, 4, 2))
    quads = np.stack(found).reshape(-1, 4, 2).astype(float)
    across, down = quads[:, 2] - quads[:, 0], quads[:, 3] - quads[:, 1]
    area = (across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]) / 2.0
    quads[area < 0] = quads[area < 0][:, ::-1]
    quads = quads[np.abs(area) > 40]
    # contour pixels lie half a pixel inside the spot
    middle = quads.mean(1, keepdims=True)
    reach = quads - middle
    longer = 1.0 + 0.7 / np.maximum(np.linalg.norm(reach, axis=2, keepdims=True), 1.0)
    return np.asarray(middle + reach * longer, float)


def _read(
    grey: npt.NDArray[np.uint8], quads: FloatArray
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """Return the bits (Q, 5, 5) in each quadrilateral, and whether its border is dark (Q,)."""
    inner = (np.arange(_CELLS)[:, None] + np.array([0.35, 0.65])).ravel() / _CELLS
    v, u = np.meshgrid(inner, inner, indexing="ij")
    weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], -1).reshape(-1, 4)
    places = (weights @ quads).astype(np.float32)
    x, y = (np.ascontiguousarray(places[..., axis]) for axis in (0, 1))
    values = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cells = values.reshape(-1, _CELLS, 2, _CELLS, 2).astype(np.float32).mean((2, 4))
    ranked = np.sort(cells.reshape(len(cells), -1), axis=1)
    low, high = ranked[:, 5], ranked[:, -4]  # 24 cells of the border are dark, some of the inner ones bright
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
    """Return codes (rising), ids and turns of all markers, those of the rings also with one bit wrong."""
    ring = np.zeros(len(marker_bits()), bool)
    for sheet in SHEETS.values():
        ring[sheet.marker_ids] = True
    ids, flips = np.arange(len(ring)), np.concatenate([[0], _PLACES])
    codes, names, turns = [], [], []
    for turn in range(4):
        # turned clockwise so often, the marker's own top left is at corner `turn` (clockwise from the top left)
        clean = np.rot90(marker_bits(), -turn, (1, 2)).reshape(len(ids), -1).astype(np.int64) @ _PLACES
        near = clean[ring][:, None] ^ flips
        codes += [clean[~ring], near.ravel()]
        names += [ids[~ring], np.repeat(ids[ring], len(flips))]
        turns.append(np.full(len(ids) - ring.sum() + near.size, turn))
    code, name, turn_of = np.concatenate(codes), np.concatenate(names), np.concatenate(turns)
    code, first, times = np.unique(code, return_index=True, return_counts=True)
    sure = first[times == 1]
    return code[times == 1], name[sure], turn_of[sure].astype(np.int64)


def _first_of_twins(ids: IntArray, quads: FloatArray) -> IntArray:
    """Return the places of the markers without those seen before at the same spot, by rising id."""
    middle = quads.mean(1)
    near = np.linalg.norm(quads[:, 0] - quads[:, 2], axis=1) / 2.0
    kept: dict[int, list[int]] = {}
    for k in np.argsort(ids, kind="stable").tolist():
        twins = kept.setdefault(int(ids[k]), [])
        if all(np.linalg.norm(middle[j] - middle[k]) > near[k] for j in twins):
            twins.append(k)
    return np.array([k for twins in kept.values() for k in twins], np.int64)
