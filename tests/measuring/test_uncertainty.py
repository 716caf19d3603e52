"""Adding up the parts of an uncertainty, against the worked example of the GUM."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from traygauge.measure.uncertainty import combined
from traygauge_shared.scenes import LIGHTS, Batch, Sensor, Sheet, phone_over, tray

GAUGE = pd.read_csv(Path(__file__).parents[1] / "data" / "gum_h1_end_gauge.csv", comment="#").set_index(
    "quantity"
)


def added(rows: pd.DataFrame) -> float:
    """Return what contributions, nm, add up to."""
    return float(combined({k: np.full((1, 2), v) for k, v in rows.contribution_nm.items()})[0, 0])


def test_the_end_gauge_of_the_gum():
    """JCGM 100:2008, H.1: u(d) 9.7 nm of three parts; u² of the gauge 1002 nm², u 32 nm."""
    of_d = GAUGE.index.str.startswith("- ")
    assert added(GAUGE[of_d]) == pytest.approx(9.7, abs=0.05)
    whole = added(GAUGE[~of_d])
    assert whole == pytest.approx(32, abs=0.5)
    assert whole**2 == pytest.approx(1002, abs=2)  # of contributions printed to a tenth


def test_out_of_focus_dark_pieces_are_no_less_sure_than_their_shades_are_wide(measured_scene) -> None:
    """Black on white at 12 px/mm, 2.2 px out of focus: lengths once claimed 0.2 mm."""
    seen = measured_scene(
        tray(
            Batch(count=60, colour="black", surface="satin"),
            seed=31,
            camera=phone_over(width=2800, height=2100),
            sheet=Sheet(window=(0.80, 0.80, 0.79)),
            sensor=Sensor(blur_px=2.2),
        )
    )
    for column, truth, most in (("length_mm", "length_mm", 0.15), ("diameter_mm", "width_seen_mm", 0.26)):
        error, u = seen.errors_and_u(column, truth)
        assert len(error) > 50
        assert (np.abs(error) < 2 * u).mean() >= 0.93
        assert np.median(u) < most


def test_oblique_cuts_of_dark_pieces_are_no_surer_than_their_middles_show(measured_scene) -> None:
    """Black on white, cut by a worn blade: 0.86 of the lengths lay inside what was stated of them."""
    batch = Batch(
        count=80,
        colour="black",
        surface="satin",
        length_sd_mm=0.35,
        cut_deg=(12.0, 8.0),
        pinch=(0.15, 0.45),
    )
    seen = measured_scene(tray(batch, seed=3, sheet=Sheet(window="white"), light=LIGHTS["window"]))
    true = np.array([float(row["length_mm"]) for row in seen.drawn.truth])
    off = np.abs(seen.pieces["length_mm"][seen.at] - true) / seen.pieces["u_length_mm"][seen.at]
    assert (off < 1.96).mean() >= 0.93
