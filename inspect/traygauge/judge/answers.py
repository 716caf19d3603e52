"""One limit answered: estimate, interval, accept, reject or undecided, and the sentences that go with it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from scipy.special import ndtri

from traygauge.judge.clusters import Clustering
from traygauge.judge.counted import Counted
from traygauge.judge.distribution import Distribution, distribution
from traygauge.judge.looks import MOST_LOOKS, figure_error
from traygauge.judge.sample import Sample
from traygauge.judge.sequence import look_at
from traygauge.judge.shares import count_share, has_mass, more_pieces, paid_errors
from traygauge.judge.spec_tables import LengthLimit, Limits, ShareLimit, SpreadLimit
from traygauge.judge.spec_words import figure_of, finding_of
from traygauge.judge.unseen import Unseen, unseen
from traygauge.judge.verdict import Answer, Interval, LimitResult, Look

Pair = tuple[float, float]


@dataclass(frozen=True)
class Bound:
    """One bound of the spec: where it stands, its value in the unit shown, and its direction."""

    path: str
    title: str
    unit: str
    value: float
    is_upper: bool

    @property
    def says(self) -> str:
        """Return "at most" or "at least"."""
        return "at most" if self.is_upper else "at least"


def answer_limits(sample: Sample) -> tuple[LimitResult, ...]:
    """Return one result for each bound of the spec, in the order in which limits are shown."""
    return tuple(result for name in Limits.model_fields for result in _answers(sample, name))


def _answers(sample: Sample, name: str) -> Iterator[LimitResult]:
    limit, path = getattr(sample.spec.limits, name), f"limits.{name}"
    title = Limits.model_fields[name].title or name
    if isinstance(limit, ShareLimit):
        by, said = limit.by, {"count": "by count", "mass": "by mass", "area": "by area seen"}
        if by == "mass" and not has_mass(sample):
            by, said["area"] = "area", "by area seen (flakes of unknown thickness have no mass)"
        bound = Bound(
            f"{path}.at_most_percent", f"{title}, share {said[by]}", "%", limit.at_most_percent, True
        )
        result = _share(sample, bound, finding_of(name), by)
        why = unseen(sample, finding_of(name))
        yield result if why is None else _not_shown(result, why)
    if isinstance(limit, SpreadLimit):
        yield _figure(sample, Bound(f"{path}.at_most_percent", title, "%", limit.at_most_percent, True), name)
    if isinstance(limit, LengthLimit):
        if limit.at_least_mm is not None:
            yield _figure(sample, Bound(f"{path}.at_least_mm", title, "mm", limit.at_least_mm, False), name)
        if limit.at_most_mm is not None:
            yield _figure(sample, Bound(f"{path}.at_most_mm", title, "mm", limit.at_most_mm, True), name)


def _share(sample: Sample, bound: Bound, finding: str, by: str) -> LimitResult:
    confidence = sample.spec.judging.confidence
    error, limit = 1 - confidence, bound.value / 100
    counted = count_share(sample, finding, by, error)
    low_error, high_error = paid_errors(sample, counted, limit)
    deciding = counted.bounds(low_error, high_error, unmeasured=True)
    measured = counted.bounds(low_error, high_error, unmeasured=False)
    answer = _answer(deciding, limit, bound) if counted.n else Answer.UNDECIDED
    two_sided = error / 2
    plain = counted.bounds(two_sided, two_sided, unmeasured=False)
    wide = counted.bounds(two_sided, two_sided, unmeasured=True)
    needed = high_error if counted.share < limit else low_error
    unmeasured_decides = answer is Answer.UNDECIDED and _answer(measured, limit, bound) is not answer
    more = None
    if answer is Answer.UNDECIDED and not unmeasured_decides:
        more = more_pieces(sample, counted, limit)
    return LimitResult(
        path=bound.path,
        title=bound.title,
        unit=bound.unit,
        bound=bound.says,
        limit=bound.value,
        interval=_interval(counted.share, plain, confidence, 100),
        with_unmeasured=_interval(counted.share, wide, confidence, 100),
        answer=answer,
        n=counted.n,
        n_effective=counted.n_effective,
        hits=counted.hits,
        rule=_share_rule(sample, counted, 1 - needed),
        reason=_share_reason(counted, deciding, bound, finding, answer, unmeasured_decides),
        deciding=_interval(counted.share, deciding, 1 - needed, 100),
        more_pieces=more,
        looks=_looks(sample, counted, limit, error) if by == "count" else (),
    )


def _looks(sample: Sample, counted: Counted, limit: float, error: float) -> tuple[Look, ...]:
    """Return this look's counts and those after one more scoop, while looks are left."""
    if not counted.n or sample.look > MOST_LOOKS:
        return ()
    sizes = sample.sizes_of(counted.n, MOST_LOOKS)
    last = min(sample.look + 1, MOST_LOOKS)
    return tuple(
        look_at(limit, error, sizes[:look], counted.pieces_effective) for look in range(sample.look, last + 1)
    )


def _not_shown(result: LimitResult, why: Unseen) -> LimitResult:
    """Return a limit as undecided that asks for more than the photos show: what was counted bounds nothing."""
    return replace(
        result,
        with_unmeasured=replace(result.with_unmeasured, low=0.0, high=100.0),
        answer=Answer.UNDECIDED,
        rule="answered before judging: a photo has to show what a limit asks for",
        reason=why.reason,
        deciding=replace(result.deciding, low=0.0, high=100.0),
        more_pieces=None,
        looks=(),
    )


def _figure(sample: Sample, bound: Bound, name: str) -> LimitResult:
    column, statistic = figure_of(name)
    spread, judging = distribution(sample, column), sample.spec.judging
    error, scale = figure_error(1 - judging.confidence, sample.look), 100.0 if bound.unit == "%" else 1.0
    estimate = spread.estimate(statistic)
    guard = judging.guard_band * 2 * spread.u_shared_of(statistic)
    limit = bound.value / scale - (guard if bound.is_upper else -guard)
    deciding = spread.bounds(statistic, error, error, unmeasured=True)
    measured = spread.bounds(statistic, error, error)
    answer = _answer(deciding, limit, bound) if spread.n > 1 else Answer.UNDECIDED
    two_sided = (1 - judging.confidence) / 2
    unmeasured_decides = answer is Answer.UNDECIDED and _answer(measured, limit, bound) is not answer
    more = None
    if answer is Answer.UNDECIDED and not unmeasured_decides and spread.n > 1:
        more = _more_for_figure(sample, spread, statistic, limit, measured)
    plain = spread.bounds(statistic, two_sided, two_sided)
    wide = spread.bounds(statistic, two_sided, two_sided, unmeasured=True)
    return LimitResult(
        path=bound.path,
        title=bound.title,
        unit=bound.unit,
        bound=bound.says,
        limit=bound.value,
        interval=_interval(estimate, plain, judging.confidence, scale),
        with_unmeasured=_interval(estimate, wide, judging.confidence, scale),
        answer=answer,
        n=spread.n,
        n_effective=spread.clusters.effective(1 - judging.confidence),
        hits=None,
        rule=_figure_rule(sample, spread, statistic, 1 - error),
        reason=_figure_reason(spread.n, estimate * scale, deciding, bound, answer, scale, unmeasured_decides),
        deciding=_interval(estimate, deciding, 1 - error, scale),
        more_pieces=more,
    )


def _answer(deciding: Pair, limit: float, bound: Bound) -> Answer:
    low, high = deciding
    inside, outside = (high <= limit, low > limit) if bound.is_upper else (low >= limit, high < limit)
    return Answer.ACCEPT if inside else Answer.REJECT if outside else Answer.UNDECIDED


def _interval(estimate: float, pair: Pair, confidence: float, scale: float) -> Interval:
    return Interval(estimate * scale, pair[0] * scale, pair[1] * scale, confidence)


def _more_for_figure(
    sample: Sample, spread: Distribution, statistic: str, limit: float, measured: Pair
) -> int | None:
    """Return how many more pieces would settle a figure at the next look.

    Its interval shrinks with the root of their number down to what all pieces share, and is drawn as wide as the
    next look's error asks for.
    """
    estimate, error = spread.estimate(statistic), 1 - sample.spec.judging.confidence
    now, then = (
        -float(ndtri(figure_error(error, look) or error)) for look in (sample.look, sample.next_look)
    )
    gap, shared = abs(limit - estimate), then * spread.u_shared_of(statistic)
    half = abs((measured[1] if limit > estimate else measured[0]) - estimate)
    if not math.isfinite(half) or gap <= 1.05 * shared or gap == 0:
        return None
    own = math.sqrt(max(half**2 - (shared * now / then) ** 2, 0.0)) * then / now
    needed = spread.n * own**2 / (gap**2 - shared**2)
    return max(1, math.ceil(needed - spread.n)) if needed < 200 * max(spread.n, 100) else None


def _share_rule(sample: Sample, counted: Counted, confidence: float) -> str:
    exact = f"exact bounds (Clopper-Pearson) on {counted.n_effective:.0f} effective of {counted.n} pieces"
    clusters = _clusters(counted.clusters)
    return _rule(sample, f"{exact}, {clusters}; each bound holds with {_confidence(confidence)} confidence")


def _figure_rule(sample: Sample, spread: Distribution, statistic: str, confidence: float) -> str:
    how = {
        "mean": "t interval, with what all pieces share added",
        "spread": "bootstrap over photos and pieces, seeded",
    }.get(statistic, "order statistics, with what all pieces share added")
    kept = "" if sample.look > 1 else "; a fifth of the allowed error is kept for further scoops"
    clusters = _clusters(spread.clusters)
    return _rule(
        sample, f"{how}, {clusters}; each bound holds with {_confidence(confidence)} confidence{kept}"
    )


def _rule(sample: Sample, how: str) -> str:
    """Return which look it is and how the bounds were drawn; after the last look there are none."""
    return _look(sample) if sample.look > MOST_LOOKS else f"{_look(sample)}: {how}"


def _look(sample: Sample) -> str:
    if sample.look <= 1:
        return "one look at a fixed sample"
    if sample.look > MOST_LOOKS:
        return f"look {sample.look}: {MOST_LOOKS} looks have used up the allowed error, only a fresh sample can decide"
    return f"look {sample.look} of at most {MOST_LOOKS}, which share the allowed error"


def _clusters(clusters: Clustering) -> str:
    origin = "estimated from the photos" if clusters.is_estimated else "as the spec states"
    return f"correlation within a photo {clusters.correlation:.3g} ({origin})"


def _confidence(confidence: float) -> str:
    return f"{100 * confidence:.4g} %"


def _share_reason(
    counted: Counted, deciding: Pair, bound: Bound, finding: str, answer: Answer, unmeasured: bool
) -> str:
    if not counted.n:
        return f"Nothing was measured that could be {_called(finding, 2)}."
    is_are = "is" if counted.hits == 1 else "are"
    seen = f"{counted.hits} of {counted.n} pieces {is_are} {_called(finding, counted.hits)}"
    seen += f" ({_share_text(counted)})"
    limit = f"the limit is {bound.value:g} %"
    low, high = (percent_text(100 * value, bound.value) for value in deciding)
    if answer is Answer.ACCEPT:
        return f"{seen}; in the whole batch at most {high}, and {limit}."
    if answer is Answer.REJECT:
        return f"{seen}; in the whole batch at least {low}, and {limit}."
    if deciding[0] <= 0 and deciding[1] >= 1:
        return f"{seen}; that says nothing of the whole batch, and {limit}."
    if unmeasured:
        return f"{seen}; with what could not be measured it may be {low} to {high}, and {limit}."
    return f"{seen}; in the whole batch it can be {low} to {high}, and {limit}."


def _called(finding: str, n: int) -> str:
    if finding == "doubles":
        return "a double" if n == 1 else "doubles"
    return finding


def _share_text(counted: Counted) -> str:
    """Return the share as every table shows it, and what makes it another than hits of n where that can be seen."""
    said = percent_text(100 * counted.share)
    if said == percent_text(100 * counted.hits / counted.n):
        return said
    return f"{said} when weighted and with the measuring error taken out"


def percent_text(value: float, limit: float = math.nan) -> str:
    """Return a percentage as a reader wants it, with so many digits that it does not look equal to the limit."""
    decimals = 0 if value in (0, 100) else 1 if value >= 1 else 2
    while decimals < 4 and value != limit and round(value, decimals) == limit:
        decimals += 1
    return f"{value:.{decimals}f} %"


def _figure_reason(
    n: int, estimate: float, deciding: Pair, bound: Bound, answer: Answer, scale: float, unmeasured: bool
) -> str:
    if n < 2:
        return f"The {bound.title} cannot be given: fewer than two strand pieces were measured."
    seen = f"The {bound.title} is {_number(estimate)} {bound.unit}"
    limit = f"the limit is {bound.says} {_number(bound.value)} {bound.unit}"
    low, high = (_number(value * scale) for value in deciding)
    if answer is not Answer.UNDECIDED:
        return f"{seen} ({low} to {high}), and {limit}."
    if not any(math.isfinite(value) for value in deciding):
        return f"{seen}; that says nothing of the whole batch, and {limit}."
    why = "with what could not be measured it may be" if unmeasured else "in the whole batch it can be"
    return f"{seen}; {why} {low} to {high} {bound.unit}, and {limit}."


def _number(value: float) -> str:
    if not math.isfinite(value):
        return "unknown"
    return f"{value:.2f}" if abs(value) < 10 else f"{value:.1f}"
