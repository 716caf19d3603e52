"""Tolerance factors and bounds against printed values."""

import numpy as np
import pytest

from traygauge.judge.tolerance import tolerance_bounds, two_sided_factor


def test_factors_are_those_of_the_table(check_values):
    # tolerance_factors_normal.csv: formulas of NIST/SEMATECH e-Handbook 7.2.6.3, rows recomputed
    for row in check_values("tolerance_factors_normal"):
        n, coverage, confidence = int(row["n"]), float(row["coverage"]), float(row["confidence"])
        near = {"abs": 6e-5}
        howe = two_sided_factor(n, coverage, confidence, exact=False)
        assert howe == pytest.approx(float(row["k2_howe"]), **near)
        exact = two_sided_factor(n, coverage, confidence, exact=True)
        assert exact == pytest.approx(float(row["k2_exact_numeric"]), **near)


def test_printed_case():
    # NIST 7.2.6.3: n 43, coverage .90, confidence .99: 2.217
    assert two_sided_factor(43, 0.9, 0.99, exact=False) == pytest.approx(2.217, abs=5e-4)


def test_small_samples_take_the_exact_factor():
    assert two_sided_factor(29, 0.9, 0.95) == two_sided_factor(29, 0.9, 0.95, exact=True)
    assert two_sided_factor(30, 0.9, 0.95) == two_sided_factor(30, 0.9, 0.95, exact=False)


def test_extremes_hold_the_part_whatever_the_distribution():
    # NIST/SEMATECH e-Handbook 7.2.6.4 and its formula 1 - n p^(n-1) + (n-1) p^n: 93 values for 95/95
    values = np.linspace(2, 4, 93)
    assert tolerance_bounds(values)[:2] == (2, 4)
    assert "order statistics" in tolerance_bounds(values)[2]
    assert "normal" in tolerance_bounds(values[1:])[2]


def test_tolerance_bounds_hold_their_part_of_what_is_drawn():
    rng, held = np.random.default_rng(2), 0
    for _ in range(300):
        low, high, rule = tolerance_bounds(rng.exponential(1.0, 150), 0.9, 0.95)
        assert "order statistics" in rule
        held += np.exp(-max(low, 0)) - np.exp(-high) >= 0.9
    assert held / 300 >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / 300)
    assert "normal" in tolerance_bounds(rng.normal(3, 0.1, 20))[2]
    assert tolerance_bounds([3.0])[2] == "too few values"
