"""Fit to measure? Each check warns and refuses where it should, and says what to do."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from traygauge_calib.fitness import blockiness, check_fitness, require_fit, with_found
from traygauge_calib.scale import calibrate
from traygauge_shared.errors import UnfitPhotoError

GOOD = {"size": (1480, 1110), "fill": 0.95, "sharpen": 0.3, "focal_35mm": 35.0}


def levels(tray, contrast=None):
    return {check.name: check.level for check in check_fitness(tray, contrast).checks}


def test_good_photo_is_fine(drawn):
    fitness = check_fitness(calibrate(drawn(**GOOD).photo), 30.0)
    assert fitness.level == "fine", fitness.warnings
    require_fit(fitness)


def test_values_are_those_drawn(drawn):
    drawing = drawn(**GOOD)
    tray = calibrate(drawing.photo)
    values = {check.name: check.value for check in check_fitness(tray).checks}
    assert values["tilt"] == pytest.approx(4.0, abs=0.4)
    # the board with its margins, 112 mm high, fills 0.95 of a picture 3/4 as high as wide; less at the far rim
    assert values["pixels"] == pytest.approx(1480 * 0.75 * 0.95 / 112, rel=0.06)
    corners = np.array([[12, 12], [120, 12], [120, 84], [12, 84]])
    sideways = np.linalg.norm(corners - drawing.centre_mm[:2], axis=1).max() / drawing.centre_mm[2]
    assert values["view from the side"] == pytest.approx(sideways, rel=0.02)
    assert "contrast" not in values


@pytest.mark.parametrize(
    ("view", "name", "level"),
    [
        ({"blur_px": 2.0}, "sharpness", "warn"),
        ({"size": (1000, 750), "blur_px": 1.8}, "sharpness", "refuse"),
        ({"blur_px": 3.2}, "sharpness", "refuse"),
        ({"noise": 0.06}, "noise", "warn"),
        ({"noise": 0.2}, "noise", "refuse"),
        ({"fill": 0.8}, "pixels", "warn"),
        ({"size": (640, 480), "fill": 0.85}, "pixels", "refuse"),
        ({"tilt_deg": 15.0}, "tilt", "warn"),
        ({"tilt_deg": 28.0}, "tilt", "refuse"),
        ({"focal_35mm": 18.0}, "view from the side", "warn"),
        ({"light": 0.1}, "brightness", "warn"),
        ({"light": 0.025, "noise": 0.0005}, "brightness", "refuse"),
        ({"light": 1.6}, "overexposed paper", "refuse"),
        ({"gradient": 0.2}, "light gradient", "warn"),
        ({"sharpen": 1.5, "light": 0.5}, "sharpening", "warn"),
        ({"curl_mm": 1.2}, "sheet flatness", "warn"),
    ],
    ids=str,
)
def test_each_check(drawn, view, name, level):
    fitness = check_fitness(calibrate(drawn(**(GOOD | view)).photo))
    assert {check.name: check.level for check in fitness.checks}[name] == level
    assert next(check for check in fitness.checks if check.name == name).advice
    if level == "refuse":
        with pytest.raises(UnfitPhotoError, match=name) as error:
            require_fit(fitness)
        assert error.value.advice
    elif fitness.level == "warn":
        require_fit(fitness)


@pytest.mark.parametrize(("contrast", "level"), [(30.0, "fine"), (6.0, "warn"), (2.0, "refuse")])
def test_contrast_is_weighed_once_it_is_known(drawn, contrast, level):
    assert levels(calibrate(drawn(**GOOD).photo), contrast)["contrast"] == level


def test_contrast_of_an_empty_tray_is_not_weighed(drawn):
    assert "contrast" not in levels(calibrate(drawn(**GOOD).photo), float("nan"))


def test_picture_flattened_by_a_document_scanner_is_refused(drawn):
    """The paper cut out and squared up: the camera's view is gone from the picture."""
    drawing = drawn(**GOOD)
    corners = drawing.project(np.array([[-7.0, -3], [139, -3], [139, 99], [-7, 99]])).astype(np.float32)
    size = (1460, 1020)
    target = np.array([[0, 0], [size[0] - 1, 0], [size[0] - 1, size[1] - 1], [0, size[1] - 1]], np.float32)
    flat = cv2.warpPerspective(drawing.photo.pixels, cv2.getPerspectiveTransform(corners, target), size)
    photo = replace(
        drawing.photo, pixels=flat, focal_35mm=None, has_lens=False, exif_size=None, camera_name=""
    )
    fitness = check_fitness(calibrate(photo))
    assert fitness.level == "refuse"
    with pytest.raises(UnfitPhotoError) as refused:
        require_fit(fitness)
    # what has no figure is answered by yes or no
    assert "squared up by a program: yes" in refused.value.found
    assert "squared up by a program: no" in refused.value.expected


def test_picture_from_a_messenger_is_warned_of(drawn):
    """Scaled to 1280 px, compressed hard, EXIF gone."""
    photo = drawn(**GOOD).photo
    small = cv2.resize(photo.pixels, (1280, 960), interpolation=cv2.INTER_AREA)
    code = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 20])[1]
    pixels = np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR))
    sent = replace(photo, pixels=pixels, focal_35mm=None, has_lens=False, exif_size=None, camera_name="")
    warned = {check.name for check in check_fitness(calibrate(sent)).warnings}
    assert {"pixels", "compression"} <= warned


def test_blockiness_rises_with_compression_only():
    rng = np.random.default_rng(2)
    smooth = cv2.GaussianBlur(rng.normal(120, 60, (480, 640, 3)), (0, 0), 3) + rng.normal(
        0, 1.5, (480, 640, 3)
    )
    plain = np.clip(smooth, 0, 255).astype(np.uint8)

    def sent(quality):
        return cv2.imdecode(
            cv2.imencode(".jpg", plain, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR
        )

    values = [blockiness(plain)] + [blockiness(np.asarray(sent(quality))) for quality in (95, 60, 25)]
    assert values[0] < 1.2
    assert values[1] < 1.5
    assert values == sorted(values)
    assert values[3] > 2.2
    assert blockiness(np.zeros((5, 5, 3), np.uint8)) == 1.0


@pytest.mark.parametrize(("fired", "level"), [(True, "warn"), (False, "fine"), (None, None)])
def test_a_flash_is_warned_of_where_the_file_says_that_it_fired(drawn, fired, level):
    tray = calibrate(replace(drawn(**GOOD).photo, flash=fired))
    assert levels(tray).get("flash") == level


def test_every_refusal_is_named_at_once(drawn):
    fitness = check_fitness(calibrate(drawn(**(GOOD | {"tilt_deg": 28.0, "light": 1.6})).photo))
    with pytest.raises(UnfitPhotoError) as error:
        require_fit(fitness)
    assert "tilt" in error.value.wrong
    assert "overexposed paper" in error.value.wrong
    assert len(error.value.lines()) == 4


def test_what_is_known_once_pieces_are_found_is_looked_at_too(drawn):
    tray = calibrate(drawn(**GOOD).photo)
    fitness = with_found(check_fitness(tray), contrast=30.0, unexplained_patches=0.0, lengths=0.02)
    assert [c.name for c in fitness.checks[-3:]] == ["contrast", "unexplained patches", "lengths"]
    assert fitness.level == "fine"
    assert with_found(fitness, lengths=float("nan")) == fitness  # nothing measured: nothing to look at
    for name, warns, refuses in (
        ("unexplained_patches", 0.6, 2.1),
        ("glare_on_the_tray", 0.01, 0.05),
        ("lengths", 0.2, 0.41),
        ("contrast", 5.0, 2.0),
        ("diameters", 0.05, 0.09),
    ):
        assert with_found(fitness, **{name: warns}).level == "warn"
        with pytest.raises(UnfitPhotoError) as caught:
            require_fit(with_found(fitness, **{name: refuses}))
        assert name.replace("_", " ") in str(caught.value)
        assert caught.value.advice
