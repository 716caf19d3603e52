"""Numbers rounded to their uncertainty."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from traygauge.report.numbers import (
    between,
    column_decimals,
    decimals_of,
    fixed,
    interval_decimals,
    short,
    spread,
    with_unit,
)

NBSP = "\u00a0"


@pytest.mark.parametrize(
    ("half", "one", "two"),
    [(0.05, 2, 3), (0.012, 3, 3), (0.019, 3, 3), (0.2, 1, 2), (4.1, 0, 1), (13.0, 0, 0), (0.1, 2, 2)],
)
def test_decimals_show_one_or_two_digits_of_a_half_width(half: float, one: int, two: int) -> None:
    assert decimals_of(half) == one
    assert decimals_of(half, digits=2) == two


@given(st.floats(1e-3, 9.9))
def test_rounding_costs_at_most_half_of_the_last_digit_shown(half: float) -> None:
    shown = float(fixed(half, decimals_of(half)))
    assert abs(shown - half) <= 0.26 * half  # one digit from 2 on: half a unit in 2 at most


def test_fixed() -> None:
    assert fixed(3.14159, 2) == "3.14"
    assert fixed(-0.0004, 2) == "0.00"
    assert fixed(math.nan, 2) == "–"
    assert fixed(112345.0, -2) == f"112{NBSP}300"
    assert fixed(1234.0, 0) == "1234"


def test_short() -> None:
    assert [short(v) for v in (4.0, 0.25, 12000.0, math.inf)] == ["4", "0.25", f"12{NBSP}000", "–"]


def test_units() -> None:
    assert with_unit("3.1", "mm") == f"3.1{NBSP}mm"
    assert with_unit("4", "°") == "4°"
    assert with_unit("–", "mm") == "–"
    assert with_unit("7", "") == "7"


def test_plus_minus_is_twice_the_standard_uncertainty() -> None:
    assert spread(0.025, 2) == "±\u00a00.05"
    assert spread(math.nan, 2) == ""


def test_intervals() -> None:
    assert between(3.8, 13.1, 1) == "3.8 to 13.1"
    assert between(-math.inf, 13.1, 1) == "at most 13.1"
    assert between(3.8, math.inf, 1) == "at least 3.8"
    assert between(-math.inf, math.inf, 1) == ""
    assert interval_decimals(2.97, 3.03, 3.0) == 2
    assert interval_decimals(0.0, 35.0, 16.2) == 0
    assert interval_decimals(9.1, 35.0, 16.2) == 1
    assert interval_decimals(3.0, 3.0, 3.0) == 1
    assert interval_decimals(3.8, 13.1, 7.5) == 1
    assert interval_decimals(108000.0, 117000.0, 112345.0, least=-9) == -2


def test_a_column_has_the_decimals_of_its_median_uncertainty() -> None:
    assert column_decimals(np.array([0.024, 0.026, np.nan]), 3) == 2
    assert column_decimals(np.array([0.006, 0.007, np.nan]), 3) == 3
    assert column_decimals(None, 3) == 2
