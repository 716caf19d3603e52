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


def weight_inside(frame_mm: tuple[float, float], box_mm: npt.ArrayLike) -> FloatArray:
    """Return the weight of pieces wholly inside a frame, after ISO 13322-1 (Miles, J. Microscopy 113 (1978) 257).

    W H / ((W - x) (H - y)) for bounding boxes (n, 2) of x by y; pieces that touch the frame are dropped.

    Raises
    ------
    ValueError
        A box is as large as the frame: such a piece can never lie wholly inside, and has no weight.
    """
    box = np.asarray(box_mm, float)
    frame = np.asarray(frame_mm, float)
    if (box >= frame).any():
        raise ValueError("a piece as large as the frame has no weight: use a larger frame")
    return np.asarray(1 / np.prod(1 - box / frame, axis=-1))


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
    """Return 1 / chance of lying wholly inside: both sides of an axis (Z - b) / Z, one side (Z - b / 2) / Z."""
    weights = np.ones(len(boxes))
    for axis in (0, 1):
        low, high = passed[axis], passed[axis + 2]
        if not (low or high) or not len(boxes):
            continue
        size = boxes[:, axis + 2] - boxes[:, axis]
        near = window[axis] if low else boxes[:, axis].min()
        far = window[axis + 2] if high else boxes[:, axis + 2].max()
        lost = size if low and high else size / 2
        weights /= np.clip(1 - lost / max(far - near, 1e-9), 0.05, 1.0)
    return weights
