"""Adding up the parts of an uncertainty, against the worked example of the GUM."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from traygauge.measure.uncertainty import combined

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
