"""Intervals for shares and figures of a batch: what a sample of pieces can say about the rest of the bag.

Shares are fractions here (0 to 1); percent begins where sentences do. Only `scipy.special` is needed.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import bdtr, betaincinv, ndtri, stdtrit

from traygauge.judge.verdict import Interval

FloatArray = npt.NDArray[np.float64]


@lru_cache(maxsize=1024)  # looks, limits and what was not measured ask for the same ones several times
def share_bounds(hits: float, n: float, error: float) -> tuple[float, float]:
    """Return the exact lower and upper bound of a share, each missed with at most the given error.

    After Clopper and Pearson (1934), by beta quantiles; `hits` and `n` need not be whole (Korn and Graubard 1998).
    With n = 0 nothing is known: (0, 1).
    """
    if n <= 0:
        return 0.0, 1.0
    hits = min(max(hits, 0.0), n)
    low = float(betaincinv(hits, n - hits + 1, error)) if hits > 1e-9 else 0.0
    high = float(betaincinv(hits + 1, n - hits, 1 - error)) if hits < n - 1e-9 else 1.0
    return low, high


def clopper_pearson(hits: float, n: float, confidence: float = 0.95) -> Interval:
    """Return the exact interval of a share (Clopper and Pearson 1934), the error shared over both sides.

    Examples
    --------
    >>> i = clopper_pearson(7, 50)
    >>> round(i.low, 4), round(i.high, 4)
    (0.0582, 0.2674)
    """
    low, high = share_bounds(hits, n, (1 - confidence) / 2)
    return Interval(hits / n if n > 0 else math.nan, low, high, confidence)


def wilson(hits: float, n: float, confidence: float = 0.95) -> Interval:
    """Return the score interval of a share (Wilson 1927)."""
    z = float(ndtri(0.5 + confidence / 2))
    p, z2 = hits / n, z * z
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = z * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    return Interval(p, max(0.0, middle - half), min(1.0, middle + half), confidence)


def newcombe(hits_a: float, n_a: float, hits_b: float, n_b: float, confidence: float = 0.95) -> Interval:
    """Return the interval of the difference of two shares, a - b (Newcombe 1998, method 10: hybrid of scores)."""
    a, b = wilson(hits_a, n_a, confidence), wilson(hits_b, n_b, confidence)
    d = a.estimate - b.estimate
    low = d - math.hypot(a.estimate - a.low, b.high - b.estimate)
    high = d + math.hypot(a.high - a.estimate, b.estimate - b.low)
    return Interval(d, max(-1.0, low), min(1.0, high), confidence)


@lru_cache(maxsize=256)
def quantile_ranks(n: int, p: float, error: float, design_effect: float = 1.0) -> tuple[int, int]:
    """Return the ranks (1 .. n) of the order statistics that bound the p-quantile, each missed with that error.

    Distribution-free, by binomial counts; 0 and n + 1 mean that the sample is too small for a bound on that side.
    Clustering stretches the ranks away from n p by the root of the design effect (after Woodruff 1952).
    """
    below = bdtr(np.arange(n + 1), n, p)
    low = int(np.searchsorted(below, error, side="right"))
    high = int(np.searchsorted(below, 1 - error, side="left")) + 1
    stretch = math.sqrt(design_effect)
    if stretch > 1:
        low = math.floor(n * p - (n * p - low) * stretch)
        high = math.ceil(n * p + (high - n * p) * stretch)
    return max(low, 0), min(high, n + 1)


def mean_bounds(
    values: FloatArray,
    error: float,
    *,
    weights: FloatArray | None = None,
    design_effect: float = 1.0,
    degrees: float | None = None,
    u_shared: float = 0.0,
) -> tuple[float, float]:
    """Return the bounds of a mean, each missed with that error.

    t interval on the standard error of clustered values (of a weighted mean by its linear form, since pieces that
    stand for others are the odd ones: Korn and Graubard 1998), joined in quadrature with what all pieces share, which
    does not shrink with their number (JCGM 100, 5.2); degrees of freedom after Welch and Satterthwaite with the
    shared part taken as known. Infinite with fewer than two values.
    """
    n = len(values)
    if n < 2:
        return -math.inf, math.inf
    w = np.ones(n) if weights is None else weights
    mean = float(np.average(values, weights=w))
    variance = float(((w * (values - mean)) ** 2).sum()) / float(w.sum()) ** 2 * n / (n - 1)
    u_own = math.sqrt(variance * design_effect)
    u = math.hypot(u_own, u_shared)
    own = degrees if degrees is not None else n - 1.0
    nu = own * (u / u_own) ** 4 if u_own > 0 else math.inf
    half = student(1 - error, nu) * u
    return mean - half, mean + half


def student(probability: float, degrees: float) -> float:
    """Return the t quantile; the normal one for very many degrees of freedom."""
    return float(ndtri(probability) if degrees > 1e6 else stdtrit(degrees, probability))
