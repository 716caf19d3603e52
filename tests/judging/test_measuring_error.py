"""What measuring error does to a batch's figures, by simulation: taken out where it smears, added where it is shared."""

import numpy as np
import pytest
from scipy.stats import norm

from traygauge.judge.distribution import distribution
from traygauge.judge.misreading import COMMON, scatter
from traygauge.judge.sample import sample
from traygauge.judge.spec import read_spec

SPEC = read_spec("rigid-1.75")


def drawn(batch, seed: int, *, n: int = 300, u_mm: float = 0.2, common: float = 0.0):
    """Lengths of 3 ± 0.25 mm read with an error of u each, of which a part is the same for all."""
    rng = np.random.default_rng(seed)
    error = u_mm * (np.sqrt(1 - common**2) * rng.normal(size=n) + common * rng.normal())
    pieces = batch(rng.normal(3.0, 0.25, n) + error, u_mm=u_mm)
    return distribution(sample(pieces, SPEC, {}), "length_mm")


def test_error_is_taken_out_of_the_ends_of_a_distribution(batch):
    """Normal: D90 is 3.32 mm, read with 0.2 mm of error 3.41; spread 21.4 %, read 27.3 %. At least half goes out."""
    many = [drawn(batch, seed) for seed in range(40)]
    d90 = np.mean([d.estimate("D90") for d in many])
    d10 = np.mean([d.estimate("D10") for d in many])
    assert 3.32 - 0.01 < d90 < (3.32 + 3.41) / 2
    assert (2.68 + 2.59) / 2 < d10 < 2.68 + 0.01
    assert np.mean([d.estimate("spread") for d in many]) == pytest.approx(0.214, abs=0.03)
    assert np.mean([d.estimate("median") for d in many]) == pytest.approx(3.0, abs=0.02)


@pytest.mark.parametrize(("statistic", "truth"), [("D90", 3.3204), ("D10", 2.6796), ("spread", 0.21359)])
def test_intervals_hold_the_truth_in_spite_of_the_error(batch, statistic, truth):
    held = 0
    for seed in range(60):
        low, high = drawn(batch, seed).bounds(statistic, 0.025, 0.025)
        held += low <= truth <= high
    assert held >= 52  # 95 % of 60; fewer than 52 has a chance of less than .01


def test_small_errors_change_nothing_that_is_shown(batch):
    values = np.random.default_rng(1).normal(3.0, 0.25, 300)
    spread = distribution(sample(batch(values, u_mm=0.03), SPEC, {}), "length_mm")
    assert spread.estimate("D90") == pytest.approx(np.quantile(values, 0.9, method="median_unbiased"))


def test_part_of_the_own_error_is_common_to_a_photo(batch):
    """Means of 60 photos whose errors are alike by that part: their intervals hold 3 mm, which t alone does not."""
    held, alone = 0, 0
    for seed in range(60):
        spread = drawn(batch, seed, common=COMMON)
        low, high = spread.bounds("mean", 0.025, 0.025)
        held += low <= 3.0 <= high
        half = 1.96 * spread.values.std() / np.sqrt(spread.n)
        alone += abs(spread.values.mean() - 3.0) <= half
    assert held >= 52
    assert alone < 45


def test_a_length_is_never_less_certain_than_its_extent(batch):
    """From nothing to the largest extent, even chances: extent / sqrt 12 (JCGM 100, 4.3.7)."""
    pieces = batch([3.0] * 5, u_mm=0.03).with_columns(u_length_mm=[0.03] * 4 + [17.9])
    own = sample(pieces, SPEC, {}).u_own(0)
    assert own[4] == pytest.approx(np.hypot(3.0, 1.75) / np.sqrt(12), rel=0.01)


@pytest.mark.parametrize("scattered", [0.02, 0.05, 0.1])
def test_diameters_that_scatter_too_much_are_not_trusted(batch, scattered):
    """Normal diameters: what they scatter beyond 3.2 % counts 2.2 times, for lengths and diameters alike."""
    diameter = 1.75 * (1 + scattered * norm.ppf(np.linspace(0.001, 0.999, 400)))
    assert scatter(diameter) == pytest.approx(scattered, rel=0.02)
    found = sample(batch(np.full(400, 3.0), diameter_mm=diameter, u_mm=0.0), SPEC, {})
    added = 2.2 * 1.75 * np.sqrt(max(scattered**2 - 0.032**2, 0.0))
    for column in (0, 1):
        assert found.u_shared(column) == pytest.approx(np.full(400, added), rel=0.05, abs=1e-9)


def test_two_strands_in_one_bag_are_no_scatter(batch):
    rng = np.random.default_rng(2)
    diameter = np.append(rng.normal(1.75, 0.02, 150), rng.normal(2.85, 0.03, 150))
    assert scatter(diameter) < 0.032
    assert sample(batch(np.full(300, 3.0), diameter_mm=diameter, u_mm=0.0), SPEC, {}).u_shared(1).max() == 0.0


def test_a_handful_says_nothing_about_scatter():
    assert np.isnan(scatter(np.array([1.0, 2.0, 3.0, np.nan])))


def test_each_photo_has_its_own_light(batch):
    u = np.repeat([0.02, 0.2], 50)
    pieces = batch(np.full(100, 3.0), photo=np.repeat(["a.jpg", "b.jpg"], 50), u_mm=0.0).with_columns(
        u_length_mm=u
    )
    shared = sample(pieces, SPEC, {}).u_shared(0)
    assert shared[0] == pytest.approx(COMMON * 0.02)
    assert shared[99] == pytest.approx(COMMON * 0.2)
