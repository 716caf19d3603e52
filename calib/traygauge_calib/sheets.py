"""The printed sheets: a ring of markers around a plain window, in three sizes told apart by their marker ids.

Sheet coordinates: millimetres, x right, y down, origin at the outer corner of the board's first square.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Side of a marker, as a share of its square's.
MARKER_SHARE = 0.75
#: Width of the ring, squares.
RING = 2
#: A marker is 5 x 5 bits inside a border of one bit.
BITS = 5


@dataclass(frozen=True)
class Sheet:
    """One size of the sheet: a ChArUco board (OpenCV, `legacyPattern` off) with its inside blanked out.

    Parameters
    ----------
    name : "small", "medium" or "large".
    squares : (across, down), how many squares the board has.
    square_mm : side of a square.
    first_id : id of the board's first marker; the others follow in OpenCV's order, blanked ones counted.
    bar_mm : length of the check bars.
    """

    name: str
    squares: tuple[int, int]
    square_mm: float
    first_id: int
    bar_mm: float

    @property
    def board_mm(self) -> tuple[float, float]:
        """Return (width, height) of the board."""
        return self.squares[0] * self.square_mm, self.squares[1] * self.square_mm

    @property
    def window_mm(self) -> tuple[float, float, float, float]:
        """Return (x0, y0, x1, y1) of the plain window."""
        ring, (width, height) = RING * self.square_mm, self.board_mm
        return ring, ring, width - ring, height - ring

    @cached_property
    def board(self) -> cv2.aruco.CharucoBoard:
        """Return the whole board, its inside not blanked, as OpenCV knows it."""
        count = self.squares[0] * self.squares[1] // 2
        board = cv2.aruco.CharucoBoard(
            self.squares,
            self.square_mm,
            self.square_mm * MARKER_SHARE,
            dictionary(),
            np.arange(self.first_id, self.first_id + count, dtype=np.int32),
        )
        board.setLegacyPattern(False)
        return board

    @cached_property
    def marker_ids(self) -> IntArray:
        """Return the ids of the ring's markers, ndarray of shape (M,), int64, rising."""
        return np.asarray(self.board.getIds(), np.int64).ravel()[self._in_ring]

    @cached_property
    def marker_corners_mm(self) -> FloatArray:
        """Return the ring's marker corners, ndarray of shape (M, 4, 2), mm, clockwise from the top left."""
        return self._all_markers_mm[self._in_ring]

    @cached_property
    def corners_mm(self) -> FloatArray:
        """Return the chess corners with four squares of the ring around them, ndarray of shape (N, 2), mm.

        The corners on the window's edge are left out: half of each is blanked, so no saddle is there.
        """
        grid = self._grid
        return grid.astype(float) * self.square_mm

    @cached_property
    def corner_signs(self) -> FloatArray:
        """Return +1 where the corner's top left square is black, -1 where it is white, ndarray of shape (N,)."""
        return np.where(self._grid.sum(1) % 2 == 0, 1.0, -1.0)

    @cached_property
    def _grid(self) -> IntArray:
        nx, ny = self.squares
        i, j = np.meshgrid(np.arange(1, nx), np.arange(1, ny))
        on_ring = (i == 1) | (i == nx - 1) | (j == 1) | (j == ny - 1)
        return np.stack([i[on_ring], j[on_ring]], 1).astype(np.int64)

    @cached_property
    def _all_markers_mm(self) -> FloatArray:
        return np.asarray(self.board.getObjPoints(), float)[:, :, :2]

    @cached_property
    def _in_ring(self) -> npt.NDArray[np.bool_]:
        middle = self._all_markers_mm.mean(1)
        x0, y0, x1, y1 = self.window_mm
        inside: npt.NDArray[np.bool_] = (middle > [x0, y0]).all(1) & (middle < [x1, y1]).all(1)
        return ~inside


#: The sheets, by name.
SHEETS: dict[str, Sheet] = {
    "medium": Sheet("medium", (32, 22), 6.0, 0, 100.0),
    "large": Sheet("large", (30, 22), 8.0, 352, 100.0),
    "small": Sheet("small", (22, 16), 6.0, 700, 80.0),
}


@lru_cache(maxsize=1)
def dictionary() -> cv2.aruco.Dictionary:
    """Return the marker dictionary that all sheets share."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)


@lru_cache(maxsize=1)
def marker_bits() -> npt.NDArray[np.uint8]:
    """Return every marker's bits, ndarray of shape (1000, 5, 5), uint8, row and column, 1 white."""
    words = np.asarray(dictionary().bytesList, np.uint8)
    upright = words.reshape(len(words), -1)[:, : words.shape[1]]  # the same marker in its other turns follows
    # whole bytes begin with their highest bit; what is left of the bits stands at the end of the last byte
    whole, rest = divmod(BITS * BITS, 8)
    bits = np.unpackbits(upright, axis=1)
    return np.concatenate([bits[:, : 8 * whole], bits[:, -rest:]], 1).reshape(-1, BITS, BITS)
