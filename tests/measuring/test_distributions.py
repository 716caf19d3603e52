"""Size distributions against published examples (ISO 9276-2, ASTM E799, NIST) and NumPy; frame-edge weights."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from traygauge.measure.distributions import (
    PERCENTILE_RULES,
    class_shares,
    edge_weights,
    moment_mean,
    moment_mean_of_classes,
    percentile,
    size_distribution,
)

DATA = Path(__file__).parents[1] / "data"
E799 = pd.read_csv(DATA / "psd_astm_e799.csv", comment="#")
EDGES = np.append(E799.d_low, E799.d_high.iloc[-1])

#: ISO 9276-2 example: lognormal by volume, x50,3 = 5 µm, s = 0.5; by number the median is x50,3 exp(-3 s²).
S = 0.5
Z = np.linspace(-9, 9, 20_001)
LOGNORMAL, NUMBER = 5.0 * np.exp(-3 * S**2 + S * Z), norm.pdf(Z)


@pytest.mark.parametrize(
    ("rule", "printed"), [("weibull", 95.1981), ("linear", 95.1957), ("median_unbiased", 95.1972)]
)
def test_percentile_rules_of_nist(rule, printed):
    """NIST/SEMATECH e-Handbook 7.2.6.2: the 90th percentile of 12 wafers by R-6, R-7 and R-8."""
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


@pytest.mark.parametrize(
    "row", list(pd.read_csv(DATA / "psd_lognormal_iso9276_2.csv", comment="#").itertuples())
)
def test_moment_means_of_the_iso_example(row):
    """ISO 9276-2:2014 lognormal example, printed to three decimals (read second-hand)."""
    assert moment_mean(LOGNORMAL, row.p, row.q, weights=NUMBER) == pytest.approx(
        row.D_pq_um_printed, abs=5.1e-4
    )


def test_volume_quantiles_of_the_iso_example():
    """x10,3 = 2.634418, x50,3 = 5, x90,3 = 9.489764 (x50 exp(-+1.281552 s))."""
    d = size_distribution(LOGNORMAL, "volume", weights=NUMBER)
    assert (d.d10, d.d50, d.d90) == pytest.approx((2.634418, 5.0, 9.489764), rel=1e-3)
    assert d.mean == pytest.approx(5.666, abs=5.1e-4)
    assert d.span == pytest.approx((9.489764 - 2.634418) / 5, rel=2e-3)
    # the same pieces by length, area: lognormal again, median shifted by r s² (Hatch and Choate)
    for weighting, r in (("count", 0), ("length", 1), ("area", 2)):
        assert size_distribution(LOGNORMAL, weighting, weights=NUMBER).d50 == pytest.approx(
            5 * np.exp((r - 3) * S**2), rel=1e-3
        )


def test_histogram_of_astm_e799():
    """Volume percent per class to the printed digits; means as recomputed (D31, D32 differ from the print)."""
    shares = 100 * class_shares(EDGES, E799["count"], "volume")
    digits = [len(str(v).split(".")[1]) for v in E799.volume_percent_printed]
    for ours, printed, k in zip(shares, E799.volume_percent_printed, digits, strict=True):
        assert ours == pytest.approx(printed, abs=0.51 * 10.0**-k)
    expected = {
        (1, 0): 1459.4,
        (2, 0): 1646.6,
        (3, 0): 1832.4,
        (2, 1): 1857.8,
        (3, 1): 2053.3,
        (3, 2): 2269.3,
    }
    for (p, q), value in expected.items():
        assert moment_mean_of_classes(EDGES, E799["count"], p, q) == pytest.approx(value, abs=0.06)
    assert class_shares(EDGES, E799["count"], "count") == pytest.approx(E799["count"] / E799["count"].sum())


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
    """90 % of 3 mm, 10 % of 12 mm, D 1.75, all directions: plain share .0916, weighted .1000 (references.md 1.4)."""
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
    with pytest.raises(ValueError, match="positive"):
        moment_mean([1.0, 0.0], 1, 0)
    assert np.isnan(percentile([], 0.5))
    assert np.isnan(moment_mean([np.nan], 1, 0))
    assert size_distribution([2.0, np.nan, 2.0]).n == 2
