"""What looks like pieces and was taken for none is seen, whatever found the pieces."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from traygauge.segment.find import find_pieces
from traygauge.segment.left_out import share_in_glare, share_left_out
from traygauge.segment.regions import Regions
from traygauge_calib.camera import FlatCamera
from traygauge_calib.tray_view import LocalField, ScaleUncertainty, TrayView
from traygauge_shared.photo import Photo

SIDE, STEP = 1600, 200


def picture(rows: range, gradient: float = 0.0) -> np.ndarray:
    """Pieces of 96 by 56 px on a dark tray, eight a row, in some of eight rows; light falls off to the right."""
    mask = np.zeros((SIDE, SIDE), np.float32)
    for row in rows:
        for column in range(8):
            middle = (STEP * (column + 0.5), STEP * (row + 0.5))
            box = cv2.boxPoints((middle, (96.0, 56.0), 20.0 * column))
            cv2.fillPoly(mask, [np.round(box).astype(np.int32)], (1.0,), cv2.LINE_AA)
    light = np.linspace(1.0, 1.0 - gradient, SIDE)
    grey = cv2.GaussianBlur(40 + 180 * mask, (0, 0), 0.8) * light
    noise = np.random.default_rng(1).normal(0, 1.0, (SIDE, SIDE))
    return np.repeat(np.clip(grey + noise, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def found(pixels: np.ndarray) -> Regions:
    return find_pieces(
        TrayView(
            Photo("drawn.png", "0", pixels),
            FlatCamera((16.0, 16.0)),
            (0.0, 0.0, SIDE / 16, SIDE / 16),
            "stated",
            ScaleUncertainty(0.001),
            LocalField.constant(0.8),
            LocalField.constant(0.005),
        )
    )


def beside(regions: Regions, pixels: np.ndarray) -> Regions:
    """The same regions as if they had been found in another picture."""
    return replace(regions, tray=replace(regions.tray, photo=replace(regions.tray.photo, pixels=pixels)))


@pytest.mark.parametrize("gradient", [0.0, 0.6])
def test_pieces_that_were_overlooked_count_by_their_area(gradient):
    """Two rows found, six more there: up to three times the area, less what lies at the rim of each look."""
    few = found(picture(range(2), gradient))
    assert len(few) == 16
    assert share_left_out(few) == 0.0
    shown = share_left_out(beside(few, picture(range(8), gradient)))
    assert 2.0 < shown < 3.5


def test_what_is_known_as_a_piece_is_not_left_out():
    assert share_left_out(found(picture(range(8)))) == 0.0


def test_an_empty_tray_leaves_nothing_out():
    assert share_left_out(found(picture(range(0)))) == 0.0


@pytest.mark.parametrize("rows", [0, 8])
def test_a_mirrored_lamp_hides_its_share_of_the_tray(rows: int) -> None:
    """A disc of 400 px in radius, of a tray of 1600 px each way; pieces take up what they take up of either."""
    pixels = picture(range(rows))
    regions = found(pixels)
    assert share_in_glare(regions) == 0.0
    cv2.circle(pixels, (SIDE // 2, SIDE // 2), 400, (255, 255, 255), cv2.FILLED)
    assert share_in_glare(beside(regions, pixels)) == pytest.approx(np.pi * 400**2 / SIDE**2, rel=0.15)
    # all of it is: a white tray, well lit, unless pieces were seen on it
    assert share_in_glare(beside(regions, np.full_like(pixels, 255))) == (1.0 if rows else 0.0)
