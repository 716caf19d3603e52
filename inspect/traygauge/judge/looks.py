"""Looking again after each scoop must not break the stated risk: the error is shared over at most five looks.

The first look is a fixed sample at the stated confidence. What its error leaves (a share is discrete, so something is
left) is shared equally over the looks that may follow; an exact recursion over the paths that have not been decided
yet gives each look's own bound. A figure in millimetres leaves nothing, so its first look spends four fifths only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, gammaln

#: After so many looks the error is used up: only a fresh sample can decide.
MOST_LOOKS = 5
#: Share of the error that the first look at a figure may spend.
FIRST_LOOK_AT_FIGURE = 0.8


def figure_error(error: float, look: int) -> float:
    """Return the error that one look at a figure of the distribution may spend (0 past the last look)."""
    if look > MOST_LOOKS:
        return 0.0
    rest = (1 - FIRST_LOOK_AT_FIGURE) / (MOST_LOOKS - 1)
    return error * (FIRST_LOOK_AT_FIGURE if look <= 1 else rest)


def share_error(
    error: float, look: int, limit: float, sizes: Sequence[float], scale: float = 1.0, *, upper: bool = True
) -> float:
    """Return the error at which this look's bound of a share is drawn, so that all looks together keep `error`.

    Parameters
    ----------
    error : wrong decisions allowed over all looks, at a share on the limit.
    look : which look this is, from 1.
    limit : the share limit, 0..1.
    sizes : effective pieces at each look so far, cumulated; the last one is this look's.
    scale : effective pieces per piece (counts move in steps of it).
    upper : whether the bound is the upper one (accepting an "at most" limit) or the lower one (rejecting it).
    """
    if look <= 1:
        return error
    if look > MOST_LOOKS or not 0 < limit < 1:
        return 0.0
    return _later_looks(error, limit if upper else 1 - limit, tuple(sizes[:look]), scale)


def tail(hits: float, n: float, share: float) -> float:
    """Return the chance of at most so many hits among n pieces of that share (not whole: by the beta integral)."""
    if hits < 0:
        return 0.0
    return 1.0 if hits >= n else float(1 - betainc(hits + 1, n - hits, share))


def _first_look(error: float, share: float, n: float, scale: float) -> float:
    """Return what a fixed-sample look really spends: the largest tail not above the error."""
    low, high = -1, math.ceil(n / scale)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if tail(middle * scale, n, share) <= error else (low, middle)
    return tail(low * scale, n, share)


@lru_cache(maxsize=256)
def _later_looks(error: float, share: float, worth: tuple[float, ...], scale: float) -> float:
    """Return the error of the last look: paths decided before are gone, what was not spent is carried on."""
    first = spent = _first_look(error, share, worth[0], scale)
    sizes = [max(1, round(size)) for size in worth]
    paths = binomial(sizes[0], share)
    paths = np.where(np.cumsum(paths) <= first + 1e-12, 0.0, paths)
    count = -1
    for look, (before, now) in enumerate(pairwise(sizes), start=2):
        allowed = first + (error - first) * (look - 1) / (MOST_LOOKS - 1)
        paths = np.convolve(paths, binomial(max(now - before, 0), share))
        below = np.cumsum(paths)
        count = int(np.searchsorted(below, allowed - spent + 1e-15, side="right")) - 1
        if count >= 0:
            spent += float(below[count])
            paths[: count + 1] = 0.0
    return min(error, tail(count, sizes[-1], share))


def binomial(n: int, share: float) -> npt.NDArray[np.float64]:
    """Return the chance of each number of hits (n + 1,) among n pieces of that share, 0 < share < 1."""
    k = np.arange(n + 1)
    log = (
        gammaln(n + 1)
        - gammaln(k + 1)
        - gammaln(n - k + 1)
        + k * math.log(share)
        + (n - k) * math.log1p(-share)
    )
    return np.asarray(np.exp(log))
