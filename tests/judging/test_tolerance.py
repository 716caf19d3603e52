"""Tolerance factors, conformity and agreement against printed values."""

import numpy as np
import pytest

from traygauge.judge.tolerance import (
    agreement,
    conformity,
    guard_band,
    one_sided_factor,
    tolerance_bounds,
    two_sided_factor,
    values_for_extremes,
)


def test_factors_are_those_of_the_table(check_values):
    # tolerance_factors_normal.csv: formulas of NIST/SEMATECH e-Handbook 7.2.6.3, rows recomputed
    for row in check_values("tolerance_factors_normal"):
        n, coverage, confidence = int(row["n"]), float(row["coverage"]), float(row["confidence"])
        near = {"abs": 6e-5}
        howe = two_sided_factor(n, coverage, confidence, exact=False)
        assert howe == pytest.approx(float(row["k2_howe"]), **near)
        exact = two_sided_factor(n, coverage, confidence, exact=True)
        assert exact == pytest.approx(float(row["k2_exact_numeric"]), **near)
        natrella = one_sided_factor(n, coverage, confidence, exact=False)
        assert natrella == pytest.approx(float(row["k1_natrella"]), **near)
        nct = one_sided_factor(n, coverage, confidence, exact=True)
        assert nct == pytest.approx(float(row["k1_noncentral_t"]), **near)


def test_printed_case():
    # NIST 7.2.6.3: n 43, coverage .90, confidence .99: 2.217, 1.8752, 1.8740; n 6: 5.2808 approximate, 4.4111 exact
    assert two_sided_factor(43, 0.9, 0.99, exact=False) == pytest.approx(2.217, abs=5e-4)
    assert one_sided_factor(43, 0.9, 0.99, exact=False) == pytest.approx(1.8752, abs=5e-5)
    assert one_sided_factor(43, 0.9, 0.99, exact=True) == pytest.approx(1.8740, abs=5e-5)
    assert one_sided_factor(6, 0.9, 0.99, exact=False) == pytest.approx(5.2808, abs=5e-5)
    assert one_sided_factor(6, 0.9, 0.99) == pytest.approx(4.4111, abs=5e-5)


def test_small_samples_take_the_exact_factor():
    assert one_sided_factor(29, 0.9, 0.95) == one_sided_factor(29, 0.9, 0.95, exact=True)
    assert one_sided_factor(30, 0.9, 0.95) == one_sided_factor(30, 0.9, 0.95, exact=False)


def test_extremes_whatever_the_distribution():
    # NIST 7.2.6.4 and its formula: 93 two-sided, 59 one-sided for 95/95; n 46, p .9: 95.2 %
    assert values_for_extremes(0.95, 0.95) == 93
    assert values_for_extremes(0.95, 0.95, two_sided=False) == 59
    assert values_for_extremes(0.90, 0.952) == 47
    assert values_for_extremes(0.90, 0.9519) == 46


def test_tolerance_bounds_hold_their_part_of_what_is_drawn():
    rng, held = np.random.default_rng(2), 0
    for _ in range(300):
        low, high, rule = tolerance_bounds(rng.exponential(1.0, 150), 0.9, 0.95)
        assert "order statistics" in rule
        held += np.exp(-max(low, 0)) - np.exp(-high) >= 0.9
    assert held / 300 >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / 300)
    assert "normal" in tolerance_bounds(rng.normal(3, 0.1, 20))[2]
    assert tolerance_bounds([3.0])[2] == "too few values"


def test_conformity_and_guard_band():
    # JCGM 106:2012 as retold: 13.6, u 1.8, 12.5-16.3: .662630; -5.47 against -5.40, u .05: .919243; 509.7 against
    # 490, u 8.6: .989010; near 4.00 mm with u .05: 3.90 .9772, 3.918 .9495, 4.05 .1587 (references.md 3)
    assert conformity(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.662630, abs=5e-7)
    assert conformity(-5.47, 0.05, high=-5.40) == pytest.approx(0.919243, abs=5e-7)
    assert conformity(509.7, 8.6, low=490) == pytest.approx(0.989010, abs=5e-7)
    for read, p in ((3.90, 0.9772), (3.918, 0.9495), (4.00, 0.5), (4.05, 0.1587)):
        assert conformity(read, 0.05, high=4.0) == pytest.approx(p, abs=5e-5)
    # w = U (k 2) holds false accepts below 2.5 % (Phi(-2) .02275), w = 1.645 u below 5 % (ILAC-G8)
    assert guard_band(0.05, 0.02275) == pytest.approx(0.10, abs=1e-4)
    assert guard_band(0.05, 0.05) == pytest.approx(1.645 * 0.05, abs=1e-4)


def test_agreement_of_two_results():
    # 3.52 +- .06 against 3.48 +- .04 mm: .5547 (references.md 3, after ISO 13528)
    assert agreement(3.52, 3.48, 0.06, 0.04) == pytest.approx(0.5547, abs=5e-5)
    # wholly correlated results: u of the difference is the difference of u
    assert agreement(3.52, 3.48, 0.06, 0.04, covariance=0.03 * 0.02) == pytest.approx(0.04 / 0.02)
