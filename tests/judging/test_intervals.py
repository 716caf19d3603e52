"""Intervals against printed tables, reference libraries, and their own promise."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from traygauge.judge.intervals import (
    clopper_pearson,
    mean_bounds,
    newcombe,
    quantile_ranks,
    share_bounds,
    wilson,
)


def test_intervals_of_a_share_are_those_printed(check_values):
    # Newcombe, Stat. Med. 17 (1998) 857 and open texts, row by row in binomial_intervals.csv
    for row in check_values("binomial_intervals"):
        k, n, confidence = int(row["k"]), int(row["n"]), float(row["confidence"])
        if row["method"] == "wilson":
            found = wilson(k, n, confidence)
            low, high = found.low, found.high
        else:
            sides = 1 if row["method"].startswith("one-sided") else 2
            low, high = share_bounds(k, n, (1 - confidence) / sides)
        assert high == pytest.approx(float(row["high_recomputed"]), abs=6e-9)
        decimals = len(row["high_printed"].split(".")[-1])
        assert high == pytest.approx(float(row["high_printed"]), abs=0.51 * 10**-decimals + 1e-9)
        if row["low_recomputed"]:
            assert low == pytest.approx(float(row["low_recomputed"]), abs=6e-9)


@pytest.mark.parametrize(("k", "n"), [(0, 1), (1, 1), (3, 7), (12, 300), (299, 300), (500, 1000)])
def test_intervals_of_a_share_agree_with_scipy_and_statsmodels(k, n):
    for confidence in (0.8, 0.95, 0.999):
        exact = stats.binomtest(k, n).proportion_ci(confidence, method="exact")
        found = clopper_pearson(k, n, confidence)
        assert (found.low, found.high) == pytest.approx((exact.low, exact.high), abs=1e-9)
        score = proportion_confint(k, n, alpha=1 - confidence, method="wilson")
        assert (wilson(k, n, confidence).low, wilson(k, n, confidence).high) == pytest.approx(score, abs=1e-9)


def test_none_found_follows_the_closed_form():
    # 1 - 0.05^(1/n); n for .01 is 299 and for .05 is 59 (closed form)
    for n, p in ((59, 0.05), (299, 0.01), (2995, 0.001)):
        assert share_bounds(0, n, 0.05)[1] <= p < share_bounds(0, n - 1, 0.05)[1]
        assert share_bounds(0, n, 0.05)[1] == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-9)
    assert share_bounds(0, 0, 0.05) == (0.0, 1.0)


@given(
    st.floats(0, 1),
    st.floats(0.01, 5000),
    st.floats(0.0001, 0.4),
)
def test_bounds_stay_inside_and_around_the_estimate(share, n, error):
    low, high = share_bounds(share * n, n, error)
    assert 0 <= low <= share + 1e-12
    assert share - 1e-12 <= high <= 1


def test_coverage_of_the_exact_interval_never_falls_below_what_it_says():
    k = np.arange(51)
    bounds = np.array([share_bounds(x, 50, 0.025) for x in k])
    for p in np.linspace(0.005, 0.995, 100):
        covered = (bounds[:, 0] <= p) & (p <= bounds[:, 1])
        assert stats.binom.pmf(k, 50, p)[covered].sum() >= 0.95 - 1e-12


def test_difference_of_two_shares_is_the_one_printed(check_values):
    # Newcombe, Stat. Med. 17 (1998) 873, Table II method 10
    for row in check_values("two_proportion_newcombe"):
        found = newcombe(*(int(row[c]) for c in ("k1", "n1", "k2", "n2")))
        assert found.low == pytest.approx(float(row["low_recomputed"]), abs=6e-9)
        assert found.high == pytest.approx(float(row["high_recomputed"]), abs=6e-9)
    # 12 long in 300 against 4 in 300: .0267, .0001-.0564 (Newcombe 1998, method 10, worked by hand)
    found = newcombe(12, 300, 4, 300)
    assert found.estimate == pytest.approx(0.0267, abs=5e-5)
    assert (found.low, found.high) == pytest.approx((0.0001, 0.0564), abs=5e-5)


@pytest.mark.parametrize(
    ("n", "p", "ranks", "cover"),
    # binomial counts of n and p (textbook)
    [(100, 0.9, (84, 96), 0.9557), (300, 0.9, (259, 281), 0.9662), (300, 0.5, (133, 168), 0.9569)],
)
def test_ranks_around_a_percentile(n, p, ranks, cover):
    low, high = quantile_ranks(n, p, 0.025)
    assert (low, high) == ranks
    assert stats.binom.cdf(high - 1, n, p) - stats.binom.cdf(low - 1, n, p) == pytest.approx(cover, abs=5e-5)


def test_a_small_sample_has_no_rank_for_an_outer_percentile():
    # 20 values: the largest lies above the 90th percentile with 1 - .9^20 = .878 only
    assert quantile_ranks(20, 0.9, 0.025)[1] == 21
    assert quantile_ranks(20, 0.1, 0.025)[0] == 0
    assert quantile_ranks(20, 0.5, 0.025)[0] >= 1


def test_clustering_stretches_ranks_by_the_root_of_the_design_effect():
    low, high = quantile_ranks(300, 0.5, 0.025)
    wide = quantile_ranks(300, 0.5, 0.025, design_effect=4.0)
    assert wide == (math.floor(150 - 2 * (150 - low)), math.ceil(150 + 2 * (high - 150)))


def test_mean_bounds_are_the_t_interval():
    values = np.random.default_rng(1).normal(3, 0.2, 40)
    expected = stats.t.interval(0.9, 39, values.mean(), stats.sem(values))
    assert mean_bounds(values, 0.05) == pytest.approx(expected, rel=1e-9)
    assert mean_bounds(values[:1], 0.05) == (-math.inf, math.inf)


def test_what_pieces_share_does_not_shrink_with_their_number():
    # u_own .06, u_shared .02 mm, n 300: .0203 mm, not .0037 (JCGM 100, 5.2)
    values = np.tile([3 - 0.06, 3 + 0.06], 150)
    low, high = mean_bounds(values, 0.05, u_shared=0.02)
    assert (high - low) / 2 / 1.645 == pytest.approx(0.0203, rel=0.01)


def test_weights_of_a_mean_count_like_repeated_values():
    values, weights = np.array([1.0, 2.0, 4.0]), np.array([1.0, 1.0, 2.0])
    low, high = mean_bounds(values, 0.05, weights=weights)
    assert (low + high) / 2 == pytest.approx(2.75)


def test_a_mean_in_which_few_odd_pieces_stand_for_many_holds_the_truth():
    """A tenth is short and seen in three of ten cases, each counted for the others: bounds must know how odd those are."""
    rng, held, batches = np.random.default_rng(3), 0, 1500
    for _ in range(batches):
        short = rng.random(500) < 0.1
        seen = rng.random(500) < np.where(short, 0.3, 1.0)
        values, weights = np.where(short, 1.0, 3.0)[seen], np.where(short, 1 / 0.3, 1.0)[seen]
        low, high = mean_bounds(values, 0.025, weights=weights)
        held += low <= 2.8 <= high
    assert held / batches >= 0.92  # a handful of odd ones is no normal sample
