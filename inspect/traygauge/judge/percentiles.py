"""Percentiles of weighted values, by a named rule."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Plotting positions (k - a) / (n + 1 - 2 a) of the k-th of n sorted values: NumPy's names, Hyndman and Fan's numbers.
PERCENTILE_RULES: dict[str, float] = {
    "median_unbiased": 1 / 3,
    "linear": 1.0,  # 1 + p (n - 1)
}


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


def _sample(values: npt.ArrayLike, weights: npt.ArrayLike | None) -> tuple[FloatArray, FloatArray]:
    x = np.asarray(values, float).ravel()
    w = np.ones(len(x)) if weights is None else np.asarray(weights, float).ravel()
    if (w < 0).any():
        raise ValueError(f"weights must not be negative; the smallest is {w.min():g}")
    keep = np.isfinite(x) & (w > 0)
    return x[keep], w[keep]
