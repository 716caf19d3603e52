"""How long pieces are that stand: drawn ones of known length, bright and dark, and discs moved by a known amount."""

import numpy as np
import pytest

from traygauge.measure.standing_length import (
    _BEYOND,
    LEAN_SD,
    _flank_would_show,
    _foot,
    _lit_no_better,
    lean_of_cuts,
    u_standing_mm,
)
from traygauge_shared.scenes import Batch, tray
from traygauge_shared.scenes.samples import LIGHTS
from traygauge_shared.scenes.setting import Sheet


def standing(measured_scene, colour, window, light):
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
    ("colour", "window", "light"),
    [("white", "green", "overcast"), ("white", "darkblue", "lamp"), ("white", "black", "hard lamp")],
)
def test_flanks_darker_than_the_tray_are_told_by_their_colour(measured_scene, colour, window, light):
    """A flank in the shade has less light than a green tray; beside a lamp it is bright on one side only."""
    found, true, up = standing(measured_scene, colour, window, light)
    length, u = (found.pieces[name][found.at] for name in ("standing_mm", "u_standing_mm"))
    told = up & np.isfinite(length)
    assert told.sum() >= 20
    off = ((length - true) / u)[told]
    assert np.mean(np.abs(off) < 2) >= 0.95
    assert abs(np.median(off)) < 0.5


@pytest.mark.parametrize(
    ("colour", "window", "light"),
    [("white", (0.18, 0.18, 0.18), "lamp"), ("black", "white", "window")],
    ids=["grey tray", "dark pieces"],
)
def test_what_a_tray_hides_tells_nothing(measured_scene, colour, window, light):
    """A flank in the shade looks like a grey tray, and a dark one like shadow."""
    found, _, up = standing(measured_scene, colour, window, light)
    assert (found.pieces["state"][found.at[up]] == "upright").sum() >= 20
    assert np.isnan(found.pieces["standing_mm"]).all()


def test_flanks_that_end_in_the_dark_under_a_flash_tell_nothing(measured_scene):
    """Three of 17 were told, as 0.4 to 1.5 mm long, by flanks that end in the dark."""
    batch = Batch(count=100, colour="yellow", upright_fraction=0.15, length_sd_mm=0.3, burr_fraction=0.0)
    window = Sheet(window=(0.02, 0.02, 0.02))
    pieces = measured_scene(tray(batch, seed=32, light=LIGHTS["flash"], sheet=window)).pieces
    assert (pieces["state"] == "upright").sum() >= 15
    assert np.isnan(pieces["standing_mm"]).all()


def test_a_piece_without_a_flank_is_short_where_others_show_theirs():
    """Four pieces seen from the side by a fifth of their height: where the others' flanks are dark, so may be its own."""
    ray, slant = np.tile([1.0, 0.0], (4, 1)), np.full(4, 0.2)
    flank = np.where(_BEYOND < 0.3, 0.4, 0.0)
    none = np.where(_BEYOND < 0.0, 1.0, 0.0)
    lit, dark = np.stack([flank, flank, flank, none]), np.stack([flank, none, none, none])
    for share, told in ((lit, [True] * 4), (dark, [True, False, False, False])):
        moved = np.where(share[:, 10] > 0, 0.3, 0.0)
        assert _flank_would_show(share, moved, _lit_no_better(ray, slant, False)).tolist() == told
    away = np.concatenate([ray[:3], [[-1.0, 0.0]]])
    moved = np.array([0.3, 0.3, 0.3, 0.0])
    assert _flank_would_show(lit, moved, _lit_no_better(away, slant, False)).tolist() == [True] * 3 + [False]


@pytest.mark.parametrize(("slant", "told"), [(0.25, True), (0.18, False)])
def test_under_a_flash_a_piece_without_a_flank_is_short_where_others_show_theirs_that_are_seen_less(
    slant, told
):
    """Its light falls on a flank as the view does: of one seen less than the others nobody knows whether it would show."""
    flank = np.where(_BEYOND < 0.3, 0.4, 0.0)
    share = np.stack([flank, flank, flank, np.where(_BEYOND < 0.0, 1.0, 0.0)])
    ray = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])
    like = _lit_no_better(ray, np.array([0.2, 0.21, 0.22, slant]), True)
    assert _flank_would_show(share, np.array([0.3, 0.3, 0.3, 0.0]), like)[3] == told


def test_a_flank_ends_where_half_of_its_light_is_left():
    """A flank of 0.25 diameters with a soft end, one that a neighbour hides, and no face inside."""
    soft = 0.4 * np.clip((0.25 + 0.03 - _BEYOND) / 0.06, 0.0, 1.0)
    hidden = np.where(_BEYOND < 0.2, soft, np.nan)
    found = _foot(np.stack([soft, hidden, np.zeros_like(soft)]), np.full(3, 0.03))
    assert found[0] == pytest.approx(0.25, abs=0.01)
    assert np.isnan(found[1])
    assert np.isnan(found[2])


def test_the_less_is_seen_from_the_side_the_less_is_known():
    """What moves the top in the picture by some amount moves the length by as much over the view's slant."""
    u = u_standing_mm(3.0, np.array([0.1, 0.2, 0.4]), 1.75)
    assert u[0] == pytest.approx(2 * u[1]) == pytest.approx(4 * u[2])
    assert u_standing_mm(1.0, 0.2, 1.75) < u_standing_mm(3.0, 0.2, 1.75)


def test_pieces_lean_as_the_cuts_that_they_stand_on():
    """Of cuts off square by 0.1 in any direction, half of the variance is along the line of sight; few say nothing."""
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    off = 0.1 * np.ones(40)
    assert lean_of_cuts(np.append(off, np.nan)) == pytest.approx(np.std(off * np.cos(turn)))
    assert lean_of_cuts(off[:10]) == LEAN_SD
