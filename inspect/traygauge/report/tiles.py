"""Which part of the tray each close-up shows, all at one scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from traygauge.report.model import FloatArray, Mark

#: Width of a close-up on the page in CSS pixels; a wide one takes the place of two and the gap between them.
TILE_WIDTH, TILE_GAP = 186, 20

#: Sides of a close-up, mm: smaller ones show too little around a piece, larger ones too little of it.
_LEAST_MM, _MOST_MM = 5.0, 12.0

#: Tray left free around a piece, mm.
_MARGIN_MM = 1.2


@dataclass(frozen=True)
class Tile:
    """A square of the tray, `box_mm` = x0, y0, x1, y1; `bar_mm` is the length of its scale bar."""

    box_mm: tuple[float, float, float, float]
    px_per_mm: float
    bar_mm: float
    is_wide: bool

    @property
    def side_mm(self) -> float:
        """Return the length of a side."""
        return self.box_mm[2] - self.box_mm[0]

    @property
    def middle_mm(self) -> FloatArray:
        """Return the middle, ndarray of shape (2,), sheet mm."""
        x0, y0, x1, y1 = self.box_mm
        return np.array([(x0 + x1) / 2, (y0 + y1) / 2])


def tiles(marks: Sequence[Mark]) -> list[Tile]:
    """Return a tile a mark: the size of the largest piece within reason, twice as large for what is beyond."""
    boxes = [_box(m) for m in marks]
    if not boxes:
        return []
    needed = np.array([float((high - low).max()) + 2 * _MARGIN_MM for low, high in boxes])
    side = max(needed[needed <= _MOST_MM].tolist(), default=_MOST_MM)
    side = max(side, _LEAST_MM)
    px_per_mm = TILE_WIDTH / side
    wide = (2 * TILE_WIDTH + TILE_GAP) / px_per_mm
    bar = 1.0 if side < 8 else 2.0
    return [
        _tile((low + high) / 2, wide if need > side else side, px_per_mm, bar, need > side)
        for (low, high), need in zip(boxes, needed.tolist(), strict=True)
    ]


def _tile(middle: FloatArray, side: float, px_per_mm: float, bar: float, is_wide: bool) -> Tile:
    x0, y0 = (middle - side / 2).tolist()
    return Tile((x0, y0, x0 + side, y0 + side), px_per_mm, bar, is_wide)


def _box(mark: Mark) -> tuple[FloatArray, FloatArray]:
    points = np.concatenate([mark.outline_mm, *mark.tails_mm])
    if not len(points):
        return np.zeros(2), np.zeros(2)
    return points.min(0), points.max(0)
