"""Limits on figures of a distribution: mean, median, D10, D90 and spread of cut length and diameter."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from traygauge.judge.clusters import FEWEST_PHOTOS, Clustering, clustering
from traygauge.judge.findings import BoolArray, FloatArray, has
from traygauge.judge.intervals import mean_bounds, quantile_ranks
from traygauge.judge.lost import made_up
from traygauge.judge.once import Once
from traygauge.judge.percentiles import percentile
from traygauge.judge.resampling import percentile_bounds, resampled
from traygauge.judge.sample import Sample
from traygauge.judge.unmeasured import unread

#: Stands for a length whose end is not seen, where infinity would spoil a ratio, mm.
_NO_END = 1e6
_QUANTILES = {"D10": 0.1, "median": 0.5, "D90": 0.9}


#: A shift of a quantile by measuring error of less than this is below what is shown, and left in, mm.
SMALLEST_SHIFT_MM = 0.01


#: How uncertain it is by how much making up for lost pieces should change a mean, as a share of the change.
MADE_UP_SD = 0.5


@dataclass(frozen=True, eq=False)
class Distribution(Once):
    """One column of a batch as values to draw figures from.

    Parameters
    ----------
    values : ndarray (n,), ascending.
    weights : ndarray (n,): what each stands for where pieces run past the window's edge; mean 1, more by the diameters
        that were not read, for which all of them stand alike.
    made_up : ndarray (n,): what each stands for where pieces stand on end or lie in heaps, 1 where none do.
    photo : ndarray (n,), which photo each comes from.
    u_shared, u_own : ndarrays (n,), standard uncertainty that all share, and the rest of each, mm.
    clusters : what the photos do to the figures.
    least, most : ndarrays (k,): the unmeasured pieces at their shortest and at their longest (infinite: no end seen).
    others : ndarray (2, m): sizes like none measured, ascending, and what stands for lost pieces that have them.
    """

    values: FloatArray
    weights: FloatArray
    made_up: FloatArray
    photo: FloatArray
    u_shared: FloatArray
    u_own: FloatArray
    clusters: Clustering
    least: FloatArray
    most: FloatArray
    others: FloatArray = field(default_factory=lambda: np.zeros((2, 0)))

    @property
    def n(self) -> int:
        """Return how many pieces were measured."""
        return len(self.values)

    def by_size(self, power: int) -> Distribution:
        """Return the same, each piece counted by a power of its size; a power of 0 leaves all as they are."""
        size, number = self.others
        return replace(
            self, made_up=self.made_up * self.values**power, others=np.stack([size, number * size**power])
        )

    def estimate(self, statistic: str) -> float:
        """Return a figure: "mean", "median", "D10", "D90", or "spread", which is (D90 - D10) / median, a fraction.

        Made up for pieces that were lost to standing and heaps; a quantile without what measuring error adds to it.
        """
        return self.once(("estimate", statistic), lambda: self._estimate(statistic))

    def _estimate(self, statistic: str) -> float:
        if not self.n:
            return math.nan
        if statistic == "mean":
            return float(np.average(self.whole[0], weights=self.whole[1]))
        if statistic == "spread":
            low, middle, high = (self.estimate(name) for name in ("D10", "median", "D90"))
            return (high - low) / middle if middle > 0 else math.nan
        p = _QUANTILES[statistic]
        found = float(percentile(self.whole[0], p, weights=self.whole[1], rule="median_unbiased"))
        return found - self._shift(p)

    def bounds(
        self, statistic: str, low_error: float, high_error: float, *, unmeasured: bool = False
    ) -> tuple[float, float]:
        """Return lower and upper bound of a figure, each missed with its error; an error of 0 gives no bound.

        With `unmeasured` the bounds hold wherever the pieces that could not be measured lie between their least and
        their most, and are never closer than without.
        """
        low, high = self._bounds(statistic, low_error, high_error)
        if unmeasured and len(self.least):
            least, most = (end._bounds(statistic, low_error, high_error) for end in self._ends)
            low, high = min(low, least[0], most[0]), max(high, least[1], most[1])
        return low, high

    def u_shared_of(self, statistic: str) -> float:
        """Return the standard uncertainty of a figure through what all pieces share, mm (a spread has none: a ratio)."""
        return self.once(("shared", statistic), lambda: self._u_shared_of(statistic))

    def _u_shared_of(self, statistic: str) -> float:
        if not self.n or statistic == "spread":
            return 0.0
        if statistic == "mean":
            return float(np.average(self.u_shared, weights=self.counts))
        middle = round(_QUANTILES[statistic] * (self.n - 1))
        near = slice(max(0, middle - self.n // 20), middle + self.n // 20 + 1)
        return float(np.mean(self.u_shared[near]))

    @cached_property
    def counts(self) -> FloatArray:
        """Return what each value stands for, mean 1."""
        counts = self.weights * self.made_up
        return counts / counts.mean() if len(counts) else counts

    @cached_property
    def whole(self) -> tuple[FloatArray, FloatArray]:
        """Return all sizes, those of lost pieces that are like none measured among them, ascending, and what each counts."""
        size, number = self.others
        if not number.sum() > 0:
            return self.values, self.counts
        values = np.concatenate([self.values, size])
        counts = np.concatenate([self.weights * self.made_up, number])
        order = np.argsort(values, kind="stable")
        return values[order], counts[order]

    @cached_property
    def u_made_up(self) -> float:
        """Return the standard uncertainty of the mean through what made up for lost pieces, mm: half of what that changes.

        By how much short ones stand more often than long ones is known no better (common practice).
        """
        plain = float(np.average(self.values, weights=self.weights))
        return MADE_UP_SD * abs(self.estimate("mean") - plain)

    @cached_property
    def _ranks(self) -> FloatArray | None:
        """Return the rank up to which each value stands for the batch, n at the last; None where all count the same."""
        if np.ptp(self.counts) < 1e-9:
            return None
        return np.cumsum(self.counts)

    def _at_rank(self, rank: int) -> float:
        place = rank - 1 if self._ranks is None else int(np.searchsorted(self._ranks, rank - 0.5))
        return float(self.values[min(place, self.n - 1)])

    def _bounds(self, statistic: str, low_error: float, high_error: float) -> tuple[float, float]:
        return (
            self._bound(statistic, low_error, 0) if low_error > 0 else -math.inf,
            self._bound(statistic, high_error, 1) if high_error > 0 else math.inf,
        )

    def _bound(self, statistic: str, error: float, side: int) -> float:
        nothing = (-math.inf, math.inf)[side]
        if self.n < 2:
            return nothing
        effect, u = self.clusters.design_effect, self.u_shared_of(statistic)
        degrees = min(self.clusters.degrees, self.n - 1.0)
        if statistic == "mean" and not np.isfinite(self.values[-1]):
            return nothing
        if statistic == "mean":
            values, counts = self.whole
            return mean_bounds(
                values,
                error,
                weights=counts,
                design_effect=effect,
                degrees=degrees,
                u_shared=math.hypot(u, self.u_made_up),
            )[side]
        if statistic == "spread":
            return self._spread_bound(error, side)
        p = _QUANTILES[statistic]
        rank = quantile_ranks(self.n, p, error, effect)[side]
        if not 1 <= rank <= self.n:
            return nothing
        shift = self._shift(p)
        value = self._at_rank(rank) - shift
        middle = self.estimate(statistic)
        if not math.isfinite(value) or not math.isfinite(middle):
            return nothing
        away = math.hypot(value - middle, float(ndtri(1 - error)) * u, shift)
        return middle + away if side else max(middle - away, 0.0)

    def _spread_bound(self, error: float, side: int) -> float:
        stretch = math.sqrt(self.clusters.design_effect) if self.clusters.photos < FEWEST_PHOTOS else 1.0
        raw = float(_spread(np.minimum(self.values, _NO_END)))
        bound = percentile_bounds(self._spreads, raw, error, self.clusters.degrees + 1, stretch)[side]
        middle = self.estimate("spread")
        # the resamples know nothing of weights and measuring error: what these shift may be wrong by as much
        away = math.hypot(bound - raw, middle - raw)
        return middle + away if side else max(middle - away, 0.0)

    @cached_property
    def _spreads(self) -> FloatArray:
        """Return the spread of each resample, ascending."""
        values = np.minimum(self.values, _NO_END)

        def figure(index: npt.NDArray[np.intp]) -> FloatArray:
            return _spread(values[index])

        return resampled(figure, self.photo)

    def _shift(self, p: float) -> float:
        """Return how far measuring error moves a quantile outwards, mm; the median stays where it is.

        Error smears a distribution. Smearing it once more, each value by its own uncertainty, moves the quantile once
        more as far (simulation-extrapolation, Cook and Stefanski 1994, linear, in closed form). No more is taken out
        than half the way to the median.
        """
        return self.once(("shift", p), lambda: self._shift_of(p))

    def _shift_of(self, p: float) -> float:
        known = np.isfinite(self.values)
        u, values, counts = self.u_own[known], self.values[known], self.counts[known]
        if p == 0.5 or not (u > 0).any():
            return 0.0
        found, median = percentile(values, [p, 0.5], weights=counts, rule="median_unbiased").tolist()
        most = abs(found - median) / 2
        low, high, steep, wanted = -most, most, 1.0 / np.maximum(u, 1e-6), p * float(counts.sum())
        start = (found - values) * steep
        near = np.abs(start) < 6.0 + most * steep  # the others stay on their side whatever the shift
        wanted -= float(counts[~near & (start > 0)].sum())
        start, steep, counts = start[near], steep[near], counts[near]
        while high - low > 1e-4:
            shift = (low + high) / 2
            below = float(counts @ ndtr(start + shift * steep))
            low, high = (shift, high) if below < wanted else (low, shift)
        shift = (low + high) / 2
        return shift if abs(shift) >= SMALLEST_SHIFT_MM else 0.0

    @cached_property
    def _ends(self) -> tuple[Distribution, Distribution]:
        """Return the same with the unmeasured pieces at their least, and at their most."""
        return self._filled(self.least), self._filled(self.most)

    def _filled(self, more: FloatArray) -> Distribution:
        """Return the same with further values, for which nothing measured stands any more."""
        values = np.concatenate([self.values, more])
        order = np.argsort(values, kind="stable")
        none, one = np.zeros(len(more)), np.ones(len(more))
        return Distribution(
            values[order],
            np.concatenate([self.weights, one])[order],
            np.ones(len(values)),
            np.concatenate([self.photo, none - 1])[order],
            np.concatenate([self.u_shared, none])[order],
            np.concatenate([self.u_own, none])[order],
            self.clusters,
            self.least,
            self.most,
        )


def distribution(sample: Sample, column: str) -> Distribution:
    """Return the distribution of a column over the strand pieces of a batch: those measured, and bounds for the rest.

    Two pieces that are still joined have a diameter, and no cut length of their own. Diameters that were not read for
    what lies beside them are missing by chance: those read stand for them.
    """
    return sample.once(("distribution", column), lambda: _distribution(sample, column))


def _distribution(sample: Sample, column: str) -> Distribution:
    pieces, base, of = sample.pieces, sample.base("thick"), 0 if column == "length_mm" else 1
    value = pieces[column].astype(float)
    inside = base & (sample.weights > 0)
    if of == 0:
        inside &= ~has(pieces, "doubles")
    measured = inside & np.isfinite(value) & ~sample.reach.is_heap
    order = np.flatnonzero(measured)[np.argsort(value[measured], kind="stable")]
    weights = sample.weights[order]
    each = float(weights.mean()) if len(weights) else 1.0
    weights = weights / each
    beside = inside & ~measured & unread(pieces) if of == 1 else np.zeros(len(pieces), bool)
    lost = inside & ~measured & ~beside
    stands_for = made_up(pieces, sample.reach, sample.weights, measured, lost)
    clusters = clustering(
        value[measured], sample.photo[measured], sample.spec.judging.within_photo_correlation
    )
    least, most = _unmeasured(sample, lost, column)
    return Distribution(
        value[order],
        weights * (1 + beside.sum() / max(len(weights), 1)),
        stands_for.counts[order],
        sample.photo[order].astype(float),
        sample.u_shared(of)[order],
        sample.u_own(of)[order],
        clusters,
        least,
        most,
        np.stack([stands_for.length_mm, stands_for.number / each]) if of == 0 else np.zeros((2, 0)),
    )


def _unmeasured(sample: Sample, out: BoolArray, column: str) -> tuple[FloatArray, FloatArray]:
    """Return the pieces that could not be measured at their least and at their most, heaps as many pieces."""
    reached, pieces = sample.reach, sample.pieces
    single, heap = out & ~reached.is_heap, out & reached.is_heap
    count = reached.holds_most[heap].astype(int)
    # none reaches further than its heap, and each shows half of itself at least
    extent = np.fmax(pieces["extent_mm"], pieces["feret_max_mm"])[heap]
    area = np.nan_to_num(pieces["area_mm2"])[heap] / np.maximum(count, 1)
    if column == "length_mm":
        low, high = reached.low[single], reached.high[single]
        room = 2 * area / np.maximum(reached.diameter_mm[heap], 0.1)
    else:
        low, high = _diameters(sample, single)
        room = np.sqrt(2 * area)
    return (
        np.concatenate([low, np.zeros(int(count.sum()))]),
        np.concatenate([high, np.repeat(np.fmin(extent, room), count)]),
    )


def _diameters(sample: Sample, single: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return the smallest and the largest diameter that single unmeasured pieces can have.

    An outline seen whole is nowhere narrower than the thinner, nor wider than the thicker of length and diameter
    allow; a piece that lies under another shows less of itself, and can be as thick as any of the batch.
    """
    pieces, state = sample.pieces, sample.pieces["state"][single].astype(str)
    small, large = (np.nan_to_num(pieces[k][single].astype(float)) for k in ("feret_min_mm", "feret_max_mm"))
    thickest = float(np.nanmax(sample.reach.diameter_mm, initial=0.0))
    low = np.where(state == "upright", 0.95 * small, np.where(state == "covered", 0.5 * small, 0.9 * small))
    high = np.where(state == "upright", small, np.where(state == "covered", np.fmax(large, thickest), large))
    return low, high


def _spread(values: FloatArray) -> FloatArray:
    """Return (D90 - D10) / median over the last axis; NaN where the median is 0."""
    low, middle, high = np.quantile(values, (0.1, 0.5, 0.9), axis=-1, method="median_unbiased")
    return np.asarray((high - low) / np.where(middle > 0, middle, np.nan))
