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


@dataclass(frozen=True)
class Weighed:
    """A share of weighted pieces, a fraction, and how many independent equal ones they are worth."""

    share: float
    effective: float


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
    alone : of the measured pieces, nothing made up for those lost.
    read, read_alone : the same two with measurement error left in.
    open : what was not measured.
    """

    hits: int
    n: int
    share: float
    n_effective: float
    clusters: Clustering
    u_share: float
    alone: Weighed
    read: Weighed
    read_alone: Weighed
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
        whole, nothing = (Weighed(self.share, self.n_effective), self.read), (0.0, 0.0)
        low, high = self._bound(*whole, nothing, low_error, 0), self._bound(*whole, nothing, high_error, 1)
        if not unmeasured:
            return low, high
        alone, o = (self.alone, self.read_alone), self.open
        upper = self._bound(*alone, (o.hits, o.none), high_error, 1)
        return (
            min(low, self._bound(*alone, (0.0, o.misses), low_error, 0)),
            max(high, o.with_chance(upper, self.n + o.hits + o.none)),
        )

    def _bound(
        self, corrected: Weighed, read: Weighed, more: tuple[float, float], error: float, side: int
    ) -> float:
        """Return a bound with so many hits and others more.

        What measurement error moved a share by, taking it out makes up for, at the cost of spread. On the side that it
        was moved towards the share as read bounds it as well: the closer of the two stands.
        """
        bound = self._with_more(corrected, *more, error, side)
        if side and read.share > corrected.share:
            return min(bound, self._with_more(read, *more, error, side))
        if not side and read.share < corrected.share:
            return max(bound, self._with_more(read, *more, error, side))
        return bound

    def _with_more(self, one: Weighed, hits: float, others: float, error: float, side: int) -> float:
        if error <= 0:
            return float(side)
        total = self.n + hits + others
        share, n = (one.share * self.n + hits) / total, one.effective / self.n * total
        bound = share_bounds(share * n, n, error)[side]
        away = math.hypot(bound - share, float(ndtri(1 - error)) * self.u_share)
        return min(1.0, share + away) if side else max(0.0, share - away)
