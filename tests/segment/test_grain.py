"""Grain is no piece: coarse in shadows, and coloured."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from traygauge.segment.contrast import noise_in
from traygauge.segment.find import find_pieces
from traygauge.segment.look import CoarseLook
from traygauge_shared.light import srgb_to_linear
from traygauge_shared.loading import load_photo


def test_grain_in_shadows_is_no_crumb(view) -> None:
    """16 black pieces 0.9 mm long and longer, and no crumb, rendered for this project: coarse coloured grain in shadows.

    At 18 px/mm; where two touch they may still be one thing.
    """
    photo = load_photo(Path(__file__).with_name("grainy_shadows.jpg"))
    regions = find_pieces(view(photo.pixels, 18.0, 1.0))
    area = np.array([cv2.contourArea(o.astype(np.float32)) for o in regions.outlines_px]) / 18.0**2
    assert 12 <= len(regions) <= 18
    assert area.min() > 0.9 * 1.4  # the shortest is 0.93 mm long and 1.75 mm thick


def test_the_noise_of_a_signal_is_that_of_its_weighted_light() -> None:
    rng = np.random.default_rng(3)
    tray, mix = np.array([180.0, 150.0, 90.0]), np.array([[2.0, 0.5, 0.0], [0.0, 1.5, 0.7], [0.3, 0.0, 1.0]])
    code = tray + rng.normal(size=(40_000, 3)) @ mix.T
    one = np.zeros((1, 1))
    coarse = CoarseLook(one[..., None], one, one, tray, mix @ mix.T, 16.0)
    weight = np.array([[0.2, 0.7, 0.1], [0.9, -0.8, 0.05]])
    found = (srgb_to_linear(code / 255.0) @ weight.T).std(0)
    assert noise_in(weight, coarse) == pytest.approx(found, rel=0.03)


def test_bright_patches_of_a_grainy_scan_are_no_white_pieces(view) -> None:
    """Some 60 red pieces on a white lid, rendered for this project as scanned at 300 dpi: its tray between soft shadows."""
    photo = load_photo(Path(__file__).with_name("grainy_scan.jpg"))
    regions = find_pieces(view(photo.pixels, 11.81, 1.0))
    red_over_green = regions.colour_lab[:, 1]
    assert len(regions) >= 40
    assert red_over_green.min() > 20.0
