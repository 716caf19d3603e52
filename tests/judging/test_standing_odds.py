"""By what law pieces stand on end: published chances, and laws found again from tops that were drawn by them."""

import math

import numpy as np
import pytest

from traygauge.judge.standing_odds import StandingLaw, Tops, standing_chance, standing_law
from traygauge.measure.standing_length import LEAN_SD, u_standing_mm

NO_TOPS = Tops(np.full(40, np.nan), np.full(40, np.nan))


def test_standing_chances_are_the_published_chances():
    """Yong and Mahadevan (2011), dropped without a bounce: r = 1: chance to stand 1 - 1/sqrt 2 = .293; r = 2: .106."""
    for r, stands in ((1.0, 1 - math.sqrt(0.5)), (2.0, 0.105573)):
        assert float(standing_chance(r)) == pytest.approx(stands, rel=1e-5)
    assert (np.diff(standing_chance(np.linspace(0.1, 8, 50))) < 0).all()


def thrown(rng, power, lean_sd, number=6000):
    """Return the lengths, diameters, of what lies and of what stands, and what is seen of the tops of the latter."""
    length = np.clip(rng.normal(1.2, 0.5, number), 0.2, 2.2)
    upright = rng.random(number) < 0.8 * standing_chance(length) ** power
    stands = length[upright]
    slant = rng.uniform(0.1, 0.3, len(stands))
    seen = stands + u_standing_mm(stands, slant, 1.0, lean_sd) * rng.normal(size=len(stands))
    return length[~upright], Tops(np.maximum(seen, 0.0), slant)


@pytest.mark.parametrize("power", [0.0, 1.0, 2.0])
@pytest.mark.parametrize("lean_sd", [0.012, LEAN_SD, 0.1])
def test_tops_tell_by_which_power_pieces_stand(power, lean_sd):
    lying, tops = thrown(np.random.default_rng(3), power, lean_sd)
    law = standing_law(lying, np.ones(len(lying)), len(tops.length), tops, lean_sd)
    assert law.power == pytest.approx(power, abs=0.25)
    assert law.factor == pytest.approx(0.8, abs=0.05)


def test_without_tops_pieces_stand_as_when_dropped_and_as_many_as_do():
    law = standing_law(np.full(80, 1.0), np.ones(80), 20.0, NO_TOPS)
    assert 1.0 < law.power < 1.5  # from a little height
    assert law.factor * float(law.chance(np.ones(1))[0]) == pytest.approx(0.2, abs=0.01)


def test_what_is_seen_of_a_top_is_something():
    """Over all that may be seen the chances add up to one, for pieces of any length and lean."""
    seen = np.linspace(0.0, 3.0, 3001)
    for length, lean in ((0.8, LEAN_SD), (1.5, LEAN_SD), (1.5, 0.01)):
        density = Tops(seen, np.full(len(seen), 0.2)).density(np.array([length]), lean)[:, 0]
        assert density.mean() * 3.0 == pytest.approx(1.0, abs=0.01)
    assert (NO_TOPS.density(np.array([0.5, 2.0])) == 1.0).all()


def test_nothing_that_has_no_length_stands():
    assert StandingLaw().chance(np.array([0.0, 1.0])).tolist() == [0.0, pytest.approx(1 - math.sqrt(0.5))]
    assert (np.diff(StandingLaw(2.0, 1.0).odds(np.linspace(0.1, 3, 20))) < 0).all()
