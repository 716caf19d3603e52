"""Pieces of another colour than most, in one photo: their edges are as right as most pieces' are."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge_shared.scenes import LIGHTS, case_scene


@pytest.mark.parametrize(
    ("light", "seed"), [("window", 1), ("window", 3), ("softboxes", 2), ("softboxes", 3)]
)
def test_red_among_white_is_as_wide_as_it_is(measured_scene, light: str, seed: int) -> None:
    """Read with the limb and the blur of white, diameters were up to 0.4 mm off, a third of them inside under soft boxes."""
    seen = measured_scene(case_scene("mixed colours", seed, light=LIGHTS[light]))
    red = np.array([row["colour"] == "red" for row in seen.drawn.truth]) & (seen.at >= 0)
    assert red.sum() > 15
    for name, column, most in (("length_mm", "length_mm", 0.05), ("diameter_mm", "width_seen_mm", 0.03)):
        truth = np.array([float(row[column]) for row in seen.drawn.truth])[red]
        off = seen.pieces[name][seen.at[red]] - truth
        u = seen.pieces[f"u_{name}"][seen.at[red]]
        known = np.isfinite(off)
        assert known.mean() > 0.85
        assert abs(np.median(off[known])) < most
        assert (np.abs(off[known]) < 2 * u[known]).mean() > 0.85
