"""Finding the sheet: corners to hundredths of a pixel in any pose, and a reason where there is none."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from traygauge_calib.camera_priors import believe_file
from traygauge_calib.find_sheet import FoundSheet, find_sheet
from traygauge_calib.markers import find_markers
from traygauge_calib.no_sheet import NoSheet
from traygauge_calib.scale import calibrate
from traygauge_calib.sheets import SHEETS
from traygauge_shared.errors import SheetError


def look(photo, **more):
    return find_sheet(np.ascontiguousarray(photo.pixels[..., 1]), believe_file(photo).priors, **more)


def painted(drawing, areas_mm, light=150):
    """Return the photo with polygons of the sheet covered."""
    pixels = drawing.photo.pixels.copy()
    for area in areas_mm:
        cv2.fillPoly(pixels, [np.rint(drawing.project(np.array(area, float))).astype(np.int32)], (light,) * 3)
    return replace(drawing.photo, pixels=pixels)


@pytest.mark.parametrize(("name", "scale"), [("small", 28), ("large", 7)])
def test_pixel_centres(name, scale, cv_boards):
    """Corner k of a board drawn at s px per mm lies at k * square * s - 0.5: pixel (0, 0) is a centre, not a corner.

    The scales are those at which every module of the markers is a whole number of pixels.
    """
    sheet = SHEETS[name]
    size = tuple(int(side * scale) for side in sheet.board_mm)
    picture = cv_boards(name).generateImage(size, marginSize=0, borderBits=1)
    x0, y0, x1, y1 = (int(v * scale) for v in sheet.window_mm)
    picture[y0:y1, x0:x1] = 128
    page = cv2.copyMakeBorder(picture, 100, 100, 100, 100, cv2.BORDER_CONSTANT, value=255)
    found = look(replace_photo(page))
    np.testing.assert_allclose(found.corners_px, found.corners_mm * scale - 0.5 + 100, atol=0.01)
    assert len(found.corners_mm) == len(sheet.corners_mm)


def replace_photo(grey):
    from traygauge_shared.photo import Photo

    return Photo("page", "", np.repeat(grey[..., None], 3, 2))


@pytest.mark.parametrize(
    "view",
    [
        {},
        {"roll_deg": 90.0},
        {"roll_deg": 137.0, "fill": 0.75},
        {"roll_deg": 181.0},
        {"tilt_deg": 15.0, "azimuth_deg": 200.0},
        {"sheet": "medium", "k1": -0.08},
        {"sheet": "large", "sharpen": 0.8},
        {"gradient": 0.25, "noise": 0.01},
    ],
    ids=str,
)
def test_corners_lie_where_the_camera_sees_them(drawn, view):
    drawing = drawn(**view)
    found = look(drawing.photo)
    assert found.sheet.name == view.get("sheet", "small")
    off = found.corners_px - drawing.project(found.corners_mm)
    assert len(off) > 0.97 * len(found.sheet.corners_mm)
    # noise of 0.01 against a step of 0.7 gives about 0.02 px; unbiased to a fifth of that over all corners
    assert np.abs(off.mean(0)).max() < 0.015
    assert off.std() < 0.05
    assert np.abs(off).max() < 0.2


def test_corners_do_not_depend_on_tone_curve_or_ink(drawn):
    """A chess corner is its own image when turned by half a turn, whatever is done to the grey values."""
    drawing = drawn()
    curved = (255 * (drawing.photo.pixels / 255.0) ** 2.2).astype(np.uint8)
    plain, bent = look(drawing.photo), look(replace(drawing.photo, pixels=curved))
    assert np.abs((plain.corners_px - bent.corners_px).mean(0)).max() < 0.01
    assert np.abs(plain.corners_px - bent.corners_px).max() < 0.15


def test_markers_are_those_that_opencv_finds(drawn):
    pixels = np.ascontiguousarray(drawn().photo.pixels[..., 1])
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000))
    corners, ids, _ = detector.detectMarkers(pixels)
    mine = find_markers(pixels)
    assert set(ids.ravel().tolist()) <= set(mine.ids.tolist())
    for quad, marker in zip(corners, ids.ravel(), strict=True):
        found = mine.corners_px[mine.ids.tolist().index(marker)]
        assert np.abs(found - quad[0]).max() < 2.0  # same corner first, same way round


@pytest.mark.parametrize(
    ("areas", "least_seen"),
    [
        ([[(-9, -9), (30, -9), (30, 14), (-9, 30)]], 0.8),  # a thumb on a corner
        ([[(-9, -9), (11, -9), (11, 110), (-9, 110)]], 0.7),  # one side
        ([[(x, y), (x + 4, y), (x + 4, y + 2), (x, y + 2)] for x in range(0, 130, 13) for y in (3, 88)], 0.6),
    ],
    ids=["thumb", "side", "pieces"],
)
def test_partly_covered_ring(drawn, areas, least_seen):
    drawing = drawn()
    tray = calibrate(painted(drawing, areas))
    assert tray.ring.seen > least_seen
    assert np.linalg.norm(tray.camera.foot_mm - drawing.centre_mm[:2]) < 1.0
    points = np.array([[20.0, 20], [110, 20], [66, 48], [110, 75]])
    np.testing.assert_allclose(tray.to_mm(drawing.project(points)), points, atol=0.03)


def reason(photo):
    found = look(photo)
    assert isinstance(found, NoSheet)
    assert not found
    with pytest.raises(SheetError) as error:
        calibrate(photo)
    told = error.value
    assert told.found
    assert told.expected
    assert told.advice
    return told.wrong


def test_mirrored_picture(drawn):
    photo = drawn().photo
    assert "mirrored" in reason(replace(photo, pixels=np.ascontiguousarray(photo.pixels[:, ::-1])))


def test_two_sheets_of_one_kind(drawn):
    photo = drawn().photo
    both = np.concatenate([photo.pixels, photo.pixels], 1)
    assert "more than one sheet" in reason(replace(photo, pixels=both, exif_size=None))


def test_two_sheets_of_different_kinds(drawn):
    photo, other = drawn().photo, drawn(sheet="large", sharpen=0.8).photo
    both = np.concatenate([photo.pixels, other.pixels], 1)
    assert "more than one sheet" in reason(replace(photo, pixels=both, exif_size=None))


def test_window_with_markers(drawn):
    assert "not plain" in reason(drawn(blank=False).photo)


def test_markers_of_another_board(drawn):
    """The board's own inside, cut out: markers of our dictionary, none of a ring."""
    drawing = drawn(blank=False)
    low, high = drawing.project(np.array([[13.0, 13.0], [119.0, 83.0]])).astype(int)
    inside = np.ascontiguousarray(
        drawing.photo.pixels[low[1] + 20 : high[1] - 20, low[0] + 20 : high[0] - 20]
    )
    assert "not those of a traygauge sheet" in reason(replace(drawing.photo, pixels=inside))


def test_markers_in_the_wrong_places(drawn):
    """The ring's strips swapped: every marker is one of ours, and no flat sheet shows them so."""
    photo = drawn(roll_deg=0.0, tilt_deg=0.0).photo
    pixels = photo.pixels.copy()
    half = pixels.shape[0] // 2
    pixels[:half], pixels[half : 2 * half] = photo.pixels[half : 2 * half], photo.pixels[:half]
    assert "do not lie" in reason(replace(photo, pixels=pixels))


def test_window_runs_out_of_the_picture(drawn):
    photo = drawn().photo
    cut = np.ascontiguousarray(photo.pixels[:, : int(0.75 * photo.width)])
    assert "outside the picture" in reason(replace(photo, pixels=cut, exif_size=None))


def test_only_two_sides_of_the_ring(drawn):
    areas = [[(-9, -9), (140, -9), (140, 11), (11, 11), (11, 105), (-9, 105)]]
    assert "only a part" in reason(painted(drawn(), areas))


def test_a_few_markers_only(drawn):
    areas = [[(-9, -9), (140, -9), (140, 105), (-9, 105)], [(13, 13), (119, 13), (119, 83), (13, 83)]]
    drawing = drawn()
    photo = painted(drawing, areas[:1])
    corner = drawing.project(np.array([[0.0, 0.0], [20.0, 11.0]])).astype(int)
    (x0, y0), (x1, y1) = corner
    photo.pixels[y0:y1, x0:x1] = drawing.photo.pixels[y0:y1, x0:x1]
    assert "too little of the sheet" in reason(photo)


@pytest.mark.parametrize(("light", "word"), [(0.004, "nearly black"), (60.0, "overexposed")])
def test_no_light_or_too_much(drawn, light, word):
    assert word in reason(drawn(light=light, noise=0.002).photo)


def test_blurred_beyond_reading(drawn):
    assert "blurred" in reason(drawn(blur_px=7.0).photo)


def test_no_sheet_at_all():
    steps = np.kron(np.random.default_rng(0).integers(40, 220, (30, 40)), np.ones((32, 32))).astype(np.uint8)
    assert reason(replace_photo(steps)) == "no sheet was found in the photo"


def test_a_sheet_is_true_and_none_is_false(drawn):
    assert isinstance(look(drawn().photo), FoundSheet)
    assert bool(look(drawn().photo)) is True
