"""Whole drawn photos: truth and pixels agree, the board is the one that OpenCV knows, the same seed the same file."""

import csv
import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from PIL import Image

from traygauge_shared.light import LINEAR_OF_CODE
from traygauge_shared.loading import decode_photo
from traygauge_shared.scenes import (
    COLUMNS,
    Batch,
    Board,
    Hair,
    Lighting,
    Scene,
    Scratch,
    Sensor,
    Sheet,
    Speck,
    StrandPiece,
    Tail,
    draw,
    phone_over,
    photo_bytes,
    scan_scene,
    simple_scene,
    write_drawn,
)
from traygauge_shared.scenes.camera import as_shown
from traygauge_shared.scenes.ground import Picture, board_rectangles

# a corner of a large frame: 350 mm up, 16 px/mm
CLOSE = phone_over((96, 66), width=480, height=360, height_mm=350, focal_35mm=16 * 350 * 43.2666 / 600)
FLOOR = Sheet(board=None, window="black", texture=0.0)
PLAIN = Sensor(blur_px=0.0, noise=0.0, bayer=False, sharpen=0.0, tone=0.0, vignette=0.0)


def test_the_same_scene_gives_the_same_bytes_and_another_seed_another_photo():
    one, again, other = (draw(simple_scene(seed, n=4, mpix=0.3)) for seed in (1, 1, 2))
    assert photo_bytes(one) == photo_bytes(again)
    assert one.truth == again.truth
    assert (one.pixels != other.pixels).any()


@pytest.mark.parametrize("board", [Board(), Board(squares=(22, 16), first_id=700)], ids=["medium", "small"])
def test_ring_is_pixel_for_pixel_the_board_that_opencv_draws(board):
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    across, down = board.squares
    ids = board.first_id + np.arange(across * down // 2)
    charuco = cv2.aruco.CharucoBoard(board.squares, 6.0, 4.5, dictionary, ids)
    theirs = charuco.generateImage((across * 56, down * 56)) > 127
    ours = np.ones_like(theirs)
    for x0, y0, x1, y1 in np.rint(board_rectangles(board) * 56 / 6).astype(int):
        ours[y0:y1, x0:x1] = False
    edge = 2 * 56
    theirs[edge:-edge, edge:-edge] = True
    assert_array_equal(ours, theirs)
    assert board.window_mm == (12.0, 12.0, across * 6.0 - 12.0, down * 6.0 - 12.0)


def test_the_detector_finds_the_corners_where_the_camera_says_they_are():
    camera = phone_over(width=2400, height=1800, tilt_deg=6, tilt_towards_deg=130, k1=-0.02, focal_35mm=28)
    drawn = draw(Scene((), camera, Sheet(window="white"), seed=3))
    grey = cv2.cvtColor(drawn.pixels, cv2.COLOR_RGB2GRAY)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    board = cv2.aruco.CharucoBoard((32, 22), 6.0, 4.5, dictionary)
    corners, ids, *_ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
    known = board.getChessboardCorners()[ids.ravel()]
    miss = corners.reshape(-1, 2) - camera.project(known * [1, 1, 0])
    assert len(ids) > 90
    assert_allclose(miss.mean(0), 0, atol=0.01)
    assert np.sqrt((miss**2).mean()) < 0.15  # the scatter of OpenCV's own corner refinement
    assert drawn.truth == []
    assert not drawn.labels.any()


def test_contours_of_the_window_lie_where_the_camera_puts_them():
    picture = Picture(CLOSE, FLOOR)
    square = np.array([[[92.0, 64.0], [99.0, 64.0], [99.0, 69.0], [92.0, 69.0]]])
    corners = CLOSE.project(np.concatenate([square[0], np.zeros((4, 1))], 1))
    width, height = corners[2] - corners[0]
    assert picture.cover(square).sum() == pytest.approx(width * height, rel=1e-4)
    x, y = picture.floor_map()
    u, v = 100, 200
    assert_allclose([x[v, u], y[v, u]], CLOSE.to_height([u, v]), atol=1e-4)
    assert_allclose([x[0, 479], y[0, 479]], CLOSE.to_height([479, 0]), atol=1e-4)


def test_labels_and_pixels_show_the_piece_where_truth_says():
    piece = StrandPiece(97, 65, axis_deg=25, length_mm=4, colour="white")
    drawn = draw(Scene((piece,), CLOSE, FLOOR, sensor=PLAIN))
    row = drawn.truth[0]
    rows, columns = np.nonzero(drawn.labels)
    middle = CLOSE.to_height([columns.mean(), rows.mean()], 0.875)
    assert_allclose(middle, [row["x_mm"], row["y_mm"]], atol=0.05)
    assert row["visible_px"] == len(rows)
    # the outline lies at about half the diameter's height
    scale = 16 * 350 / (350 - 0.875)
    assert len(rows) / scale**2 == pytest.approx(4 * 1.75, rel=0.01)
    assert drawn.pixels[drawn.labels > 0].mean() > 4 * drawn.pixels[drawn.labels == 0].mean()


def test_tails_are_marked_as_parts():
    piece = StrandPiece(96, 66, tails=(Tail(length_mm=3, width_mm=0.3, rim_deg=0, turn_deg=0),))
    drawn = draw(Scene((piece,), CLOSE, FLOOR, sensor=PLAIN))
    tail = (drawn.parts == 1) & (drawn.labels == 1)
    assert tail.sum() / CLOSE.px_per_mm**2 == pytest.approx(3 * 0.3, rel=0.15)
    assert drawn.truth[0]["tail_visible_px"] == pytest.approx(tail.sum(), rel=0.1)


@pytest.mark.parametrize(("gap", "touching"), [(0.04, 1), (0.07, 0)])
def test_touching_is_within_a_twentieth_of_a_millimetre(gap, touching):
    pieces = (StrandPiece(96, 66), StrandPiece(96, 66 + 1.75 + gap))
    drawn = draw(Scene(pieces, CLOSE, FLOOR, sensor=PLAIN))
    assert [row["touching"] for row in drawn.truth] == [touching, touching]


def test_a_standing_piece_can_touch_in_the_picture_only():
    camera = phone_over((60, 66), width=1200, height=900, across_mm=90, height_mm=150, focal_35mm=26)
    pieces = (StrandPiece(95, 66, tilt_deg=90, length_mm=4), StrandPiece(97.0, 66, axis_deg=90))
    drawn = draw(Scene(pieces, camera, FLOOR, sensor=PLAIN))
    assert [row["touching"] for row in drawn.truth] == [0, 0]
    assert [row["touching_image"] for row in drawn.truth] == [1, 1]
    assert [row["upright"] for row in drawn.truth] == [1, 0]
    assert drawn.truth[1]["visible_fraction"] < 0.98
    assert drawn.truth[1]["plan_visible_fraction"] == 1.0


def test_on_border_is_told_by_the_window():
    camera = phone_over(width=800, height=600)
    pieces = (StrandPiece(13.6, 60), StrandPiece(12.5, 70), StrandPiece(96, 60))
    drawn = draw(Scene(pieces, camera, Sheet()))
    assert [row["on_border"] for row in drawn.truth] == [0, 1, 0]


def test_more_than_255_pieces_keep_their_ids():
    drawn = draw(
        simple_scene(5, n=300, mpix=3, batch=Batch(diameter_mm=1.2, nominal_mm=1.6, length_sd_mm=0.05))
    )
    assert drawn.labels.dtype == np.uint16
    assert_array_equal(np.unique(drawn.labels), np.arange(301))
    assert [row["id"] for row in drawn.truth] == list(range(1, 301))


def test_a_scan_has_no_sideways_view_and_stands_in_its_own_millimetres():
    drawn = draw(scan_scene(1, n=8, dpi=150))
    scale = 150 / 25.4
    for row in drawn.truth:
        rows, columns = np.nonzero(drawn.labels == row["id"])
        assert_allclose(
            (np.array([columns.mean(), rows.mean()]) + 0.5) / scale,
            [row["x_vis_mm"], row["y_vis_mm"]],
            atol=0.04,
        )


def test_litter_darkens_and_brightens_the_floor_only_where_it_lies():
    sheet = replace(FLOOR, window=(0.3, 0.3, 0.3))
    hair, speck = Hair(90, 66, 6, 0.1, 90, 0), Speck(100, 66, 0.4, (0.9, 0.9, 0.9))
    drawn = draw(Scene((), CLOSE, sheet, sensor=PLAIN, litter=(hair, speck, Scratch(96, 70, 6, 0.2, 0, 0.5))))
    base = int(drawn.pixels[10, 10, 1])

    def at(x, y):
        u, v = np.rint(CLOSE.project([x, y, 0])).astype(int)
        return int(drawn.pixels[v, u, 1])

    assert at(90, 66) < base - 30
    assert at(100, 66) > base + 30
    assert at(96, 70) > base + 8
    assert at(93, 60) == base
    assert drawn.truth == []


def test_gradient_is_the_ratio_of_the_brightest_to_the_darkest_side_of_the_window():
    camera = phone_over(width=800, height=600)
    grey, dim = Sheet(window=(0.2, 0.2, 0.2), texture=0.0), replace(PLAIN, exposure_stops=-1)
    drawn = draw(Scene((), camera, grey, Lighting(gradient=4.0, gradient_deg=0), dim))
    u, v = np.rint(camera.project([[13, 66, 0], [96, 66, 0], [179, 66, 0]])).astype(int).T
    dark, middle, bright = LINEAR_OF_CODE[drawn.pixels[v, u, 1]]
    assert bright / dark == pytest.approx(4.0, rel=0.05)
    assert middle / dark == pytest.approx(2.0, rel=0.05)


def test_written_files_hold_what_was_drawn(tmp_path):
    camera = phone_over(width=640, height=480, focal_35mm=26, orientation=6)
    drawn = draw(Scene((StrandPiece(60, 60), StrandPiece(80, 60, tails=(Tail(),))), camera, seed=4))
    photo = write_drawn(drawn, tmp_path / "new", "tray")
    with Image.open(photo) as picture:
        assert picture.size == (640, 480)  # as stored
        exif = picture.getexif()
        assert exif[0x0112] == 6
        assert exif.get_ifd(0x8769)[0xA405] == 26
    with open(photo.with_name("tray.truth.csv"), newline="") as file:
        reader = csv.DictReader(file)
        rows = list(reader)
    assert tuple(reader.fieldnames) == COLUMNS
    assert float(rows[1]["length_mm"]) == pytest.approx(3.0)
    with Image.open(photo.with_name("tray.labels.png")) as labels:
        assert_array_equal(np.asarray(labels), drawn.labels)
    facts = json.loads(photo.with_name("tray.scene.json").read_text())
    assert facts["exif_orientation"] == 6
    assert_allclose(facts["camera"]["K"][0][0], camera.focal_px)


def test_an_empty_scene_writes_an_empty_table(tmp_path):
    write_drawn(draw(Scene((), CLOSE, FLOOR)), tmp_path, "none", images=False)
    assert (tmp_path / "none.truth.csv").read_text().strip() == ",".join(COLUMNS)
    assert not (tmp_path / "none.labels.png").exists()


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_loaded_photos_show_pieces_where_the_turned_camera_says(orientation):
    camera = replace(CLOSE, orientation=orientation)
    piece = StrandPiece(93, 64, axis_deg=30, colour="white")
    photo = decode_photo(photo_bytes(draw(Scene((piece,), camera, FLOOR, sensor=PLAIN))), "drawn.jpg")
    assert (photo.width, photo.height) == ((480, 360) if orientation in (1, 3) else (360, 480))
    assert photo.focal_35mm == pytest.approx(camera.focal_35mm, abs=0.5)
    rows, columns = np.nonzero(photo.pixels[..., 1] > 120)
    middle = camera.project([93, 64, 0.875])
    assert_allclose([columns.mean(), rows.mean()], as_shown(middle, 480, 360, orientation), atol=1.0)
