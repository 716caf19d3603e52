"""Diameters that swing with the way pieces lie: against closed forms, and on a tray under one lamp with little other light."""

import numpy as np
import pytest
from scipy.stats import norm

from traygauge.measure.by_direction import half_spread_mm, swing_of
from traygauge_shared.scenes import Batch, phone_over, tray
from traygauge_shared.scenes.setting import Lamp, Lighting

AXIS = np.linspace(0.0, 180.0, 120, endpoint=False)
#: Quantiles of a normal distribution in an order that has nothing to do with the direction.
CHANCE = norm.ppf((np.arange(120) * 77 % 120 + 0.5) / 120)


@pytest.mark.parametrize("swing", [0.02, 0.1, 0.3])
@pytest.mark.parametrize("towards", [0.0, 40.0, 143.0])
def test_a_swing_is_its_amplitude(swing: float, towards: float) -> None:
    diameter = 1.75 - swing + swing * np.cos(np.radians(2 * (AXIS - towards)))
    assert swing_of(diameter, AXIS) == pytest.approx(swing, abs=1e-6)
    assert swing_of(diameter, AXIS + 180.0) == pytest.approx(swing, abs=1e-6)  # an axis has no sense


def test_what_chance_makes_is_no_swing() -> None:
    assert swing_of(1.75 + 0.03 * CHANCE, AXIS) == 0.0


def test_a_few_odd_ones_make_no_swing_and_hide_none() -> None:
    odd = np.where(np.arange(120) % 12 == 0, 0.8, 0.0)
    assert swing_of(1.75 + 0.02 * CHANCE + odd, AXIS) == 0.0
    assert swing_of(1.75 + 0.1 * np.cos(np.radians(2 * AXIS)) + 0.02 * CHANCE + odd, AXIS) == pytest.approx(
        0.1, abs=0.01
    )


@pytest.mark.parametrize("n", [0, 1, 14])
def test_few_say_nothing(n: int) -> None:
    assert swing_of(1.75 + 0.1 * np.cos(np.radians(2 * AXIS[:n])), AXIS[:n]) == 0.0


def test_pieces_that_all_lie_one_way_say_nothing() -> None:
    assert swing_of(1.75 + 0.1 * CHANCE, np.full(120, 23.0)) == 0.0


@pytest.mark.parametrize("ambient", [0.08, 0.15])
def test_diameters_are_as_unsure_as_one_lamp_makes_them(measured_scene, ambient: float) -> None:
    """Stated to 0.02 mm they were 0.1 and 0.2 mm short: the dark side was as dark as the tray."""
    batch = Batch(count=60, burr_fraction=0, long_fraction=0, short_fraction=0)
    light = Lighting((Lamp(200, 50, 1.2, 2.0),), ambient=ambient)
    seen = measured_scene(tray(batch, seed=50, camera=phone_over(width=2800, height=2100), light=light))
    error = np.abs(seen.errors("diameter_mm", "width_seen_mm"))
    u = np.append(seen.pieces["u_diameter_mm"], np.nan)[seen.at]
    assert (error < 2 * u[np.isfinite(u)]).mean() > 0.9


@pytest.mark.parametrize("seed", [303, 305])
def test_grey_pieces_on_black_are_as_unsure_as_what_they_mirror_makes_them(measured_scene, seed: int) -> None:
    """At their limbs the coat mirrors about as much as they send back themselves: 84 to 90 % were inside what was stated."""
    worn = Batch(
        count=70,
        colour=(0.25, 0.25, 0.25),
        surface="glossy",
        pinch=(0.1, 0.45),
        cut_deg=(10, 7),
        oval_max=1.12,
    )
    seen = measured_scene(tray(worn, seed=seed, camera=phone_over(tilt_deg=5.0, focal_35mm=30.0)))
    error = np.abs(seen.errors("diameter_mm", "width_seen_mm"))
    u = np.append(seen.pieces["u_diameter_mm"], np.nan)[seen.at]
    assert (error < 2 * u[np.isfinite(u)]).mean() > 0.92


@pytest.mark.parametrize("spread", [0.01, 0.05])
@pytest.mark.parametrize("thicker", [False, True])
def test_half_of_a_normal_strand_spreads_as_the_whole(spread: float, thicker: bool) -> None:
    """Closed form: a tenth of a normal distribution lies 1.2816 standard deviations to either side of its middle."""
    from scipy.special import ndtri

    strand = 1.75 + spread * ndtri((np.arange(2000) + 0.5) / 2000)
    assert half_spread_mm(strand, thicker=thicker) == pytest.approx(spread, rel=0.01)


def test_what_some_pieces_lost_or_won_shows_in_one_half_alone() -> None:
    strand = np.linspace(1.73, 1.77, 200)
    usual = half_spread_mm(strand, thicker=False)
    lost = np.where(np.arange(200) % 4 == 0, strand - 0.2, strand)
    assert half_spread_mm(lost, thicker=False) > 5 * usual
    assert half_spread_mm(lost, thicker=True) < 1.5 * usual
    assert half_spread_mm(3.5 - lost, thicker=True) == pytest.approx(half_spread_mm(lost, thicker=False))


def test_few_pieces_or_many_flakes_tell_no_spread() -> None:
    strand = np.linspace(1.6, 1.9, 200)
    assert half_spread_mm(strand, thicker=True) > 0
    assert half_spread_mm(strand[::15], thicker=True) == 0.0
    flakes = np.concatenate([strand, np.full(30, 0.6), np.full(30, 4.0)])
    assert half_spread_mm(flakes, thicker=True) == 0.0
