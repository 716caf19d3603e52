"""The scale of a photo: from the ring of a drawn sheet, with print, lens and file believed as far as they go."""

from dataclasses import replace

import numpy as np
import pytest

from traygauge_calib.lens import LensModel
from traygauge_calib.prints import PrintRecord
from traygauge_calib.scale import calibrate
from traygauge_shared.errors import SheetError

PLACES = np.array(
    [[15.0, 15], [66, 15], [117, 15], [15, 48], [66, 48], [117, 48], [15, 81], [66, 81], [117, 81]]
)


def errors(tray, drawing):
    """Return the largest error of a window point, mm, the foot point's, mm, and the height's, relative."""
    place = np.linalg.norm(tray.to_mm(drawing.project(PLACES)) - PLACES, axis=1).max()
    centre = drawing.centre_mm
    foot = np.linalg.norm(tray.camera.foot_mm - centre[:2])
    return place, foot, tray.camera.height_mm / centre[2] - 1


@pytest.mark.parametrize(
    "view",
    [
        {},
        {"tilt_deg": 0.0},
        {"tilt_deg": 15.0, "azimuth_deg": 200.0},
        {"k1": -0.05},
        {"k1": 0.03, "off_centre": (3.0, -2.0)},
        {"roll_deg": 90.0},
        {"focal_35mm": 52.0, "sharpen": 0.5},
        {"blur_px": 2.0, "noise": 0.01},
    ],
    ids=str,
)
def test_camera_is_found(drawn, view):
    drawing = drawn(**view)
    tray = calibrate(drawing.photo)
    place, foot, height = errors(tray, drawing)
    assert place < 0.03
    assert foot < 0.6 + 3 * (np.hypot(*view.get("off_centre", (0, 0))) > 0) * 0.3
    assert abs(height) < 0.01
    assert tray.source == "sheet"
    assert tray.sheet_name == "small"
    assert tray.window_mm == pytest.approx((12, 12, 120, 84), rel=1e-3)
    assert tray.camera_height_mm == pytest.approx(drawing.centre_mm[2], rel=0.01)


def test_points_above_the_paper(drawn):
    """A point 3 mm up comes back to its place when asked for at 3 mm, and not when asked for on the paper."""
    drawing = drawn(tilt_deg=15.0, azimuth_deg=200.0)
    tray = calibrate(drawing.photo)
    seen = drawing.project(PLACES, 3.0)
    np.testing.assert_allclose(tray.to_mm(seen, 3.0), PLACES, atol=0.04)
    assert np.linalg.norm(tray.to_mm(seen) - PLACES, axis=1).max() > 0.5


def test_plane_offset_lifts_the_pieces_plane(drawn):
    drawing = drawn()
    record = PrintRecord("card", "small", 80.0, 80.0, plane_offset_mm=2.0, u_plane_offset_mm=0.2)
    tray = calibrate(drawing.photo, print_record=record)
    np.testing.assert_allclose(tray.to_mm(drawing.project(PLACES, 2.0)), PLACES, atol=0.03)
    assert tray.camera_height_mm == pytest.approx(drawing.centre_mm[2] - 2.0, rel=0.01)
    assert tray.print_name == "card"
    assert tray.scale.plane_mm == pytest.approx(np.hypot(0.5 / np.sqrt(3), 0.2), rel=0.02)


def test_sag_is_small_where_the_print_is_glued(drawn):
    record = PrintRecord("glued", "small", 80.0, 80.0, glued=True, u_plane_offset_mm=0.0)
    assert calibrate(drawn().photo, print_record=record).scale.plane_mm < 0.05
    assert calibrate(drawn().photo).scale.plane_mm == pytest.approx(0.5 / np.sqrt(3), rel=0.02)


def test_print_factors_scale_the_board(drawn):
    """A print 0.5 % long across and 0.2 % down: lengths come out true with its bars, within doubt without.

    That the two factors differ shows in the ring; that both are too large does not.
    """
    drawing = drawn(stretch=(1.005, 1.002))
    ends = np.array([[20.0, 48.0], [110.0, 48.0], [66.0, 20.0], [66.0, 80.0]])  # true mm
    seen = drawing.project(ends)

    def off(tray):
        places = tray.to_mm(seen)
        return np.linalg.norm(places[[1, 3]] - places[[0, 2]], axis=1) / [90.0, 60.0] - 1

    measured = calibrate(drawing.photo, print_record=PrintRecord("x", "small", 80.4, 80.16, u_bar_mm=0.02))
    np.testing.assert_allclose(off(measured), 0, atol=4e-4)
    assert measured.scale.relative < 0.0005
    plain = calibrate(drawing.photo)
    np.testing.assert_allclose(off(plain), -0.0035, atol=0.001)
    assert plain.scale.relative == pytest.approx(0.002 / np.sqrt(2), rel=0.2)
    assert any("bars" in said for said in plain.warnings)


def test_print_of_another_sheet_is_refused(drawn):
    with pytest.raises(SheetError, match="large"):
        calibrate(drawn().photo, print_record=PrintRecord("big one", "large", 100.0, 100.0))


@pytest.mark.parametrize("curl", [1.0, -1.5])
def test_curled_sheet_is_measured_and_warned_of(drawn, curl):
    drawing = drawn(curl_mm=curl)
    tray = calibrate(drawing.photo)
    assert tray.ring.curl_mm == pytest.approx(abs(curl), abs=0.15)
    assert any("curled" in said for said in tray.warnings)
    assert errors(tray, drawing)[2] == pytest.approx(0, abs=0.015)
    assert tray.scale.plane_mm > 0.5
    flat = calibrate(drawn().photo)
    assert flat.ring.curl_mm < 0.1
    assert not any("curled" in said for said in flat.warnings)


def test_bent_sheet_is_refused(drawn):
    with pytest.raises(SheetError, match="bent"):
        calibrate(drawn(curl_mm=4.5).photo)


def test_rounded_focal_length_is_within_its_uncertainty(drawn):
    drawing = drawn(focal_35mm=28.45, tilt_deg=2.0)  # EXIF says 28
    tray = calibrate(drawing.photo)
    _, _, height = errors(tray, drawing)
    assert abs(height) < 2.5 * tray.scale.height_relative
    assert 0.008 < tray.scale.height_relative < 0.02


@pytest.mark.parametrize(
    "change",
    [
        {"focal_35mm": None},
        {"focal_35mm": None, "exif_size": None, "has_lens": False},
        {"focal_35mm": 900.0},
        {"digital_zoom": 1.6},
        {"exif_size": (2560, 1920)},
        {"exif_size": (1600, 960)},
    ],
    ids=str,
)
def test_doubtful_files_widen_the_height_and_keep_the_scale(drawn, change):
    drawing = drawn(tilt_deg=15.0, azimuth_deg=200.0)
    sure = calibrate(drawing.photo)
    tray = calibrate(replace(drawing.photo, **change))
    place, foot, height = errors(tray, drawing)
    assert tray.scale.height_relative > 1.3 * sure.scale.height_relative
    assert abs(height) < 2.5 * tray.scale.height_relative
    assert foot < 4 * tray.scale.foot_mm
    assert place < 0.04


def cropped(photo, left, top, right, bottom, **change):
    pixels = np.ascontiguousarray(photo.pixels[top : photo.height - bottom, left : photo.width - right])
    return replace(photo, pixels=pixels, **change)


@pytest.mark.parametrize("known", [{}, {"exif_size": None}])
def test_cropped_picture_takes_its_pose_from_the_ring(drawn, known):
    drawing = drawn(tilt_deg=15.0, azimuth_deg=200.0)
    tray = calibrate(cropped(drawing.photo, 60, 0, 0, 20, **known))
    assert abs(tray.camera.height_mm / drawing.centre_mm[2] - 1) < 2.5 * tray.scale.height_relative
    assert np.linalg.norm(tray.camera.foot_mm - drawing.centre_mm[:2]) < 4 * tray.scale.foot_mm
    np.testing.assert_allclose(tray.to_mm(drawing.project(PLACES) - [60, 0]), PLACES, atol=0.05)
    assert any("crop" in said for said in tray.warnings)


def test_ring_is_believed_against_a_file_that_hides_a_crop(drawn):
    """Cropped to the same shape with the size rewritten: only the ring can tell, and does."""
    drawing = drawn(tilt_deg=15.0, azimuth_deg=200.0)
    photo = cropped(drawing.photo, 120, 90, 0, 0, exif_size=(1160, 870))
    tray = calibrate(photo)
    assert any("does not fit" in said for said in tray.warnings)
    assert abs(tray.camera.height_mm / drawing.centre_mm[2] - 1) < 2.5 * tray.scale.height_relative


def test_lens_model_sharpens_height_and_foot(drawn):
    drawing = drawn(focal_35mm=28.45, tilt_deg=2.0, off_centre=(6.0, -5.0))
    photo = drawing.photo
    fx, cx, cy = drawing.matrix[0, 0], drawing.matrix[0, 2], drawing.matrix[1, 2]
    lens = LensModel(
        photo.camera_name,
        photo.focal_35mm,
        (1280, 960),
        fx,
        (cx, cy),
        0.0,
        0.0,
        1.0,
        0.5,
        0.002,
        0.002,
        0.1,
        0.9,
    )
    plain, with_lens = calibrate(photo), calibrate(photo, lens=lens)
    assert abs(errors(with_lens, drawing)[2]) < 0.004 < abs(errors(plain, drawing)[2])
    assert errors(with_lens, drawing)[1] < 0.5 < errors(plain, drawing)[1]
    assert with_lens.scale.height_relative < 0.004
    assert with_lens.scale.foot_mm < plain.scale.foot_mm


def test_same_photo_same_view(drawn):
    one, two = calibrate(drawn().photo), calibrate(drawn().photo)
    np.testing.assert_array_equal(one.camera.centre_mm, two.camera.centre_mm)
    assert one.scale == two.scale
