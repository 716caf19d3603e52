"""Nominal openings of test sieves, ISO 565 / ISO 3310-1, as read in an open-source library."""

from __future__ import annotations

#: Series R20, mm, descending; steps of 10^(1/20).
R20_MM: tuple[float, ...] = (
    16,
    14,
    12.5,
    11.2,
    10,
    9,
    8,
    7.1,
    6.3,
    5.6,
    5,
    4.5,
    4,
    3.55,
    3.15,
    2.8,
    2.5,
    2.24,
    2,
    1.8,
    1.6,
    1.4,
    1.25,
    1.12,
    1,
    0.9,
    0.8,
    0.71,
    0.63,
    0.56,
    0.5,
    0.45,
    0.4,
    0.355,
    0.315,
    0.28,
    0.25,
    0.224,
    0.2,
    0.18,
    0.16,
    0.14,
    0.125,
    0.112,
    0.1,
    0.09,
    0.08,
    0.071,
    0.063,
    0.056,
    0.05,
    0.045,
)
#: Series R20/3: every third of them.
R20_3_MM: tuple[float, ...] = R20_MM[::3]


def largest_up_to(limit_mm: float) -> float | None:
    """Return the largest opening of series R20 that is not above a length, mm; None where there is none."""
    return next((opening for opening in R20_MM if opening <= limit_mm), None)
