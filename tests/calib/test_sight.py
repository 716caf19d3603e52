"""What a photo can show, by hand from its scale, blur and contrast."""

from dataclasses import replace

import numpy as np
import pytest

from traygauge_calib.camera import FlatCamera, PerspectiveCamera
from traygauge_calib.sight import Sight, sight_of
from traygauge_calib.tray_view import LocalField, ScaleUncertainty, TrayView
from traygauge_shared.photo import Photo

SCAN = TrayView(
    Photo("p", "", np.zeros((2, 2, 3), np.uint8)),
    FlatCamera((20.0, 20.0)),
    (0.0, 0.0, 100.0, 80.0),
    "scan",
    ScaleUncertainty(0.002),
    LocalField.constant(0.8),
    LocalField.constant(0.01),
)


def test_sharp_picture_is_limited_by_its_pixels():
    sight = sight_of(SCAN, 60.0)
    assert sight.thread_mm == pytest.approx(2 / 20)
    assert sight.crumb_mm == pytest.approx(8 / 20)
    # edges 1.12 * hypot(0.1, 0.8 / 60) / 20 = 0.00565; scale 0.002 * 3 = 0.006
    assert sight.u_length_mm == pytest.approx(np.hypot(0.00565, 0.006), rel=0.01)


def test_faint_pieces_are_limited_by_noise():
    """Contrast 2 noises, blur 4 px: w / (4 sqrt(2 pi)) * 2 * sqrt(20) = 5, and a crumb of contrast 2 < 5 never shows fully."""
    faint = sight_of(replace(SCAN, blur_px=LocalField.constant(4.0)), 2.0)
    assert faint.thread_mm == pytest.approx(5 * 4 * np.sqrt(2 * np.pi) / (2 * np.sqrt(20)) / 20)
    assert faint.crumb_mm > 1.0
    assert faint.crumb_mm > sight_of(SCAN, 2.0).crumb_mm


def test_blurred_crumb_keeps_its_share():
    sight = sight_of(replace(SCAN, blur_px=LocalField.constant(8.0)), 20.0)
    share = 1 - np.exp(-((sight.crumb_mm * 20) ** 2) / (8 * 8.0**2))
    assert share == pytest.approx(5 / 20)


def test_a_camera_s_height_and_foot_enter():
    """Rim 50 mm off the foot, 200 mm up: 1.75 * 0.25 * 0.02, 1.75 * 1.5 / 200 and 3 * 0.3 / 200 mm beside edges, scale."""
    camera = PerspectiveCamera(4000.0, (0.0, 0.0), (0.0, 0.0), np.eye(3), np.array([50.0, 0.0, 200.0]))
    tray = replace(
        SCAN, camera=camera, window_mm=(0.0, 0.0, 100.0, 0.001), scale=ScaleUncertainty(0.001, 0.02, 0.3, 1.5)
    )
    edges = 1.12 * np.hypot(0.1, 0.8 / 60) / 20
    expected = np.sqrt(
        edges**2 + 0.003**2 + (0.3 / 200 * 3) ** 2 + (1.75 * 0.25 * 0.02) ** 2 + (1.75 * 1.5 / 200) ** 2
    )
    assert sight_of(tray, 60.0).u_length_mm == pytest.approx(expected, rel=1e-3)


def test_a_contrast_that_is_not_known_limits_nothing():
    """An empty tray: pixels alone, and no NaN."""
    sight = sight_of(SCAN, float("nan"))
    assert (sight.thread_mm, sight.crumb_mm) == pytest.approx((2 / 20, 8 / 20))
    assert sight.u_length_mm == pytest.approx(np.hypot(1.12 * 0.1 / 20, 0.006))


def test_of_several_photos_the_worst_counts_in_each_respect():
    assert Sight.worst([Sight(0.1, 0.6, 0.02), Sight(0.2, 0.4, 0.01)]) == Sight(0.2, 0.6, 0.02)
