"""CIELAB against scikit-image's and against what defines it."""

from __future__ import annotations

import numpy as np
from skimage.color import rgb2lab

from traygauge.segment.colour import linear_to_lab
from traygauge_shared.light import srgb_to_linear


def test_lab_agrees_with_scikit_image() -> None:
    code = np.random.default_rng(0).uniform(0, 1, (500, 3))
    ours = linear_to_lab(srgb_to_linear(code))
    # both take D65 and the 2 degree observer; the matrices are rounded differently (IEC 61966-2-1, four digits)
    np.testing.assert_allclose(ours, rgb2lab(code[None])[0], atol=0.15)


def test_white_grey_and_black_have_no_colour() -> None:
    lab = linear_to_lab(np.array([[1.0] * 3, [0.184187] * 3, [0.0] * 3]))
    # CIE 15: L* = 116 (Y/Yn)^(1/3) - 16, so L* = 50 at Y/Yn = 0.184187; white is 100, black 0
    np.testing.assert_allclose(lab[:, 0], [100, 50, 0], atol=1e-3)
    np.testing.assert_allclose(lab[:, 1:], 0, atol=1e-9)
