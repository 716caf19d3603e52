"""A share as counted, and the bounds that it has in the whole batch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from traygauge.judge.clusters import Clustering
from traygauge.judge.findings import FloatArray
from traygauge.judge.intervals import share_bounds


@dataclass(frozen=True, eq=False)
class Open:
    """What was not measured, as a share's bounds take it, in pieces.

    Parameters
    ----------
    hits : that may all be hits; misses : that may all be none; none : that are there and certainly no hits.
    odds : ndarray (k,): of each that is a hit by chance, its odds in units of those of all pieces, at the most.
    heavier : what a hit outweighs a usual piece by; `hits` are weighed already.
    """

    hits: float
    misses: float
    none: float
    odds: FloatArray
    heavier: float = 1.0

    def with_chance(self, share: float, n: float) -> float:
        """Return the share of n pieces when those are added that are hits by chance, each as likely as it can be."""
        odds = self.odds * share
        likely = odds / (odds + 1 - share) if share < 1 else np.ones_like(odds)
        more = self.heavier * float(likely.sum())
        return (share * n + more) / (n + more + float((1 - likely).sum()))


@dataclass(frozen=True, eq=False)
class Counted:
    """A share as counted, all as fractions.

    Parameters
    ----------
    hits, n : pieces beyond the limit, and pieces that entered, as counted.
    share : estimate: weighted for the window's edge, for pieces lost to heaps and by mass or area, measurement error taken
        out.
    n_effective : independent pieces that the sample is worth, before any look is paid for.
    clusters : what the photos do to it.
    u_share : standard uncertainty of the share through what all pieces share (scale, height ...).
    alone, alone_effective : share and effective number of the measured pieces, nothing made up for those lost.
    open : what was not measured.
    """

    hits: int
    n: int
    share: float
    n_effective: float
    clusters: Clustering
    u_share: float
    alone: float
    alone_effective: float
    open: Open

    @property
    def pieces_effective(self) -> float:
        """Return how many independent pieces one piece counts for."""
        return self.n_effective / self.n if self.n else 1.0

    def bounds(self, low_error: float, high_error: float, *, unmeasured: bool) -> tuple[float, float]:
        """Return lower and upper bound of the share, each missed with its error; an error of 0 gives no bound.

        Those with what was not measured start from the measured pieces alone: what was lost is added piece by piece.
        """
        if not self.n:
            return 0.0, 1.0
        low = self._bound(self.share, self.n_effective, low_error, 0)
        high = self._bound(self.share, self.n_effective, high_error, 1)
        if not unmeasured:
            return low, high
        return (
            min(low, self._with_open(0.0, self.open.misses, low_error, 0)),
            max(high, self._with_open(self.open.hits, self.open.none, high_error, 1)),
        )

    def _with_open(self, hits: float, others: float, error: float, side: int) -> float:
        total = self.n + hits + others
        share = (self.alone * self.n + hits) / total
        bound = self._bound(share, self.alone_effective / self.n * total, error, side)
        return self.open.with_chance(bound, total) if side else bound

    def _bound(self, share: float, n: float, error: float, side: int) -> float:
        if error <= 0:
            return float(side)
        bound = share_bounds(share * n, n, error)[side]
        away = math.hypot(bound - share, float(ndtri(1 - error)) * self.u_share)
        return min(1.0, share + away) if side else max(0.0, share - away)
