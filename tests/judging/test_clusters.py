"""What a clustered sample is worth."""

import numpy as np
import pytest
from scipy import stats

from traygauge.judge.clusters import clustering
from traygauge.judge.intervals import share_bounds


def test_few_photos_take_the_stated_correlation():
    # Kish: m 50, rho .02: 1.98; one photo of 500 pieces at rho .02 counts as 45.5 pieces
    one = clustering(np.zeros(500), ["a"] * 500, 0.02)
    assert one.effective(0.05) == pytest.approx(45.5, abs=0.05)
    four = clustering(np.zeros(200), np.repeat(["a", "b", "c", "d"], 50), 0.02)
    assert four.design_effect == pytest.approx(1.98)
    assert not four.is_estimated


def test_from_five_photos_on_the_larger_correlation_counts():
    photos = np.repeat(np.arange(6), 50)
    alike = np.repeat([0, 0, 0, 1, 1, 1], 50).astype(float)  # photos differ wholly: the correlation is 1
    found = clustering(alike, photos, 0.002)
    assert found.is_estimated
    assert found.correlation == pytest.approx(1.0)
    assert found.effective(0.05) < 6
    mixed = clustering(np.tile([0.0, 1.0], 150), photos, 0.002)  # photos do not differ at all
    assert not mixed.is_estimated
    assert mixed.effective(0.05) == pytest.approx(300 / (1 + 49 * 0.002))
    assert clustering(alike[:200], photos[:200], 0.002).correlation == 0.002  # four photos only


def test_the_estimate_is_the_analysis_of_variance_one():
    # by hand: photos (0,0,0,1), (0,1,1,1), 3 x (0,0,1,1); means .25 .75 .5 .5 .5, mean .5
    # between = 4 (.0625 + .0625) / 4 = .125; within = (.75 + .75 + 3) / 15 = .3; rho = (.125 - .3) / ... < 0 -> 0
    y = np.array([0, 0, 0, 1, 0, 1, 1, 1] + [0, 0, 1, 1] * 3, float)
    assert clustering(y, np.repeat(np.arange(5), 4), 0.0).correlation == 0.0
    # the same with means 0, 1, .5 x 3: between = 4 (.25 + .25) / 4 = .5; within = 3 / 15 = .2;
    # rho = (.5 - .2) / (.5 + 3 x .2) = .272727
    y[:8] = [0, 0, 0, 0, 1, 1, 1, 1]
    assert clustering(y, np.repeat(np.arange(5), 4), 0.0).correlation == pytest.approx(0.3 / 1.1)


def test_an_estimated_effect_is_cut_down_by_the_t_quantiles():
    y = np.array([0, 0, 0, 0, 1, 1, 1, 1] + [0, 0, 1, 1] * 3, float)
    found = clustering(y, np.repeat(np.arange(5), 4), 0.0)
    # Korn and Graubard 1998: n / deff (t_{n-1} / t_{photos-1})^2, deff 1 + 3 x .2727
    shrink = (stats.t.ppf(0.95, 19) / stats.t.ppf(0.95, 4)) ** 2
    assert found.effective(0.05) == pytest.approx(20 / (1 + 3 * 0.3 / 1.1) * shrink)


@pytest.mark.parametrize(("rho", "at_least"), [(0.002, 0.95), (0.01, 0.95), (0.05, 0.925)])
def test_bounds_from_clustered_batches_hold_what_they_promise(rho, at_least):
    # beta-binomial photos; with strong clustering the upper bound falls a little short of .95 (skewed between photos)
    rng = np.random.default_rng(5)
    share, photos, size, runs = 0.1, 8, 60, 500
    a, b = share * (1 - rho) / rho, (1 - share) * (1 - rho) / rho
    covered, plain = np.zeros(2), 0
    for _ in range(runs):
        hits = rng.binomial(size, rng.beta(a, b, photos))
        y = (np.arange(size)[None, :] < hits[:, None]).astype(float).ravel()
        n = clustering(y, np.repeat(np.arange(photos), size), 0.002).effective(0.05)
        low, high = share_bounds(y.mean() * n, n, 0.05)
        covered += [low <= share, share <= high]
        plain += share <= share_bounds(y.sum(), len(y), 0.05)[1]
    spread = np.sqrt(0.05 * 0.95 / runs)
    assert (covered / runs > at_least - 3 * spread).all()
    if rho == 0.05:
        assert plain / runs < 0.88  # what counting all pieces as independent would give


def test_nothing_at_all_is_no_crash():
    assert clustering([], [], 0.002).effective(0.05) == 0.0
    assert clustering([1.0], ["a"], 0.002).effective(0.05) == 1.0
