"""Size distributions after ISO 9276-2: weighted percentiles, moment-ratio means, and what the frame's edge takes away."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Plotting positions (k - a) / (n + 1 - 2 a) of the k-th of n sorted values: NumPy's names, Hyndman and Fan's numbers.
PERCENTILE_RULES: dict[str, float] = {
    "weibull": 0.0,  # p (n + 1)
    "median_unbiased": 1 / 3,
    "linear": 1.0,  # 1 + p (n - 1)
}

#: How much a piece counts: as one, or by a power of its size (ISO 9276-1's type of quantity r).
WEIGHTINGS: dict[str, int] = {"count": 0, "length": 1, "area": 2, "volume": 3}


def percentile(
    values: npt.ArrayLike,
    share: npt.ArrayLike,
    *,
    weights: npt.ArrayLike | None = None,
    rule: str = "linear",
) -> FloatArray:
    """Return the size below which a share of the sample lies, ndarray of the shape of `share`.

    Equal weights give the named rule exactly. Otherwise a value stands for the rank of the middle of its weight,
    n (W_k - w_k / 2) / W_n + 1/2, W being the running sum. NaN for no values.

    Parameters
    ----------
    values : (n,). NaN is left out.
    share : between 0 and 1; 0.9 gives D90.
    weights : (n,), not negative, or None for a count.
    rule : a name of `PERCENTILE_RULES`.

    Raises
    ------
    ValueError
        An unknown rule, or a weight that is negative.
    """
    if rule not in PERCENTILE_RULES:
        raise ValueError(f"unknown percentile rule {rule!r}; known: {', '.join(PERCENTILE_RULES)}")
    x, w = _sample(values, weights)
    if len(x) == 0:
        return np.full(np.shape(share), np.nan)
    order = np.argsort(x, kind="stable")
    x, w = x[order], w[order]
    n, run = len(x), np.cumsum(w)
    rank = n * (run - w / 2) / run[-1] + 0.5
    a = PERCENTILE_RULES[rule]
    return np.asarray(np.interp(np.asarray(share, float) * (n + 1 - 2 * a) + a, rank, x), float)


def moment_mean(values: npt.ArrayLike, p: float, q: float, *, weights: npt.ArrayLike | None = None) -> float:
    """Return the moment-ratio mean D[p,q] of a sample (ISO 9276-2:2014).

    D[p,q]^(p-q) = sum n D^p / sum n D^q; for p = q its limit exp(sum n D^p ln D / sum n D^p).
    D[1,0] number mean, D[3,2] Sauter mean, D[4,3] volume-weighted mean.

    Parameters
    ----------
    values : (n,), positive; NaN is left out.
    p, q : orders.
    weights : (n,), how many pieces a value stands for (edge weights), or None.
    """
    x, w = _sample(values, weights)
    if len(x) == 0:
        return float("nan")
    if (x <= 0).any():
        raise ValueError(f"sizes must be positive; the smallest is {x.min():g}")
    if p == q:
        return float(np.exp((w * x**p * np.log(x)).sum() / (w * x**p).sum()))
    return float(((w * x**p).sum() / (w * x**q).sum()) ** (1 / (p - q)))


def moment_mean_of_classes(edges: npt.ArrayLike, counts: npt.ArrayLike, p: float, q: float) -> float:
    """Return D[p,q] of a histogram, the pieces of a class spread evenly over it.

    Parameters
    ----------
    edges : (k + 1,), rising, positive.
    counts : (k,).
    p, q : different orders.
    """
    e = np.asarray(edges, float)
    return float((_class_moments(e, counts, p).sum() / _class_moments(e, counts, q).sum()) ** (1 / (p - q)))


def class_shares(edges: npt.ArrayLike, counts: npt.ArrayLike, weighting: str) -> FloatArray:
    """Return each class's share of the whole by count, length, area or volume, ndarray (k,), sum 1."""
    m = _class_moments(np.asarray(edges, float), counts, WEIGHTINGS[weighting])
    return np.asarray(m / m.sum(), float)


@dataclass(frozen=True)
class SizeDistribution:
    """What a report tells of a distribution.

    Parameters
    ----------
    weighting : "count", "length", "area" or "volume".
    n : number of values.
    d10, d50, d90 : sizes below which 10, 50 and 90 % lie.
    mean : mean size under this weighting: D[r+1, r].
    rule : percentile rule.
    """

    weighting: str
    n: int
    d10: float
    d50: float
    d90: float
    mean: float
    rule: str

    @property
    def span(self) -> float:
        """Return (D90 - D10) / D50."""
        return (self.d90 - self.d10) / self.d50


def size_distribution(
    values: npt.ArrayLike,
    weighting: Literal["count", "length", "area", "volume"] = "count",
    *,
    weights: npt.ArrayLike | None = None,
    rule: str = "linear",
) -> SizeDistribution:
    """Return D10, D50, D90 and the mean of sizes, weighted by a power of the size itself.

    Parameters
    ----------
    values : (n,), positive sizes; NaN is left out.
    weighting : how much a piece counts.
    weights : (n,), how many pieces each stands for (edge weights), or None.
    rule : a name of `PERCENTILE_RULES`.
    """
    x, w = _sample(values, weights)
    r = WEIGHTINGS[weighting]
    d10, d50, d90 = (float(d) for d in percentile(x, [0.1, 0.5, 0.9], weights=w * x**r, rule=rule))
    return SizeDistribution(weighting, len(x), d10, d50, d90, moment_mean(x, r + 1, r, weights=w), rule)


def edge_weights(
    boxes: npt.ArrayLike,
    frame: tuple[float, float, float, float],
    *,
    sides: tuple[bool, bool, bool, bool] = (True, True, True, True),
) -> FloatArray:
    """Return how many pieces each piece wholly inside a frame stands for, ndarray (n,), from 1 up.

    Large pieces are cut off by the frame more often than small ones. A piece with box x by y is whole in a frame
    Z1 by Z2 with probability (Z1 - x)(Z2 - y) / (Z1 Z2) (ISO 13322-1, Miles-Lantuéjoul; Miles, J. Microscopy 113
    (1978) 257); its weight is the inverse. Where pieces run past one side only, the same share is lost as with two.

    Parameters
    ----------
    boxes : (n, 4), x0, y0, x1, y1 of each whole piece.
    frame : x0, y0, x1, y1.
    sides : whether pieces run past the left, top, right and bottom side. A scoop inside the frame needs no weights.

    Raises
    ------
    ValueError
        A box as large as the frame: such pieces are never whole, and no weight makes up for them.
    """
    b = np.asarray(boxes, float).reshape(-1, 4)
    weight = np.ones(len(b))
    for axis, name in ((0, "wide"), (1, "high")):
        if not (sides[axis] or sides[axis + 2]):
            continue
        length, whole = b[:, axis + 2] - b[:, axis], frame[axis + 2] - frame[axis]
        if (length >= whole).any():
            raise ValueError(
                f"a piece {length.max():.4g} {name} cannot be weighted in a frame {whole:.4g} {name}; "
                "expected: a smaller piece; take a larger frame"
            )
        weight *= whole / (whole - length)
    return weight


def _sample(values: npt.ArrayLike, weights: npt.ArrayLike | None) -> tuple[FloatArray, FloatArray]:
    x = np.asarray(values, float).ravel()
    w = np.ones(len(x)) if weights is None else np.asarray(weights, float).ravel()
    if (w < 0).any():
        raise ValueError(f"weights must not be negative; the smallest is {w.min():g}")
    keep = np.isfinite(x) & (w > 0)
    return x[keep], w[keep]


def _class_moments(edges: FloatArray, counts: npt.ArrayLike, p: float) -> FloatArray:
    """Return n times the mean of x^p over each class, uniform within it."""
    a, b = edges[:-1], edges[1:]
    mean = (b ** (p + 1) - a ** (p + 1)) / ((p + 1) * (b - a))  # orders from 0 up are asked for
    return np.asarray(np.asarray(counts, float) * mean, float)
