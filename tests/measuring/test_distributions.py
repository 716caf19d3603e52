"""Percentiles against a published example (NIST) and NumPy; frame-edge weights."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from traygauge.measure.distributions import (
    PERCENTILE_RULES,
    edge_weights,
    percentile,
)

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


def test_weight_of_a_box_in_a_frame():
    """Russ (5th ed.), quoted: 1000 x 800 frame, 40 x 30 box: 1.0822511; window 168 x 108 as in ISO 13322-1."""
    assert edge_weights([[10, 10, 50, 40]], (0, 0, 1000, 800))[0] == pytest.approx(1.0822511, abs=5e-8)
    boxes = [[20, 20, 24, 22], [20, 20, 28, 22], [20, 20, 32, 22]]
    found = edge_weights(boxes, (12, 12, 180, 120))
    assert found == pytest.approx([1.043718, 1.069811, 1.097242], abs=5e-7)


def test_weights_only_where_pieces_run_past():
    box = [[20, 20, 32, 22.0]]
    frame = (12.0, 12.0, 180.0, 120.0)
    assert edge_weights(box, frame, sides=(False,) * 4)[0] == 1.0
    wide, high = 168 / (168 - 12), 108 / (108 - 2)
    assert edge_weights(box, frame, sides=(True, False, False, False))[0] == pytest.approx(wide)
    assert edge_weights(box, frame, sides=(False, False, True, False))[0] == pytest.approx(wide)
    assert edge_weights(box, frame, sides=(False, True, False, True))[0] == pytest.approx(high)
    assert edge_weights(box, frame)[0] == pytest.approx(wide * high)


def test_a_box_as_large_as_the_frame_is_refused():
    with pytest.raises(ValueError, match="larger frame"):
        edge_weights([[0, 0, 168, 5]], (0, 0, 168, 108))
    assert edge_weights([[0, 0, 168, 5]], (0, 0, 168, 108), sides=(False, True, False, True))[0] > 1
    assert edge_weights(np.zeros((0, 4)), (0, 0, 1, 1)).shape == (0,)


def test_thrown_pieces_keep_their_shares():
    """90 % of 3 mm, 10 % of 12 mm, D 1.75, all directions: plain share .0916, weighted .1000 (ISO 13322-1)."""
    rng = np.random.default_rng(11)
    n = 300_000
    length = np.where(rng.random(n) < 0.1, 12.0, 3.0)
    angle = rng.uniform(0, np.pi, n)
    half = 0.5 * np.abs(
        np.stack(
            [
                length * np.abs(np.cos(angle)) + 1.75 * np.abs(np.sin(angle)),
                length * np.abs(np.sin(angle)) + 1.75 * np.abs(np.cos(angle)),
            ],
            -1,
        )
    )
    middle = rng.uniform([-10, -10], [178, 118], (n, 2))
    boxes = np.concatenate([middle - half, middle + half], axis=1)
    whole = (boxes[:, :2] > 0).all(1) & (boxes[:, 2:] < [168, 108]).all(1)
    long = length[whole] > 4
    w = edge_weights(boxes[whole], (0, 0, 168, 108))
    error = np.sqrt(0.1 * 0.9 / whole.sum())
    assert abs(np.average(long, weights=w) - 0.1) < 3 * error
    assert long.mean() == pytest.approx(0.09202, abs=3 * error)  # by integration
    assert abs(long.mean() - 0.1) > 5 * error


def test_what_cannot_be_is_said():
    with pytest.raises(ValueError, match="unknown percentile rule"):
        percentile([1.0], 0.5, rule="best")
    with pytest.raises(ValueError, match="negative"):
        percentile([1.0], 0.5, weights=[-1.0])
    assert np.isnan(percentile([], 0.5))
    assert percentile([2.0, np.nan, 2.0], 0.5) == 2.0
