"""Pieces lost to the window's edge: the longer a piece, the likelier it runs past; whole ones are weighted for it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from traygauge.measure.pieces import Pieces

FloatArray = npt.NDArray[np.float64]
Window = tuple[float, float, float, float]

#: An outline that comes so near to a side runs past it, mm.
TOUCHES_MM = 0.5
#: Pieces larger than this part of the frame are weighted as if they were this large.
LARGEST = 0.5


def border_weights(
    pieces: Pieces, windows_mm: Mapping[str, Window]
) -> tuple[FloatArray, dict[str, list[str]]]:
    """Return a weight per piece (n,) and, for each photo, the sides that pieces run past.

    Only sides that pieces run past count; a scoop wholly inside the window needs no weights, and all are 1. Pieces
    cut off by the window weigh 0: the whole ones stand for them.
    """
    weights = np.ones(len(pieces))
    sides: dict[str, list[str]] = {}
    cut = pieces["state"] == "cut off"
    if not cut.any():
        return weights, sides
    boxes = np.array([_box(o, x, y) for o, x, y in _outlines(pieces)]).reshape(-1, 4)
    weights[cut] = 0.0
    for photo, window in windows_mm.items():
        here = pieces["photo"] == photo
        if (here & cut).any():
            passed = _passed(boxes[here & cut], window)
            sides[photo] = [
                name for name, p in zip(("left", "top", "right", "bottom"), passed, strict=True) if p
            ]
            weights[here & ~cut] = _photo_weights(boxes[here & ~cut], window, passed)
    return weights, sides


def edge_weights(
    boxes: npt.ArrayLike,
    frame: tuple[float, float, float, float],
    *,
    sides: tuple[bool, bool, bool, bool] = (True, True, True, True),
) -> FloatArray:
    """Return how many pieces each piece wholly inside a frame stands for, ndarray (n,), from 1 up.

    Large pieces are cut off by the frame more often than small ones. A piece with box x by y is whole in a frame
    Z1 by Z2 with probability (Z1 - x)(Z2 - y) / (Z1 Z2) (ISO 13322-1, Miles-Lantuéjoul; Miles, J. Microscopy 113
    (1978) 257); its weight is the inverse. Where pieces run past one side only, the same share is lost as with two.

    Parameters
    ----------
    boxes : (n, 4), x0, y0, x1, y1 of each whole piece.
    frame : x0, y0, x1, y1.
    sides : whether pieces run past the left, top, right and bottom side. A scoop inside the frame needs no weights.

    Raises
    ------
    ValueError
        A box as large as the frame: such pieces are never whole, and no weight makes up for them.
    """
    b = np.asarray(boxes, float).reshape(-1, 4)
    weight = np.ones(len(b))
    for axis, name in ((0, "wide"), (1, "high")):
        if not (sides[axis] or sides[axis + 2]):
            continue
        length, whole = b[:, axis + 2] - b[:, axis], frame[axis + 2] - frame[axis]
        if (length >= whole).any():
            raise ValueError(
                f"a piece {length.max():.4g} {name} cannot be weighted in a frame {whole:.4g} {name}; "
                "expected: a smaller piece; take a larger frame"
            )
        weight *= whole / (whole - length)
    return weight


def _outlines(pieces: Pieces) -> list[tuple[FloatArray, float, float]]:
    outlines = pieces.outlines_mm or (np.empty((0, 2)),) * len(pieces)
    return list(zip(outlines, pieces["x_mm"], pieces["y_mm"], strict=True))


def _box(outline: FloatArray, x: float, y: float) -> tuple[float, float, float, float]:
    if not len(outline):
        return x, y, x, y
    (x0, y0), (x1, y1) = outline.min(0), outline.max(0)
    return float(x0), float(y0), float(x1), float(y1)


def _passed(boxes: FloatArray, window: Window) -> tuple[bool, ...]:
    w = np.asarray(window)
    inside = np.stack(
        [boxes[:, 0] - w[0], boxes[:, 1] - w[1], w[2] - boxes[:, 2], w[3] - boxes[:, 3]], axis=1
    )
    return tuple(bool((inside[:, side] < TOUCHES_MM).any()) for side in range(4))


def _photo_weights(boxes: FloatArray, window: Window, passed: tuple[bool, ...]) -> FloatArray:
    """Return the weights of one photo's whole pieces.

    Past one side only half as many are lost as past two: as in a frame twice as long. Such a frame reaches from that
    side to the end of the scoop.
    """
    if not len(boxes):
        return np.ones(0)
    x0, x1 = _stretch(boxes[:, [0, 2]], window[0], window[2], passed[0], passed[2])
    y0, y1 = _stretch(boxes[:, [1, 3]], window[1], window[3], passed[1], passed[3])
    left, top, right, bottom = passed
    # what fills the frame is no piece that could have been lost; it keeps the largest weight that means anything
    size = np.minimum(boxes[:, 2:] - boxes[:, :2], LARGEST * np.array([x1 - x0, y1 - y0]))
    sized = np.concatenate([boxes[:, :2], boxes[:, :2] + size], axis=1)
    return edge_weights(sized, (x0, y0, x1, y1), sides=(left, top, right, bottom))


def _stretch(
    ends: FloatArray, low: float, high: float, past_low: bool, past_high: bool
) -> tuple[float, float]:
    if past_low and past_high:
        return low, high
    reach = max(float(ends.max()) - low if past_low else high - float(ends.min()), TOUCHES_MM)
    return (low, low + 2 * reach) if past_low else (high - 2 * reach, high)
