"""Settings for all tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import settings

from traygauge_calib.camera import FlatCamera
from traygauge_calib.tray_view import LocalField, ScaleUncertainty, TrayView
from traygauge_shared.photo import Photo

# Shared machines stall now and then: what takes long is found by --durations, not by a deadline
settings.register_profile("tests", deadline=None, print_blob=True)
settings.load_profile("tests")


def flat_view(pixels: np.ndarray, px_per_mm: float = 16.0, blur_px: float = 0.8) -> TrayView:
    """Return a copy stand's view of a picture."""
    height, width = pixels.shape[:2]
    return TrayView(
        Photo("drawn.png", "0", pixels),
        FlatCamera((px_per_mm, px_per_mm)),
        (0.0, 0.0, width / px_per_mm, height / px_per_mm),
        "stated",
        ScaleUncertainty(0.001),
        LocalField.constant(blur_px),
        LocalField.constant(0.005),
    )


@pytest.fixture(scope="session")
def view() -> Callable[..., TrayView]:
    """Return a function that makes a copy stand's view of a picture; see `flat_view`."""
    return flat_view
