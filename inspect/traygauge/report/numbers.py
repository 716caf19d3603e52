"""Numbers as a reader sees them: rounded to their uncertainty, one way for report, terminal and certificate.

A figure with a standard uncertainty u is shown as value ± 2 u (about 95 %), the latter with one digit, two where
it begins with 1 or where it belongs to an interval (JCGM 100 section 7.2.6: at most two); the value ends at the
same decimal.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

#: Stands where there is no number.
NOTHING = "–"

#: What ± means, said once in every report.
COVERAGE = 2.0


def decimals_of(half_width: float, *, digits: int = 1, most: int = 4, least: int = 0) -> int:
    """Return how many decimals show a half width with that many digits (one digit: two where it begins with 1).

    Negative ones, where `least` allows them, mean whole tens, hundreds, ...
    """
    if not math.isfinite(half_width) or half_width <= 0:
        return most if half_width == 0 else 0
    power = math.floor(math.log10(half_width))
    leading = round(half_width / 10**power, 6)
    return min(max(digits - 1 + (digits == 1 and leading < 2) - power, least), most)


def fixed(value: float, decimals: int) -> str:
    """Return a number with that many decimals, a dash where there is none.

    No negative zero; thousands are set apart by a no-break space; negative decimals round to tens, hundreds, ...
    """
    if not math.isfinite(value):
        return NOTHING
    rounded = round(value, decimals) + 0.0
    return (
        f"{rounded:,.{max(decimals, 0)}f}".replace(",", "\u00a0")
        if abs(rounded) >= 10_000
        else f"{rounded:.{max(decimals, 0)}f}"
    )


def short(value: float) -> str:
    """Return a limit or setting as it would be written by hand: 4, 0.25, 12 000."""
    if not math.isfinite(value):
        return NOTHING
    return f"{value:,.6g}".replace(",", "\u00a0") if abs(value) >= 10_000 else f"{value:.6g}"


def with_unit(text: str, unit: str) -> str:
    """Return a number with its unit: a no-break space between them, none before a degree sign; a dash stays alone."""
    if not text or text == NOTHING or not unit:
        return text
    return f"{text}{unit}" if unit == "°" else f"{text}\u00a0{unit}"


def spread(u: float, decimals: int) -> str:
    """Return "± 0.05" for a standard uncertainty, with a no-break space, empty where there is none."""
    return f"±\u00a0{fixed(COVERAGE * u, decimals)}" if math.isfinite(u) and u > 0 else ""


def interval_decimals(low: float, high: float, estimate: float, *, least: int = 0) -> int:
    """Return the decimals at which an interval's narrower side has two digits, at most two decimals."""
    sides = [abs(estimate - end) for end in (low, high) if math.isfinite(end) and math.isfinite(estimate)]
    sides = [side for side in sides if side > 0]
    return decimals_of(min(sides), digits=2, most=2, least=least) if sides else 1


def between(low: float, high: float, decimals: int) -> str:
    """Return "2.3 to 8.0", "at most 8.0", "at least 2.3" or nothing, after which ends are finite."""
    ends = fixed(low, decimals), fixed(high, decimals)
    match (math.isfinite(low), math.isfinite(high)):
        case (True, True):
            return f"{ends[0]} to {ends[1]}"
        case (False, True):
            return f"at most {ends[1]}"
        case (True, False):
            return f"at least {ends[0]}"
    return ""


def column_decimals(u: npt.NDArray[Any] | None, otherwise: int) -> int:
    """Return the decimals that a whole column of figures is shown with: those of its median uncertainty."""
    if u is None or not np.isfinite(u).any():
        return min(otherwise, 2)
    return min(max(decimals_of(COVERAGE * float(np.nanmedian(u))), 1), 3)
