"""Tolerance intervals: between which bounds a stated part of a population lies."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri, ndtr, ndtri

FloatArray = npt.NDArray[np.float64]

#: Below so many values the approximate factors are not good enough.
APPROXIMATE_FROM = 30


def two_sided_factor(n: int, coverage: float, confidence: float, *, exact: bool | None = None) -> float:
    """Return k2: mean -+ k2 s holds the stated part of a normal population with the stated confidence.

    Howe's approximation (NIST/SEMATECH e-Handbook 7.2.6.3), or the exact integral, which is taken below 30 values
    unless told otherwise.
    """
    if exact if exact is not None else n < APPROXIMATE_FROM:
        return _exact_two_sided(n, coverage, confidence)
    z = ndtri((1 + coverage) / 2)
    return float(z * math.sqrt((n - 1) * (1 + 1 / n) / chdtri(n - 1, confidence)))


def tolerance_bounds(
    values: npt.ArrayLike, coverage: float = 0.95, confidence: float = 0.95
) -> tuple[float, float, str]:
    """Return between which lengths the stated part of the batch lies, and by which rule.

    Order statistics that make no assumption where there are values enough, else the normal factor.
    """
    ordered = np.sort(np.asarray(values, float))
    n = len(ordered)
    if n < 2:
        return -math.inf, math.inf, "too few values"
    if _ordered_confidence(n, 0, coverage) >= confidence:
        cut = 0  # drop equally many at both ends while the rest still holds the part
        while _ordered_confidence(n, cut + 1, coverage) >= confidence:
            cut += 1
        return float(ordered[cut]), float(ordered[n - 1 - cut]), "order statistics, whatever the distribution"
    k, mean, s = two_sided_factor(n, coverage, confidence), ordered.mean(), ordered.std(ddof=1)
    return float(mean - k * s), float(mean + k * s), "normal distribution assumed"


def _ordered_confidence(n: int, cut: int, coverage: float) -> float:
    """Return the confidence that the values between ranks cut + 1 and n - cut hold the part: a binomial tail."""
    from scipy.special import bdtr

    kept = n - 2 * cut - 1
    return float(bdtr(kept - 1, n, coverage)) if kept > 0 else 0.0


def _exact_two_sided(n: int, coverage: float, confidence: float) -> float:
    """Return k2 from the exact integral over the mean's error: Gauss-Legendre, bisection on k."""
    from scipy.special import chdtrc

    nodes, weights = np.polynomial.legendre.leggauss(96)
    x = 4.0 * (nodes + 1)  # half of 0 .. 8 standard errors, even in x
    density = 2 * 4.0 * weights * np.exp(-x * x / 2) / math.sqrt(2 * math.pi)
    half = _half_widths(x / math.sqrt(n), coverage)
    low, high = 0.1, 1.0

    def held(k: float) -> float:
        return float((density * chdtrc(n - 1, (n - 1) * (half / k) ** 2)).sum())

    while held(high) < confidence:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if held(middle) < confidence else (low, middle)
    return high


def _half_widths(shift: FloatArray, coverage: float) -> FloatArray:
    """Return r with Phi(shift + r) - Phi(shift - r) = coverage, ndarray like shift, by bisection."""
    low, high = np.zeros_like(shift), shift + 10.0
    for _ in range(80):
        middle = (low + high) / 2
        short = ndtr(shift + middle) - ndtr(shift - middle) < coverage
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(high)
