"""Limits on figures of a distribution: mean, median, D10, D90 and spread of cut length and diameter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from traygauge.judge.clusters import FEWEST_PHOTOS, Clustering, clustering
from traygauge.judge.findings import BoolArray, FloatArray
from traygauge.judge.intervals import mean_bounds, quantile_ranks
from traygauge.judge.resampling import percentile_bounds, resampled
from traygauge.judge.sample import Sample
from traygauge.measure.distributions import percentile

_QUANTILES = {"D10": 0.1, "median": 0.5, "D90": 0.9}


@dataclass(frozen=True, eq=False)
class Distribution:
    """One column of a batch as values to draw figures from.

    Parameters
    ----------
    values : ndarray (n,), ascending; weights : ndarray (n,), mean 1.
    photo : ndarray (n,), which photo each comes from.
    u_shared : ndarray (n,), standard uncertainty that all share, mm.
    clusters : what the photos do to the figures.
    least, most : ndarrays (k,): the unmeasured pieces at their shortest and at their longest (infinite: no end seen).
    """

    values: FloatArray
    weights: FloatArray
    photo: FloatArray
    u_shared: FloatArray
    clusters: Clustering
    least: FloatArray
    most: FloatArray

    @property
    def n(self) -> int:
        """Return how many pieces were measured."""
        return len(self.values)

    def estimate(self, statistic: str) -> float:
        """Return a figure: "mean", "median", "D10", "D90", or "spread", which is (D90 - D10) / median, a fraction."""
        if not self.n:
            return math.nan
        if statistic == "mean":
            return float(np.average(self.values, weights=self.weights))
        if statistic == "spread":
            return float(_spread(np.minimum(self.values, 1e6)))
        p = _QUANTILES[statistic]
        return float(percentile(self.values, p, weights=self.weights, rule="median_unbiased"))

    def bounds(
        self, statistic: str, low_error: float, high_error: float, *, unmeasured: bool = False
    ) -> tuple[float, float]:
        """Return lower and upper bound of a figure, each missed with its error; an error of 0 gives no bound."""
        low = self._filled(self.least if unmeasured else self.least[:0])
        high = self._filled(self.most if unmeasured else self.most[:0])
        if statistic == "spread" and unmeasured and len(self.least):
            # short ones and long ones both widen a spread: take the worst of either
            ends = [d.bounds(statistic, low_error, high_error) for d in (self, low, high)]
            return min(e[0] for e in ends), max(e[1] for e in ends)
        return (
            low._bound(statistic, low_error, 0) if low_error > 0 else -math.inf,
            high._bound(statistic, high_error, 1) if high_error > 0 else math.inf,
        )

    def u_shared_of(self, statistic: str) -> float:
        """Return the standard uncertainty of a figure through what all pieces share, mm (a spread has none: a ratio)."""
        if not self.n or statistic == "spread":
            return 0.0
        if statistic == "mean":
            return float(np.average(self.u_shared, weights=self.weights))
        middle = round(_QUANTILES[statistic] * (self.n - 1))
        near = slice(max(0, middle - self.n // 20), middle + self.n // 20 + 1)
        return float(np.mean(self.u_shared[near]))

    def _bound(self, statistic: str, error: float, side: int) -> float:
        nothing = (-math.inf, math.inf)[side]
        if self.n < 2:
            return nothing
        effect, u = self.clusters.design_effect, self.u_shared_of(statistic)
        degrees = min(self.clusters.degrees, self.n - 1.0)
        if statistic == "mean" and not np.isfinite(self.values[-1]):
            return nothing
        if statistic == "mean":
            return mean_bounds(
                self.values,
                error,
                weights=self.weights,
                design_effect=effect,
                degrees=degrees,
                u_shared=u,
            )[side]
        if statistic == "spread":
            stretch = math.sqrt(effect) if self.clusters.photos < FEWEST_PHOTOS else 1.0
            return percentile_bounds(self._spreads, self.estimate(statistic), error, stretch)[side]
        p = _QUANTILES[statistic]
        rank = quantile_ranks(self.n, p, error, effect)[side]
        if not 1 <= rank <= self.n:
            return nothing
        value = float(_at_rank(self.values, self.weights, rank))
        middle = self.estimate(statistic)
        if not math.isfinite(value) or not math.isfinite(middle):
            return nothing
        away = math.hypot(value - middle, float(ndtri(1 - error)) * u)
        return middle + away if side else max(middle - away, 0.0)

    @cached_property
    def _spreads(self) -> FloatArray:
        """Return the spread of each resample, ascending."""
        values = np.minimum(self.values, 1e6)  # no end seen: a number so large is none

        def figure(index: npt.NDArray[np.intp]) -> FloatArray:
            return _spread(values[index])

        return resampled(figure, self.photo)

    def _filled(self, more: FloatArray) -> Distribution:
        if not len(more):
            return self
        values = np.concatenate([self.values, more])
        order = np.argsort(values, kind="stable")
        extra = np.zeros(len(more))
        return Distribution(
            values[order],
            np.concatenate([self.weights, extra + 1])[order],
            np.concatenate([self.photo, extra - 1])[order],
            np.concatenate([self.u_shared, extra])[order],
            self.clusters,
            self.least,
            self.most,
        )


def distribution(sample: Sample, column: str) -> Distribution:
    """Return the distribution of a column over the strand pieces of a batch: those measured, and bounds for the rest."""
    pieces, base = sample.pieces, sample.base("thick")
    value = pieces[column].astype(float)
    measured = base & np.isfinite(value) & (sample.weights > 0) & ~sample.reach.is_heap
    order = np.argsort(value[measured], kind="stable")
    photo = sample.photo
    weights = sample.weights[measured][order]
    clusters = clustering(value[measured], photo[measured], sample.spec.judging.within_photo_correlation)
    least, most = _unmeasured(sample, base & ~measured & (sample.weights > 0), column)
    return Distribution(
        value[measured][order],
        weights / weights.mean() if len(weights) else weights,
        photo[measured][order].astype(float),
        sample.u_shared(0 if column == "length_mm" else 1)[measured][order],
        clusters,
        least,
        most,
    )


def _unmeasured(sample: Sample, out: BoolArray, column: str) -> tuple[FloatArray, FloatArray]:
    """Return the pieces that could not be measured at their least and at their most, heaps as many pieces."""
    reached, pieces = sample.reach, sample.pieces
    single, heap = out & ~reached.is_heap, out & reached.is_heap
    if column == "length_mm":
        low, high = reached.low[single], reached.high[single]
    else:
        high = np.nan_to_num(pieces["feret_min_mm"][single].astype(float))
        low = np.where(pieces["state"][single] == "upright", 0.95, 0.5) * high
    count = reached.holds_most[heap].astype(int)
    extent = np.fmax(pieces["extent_mm"], pieces["feret_max_mm"])[heap]
    room = 2 * np.nan_to_num(pieces["area_mm2"])[heap] / np.maximum(reached.diameter_mm[heap], 0.1)
    longest = np.fmin(extent, room / np.maximum(count, 1)) if column == "length_mm" else extent
    return (
        np.concatenate([low, np.zeros(int(count.sum()))]),
        np.concatenate([high, np.repeat(longest, count)]),
    )


def _at_rank(values: FloatArray, weights: FloatArray, rank: int) -> float:
    if np.ptp(weights) < 1e-9:
        return float(values[rank - 1])
    cumulated = np.cumsum(weights) * len(values) / weights.sum()
    return float(values[min(int(np.searchsorted(cumulated, rank - 0.5)), len(values) - 1)])


def _spread(values: FloatArray) -> FloatArray:
    """Return (D90 - D10) / median over the last axis; NaN where the median is 0."""
    low, middle, high = np.quantile(values, (0.1, 0.5, 0.9), axis=-1, method="median_unbiased")
    return np.asarray((high - low) / np.where(middle > 0, middle, np.nan))
