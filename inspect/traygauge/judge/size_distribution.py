"""Sizes of a batch after ISO 9276-2: each piece counts as one, or by a power of its size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.judge.distribution import Distribution

#: How much a piece counts: as one, or by a power r of its size (the type of quantity of ISO 9276-1). What goes by the
#: square and the cube is area and volume only of bodies that are all of one shape: the volume of strand of one diameter
#: goes by its length.
WEIGHTINGS: dict[str, int] = {"number": 0, "length": 1, "area": 2, "volume": 3}


@dataclass(frozen=True)
class SizeDistribution:
    """What is told of a batch's sizes under one weighting.

    Parameters
    ----------
    by : a name of `WEIGHTINGS`; power : r, the power of its size by which a piece counts.
    d10_mm, median_mm, d90_mm : sizes below which 10, 50 and 90 % of the quantity lie.
    mean_mm : mean size under this weighting, D[r+1,r].
    """

    by: str
    power: int
    d10_mm: float
    median_mm: float
    d90_mm: float
    mean_mm: float


def moment_mean(sizes: npt.ArrayLike, p: float, q: float, *, weights: npt.ArrayLike | None = None) -> float:
    """Return the moment-ratio mean D[p,q] of a sample (ISO 9276-2:2014), in the unit of its sizes.

    D[p,q]^(p-q) = sum n D^p / sum n D^q; for p = q its limit exp(sum n D^p ln D / sum n D^p). D[1,0] is the mean by
    number, D[3,2] Sauter's, D[4,3] the mean by volume.

    Parameters
    ----------
    sizes : (n,), at least one, all positive.
    p, q : orders.
    weights : (n,), how many pieces each stands for; None: one.
    """
    x = np.asarray(sizes, float)
    w = np.ones(len(x)) if weights is None else np.asarray(weights, float)
    if p == q:
        return float(np.exp(np.average(np.log(x), weights=w * x**p)))
    return float(((w * x**p).sum() / (w * x**q).sum()) ** (1 / (p - q)))


def size_distribution(of: Distribution, by: str) -> SizeDistribution:
    """Return D10, median, D90 and mean of a batch's sizes under a weighting of `WEIGHTINGS`.

    By number they are the figures that the verdict states: made up for pieces lost to the window's edge, to standing
    and to heaps, and without what measuring error adds to a quantile.
    """
    r = WEIGHTINGS[by]
    weighted = of.by_size(r)
    low, middle, high = (weighted.estimate(name) for name in ("D10", "median", "D90"))
    sizes, counts = of.whole
    return SizeDistribution(by, r, low, middle, high, moment_mean(sizes, r + 1, r, weights=counts))


def size_distributions(of: Distribution) -> tuple[SizeDistribution, ...]:
    """Return a batch's sizes under every weighting; nothing for fewer than two pieces, or where one has no size."""
    if of.n < 2 or not of.values[0] > 0:
        return ()
    return tuple(size_distribution(of, by) for by in WEIGHTINGS)
