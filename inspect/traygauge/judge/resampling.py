"""Bootstrap over photos and pieces: seeded, so that the same batch always gives the same interval."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from traygauge.judge.intervals import student

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

SEED = 20_260
REPLICATES = 999


def resamples(photo: npt.ArrayLike, seed: int = SEED) -> IntArray:
    """Return the indices of bootstrap samples (REPLICATES, n).

    With five photos or more whole photos are drawn first and pieces within them after (two stages, so that what
    pieces of a photo share is drawn too); with fewer only pieces are drawn. Samples keep n pieces.
    """
    groups = np.asarray(photo)
    n = len(groups)
    rng = np.random.default_rng(seed)
    names, index = np.unique(groups, return_inverse=True)
    if len(names) < 5:
        return rng.integers(0, n, (REPLICATES, n))
    order = np.argsort(index, kind="stable")
    sizes = np.bincount(index)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    drawn = rng.integers(0, len(names), (REPLICATES, len(names)))
    # each place of the sample belongs to one drawn photo, in proportion to the photos' sizes
    chosen = np.take_along_axis(drawn, np.repeat(np.arange(len(names)), sizes)[None, :], axis=1)
    within = np.floor(rng.random((REPLICATES, n)) * sizes[chosen]).astype(np.intp)
    return np.asarray(order[starts[chosen] + within])


def resampled(figure: Callable[[IntArray], FloatArray], photo: npt.ArrayLike) -> FloatArray:
    """Return the figure of every resample, ascending, those that are no number left out.

    Parameters
    ----------
    figure : gives the figure of each resample (REPLICATES,) from its indices (REPLICATES, n).
    photo : array_like (n,), which photo each piece comes from.
    """
    found = figure(resamples(photo))
    return np.sort(found[np.isfinite(found)])


def percentile_bounds(
    found: FloatArray, estimate: float, error: float, count: float, stretch: float = 1.0
) -> tuple[float, float]:
    """Return the bounds of a figure, each missed with that error: expanded percentiles of its resamples.

    Resamples spread too little by the root of (n - 1) / n and know no t quantile: percentiles are taken further out for
    it (Hesterberg, Am. Stat. 69 (2015) 371). No bias correction: for figures made of quantiles it rests on few
    values near the estimate, and in simulation it missed a spread of 100 to 200 pieces in 6 % instead of 5 %.

    Parameters
    ----------
    found : the figure of every resample, ascending.
    estimate : the figure of the sample itself.
    count : independent values behind the figure: pieces, or photos where these decide.
    stretch : factor on the distance from the estimate: the root of a design effect that resampling cannot see.
    """
    if len(found) < 2 or not math.isfinite(estimate):
        return -math.inf, math.inf
    degrees = max(count - 1, 1.0)
    outside = ndtr(math.sqrt((degrees + 1) / degrees) * student(error, degrees))
    low, high = np.quantile(found, (outside, 1 - outside))
    return estimate + stretch * (float(low) - estimate), estimate + stretch * (float(high) - estimate)
