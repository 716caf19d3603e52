"""Shadows where the tray mirrors a lamp are darker beside their tray than elsewhere, and no pieces."""

from collections.abc import Callable

import cv2
import numpy as np

from traygauge.segment.background import tray_field
from traygauge.segment.look import look
from traygauge.segment.mask import all_pieces
from traygauge.segment.window import cut_window
from traygauge_calib.tray_view import TrayView
from traygauge_shared.light import linear_to_srgb

WIDE, HIGH = 2400, 1800
AMBIENT, LAMP, TRAY, PIECE = 0.5, 0.5, 0.04, 0.7


def test_shadows_in_a_mirrored_lamp_are_no_pieces(view: Callable[..., TrayView]) -> None:
    """White rods on a black tray in a lamp's light, which it mirrors in a corner; shadows have neither."""
    y, x = np.mgrid[:HIGH, :WIDE].astype(np.float32)
    glare = 0.2 * np.exp(-0.5 * ((x - 2300) ** 2 + (y + 100) ** 2) / 450.0**2)
    lamp = np.ones((HIGH, WIDE), np.float32)
    piece = np.zeros((HIGH, WIDE), np.float32)
    for row in range(7):
        for column in range(9):
            at = (200 + 250 * column, 150 + 250 * row)
            for image, (dx, dy), value in ((lamp, (-14, 16), 0.0), (piece, (0, 0), 1.0)):
                box = cv2.boxPoints(((at[0] + dx, at[1] + dy), (60, 34), 35.0 * (row + 2 * column)))
                cv2.fillPoly(image, [np.rint(box).astype(np.int32)], value)
    light = (TRAY * (AMBIENT + LAMP * lamp) + glare * lamp) * (1 - piece) + PIECE * piece
    light = cv2.GaussianBlur(np.repeat(light[..., None], 3, 2), (0, 0), 1.0)
    code = 255.0 * linear_to_srgb(light) + np.random.default_rng(3).normal(0, 1.5, light.shape)
    window = cut_window(view(np.clip(np.rint(code), 0, 255).astype(np.uint8)))
    field = tray_field(window)
    mask = all_pieces(window, field, look(window, field))[0] > 0
    assert (mask & (piece > 0)).sum() > 0.95 * piece.sum()
    assert (mask & (cv2.dilate(piece, np.ones((7, 7))) == 0)).sum() < 0.01 * piece.sum()
