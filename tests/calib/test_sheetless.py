"""Scales without a sheet: scanner, stated figure, reference; sharpness and noise from the picture itself."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.stats import norm

from traygauge_calib.camera import FlatCamera, PerspectiveCamera
from traygauge_calib.fitness import check_fitness
from traygauge_calib.scale import calibrate
from traygauge_calib.sheetless import U_REFERENCE, Reference
from traygauge_shared.errors import SheetError, UnfitPhotoError
from traygauge_shared.light import linear_to_srgb
from traygauge_shared.photo import Photo


def scan(dpi=(600.0, 600.0), blur=1.2, noise=0.006, size=(900, 700), **facts):
    """Return dark rods on a white lid, drawn in linear light."""
    rng = np.random.default_rng(7)
    light = np.full((size[1], size[0]), 0.80)
    for _ in range(60):
        x, y, angle = rng.uniform(40, size[0] - 40), rng.uniform(40, size[1] - 40), rng.uniform(0, 180)
        box = cv2.boxPoints(((x, y), (60, 34), angle))
        cv2.fillPoly(light, [np.rint(box * 16).astype(np.int32)], 0.08, shift=4)
    light = cv2.GaussianBlur(light, (0, 0), blur) + noise * rng.standard_normal(light.shape)
    code = np.rint(255 * linear_to_srgb(np.clip(light, 0, 1))).astype(np.uint8)
    return Photo("scan.png", "", np.repeat(code[..., None], 3, 2), "PNG", None, dpi, False, **facts)


def few_markers(count):
    """Return a picture of some markers of the medium ring, 28 px wide, beside each other."""
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    grey = np.full((700, 900), 230, np.uint8)
    for k in range(count):
        grey[100:128, 60 + 90 * k : 88 + 90 * k] = cv2.aruco.generateImageMarker(words, k, 28)
    return replace(scan(), pixels=np.repeat(grey[..., None], 3, 2))


def test_scan_by_its_density_tag():
    tray = calibrate(scan((600.0, 300.0)))
    assert tray.source == "scan"
    assert isinstance(tray.camera, FlatCamera)
    assert tray.is_flat
    assert tray.is_scan
    # 25.4 mm hold 600 px across and 300 down; sheet coordinates start at the picture's top left corner
    assert tray.window_mm == pytest.approx((0, 0, 900 / 600 * 25.4, 700 / 300 * 25.4))
    np.testing.assert_allclose(tray.to_mm([[-0.5, -0.5], [599.5, 299.5]]), [[0, 0], [25.4, 25.4]], atol=1e-9)
    np.testing.assert_allclose(tray.lean([[1.0, 2.0]], 5.0), 0)
    assert tray.scale.relative == pytest.approx(0.002)
    assert tray.camera_height_mm == float("inf")


def test_scan_reads_sharpness_and_noise_from_the_picture():
    tray = calibrate(scan())
    # drawn edges keep their pixels' jags, which spread them by a further fraction of a pixel
    assert 1.1 < float(tray.blur_px.at([10, 10])) < 1.5
    assert float(tray.noise.at([10, 10])) == pytest.approx(0.006, rel=0.25)
    assert tray.edge_spread is not None
    assert tray.edge_spread[np.abs(tray.edge_spread[:, 0]) < 0.1, 1] == pytest.approx(0.5, abs=0.02)


def test_plain_picture_has_a_blur_too():
    flat = replace(scan(), pixels=np.full((200, 300, 3), 200, np.uint8))
    tray = calibrate(flat, scan=True)
    assert float(tray.blur_px.at([1, 1])) == pytest.approx(0.8)
    assert tray.edge_spread is None
    assert float(tray.noise.at([1, 1])) > 0


@pytest.mark.parametrize("facts", [{"dpi": (72.0, 72.0)}, {"dpi": None}, {"dpi": (299.0, 600.0)}], ids=str)
def test_a_tag_that_no_scanner_writes(facts):
    photo = replace(scan(), **facts)
    with pytest.raises(SheetError, match="no sheet"):
        calibrate(photo)
    with pytest.raises(SheetError, match="per inch") as error:
        calibrate(photo, scan=True)
    assert error.value.advice


def test_a_lens_makes_it_no_scan_unless_said():
    photo = replace(scan(), has_lens=True)
    with pytest.raises(SheetError, match="no sheet"):
        calibrate(photo)
    assert calibrate(photo, scan=True).source == "scan"


@pytest.mark.parametrize(
    "how", [{"dpi": (300.0, 300.0)}, {"dpi": (299.9994, 299.9994)}, {"scan": True}], ids=str
)
def test_a_sheet_on_the_scanner_gives_window_and_scale(drawn, how):
    """Seen from 20 m up, as good as a scan; its density tag, which is wrong here, is not needed."""
    drawing = drawn(focal_35mm=4000.0, tilt_deg=0.0)
    photo = replace(drawing.photo, focal_35mm=None, has_lens=False, exif_size=None, dpi=how.get("dpi"))
    tray = calibrate(photo, scan=how.get("scan", False))
    assert tray.source == "sheet"
    assert tray.is_scan
    assert tray.window_mm == pytest.approx((12, 12, 120, 84), rel=1e-3)
    points = np.array([[20.0, 20.0], [110.0, 20.0], [66.0, 80.0]])
    np.testing.assert_allclose(tray.to_mm(drawing.project(points)), points, atol=0.03)
    assert np.abs(tray.lean(points, 3.0)).max() < 0.002
    assert check_fitness(tray).level != "refuse"


def test_stated_scale_without_a_focal_length():
    tray = calibrate(scan(), px_per_mm=20.0)
    assert tray.source == "stated"
    assert tray.is_flat
    assert not tray.is_scan
    assert tray.window_mm == pytest.approx((0, 0, 45, 35))
    assert any("straight above" in said for said in tray.warnings)


def test_stated_scale_with_a_focal_length_knows_its_height():
    """f in px over px per mm: 35 mm on a diagonal of 1140.2 px is 922.3 px; at 20 px per mm that is 46.1 mm up."""
    tray = calibrate(replace(scan(), focal_35mm=35.0, has_lens=True, exif_size=(900, 700)), px_per_mm=20.0)
    assert isinstance(tray.camera, PerspectiveCamera)
    assert tray.camera.height_mm == pytest.approx(35 / 43.2666 * np.hypot(900, 700) / 20)
    np.testing.assert_allclose(tray.camera.foot_mm, [22.5, 17.5])
    np.testing.assert_allclose(tray.to_mm([[-0.5, -0.5], [899.5, 699.5]]), [[0, 0], [45, 35]], atol=1e-9)
    np.testing.assert_allclose(tray.px_per_mm([[5.0, 5.0], [40.0, 30.0]]), 20.0)
    assert tray.scale.foot_mm > 1.0  # nobody knows how it was held


@pytest.mark.parametrize("value", [0.0, -3.0, float("nan"), float("inf"), 1e6, 0.01])
def test_a_stated_scale_that_is_none(value):
    with pytest.raises(SheetError, match="scale"):
        calibrate(scan(), px_per_mm=value)


def test_reference_of_known_length():
    tray = calibrate(scan(), reference=Reference((100.0, 100.0), (400.0, 500.0), 25.0))
    assert tray.source == "reference"
    np.testing.assert_allclose(tray.px_per_mm([10.0, 10.0]), 500 / 25)
    # each end picked to 1 px over 500 px, and the length itself
    assert tray.scale.relative == pytest.approx(np.hypot(np.sqrt(2) / 500, U_REFERENCE))


@pytest.mark.parametrize(
    "reference",
    [
        Reference((0.0, 0.0), (50.0, 0.0), 10.0),
        Reference((0.0, 0.0), (950.0, 0.0), 10.0),
        Reference((float("nan"), 0.0), (500.0, 0.0), 10.0),
        Reference((0.0, 0.0), (500.0, 0.0), 0.0),
        Reference((0.0, 0.0), (500.0, 0.0), float("inf")),
        Reference((0.0, 0.0), (500.0, 0.0), 1000.0),
    ],
    ids=str,
)
def test_a_reference_that_is_none(reference):
    with pytest.raises(SheetError):
        calibrate(scan(), reference=reference)


@pytest.mark.parametrize(
    "how", [{"px_per_mm": 8.0}, {"reference": Reference((0.0, 0.0), (900.0, 0.0), 100.0)}]
)
@pytest.mark.parametrize("view", [{}, {"fill": 0.3}, {"aim_mm": (100.0, 0.0)}], ids=str)
def test_a_sheet_beside_a_stated_scale_is_refused(drawn, how, view):
    """Its markers would be counted as pieces; whole, small or half in view, the sheet says more than the figure."""
    with pytest.raises(SheetError, match="a sheet lies in the photo") as error:
        calibrate(drawn(**view).photo, **how)
    assert "markers of the small sheet" in error.value.found
    assert "without the stated scale" in error.value.advice


def test_a_negative_of_a_sheet_is_refused(drawn):
    photo = drawn().photo
    with pytest.raises(SheetError, match="negative") as error:
        calibrate(replace(photo, pixels=255 - photo.pixels), px_per_mm=8.0)
    assert "of the small sheet, black and white exchanged" in error.value.found


def test_fewer_markers_than_make_a_sheet_are_none():
    """Spots that look like a few markers by chance do not take a stated scale away."""
    assert calibrate(few_markers(5), px_per_mm=10.0).source == "stated"
    with pytest.raises(SheetError, match="a sheet lies in the photo"):
        calibrate(few_markers(6), px_per_mm=10.0)


@pytest.mark.parametrize("size", [(1, 1), (5000, 4), (63, 900)])
@pytest.mark.parametrize("how", [{}, {"scan": True}, {"px_per_mm": 10.0}], ids=str)
def test_stamps_are_refused(size, how):
    with pytest.raises(UnfitPhotoError, match="too small"):
        calibrate(replace(scan(), pixels=np.zeros((size[1], size[0], 3), np.uint8)), **how)


@pytest.mark.parametrize("value", [0, 255])
def test_plain_pictures_are_survived(value):
    plain = replace(scan(), pixels=np.full((100, 140, 3), value, np.uint8))
    assert float(calibrate(plain, scan=True).noise.at([0, 0])) > 0
    with pytest.raises(SheetError):
        calibrate(replace(plain, has_lens=True))


def test_edge_response_is_the_normal_integral_of_a_gauss_blur():
    tray = calibrate(scan(blur=1.8))
    distance, response = tray.edge_spread.T
    np.testing.assert_allclose(response, norm.cdf(distance), atol=0.04)


def test_a_photo_said_to_be_a_scan_is_refused(drawn):
    with pytest.raises(SheetError, match="no flatbed scan"):
        calibrate(drawn(tilt_deg=2.0, focal_35mm=70.0).photo, scan=True)
