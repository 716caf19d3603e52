"""Bootstrap over photos and pieces: seeded, so that the same batch always gives the same interval."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

SEED = 20_260
REPLICATES = 999


def resamples(photo: npt.ArrayLike, replicates: int = REPLICATES, seed: int = SEED) -> IntArray:
    """Return the indices of bootstrap samples (replicates, n).

    With five photos or more whole photos are drawn first and pieces within them after (two stages, so that what
    pieces of a photo share is drawn too); with fewer only pieces are drawn. Samples keep n pieces.
    """
    groups = np.asarray(photo)
    n = len(groups)
    rng = np.random.default_rng(seed)
    names, index = np.unique(groups, return_inverse=True)
    if len(names) < 5:
        return rng.integers(0, n, (replicates, n))
    order = np.argsort(index, kind="stable")
    sizes = np.bincount(index)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    drawn = rng.integers(0, len(names), (replicates, len(names)))
    # each place of the sample belongs to one drawn photo, in proportion to the photos' sizes
    chosen = np.take_along_axis(drawn, np.repeat(np.arange(len(names)), sizes)[None, :], axis=1)
    within = np.floor(rng.random((replicates, n)) * sizes[chosen]).astype(np.intp)
    return np.asarray(order[starts[chosen] + within])


def bootstrap_bounds(
    figure: Callable[[IntArray], FloatArray],
    photo: npt.ArrayLike,
    estimate: float,
    error: float,
    stretch: float = 1.0,
    *,
    replicates: int = REPLICATES,
    seed: int = SEED,
) -> tuple[float, float]:
    """Return the bounds of a figure, each missed with that error: bias-corrected percentiles (Efron 1987).

    Parameters
    ----------
    figure : gives the figure of each resample (replicates,) from its indices (replicates, n).
    photo : array_like (n,), which photo each piece comes from.
    estimate : the figure of the sample itself.
    stretch : factor on the distance from the estimate: the root of a design effect that resampling cannot see.
    """
    found = np.sort(figure(resamples(photo, replicates, seed)))
    found = found[np.isfinite(found)]
    if len(found) < 2:
        return -math.inf, math.inf
    below = (np.count_nonzero(found < estimate) + np.count_nonzero(found == estimate) / 2) / len(found)
    shift = 2 * float(ndtri(min(max(below, 1 / len(found)), 1 - 1 / len(found))))
    levels = ndtr([shift + ndtri(error), shift + ndtri(1 - error)])
    low, high = np.quantile(found, levels)
    return estimate + stretch * (float(low) - estimate), estimate + stretch * (float(high) - estimate)


def spread_bounds(
    values: FloatArray, photo: FloatArray, error: float, design_effect: float
) -> tuple[float, float]:
    """Return the bounds of (D90 - D10) / median, each missed with that error."""

    def figure(index: IntArray) -> FloatArray:
        low, middle, high = np.quantile(values[index], (0.1, 0.5, 0.9), axis=1, method="median_unbiased")
        return np.asarray((high - low) / middle)

    low, middle, high = np.quantile(values, (0.1, 0.5, 0.9), method="median_unbiased")
    stretch = math.sqrt(design_effect) if len(np.unique(photo)) < 5 else 1.0
    return bootstrap_bounds(figure, photo, float((high - low) / middle), error, stretch)
