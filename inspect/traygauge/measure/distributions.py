"""Weighted percentiles, and what the frame's edge takes away of a distribution."""

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
