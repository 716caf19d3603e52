"""Percentiles against a published example (NIST) and NumPy."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from traygauge.judge.percentiles import PERCENTILE_RULES, percentile

DATA = Path(__file__).parents[1] / "data"


@pytest.mark.parametrize(("rule", "printed"), [("linear", 95.1957), ("median_unbiased", 95.1972)])
def test_percentile_rules_of_nist(rule, printed):
    """NIST/SEMATECH e-Handbook 7.2.6.2: the 90th percentile of 12 wafers by R-7 and R-8."""
    wafers = pd.read_csv(DATA / "percentile_wafers.csv", comment="#").resistivity
    assert percentile(wafers, 0.9, rule=rule) == pytest.approx(printed, abs=5.1e-5)


@given(
    st.lists(st.floats(0.1, 100), min_size=2, max_size=40),
    st.floats(0.0, 1.0),
    st.sampled_from(sorted(PERCENTILE_RULES)),
)
def test_equal_weights_give_numpys_percentiles(values, share, rule):
    expected = np.quantile(values, share, method=rule)
    assert percentile(values, share, rule=rule) == pytest.approx(expected, rel=1e-9)
    assert percentile(values, share, rule=rule, weights=np.full(len(values), 2.5)) == pytest.approx(
        expected, rel=1e-9
    )


def test_integer_weights_count_like_repeats():
    """In a large sample a weight of 3 moves a percentile as three equal values do."""
    rng = np.random.default_rng(3)
    x, w = np.sort(rng.lognormal(1, 0.4, 4000)), rng.integers(1, 5, 4000)
    repeated = np.repeat(x, w)
    for share in (0.1, 0.5, 0.9):
        assert percentile(x, share, weights=w) == pytest.approx(np.quantile(repeated, share), rel=2e-3)


def test_what_cannot_be_is_said():
    with pytest.raises(ValueError, match="unknown percentile rule"):
        percentile([1.0], 0.5, rule="best")
    with pytest.raises(ValueError, match="negative"):
        percentile([1.0], 0.5, weights=[-1.0])
    assert np.isnan(percentile([], 0.5))
    assert percentile([2.0, np.nan, 2.0], 0.5) == 2.0
