"""Light that pieces throw on the tray is no piece, however grainy the picture."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from traygauge.segment.background import tray_field
from traygauge.segment.look import look
from traygauge.segment.mask import all_pieces
from traygauge.segment.window import cut_window
from traygauge_calib.tray_view import TrayView

SIDE = 1600
GLOW, SPOT = (500, 500), (1100, 1100)


def mask_of(view: Callable[..., TrayView], grain: float) -> np.ndarray:
    """Dark bars on a grey tray, on which a soft glow and a sharp bright disc lie, both brighter than it."""
    light = np.full((SIDE, SIDE, 3), 190.0, np.float32)
    for row in range(4):
        for column in range(4):
            at = np.array([200 + 400 * column, 200 + 400 * row])
            cv2.rectangle(light, at - (24, 14), at + (24, 14), (40.0, 60.0, 150.0), cv2.FILLED)
    y, x = np.mgrid[:SIDE, :SIDE]
    light += 35 * np.exp(-0.5 * ((x - GLOW[0]) ** 2 + (y - GLOW[1]) ** 2) / 15.0**2)[..., None]
    cv2.circle(light, SPOT, 40, (230.0, 230.0, 230.0), cv2.FILLED)
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    light += np.random.default_rng(3).normal(0, grain, light.shape)
    window = cut_window(view(np.clip(np.rint(light), 0, 255).astype(np.uint8)))
    field = tray_field(window)
    return all_pieces(window, field, look(window, field))[0]


@pytest.mark.parametrize("grain", [1.0, 4.0, 5.0])
def test_a_soft_glow_is_none_and_a_sharp_disc_is_one(view: Callable[..., TrayView], grain: float) -> None:
    mask = mask_of(view, grain)
    around = [mask[y - 60 : y + 60, x - 60 : x + 60] > 0 for x, y in (GLOW, SPOT)]
    assert around[0].mean() < 0.01
    assert around[1].sum() == pytest.approx(np.pi * 40**2, rel=0.1)
