"""Two batches against each other: the effect with its interval first, the p-value second."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from traygauge.judge.clusters import FEWEST_PHOTOS
from traygauge.judge.counted import Counted
from traygauge.judge.distribution import Distribution, distribution
from traygauge.judge.intervals import newcombe
from traygauge.judge.resampling import IntArray, percentile_bounds, resamples
from traygauge.judge.sample import Sample
from traygauge.judge.shares import count_share
from traygauge.judge.verdict import Interval

FloatArray = npt.NDArray[np.float64]

#: Fewer measured lengths on a side are not compared.
FEWEST = 5


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
    """The rank-sum test: pairs in which a lies above b, ties as half, and the two-sided p."""

    u_a: float
    p_value: float


def mann_whitney(a: npt.ArrayLike, b: npt.ArrayLike, *, design_effect: float = 1.0) -> MannWhitney:
    """Return the two-sided rank-sum test of two samples: normal approximation, corrected for ties, not for continuity.

    Parameters
    ----------
    a, b : array_like (n_a,), (n_b,).
    design_effect : by which clustering widens the variance.
    """
    x, y = np.asarray(a, float), np.asarray(b, float)
    n_a, n_b = len(x), len(y)
    if not n_a or not n_b:
        raise ValueError("both samples need at least one value")
    both = np.concatenate([x, y])
    _, index, counts = np.unique(both, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - (counts - 1) / 2)[index]
    u_a = float(ranks[:n_a].sum()) - n_a * (n_a + 1) / 2
    n = n_a + n_b
    tied = float((counts.astype(float) ** 3 - counts).sum())
    variance = n_a * n_b / 12 * (n + 1 - tied / (n * (n - 1))) * design_effect
    z = (u_a - n_a * n_b / 2) / math.sqrt(variance) if variance > 0 else 0.0
    return MannWhitney(u_a, float(2 * ndtr(-abs(z))))


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
    found += [_length(a, b, name, same_scale) for name in ("median", "mean", "spread")]
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
        "shares: difference on effective pieces (Newcombe 1998, method 10); p from the pooled score test",
    )


def _share_p(a: Counted, b: Counted) -> float:
    pooled = (a.share * a.n_effective + b.share * b.n_effective) / (a.n_effective + b.n_effective)
    variance = pooled * (1 - pooled) * (1 / a.n_effective + 1 / b.n_effective)
    return float(2 * ndtr(-abs(a.share - b.share) / math.sqrt(variance))) if variance > 0 else 1.0


_COLUMN = "length_mm"


def _length(a: Sample, b: Sample, statistic: str, same_scale: bool) -> Difference | None:
    """Return how a figure of the cut length differs: the same figures that each batch's own report states."""
    one, two = distribution(a, _COLUMN), distribution(b, _COLUMN)
    if min(one.n, two.n) < FEWEST:
        return None
    ratio = statistic == "spread"
    figures = one.estimate(statistic), two.estimate(statistic)
    if ratio and figures[0] <= 0:
        return None
    shared = 0.0 if same_scale else math.hypot(*(d.u_shared_of(statistic) for d in (one, two)))
    if statistic == "mean":
        shared = math.hypot(shared, one.u_made_up, two.u_made_up)
    raw = _change(*(_of_rows(d, np.arange(d.n)[None], statistic) for d in (one, two)), ratio=ratio)
    rows = resamples(one.photo, seed=1), resamples(two.photo, seed=2)
    drawn = _change(_of_rows(one, rows[0], statistic), _of_rows(two, rows[1], statistic), ratio=ratio)
    estimate = figures[1] / figures[0] if ratio else figures[1] - figures[0]
    effect = _interval(estimate, float(raw[0]), drawn, a.spec.judging.confidence, one, two, shared)
    test = mann_whitney(one.values, two.values, design_effect=_effect(one, two))
    return Difference(
        f"{statistic}_{_COLUMN}",
        f"{statistic} of the cut length",
        "ratio" if ratio else "mm",
        figures[0],
        figures[1],
        effect,
        test.p_value if statistic == "median" else math.nan,
        one.clusters.effective(0.025),
        two.clusters.effective(0.025),
        _ratio_sentence(effect) if ratio else _sentence(f"The {statistic} cut length", effect, "mm", 2),
        _rule(same_scale),
    )


def _change(a: FloatArray, b: FloatArray, *, ratio: bool) -> FloatArray:
    return np.asarray(b / np.where(a > 0, a, np.nan) if ratio else b - a)


def _of_rows(of: Distribution, rows: IntArray, statistic: str) -> FloatArray:
    """Return a figure of each row of places in a distribution (k, n), ndarray (k,); measuring error is left in."""
    rows = np.sort(rows, axis=1)
    values, counts = of.values[rows], of.counts[rows]
    run = counts.cumsum(1)
    if statistic == "mean":
        return np.asarray((values * counts).sum(1) / run[:, -1])
    rank = of.n * (run - counts / 2) / run[:, -1:] + 0.5

    def quantile(share: float) -> FloatArray:
        # the rule and the weights of `percentile`, for all rows at once
        wanted = share * (of.n + 1 / 3) + 1 / 3
        after = np.clip((rank < wanted).sum(1), 1, of.n - 1)[:, None]
        (r0, r1), (v0, v1) = (
            (np.take_along_axis(x, after - 1, 1)[:, 0], np.take_along_axis(x, after, 1)[:, 0])
            for x in (rank, values)
        )
        return np.asarray(v0 + (v1 - v0) * np.clip((wanted - r0) / (r1 - r0), 0.0, 1.0))

    return quantile(0.5) if statistic == "median" else (quantile(0.9) - quantile(0.1)) / quantile(0.5)


def _interval(
    estimate: float,
    raw: float,
    found: FloatArray,
    confidence: float,
    a: Distribution,
    b: Distribution,
    u: float,
) -> Interval:
    """Return the bootstrap interval, stretched where resampling cannot see the photos.

    What the resamples do not know is added: an uncertainty u, and what taking measuring error out has shifted.
    """
    stretch = math.sqrt(_effect(a, b)) if min(a.clusters.photos, b.clusters.photos) < FEWEST_PHOTOS else 1.0
    count = a.clusters.degrees + b.clusters.degrees + 1
    drawn = np.sort(found[np.isfinite(found)])
    low, high = percentile_bounds(drawn, raw, (1 - confidence) / 2, count, stretch)
    extra = math.hypot(float(ndtri(0.5 + confidence / 2)) * u, estimate - raw)
    return Interval(
        estimate,
        estimate - math.hypot(raw - low, extra),
        estimate + math.hypot(high - raw, extra),
        confidence,
    )


def _effect(a: Distribution, b: Distribution) -> float:
    return max(a.clusters.design_effect, b.clusters.design_effect)


def _rule(same_scale: bool) -> str:
    scale = (
        "same print and camera, so the scale cancels"
        if same_scale
        else "different print or camera, so each batch brings the uncertainty of its scale (p does not know of it)"
    )
    return (
        "cut lengths: the figures of the reports, corrected for pieces that are not measured; bootstrap over photos and "
        f"pieces, seeded; {scale}; p of the median from the Mann-Whitney test of the measured pieces; the spread is "
        "D90 less D10, in parts of the median"
    )


def decimals_of_change(effect: Interval, decimals: int, *, nothing: float = 0.0) -> int:
    """Return with how many decimals a change is shown, at least some: no bound off `nothing` is rounded onto it."""
    low, high = effect.low - nothing, effect.high - nothing
    nearest = 0.0 if low <= 0 <= high else min(abs(low), abs(high))
    while 0 < nearest < 0.5 * 10.0**-decimals and decimals < 4:
        decimals += 1
    return decimals


def decimals_of_ratio(effect: Interval) -> int:
    """Return with how many decimals a ratio is shown: one where its interval is wider than one, else two or more."""
    return decimals_of_change(effect, 1 if effect.high - effect.low >= 1 else 2, nothing=1.0)


def _sentence(subject: str, effect: Interval, unit: str, decimals: int) -> str:
    decimals = decimals_of_change(effect, decimals)
    size = f"{abs(effect.estimate):.{decimals}f} {unit}"
    span = f"({effect.low:+z.{decimals}f} to {effect.high:+z.{decimals}f})"
    if effect.low <= 0 <= effect.high:
        return f"{subject} has not changed as far as these pieces can tell: {effect.estimate:+z.{decimals}f} {unit} {span}."
    return f"{subject} has {'risen' if effect.estimate > 0 else 'fallen'} by {size} {span}."


def _ratio_sentence(effect: Interval) -> str:
    times, low, high = (
        f"{v:.{decimals_of_ratio(effect)}f}" for v in (effect.estimate, effect.low, effect.high)
    )
    subject, span = "The spread of the cut length", f"{times} times ({low} to {high} times)"
    if effect.low <= 1 <= effect.high:
        return f"{subject} has not changed as far as these pieces can tell: {span}."
    return f"{subject} is {'wider' if effect.estimate > 1 else 'narrower'}: {span}."
