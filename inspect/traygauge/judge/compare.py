"""Two batches against each other: the effect with its interval first, the p-value second."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from traygauge.judge.clusters import Clustering, clustering
from traygauge.judge.intervals import newcombe
from traygauge.judge.resampling import IntArray, percentile_bounds, resamples
from traygauge.judge.sample import Sample
from traygauge.judge.shares import Counted, count_share
from traygauge.judge.verdict import Interval

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Difference:
    """One figure of two batches side by side.

    Parameters
    ----------
    name, title, unit : what is compared.
    a, b : the figure of each batch.
    effect : b - a with its interval (for a spread: the ratio b / a).
    p_value : chance of so large a difference between batches that do not differ; NaN where no test is made.
    n_a, n_b : effective pieces.
    sentence : what it says, in plain words.
    rule : how it was worked out.
    """

    name: str
    title: str
    unit: str
    a: float
    b: float
    effect: Interval
    p_value: float
    n_a: float
    n_b: float
    sentence: str
    rule: str


@dataclass(frozen=True)
class MannWhitney:
    """The rank-sum test. `u_a + u_b` is the number of pairs; `chance_b_above_a` counts ties as half."""

    u_a: float
    u_b: float
    z: float
    p_value: float
    chance_b_above_a: float


def mann_whitney(
    a: npt.ArrayLike, b: npt.ArrayLike, *, ties: bool = True, design_effect: float = 1.0
) -> MannWhitney:
    """Return the two-sided rank-sum test of two samples, by the normal approximation without continuity correction.

    Parameters
    ----------
    a, b : array_like (n_a,), (n_b,).
    ties : whether the variance is corrected for ties.
    design_effect : by which clustering widens it.
    """
    x, y = np.asarray(a, float), np.asarray(b, float)
    n_a, n_b = len(x), len(y)
    if not n_a or not n_b:
        raise ValueError("both samples need at least one value")
    both = np.concatenate([x, y])
    _, index, counts = np.unique(both, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - (counts - 1) / 2)[index]
    u_a = float(ranks[:n_a].sum()) - n_a * (n_a + 1) / 2  # pairs in which a lies above b
    n = n_a + n_b
    tied = float((counts.astype(float) ** 3 - counts).sum()) if ties else 0.0
    variance = n_a * n_b / 12 * (n + 1 - tied / (n * (n - 1))) * design_effect
    z = (u_a - n_a * n_b / 2) / math.sqrt(variance) if variance > 0 else 0.0
    return MannWhitney(u_a, n_a * n_b - u_a, z, float(2 * ndtr(-abs(z))), (n_a * n_b - u_a) / (n_a * n_b))


def compare(a: Sample, b: Sample, *, same_scale: bool) -> tuple[Difference, ...]:
    """Return what differs from batch a to batch b: shares first, then median, mean and spread of the cut length.

    Parameters
    ----------
    a, b : batches made ready with the same spec (`sample`).
    same_scale : whether the same sheet print and camera were used: then the scale's uncertainty is shared by both
        and cancels in differences; else each batch brings its own.

    Raises
    ------
    ValueError
        The batches were made ready with different specs.
    """
    if a.spec != b.spec:
        raise ValueError("batches are compared by one spec")
    findings = [
        name
        for name in ("long", "stringy", "doubles", "tailed", "burred", "fines", "short")
        if name in a.masks
    ]
    found = [_share(a, b, name) for name in findings]
    column = "length_mm"
    found += [_length(a, b, column, name, same_scale) for name in ("median", "mean", "spread")]
    return tuple(d for d in found if d is not None)


def _share(a: Sample, b: Sample, finding: str) -> Difference | None:
    confidence = a.spec.judging.confidence
    one, two = (count_share(s, finding, "count", (1 - confidence) / 2) for s in (a, b))
    if not one.n or not two.n:
        return None
    hits = [(c.share * c.n_effective, c.n_effective) for c in (two, one)]
    effect = newcombe(*hits[0], *hits[1], confidence)
    shown = Interval(100 * effect.estimate, 100 * effect.low, 100 * effect.high, confidence)
    title = f"share of {finding}" if finding in ("doubles", "fines") else f"share of {finding} pieces"
    return Difference(
        f"{finding}_share",
        title,
        "%",
        100 * one.share,
        100 * two.share,
        shown,
        _share_p(one, two),
        one.n_effective,
        two.n_effective,
        _sentence(f"The {title}", shown, "percentage points", 1),
        "difference of shares on effective pieces (Newcombe 1998, method 10); p from the pooled score test",
    )


def _share_p(a: Counted, b: Counted) -> float:
    pooled = (a.share * a.n_effective + b.share * b.n_effective) / (a.n_effective + b.n_effective)
    variance = pooled * (1 - pooled) * (1 / a.n_effective + 1 / b.n_effective)
    return float(2 * ndtr(-abs(a.share - b.share) / math.sqrt(variance))) if variance > 0 else 1.0


@dataclass(frozen=True, eq=False)
class _Lengths:
    values: FloatArray
    photo: IntArray
    clusters: Clustering
    u_shared: float

    @property
    def n_effective(self) -> float:
        return self.clusters.effective(0.025)


def _lengths(sample: Sample, column: str) -> _Lengths:
    value = sample.pieces[column].astype(float)
    use = sample.base("thick") & np.isfinite(value) & (sample.weights > 0)
    clusters = clustering(value[use], sample.photo[use], sample.spec.judging.within_photo_correlation)
    shared = sample.u_shared(0)[use]
    return _Lengths(value[use], sample.photo[use], clusters, float(shared.mean()) if len(shared) else 0.0)


_STATISTICS: dict[str, Callable[[FloatArray], FloatArray]] = {
    "median": lambda v: np.asarray(np.median(v, axis=-1)),
    "mean": lambda v: np.asarray(v.mean(axis=-1)),
    "spread": lambda v: np.asarray(np.subtract(*np.quantile(v, (0.9, 0.1), axis=-1)) / np.median(v, axis=-1)),
}


def _length(a: Sample, b: Sample, column: str, statistic: str, same_scale: bool) -> Difference | None:
    one, two = _lengths(a, column), _lengths(b, column)
    if min(len(one.values), len(two.values)) < 5:
        return None
    confidence = a.spec.judging.confidence
    of = _STATISTICS[statistic]
    figures = float(of(one.values)), float(of(two.values))
    if statistic == "spread" and figures[0] <= 0:
        return None
    drawn = [np.asarray(of(s.values[resamples(s.photo, seed=seed)])) for s, seed in ((one, 1), (two, 2))]
    shared = 0.0 if same_scale or statistic == "spread" else math.hypot(one.u_shared, two.u_shared)
    if statistic == "spread":
        estimate, found = figures[1] / figures[0], drawn[1] / np.where(drawn[0] > 0, drawn[0], np.nan)
    else:
        estimate, found = figures[1] - figures[0], drawn[1] - drawn[0]
    effect = _interval(estimate, found, confidence, one, two, shared)
    test = mann_whitney(one.values, two.values, design_effect=_effect(one, two))
    return Difference(
        f"{statistic}_{column}",
        f"{statistic} of the cut length",
        "ratio" if statistic == "spread" else "mm",
        *figures,
        effect,
        test.p_value if statistic == "median" else math.nan,
        one.n_effective,
        two.n_effective,
        _ratio_sentence(effect)
        if statistic == "spread"
        else _sentence(f"The {statistic} cut length", effect, "mm", 2),
        _rule(statistic, same_scale),
    )


def _interval(
    estimate: float, found: FloatArray, confidence: float, a: _Lengths, b: _Lengths, shared: float
) -> Interval:
    """Return the bootstrap interval, stretched where resampling cannot see the photos, with the scale's part added."""
    stretch = math.sqrt(_effect(a, b)) if min(a.clusters.photos, b.clusters.photos) < 5 else 1.0
    count = a.clusters.degrees + b.clusters.degrees + 1
    drawn = np.sort(found[np.isfinite(found)])
    low, high = percentile_bounds(drawn, estimate, (1 - confidence) / 2, count, stretch)
    extra = float(ndtri(0.5 + confidence / 2)) * shared
    return Interval(
        estimate,
        estimate - math.hypot(estimate - low, extra),
        estimate + math.hypot(high - estimate, extra),
        confidence,
    )


def _effect(a: _Lengths, b: _Lengths) -> float:
    return max(a.clusters.design_effect, b.clusters.design_effect)


def _rule(statistic: str, same_scale: bool) -> str:
    scale = (
        "same print and camera, so the scale cancels"
        if same_scale
        else "different print or camera, so each batch brings the uncertainty of its scale"
    )
    test = "; p from the Mann-Whitney test" if statistic == "median" else ""
    return f"bootstrap over photos and pieces, seeded; {scale}{test}"


def _sentence(subject: str, effect: Interval, unit: str, decimals: int) -> str:
    size = f"{abs(effect.estimate):.{decimals}f} {unit}"
    span = f"({effect.low:+z.{decimals}f} to {effect.high:+z.{decimals}f})"
    if effect.low <= 0 <= effect.high:
        return f"{subject} has not changed as far as these pieces can tell: {effect.estimate:+z.{decimals}f} {unit} {span}."
    return f"{subject} has {'risen' if effect.estimate > 0 else 'fallen'} by {size} {span}."


def _ratio_sentence(effect: Interval) -> str:
    span = f"({effect.low:.2f} to {effect.high:.2f} times)"
    if effect.low <= 1 <= effect.high:
        return f"The spread of the cut length has not changed as far as these pieces can tell: {effect.estimate:.2f} times {span}."
    word = "wider" if effect.estimate > 1 else "narrower"
    return f"The spread of the cut length is {word}: {effect.estimate:.2f} times {span}."
