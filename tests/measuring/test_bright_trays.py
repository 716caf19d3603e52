"""Pieces on trays that are no darker than their limbs: under a flash, and lit by the tray itself."""

import numpy as np
import pytest

from traygauge_shared.scenes import LIGHTS, Batch, Sheet, tray


@pytest.mark.parametrize(
    ("colour", "window"), [("white", "black"), ("white", "green"), ("yellow", (0.18, 0.18, 0.18))], ids=str
)
def test_limbs_darker_than_the_tray_end_where_they_do(measured_scene, colour: str, window) -> None:
    """White on green was 0.05 mm too thin, yellow on grey 0.08 mm, and said to be surer: limbs passed for bare tray."""
    batch = Batch(count=50, colour=colour, surface="satin", cut_deg=(6.0, 5.0))
    seen = measured_scene(tray(batch, seed=81, sheet=Sheet(window=window), light=LIGHTS["flash"]))
    error = seen.errors("diameter_mm", "width_seen_mm")
    assert len(error) >= 48
    assert abs(np.median(error)) < 0.03
    assert (np.abs(error) < 1.96 * np.nanmedian(seen.pieces["u_diameter_mm"])).mean() > 0.9


@pytest.mark.parametrize("colour", ["white", "yellow"])
def test_a_bright_tray_lights_the_limbs_from_below(measured_scene, colour: str) -> None:
    """Beside a window yellow on green was 0.05 mm too thick, white 0.02 mm: what passed for more of it was its limb."""
    batch = Batch(count=50, colour=colour, surface="satin", cut_deg=(6.0, 5.0))
    seen = measured_scene(tray(batch, seed=82, sheet=Sheet(window="green"), light=LIGHTS["window"]))
    error = seen.errors("diameter_mm", "width_seen_mm")
    assert len(error) >= 48
    assert abs(np.median(error)) < 0.02
