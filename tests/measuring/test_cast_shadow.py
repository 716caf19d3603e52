"""A small lamp's shadow that passes for more of dark pieces: its geometry, what tells it, and drawn trays under such lamps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from traygauge import inspect_photo
from traygauge.measure.cast_shadow import CastShadow, Taken, find_shadow, taken_for_piece
from traygauge_shared.errors import UnfitPhotoError
from traygauge_shared.scenes import (
    LIGHTS,
    Batch,
    Lamp,
    Lighting,
    Sheet,
    case_scene,
    draw,
    phone_over,
    tray,
    write_drawn,
)

ACROSS = np.array([[1.0, 0.0]])
DOWN = np.zeros((1, 2))


def strand(n: int, seed: int, spread: float = 0.01) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return diameters (n,) of one strand, log-normal, axes and views of pieces all over a tray."""
    rng = np.random.default_rng(seed)
    lean = rng.uniform(-0.25, 0.25, (n, 2))
    return 1.75 * np.exp(rng.normal(0, spread, n)), rng.uniform(0, 2 * np.pi, n), lean


def across_of(axis: np.ndarray) -> np.ndarray:
    return np.stack([-np.sin(axis), np.cos(axis)], -1)


@given(st.floats(0.0, 2.0))
def test_a_shadow_ends_where_a_ray_touches_the_piece(reach: float) -> None:
    """Closed form: the ray through the shadow's end passes the circle's middle, (0, 1), at one radius."""
    end = (
        CastShadow((reach, 0.0), 0.0).strips(DOWN, ACROSS)[0, 0] + 1.0
    )  # straight down the view ends at the radius
    way = np.array([-reach, 1.0]) / np.hypot(reach, 1.0)  # up the ray: a shadow falls `reach` far per height
    to_middle = np.array([0.0, 1.0]) - np.array([end, 0.0])
    assert abs(way[0] * to_middle[1] - way[1] * to_middle[0]) == pytest.approx(1.0)


def test_a_lamp_at_45_degrees() -> None:
    """A value by hand: 1 + sqrt(2) radii from the axis to the shadow's end, 1 to the flank."""
    strips = CastShadow((1.0, 0.0), 0.0).strips(DOWN, ACROSS)
    assert strips == pytest.approx(np.array([[np.sqrt(2.0), 0.0]]))


@given(st.floats(-0.6, 0.6), st.floats(-0.6, 0.6), st.floats(-0.3, 0.3), st.floats(-0.3, 0.3))
def test_turned_about_sides_change_places(sx: float, sy: float, vx: float, vy: float) -> None:
    view = np.array([[vx, vy]])
    one = CastShadow((sx, sy), 0.3).strips(view, ACROSS)
    assert CastShadow((sx, sy), 0.3).strips(view, -ACROSS) == pytest.approx(one[:, ::-1])
    assert CastShadow((-sx, -sy), 0.3).strips(-view, ACROSS) == pytest.approx(one[:, ::-1])


def test_a_lamp_in_the_lens_throws_no_shadow_in_view() -> None:
    _, axis, lean = strand(50, 3)
    lens = CastShadow((0.0, 0.0), 1.0)
    assert lens.strips(lean, across_of(axis)) == pytest.approx(np.zeros((50, 2)))
    assert lens.beyond_ends(lean, across_of(axis)) == pytest.approx(np.zeros((50, 2)))


@pytest.mark.parametrize("true", [(0.1, 0.02, 0.0), (-0.2, 0.17, 0.0), (0.05, -0.12, 0.9), (0.4, 0.1, 0.0)])
@pytest.mark.parametrize("seed", range(3))
def test_diameters_tell_the_lamp(true: tuple[float, float, float], seed: int) -> None:
    diameter, axis, lean = strand(100, seed)
    cast = CastShadow(true[:2], true[2])
    wide = diameter * (1 + cast.strips(lean, across_of(axis)).sum(1) / 2)
    found = find_shadow(wide, across_of(axis), lean)
    assert found is not None
    # of a lamp beside the lens widths do not tell on which side it stands, and strips come out a little otherwise
    off = found.cast.wider(lean, across_of(axis)) - cast.wider(lean, across_of(axis))
    assert np.sqrt((off**2).mean()) < 0.012
    taken = taken_for_piece(wide, axis, lean, 100)
    assert np.median(wide - taken.strips_mm.sum(1)) == pytest.approx(1.75, abs=0.012)


@pytest.mark.parametrize("spread", [0.005, 0.012, 0.03, 0.1])
@pytest.mark.parametrize("seed", range(12))
def test_chance_is_no_lamp(spread: float, seed: int) -> None:
    diameter, axis, lean = strand(60 + 20 * seed, seed, spread)
    assert find_shadow(diameter, across_of(axis), lean) is None


def test_shadows_of_a_low_lamp_leave_nothing_known() -> None:
    """Where they put edges and ends nobody knows: nothing is taken off, and half a diameter is uncertain."""
    diameter, axis, lean = strand(100, 2)
    wide = diameter * (1 + CastShadow((1.0, 0.2), 0.0).strips(lean, across_of(axis)).sum(1) / 2)
    taken = taken_for_piece(wide, axis, lean, 100)
    assert taken.strips_mm == pytest.approx(0.0)
    assert (taken.u_mm[:, 0] > 0.4 * 1.75).all()


@pytest.mark.parametrize("seed", [500, 501, 503])
def test_a_scan_lit_from_one_side_is_refused(tmp_path: Path, seed: int) -> None:
    """Its shadows fall as far as pieces are high: lengths would be up to 1 mm too long."""
    write_drawn(draw(case_scene("scan", seed)), tmp_path, "tray")
    with pytest.raises(UnfitPhotoError, match=r"lengths|diameters by direction"):
        inspect_photo(tmp_path / "tray.png")


@pytest.mark.parametrize("seed", [1, 2])
def test_a_scan_of_touching_pieces_lit_from_one_side_is_refused(tmp_path: Path, seed: int) -> None:
    """Half of its pieces passed for flakes of 5 mm, and diameters of 3.2 +- 3 mm were stated."""
    scene = case_scene("scan", seed, touching=True, area_mm=(30, 20, 110, 75))
    write_drawn(draw(scene), tmp_path, "tray")
    with pytest.raises(UnfitPhotoError, match="usual diameter"):
        inspect_photo(tmp_path / "tray.png")


@pytest.mark.parametrize("seed", [500, 502])
def test_two_lamps_are_not_taken_for_one(measured_scene, seed: int) -> None:
    """Taken for one, they left lengths 0.05 mm short."""
    seen = measured_scene(case_scene("two shadows", seed))
    assert abs(np.median(seen.errors("length_mm", "length_mm"))) < 0.02
    assert abs(np.median(seen.errors("diameter_mm", "width_seen_mm"))) < 0.03


@pytest.mark.parametrize("colour", ["blue", "darkgrey", "black"])
def test_sixty_dark_pieces_tell_a_flash(measured_scene, colour: str) -> None:
    """Not believed, its strips left diameters 0.06 mm too large, and six of ten of them in what is stated."""
    batch = Batch(count=60, length_sd_mm=0.4, colour=colour, cut_deg=(5, 4))
    camera, sheet = phone_over(tilt_deg=4.0, focal_35mm=35.0), Sheet(window=(0.80, 0.80, 0.79))
    seen = measured_scene(
        tray(batch, seed=11, camera=camera, sheet=sheet, light=LIGHTS["flash"], area_mm=(40, 25, 150, 107))
    )
    error, u = seen.errors_and_u("diameter_mm", "width_seen_mm")
    assert len(error) > 40
    assert abs(np.median(error)) < 0.02
    assert (np.abs(error) < 2 * u).mean() > 0.9


def test_few_pieces_tell_no_lamp() -> None:
    diameter, axis, lean = strand(25, 1)
    wide = diameter * (1 + CastShadow((0.3, 0.0), 0.0).strips(lean, across_of(axis)).sum(1) / 2)
    taken = taken_for_piece(wide, axis, lean, 25)
    assert taken.strips_mm == pytest.approx(Taken.none(25).strips_mm)


def test_what_was_found_without_its_shadow_keeps_its_width() -> None:
    """Where colour parts shadow from piece on some, theirs are right as read."""
    diameter, axis, lean = strand(120, 5)
    strips = CastShadow((0.25, 0.1), 0.0).strips(lean, across_of(axis)).sum(1) / 2
    bare = np.arange(120) % 4 == 0
    wide = diameter * np.where(bare, 1.0, 1 + strips)
    left = wide - taken_for_piece(wide, axis, lean, 120).strips_mm.sum(1)
    plain = strips > 0.05
    assert left[plain & bare] == pytest.approx(diameter[plain & bare], rel=0.03)
    assert left[plain & ~bare] == pytest.approx(diameter[plain & ~bare], rel=0.03)


@pytest.mark.parametrize("colour", ["black", "blue"])
@pytest.mark.parametrize("elevation", [75.0, 84.0])
def test_strand_under_a_small_high_lamp_is_no_thicker(measured_scene, colour: str, elevation: float) -> None:
    """Beside it lies a strip of shadow as dark as itself: with that, diameters came out 0.06 to 0.2 mm too large."""
    scene = tray(
        Batch(count=70, colour=colour, surface="satin", burr_fraction=0.0),
        seed=31,
        camera=phone_over(tilt_deg=3.0, focal_35mm=28.0),
        sheet=Sheet(window="white"),
        light=Lighting((Lamp(37.0, elevation, 0.9, 1.0),), ambient=0.2),
    )
    seen = measured_scene(scene)
    errors = seen.errors("diameter_mm", "width_seen_mm")
    assert len(errors) > 60
    assert abs(np.median(errors)) < 0.03
    assert np.quantile(np.abs(errors), 0.95) < 0.08
    lengths = seen.errors("length_mm", "length_mm")
    assert abs(np.median(lengths)) < 0.05


def test_soft_light_takes_nothing_off(measured_scene) -> None:
    scene = tray(
        Batch(count=70, colour="black", burr_fraction=0.0),
        seed=32,
        camera=phone_over(tilt_deg=3.0, focal_35mm=28.0),
        sheet=Sheet(window="white"),
        light=replace(Lighting(), ambient=0.4),
    )
    assert abs(np.median(measured_scene(scene).errors("diameter_mm", "width_seen_mm"))) < 0.02
