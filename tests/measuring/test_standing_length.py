"""How long pieces are that stand: drawn ones of known length, bright and dark, and discs moved by a known amount."""

import numpy as np
import pytest

from traygauge.measure.standing_length import u_standing_mm
from traygauge_shared.scenes import Batch, tray
from traygauge_shared.scenes.samples import LIGHTS
from traygauge_shared.scenes.setting import Sheet


def standing(measured_scene, colour: str, window: str, light: str):
    """Return a tray on which pieces of 0.5 to 4 mm stand, their true lengths, and the mask of those found."""
    batch = Batch(
        count=100,
        nominal_mm=2.2,
        length_sd_mm=0.8,
        long_fraction=0,
        short_fraction=0,
        upright_fraction=0.7,
        colour=colour,
        surface="matt",
    )
    found = measured_scene(tray(batch, seed=31, light=LIGHTS[light], sheet=Sheet(window=window)))
    true = np.array([float(row["length_mm"]) for row in found.drawn.truth])
    up = np.array([row["upright"] == 1 for row in found.drawn.truth]) & (found.at >= 0)
    return found, true, up


def test_short_and_usual_lengths_of_standing_pieces_are_told_apart(measured_scene):
    found, true, up = standing(measured_scene, "yellow", "darkblue", "overcast")
    length, u = (found.pieces[name][found.at] for name in ("standing_mm", "u_standing_mm"))
    told = up & np.isfinite(length)
    assert told.sum() >= 30
    off = ((length - true) / u)[told]
    assert np.mean(np.abs(off) < 2) >= 0.95
    assert abs(np.median(off)) < 0.5
    sure = told & (u < 0.8)
    assert (sure & (true < 1.2)).any()
    assert (sure & (true > 2.4)).any()
    assert (length[sure & (true < 1.2)] < 1.8).all()
    assert (length[sure & (true > 2.4)] > 1.5).all()
    # a length of this kind is no cut length, and nothing else has one
    known = np.isfinite(found.pieces["standing_mm"])
    assert np.isnan(found.pieces["length_mm"][known]).all()
    assert set(found.pieces["state"][known]) == {"upright"}


@pytest.mark.parametrize(
    ("colour", "window", "light"), [("white", "darkblue", "lamp"), ("black", "white", "window")]
)
def test_flanks_in_the_dark_and_dark_pieces_tell_nothing(measured_scene, colour, window, light):
    """Beside a lamp a bright piece's flank is bright on one side and as dark as the tray on the other."""
    found, _, up = standing(measured_scene, colour, window, light)
    assert (found.pieces["state"][found.at[up]] == "upright").sum() >= 20
    assert np.isnan(found.pieces["standing_mm"]).all()


def test_the_less_is_seen_from_the_side_the_less_is_known():
    """What moves the top in the picture by some amount moves the length by as much over the view's slant."""
    u = u_standing_mm(3.0, np.array([0.1, 0.2, 0.4]), 1.75)
    assert u[0] == pytest.approx(2 * u[1]) == pytest.approx(4 * u[2])
    assert u_standing_mm(1.0, 0.2, 1.75) < u_standing_mm(3.0, 0.2, 1.75)
