"""A real photo: 24 Greek coins on an uneven dark ground (`skimage.data.coins()`; Brooklyn Museum, no known
copyright restrictions). Their number is known from the picture; their sizes from looking at it.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import skimage.data

from traygauge.segment.find import find_pieces
from traygauge_calib.tray_view import TrayView


def test_24_coins_are_found(view: Callable[..., TrayView]) -> None:
    picture = np.dstack([skimage.data.coins()] * 3)
    regions = find_pieces(view(picture, px_per_mm=2.0, blur_px=1.0))
    area = np.array([cv2.contourArea(o.astype(np.float32)) for o in regions.outlines_px])
    across = np.sqrt(4 / np.pi * area)
    coins = across > 20
    assert coins.sum() == 24
    assert (across[coins] > 34).all()  # the smallest measures about 37 pixels, the largest about 64
    assert (across[coins] < 66).all()
    assert (across[~coins] < 6).all()  # dirt at the picture's rim
    assert {s for s, c in zip(regions.state, coins, strict=True) if c} == {"whole"}
