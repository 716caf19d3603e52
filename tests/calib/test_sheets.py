"""The sheets are what has been printed, so they must never change, and what OpenCV draws."""

import cv2
import numpy as np
import pytest

from traygauge_calib.sheets import SHEETS, marker_bits

# name: board mm, window mm, bars, first chess corner, first marker's id and corners, ids of the ring's last marker;
# worked out by hand from the table of squares, square and first id
TABLE = {
    "medium": ((192, 132), (12, 12, 180, 120), 100, (6, 6), 0, (6.75, 0.75, 11.25, 5.25), 351),
    "large": ((240, 176), (16, 16, 224, 160), 100, (8, 8), 352, (9, 1, 15, 7), 681),
    "small": ((132, 96), (12, 12, 120, 84), 80, (6, 6), 700, (6.75, 0.75, 11.25, 5.25), 875),
}


@pytest.mark.parametrize("name", SHEETS)
def test_sheet_follows_the_table(name):
    sheet = SHEETS[name]
    board, window, bar, corner, first, marker, last = TABLE[name]
    assert sheet.board_mm == board
    assert sheet.window_mm == window
    assert sheet.bar_mm == bar
    np.testing.assert_allclose(sheet.corners_mm[0], corner)
    assert (sheet.marker_ids[0], sheet.marker_ids[-1]) == (first, last)
    x0, y0, x1, y1 = marker
    np.testing.assert_allclose(sheet.marker_corners_mm[0], [[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


@pytest.mark.parametrize("name", SHEETS)
def test_ring_is_two_squares_of_the_opencv_board(name, cv_boards):
    sheet, board = SHEETS[name], cv_boards(name)
    middles = np.asarray(board.getObjPoints())[:, :, :2].mean(1)
    x0, y0, x1, y1 = sheet.window_mm
    in_ring = (middles < [x0, y0]).any(1) | (middles > [x1, y1]).any(1)
    np.testing.assert_array_equal(sheet.marker_ids, np.asarray(board.getIds()).ravel()[in_ring])
    chess = {tuple(p) for p in np.asarray(board.getChessboardCorners())[:, :2].tolist()}
    assert {tuple(p) for p in sheet.corners_mm.tolist()} <= chess
    assert len(sheet.corners_mm) == 2 * (sheet.squares[0] - 1 + sheet.squares[1] - 3)


def test_corner_signs_tell_the_dark_square(cv_boards):
    sheet = SHEETS["small"]
    scale = 10
    size = tuple(int(side * scale) for side in sheet.board_mm)
    picture = cv_boards("small").generateImage(size, marginSize=0, borderBits=1)
    # half way to the marker in the white square it is still paper; a black square is black everywhere
    for (x, y), sign in zip(sheet.corners_mm, sheet.corner_signs, strict=True):
        top_left = picture[int(y * scale) - 4, int(x * scale) - 4]
        assert (top_left < 128) == (sign > 0)


def test_ids_tell_the_sheet():
    ids = [set(sheet.marker_ids.tolist()) for sheet in SHEETS.values()]
    assert len(set.union(*ids)) == sum(map(len, ids))


def test_bits_are_those_that_opencv_draws():
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    for marker in (0, 1, 351, 352, 700, 999):
        drawn = cv2.aruco.generateImageMarker(words, marker, 7, borderBits=1)[1:-1, 1:-1] > 0
        np.testing.assert_array_equal(marker_bits()[marker].astype(bool), drawn)
