"""What a picture's noise does to lengths, on drawn trays: errors are held against none."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge_shared.scenes import Batch, Lamp, Lighting, Sensor, Sheet, phone_over, tray


@pytest.mark.parametrize(
    ("colour", "window"), [("yellow", "green"), ("orange", "darkblue"), ("green", "black")]
)
def test_noise_shortens_no_coloured_strand_on_a_dark_tray(measured_scene, colour: str, window: str) -> None:
    """What noise adds to the edges of rows is no lip: taken for one, it left lengths 0.1 mm short and more."""
    scene = tray(
        Batch(count=50, colour=colour, surface="satin", cut_deg=(4.0, 4.0)),
        seed=15,
        camera=phone_over(tilt_deg=3.0, tilt_towards_deg=120.0),
        sheet=Sheet(window=window),
        light=Lighting((Lamp(80.0, 40.0, 0.75, 15.0),), ambient=0.25),
        sensor=Sensor(noise=8.0),
    )
    errors = measured_scene(scene).errors("length_mm", "length_mm")
    assert len(errors) >= 45
    assert abs(np.median(errors)) < 0.06
