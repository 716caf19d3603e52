"""Shadows as dark as the pieces, told from them by what a lamp's width makes of their edges."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from traygauge.segment.find import find_pieces
from traygauge.segment.look import CoarseLook
from traygauge.segment.shade import shadow_hue
from traygauge_calib.tray_view import TrayView

TRAY, PIECE, SHADOW = np.array([215.0, 214, 212]), np.array([80.0, 74, 66]), np.array([40.0, 45, 52])


def picture(blur_px: float, penumbra_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a white tray of black rods with a shine each, beside each a tinted shadow, and the rods' middles (n, 2).

    Closed form: an edge across a wide lamp's light is as wide as that makes it, an edge of a rod as the photo's blur.
    """
    middle = np.stack(np.meshgrid(np.arange(90, 1500, 120), np.arange(90, 1100, 120)), -1).reshape(-1, 2)
    rods, shines, shades = (np.zeros((1200, 1600), np.float32) for _ in range(3))
    for k, (x, y) in enumerate(middle.astype(float)):
        turn = 37.0 * k % 180
        for layer, at, size in (
            (shades, (x + 26, y + 16), (56.0, 34.0)),
            (rods, (x, y), (52.0, 30.0)),
            (shines, (x, y), (46.0, 10.0)),
        ):
            box = cv2.boxPoints((at, size, turn))
            cv2.fillConvexPoly(layer, np.rint(box * 16).astype(np.int32), 1.0, cv2.LINE_AA, 4)
    shade = cv2.GaussianBlur(shades, (0, 0), penumbra_px)[..., None]
    light = TRAY + shade * (SHADOW - TRAY)
    light += rods[..., None] * (PIECE + shines[..., None] * 45.0 - light)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    noisy = light + np.random.default_rng(3).normal(0, 1.0, light.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8), middle


@pytest.mark.parametrize("penumbra_px", [5.0, 8.0, 12.0])
def test_of_two_dark_things_the_soft_one_is_the_shadow(
    view: Callable[..., TrayView], penumbra_px: float
) -> None:
    photo, middle = picture(2.0, penumbra_px)
    regions = find_pieces(view(photo, blur_px=2.0))
    assert regions.told_from_shadows == 1.0
    x, y = regions.origin_px
    owner = regions.labels[middle[:, 1] - y, middle[:, 0] - x]
    assert (owner > 0).mean() > 0.98
    beside = regions.labels[middle[:, 1] - y + 26, middle[:, 0] - x + 30]
    assert (beside > 0).mean() < 0.02


def test_what_has_no_light_at_all_has_a_hue_nonetheless() -> None:
    """Between pieces on a black tray codes are 0; warnings are errors here, and would stand on a user's terminal."""
    even = np.full((60, 80, 3), 40.0, np.float32)
    even[10:50, 10:70] = 0.0
    inside = np.full((60, 80), 255, np.uint8)
    look = CoarseLook(even, np.zeros_like(inside), inside, np.array([40.0, 40.0, 40.0]), np.eye(3), 8.0)
    assert shadow_hue(look, even[..., 0] < 20, None) is None
