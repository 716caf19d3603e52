"""Batches of known truth, judged: what the statistics check draws and asks of each.

Every function here returns, or is, a draw: given a random generator it draws one batch and says whether the thing
asked for was so (a wrong answer, a truth inside its interval ...).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from traygauge.judge.answers import answer_limits
from traygauge.judge.compare import compare
from traygauge.judge.feeding import figures
from traygauge.judge.lost import crossing_odds
from traygauge.judge.masses import with_masses
from traygauge.judge.plans import SequentialPlan
from traygauge.judge.sample import Sample, sample
from traygauge.judge.spec import Spec, parse_spec
from traygauge.judge.tolerance import tolerance_bounds
from traygauge.judge.verdict import Answer, LimitResult
from traygauge.measure.pieces import Pieces

FloatArray = npt.NDArray[np.float64]
Draw = Callable[[np.random.Generator], bool]
WINDOWS: dict[str, tuple[float, float, float, float]] = {}
LIMIT_MM = 4.0


def spec_of(limits: str, correlation: float) -> Spec:
    """Return a spec with the given lines under [limits]."""
    return parse_spec(
        f'[spec]\nname = "drawn"\n[pieces]\nlong_over_mm = {LIMIT_MM}\n[material]\ndensity_g_cm3 = 1.24\n'
        f"[limits]\n{limits}\n[judging]\nwithin_photo_correlation = {correlation}"
    )


def strand(
    length_mm: FloatArray,
    photo: npt.NDArray[np.int64] | None = None,
    *,
    u_own: float = 0.0,
    u_shared: float = 0.0,
) -> Pieces:
    """Return strand pieces with the columns that judging reads."""
    n = len(length_mm)
    diameter = np.full(n, 1.75)
    photos = np.zeros(n, int) if photo is None else photo
    given = {
        "photo": np.array([f"p{k}" for k in photos], dtype=object),
        "piece": np.arange(1, n + 1),
        "form": ["strand"] * n,
        "state": ["whole"] * n,
        "length_mm": length_mm,
        "u_length_mm": np.full(n, np.hypot(u_own, u_shared)),
        "diameter_mm": diameter,
        "feret_max_mm": np.hypot(length_mm, diameter),
        "feret_min_mm": diameter,
        "area_mm2": length_mm * diameter,
        "volume_mm3": np.pi / 4 * diameter**2 * length_mm,
        "aspect_ratio": length_mm / diameter,
    }
    parts = {"edge": np.tile([u_own, 0.0], (n, 1)), "shared scale": np.tile([u_shared, 0.0], (n, 1))}
    return with_masses(Pieces.of(n, given, u_parts=parts), 1.24, None)


def clustered(rng: np.random.Generator, share: float, photos: int, size: int, rho: float) -> FloatArray:
    """Return lengths (photos * size,): 3 mm ones and, in that share, 6 mm ones, alike within photos by rho."""
    if rho > 0 and 0 < share < 1:
        chance = rng.beta(share * (1 - rho) / rho, (1 - share) * (1 - rho) / rho, photos)
    else:
        chance = np.full(photos, share)
    longs = rng.random((photos, size)) < chance[:, None]
    return np.where(longs, 6.0, 3.0).ravel()


def judged(pieces: Pieces, spec: Spec, look: int = 1) -> LimitResult:
    """Return the first limit's result."""
    return answer_limits(sample(pieces, spec, WINDOWS, look))[0]


def one_look(
    limit: float, share: float, size: int, rho: float, stated: float, wanted: set[Answer], photos: int = 1
) -> Draw:
    """Return a draw that says whether one look gave one of the wanted answers."""
    spec = spec_of(f"long_share = {{ at_most_percent = {100 * limit} }}", stated)
    index = np.repeat(np.arange(photos), size)

    def draw(rng: np.random.Generator) -> bool:
        return judged(strand(clustered(rng, share, photos, size, rho), index), spec).answer in wanted

    return draw


def far_from_limit(limit: float, size: int, stated: float, *, below: bool) -> Draw:
    """Return a draw that says whether a batch with a share spread below half, or from twice to four times, is decided."""
    spec = spec_of(f"long_share = {{ at_most_percent = {100 * limit} }}", stated)

    def draw(rng: np.random.Generator) -> bool:
        share = rng.uniform(0, limit / 2) if below else rng.uniform(2 * limit, 4 * limit)
        return judged(strand(clustered(rng, share, 1, size, 0.0)), spec).answer is not Answer.UNDECIDED

    return draw


def five_looks(limit: float, size: int, rho: float, stated: float, wrong: Answer) -> Draw:
    """Return a draw that says whether a batch on the limit is decided that way within five looks."""
    spec = spec_of(f"long_share = {{ at_most_percent = {100 * limit} }}", stated)

    def draw(rng: np.random.Generator) -> bool:
        # a hair on the wrong side of the limit
        share = limit * (1 + 1e-9) if wrong is Answer.ACCEPT else limit * (1 - 1e-9)
        lengths = clustered(rng, share, 5, size, rho)
        photo = np.repeat(np.arange(5), size)
        for look in range(1, 6):
            seen = slice(0, look * size)
            answer = judged(strand(lengths[seen], photo[seen]), spec, look).answer
            if answer is not Answer.UNDECIDED:
                return answer is wrong
        return False

    return draw


def figure_looks(wrong: Answer) -> Draw:
    """Return a draw that says whether a mean on its limit is decided that way within five looks."""
    spec = spec_of("mean_length = { at_most_mm = 3.0 }", 0.0)

    def draw(rng: np.random.Generator) -> bool:
        lengths, photo = rng.normal(3.0, 0.2, 500), np.repeat(np.arange(5), 100)
        for look in range(1, 6):
            answer = judged(strand(lengths[: 100 * look], photo[: 100 * look]), spec, look).answer
            if answer is not Answer.UNDECIDED:
                return answer is wrong
        return False

    return draw


def share_covered(photos: int, size: int, rho: float, by: str = "count") -> Draw:
    """Return a draw that says whether the interval of a share holds the truth."""
    spec = spec_of(f'long_share = {{ at_most_percent = 50, by = "{by}" }}', 0.002)
    index = np.repeat(np.arange(photos), size)

    def draw(rng: np.random.Generator) -> bool:
        share = rng.uniform(0.01, 0.15)
        truth = share if by == "count" else 6 * share / (6 * share + 3 * (1 - share))
        i = judged(strand(clustered(rng, share, photos, size, rho), index), spec).interval
        return i.low <= 100 * truth <= i.high

    return draw


def figure_covered(
    line: str, truth: float, correlation: float = 0.0, shared: float = 0.0, n: int = 200
) -> Draw:
    """Return a draw that says whether the interval of a figure holds the truth: lengths normal, 3.0 +- .2 mm."""
    spec = spec_of(line, correlation)

    def draw(rng: np.random.Generator) -> bool:
        lengths = rng.normal(3.0, 0.2, n) + rng.normal(0, shared)
        i = judged(strand(lengths, u_shared=shared), spec).interval
        return i.low <= truth <= i.high

    return draw


def error_taken_out(rng: np.random.Generator) -> bool:
    """Say whether the interval of a share near the limit holds the truth although lengths are read with error."""
    spec = replace_limit(spec_of("long_share = { at_most_percent = 50 }", 0.0), 3.4)
    true = rng.normal(3.0, 0.25, 400)
    i = judged(strand(true + rng.normal(0, 0.10, 400), u_own=0.10), spec).interval
    return i.low <= 100 * 0.0547993 <= i.high  # P(z > .4 / .25)


def replace_limit(spec: Spec, limit_mm: float) -> Spec:
    """Return the spec with another length limit."""
    return spec.model_copy(update={"pieces": spec.pieces.model_copy(update={"long_over_mm": limit_mm})})


def heap_hides_longs(rng: np.random.Generator) -> bool:
    """Say whether a batch beyond the limit is accepted because its longs lie in a heap that was not parted."""
    spec = spec_of("long_share = { at_most_percent = 8 }", 0.002)
    lengths = np.sort(clustered(rng, 0.10, 1, 300, 0.0))
    in_heap = rng.integers(5, 40)  # the longest pieces of all lie in it
    free, heap = lengths[:-in_heap], lengths[-in_heap:]
    pieces = strand(np.append(free, np.nan))
    hidden = 1.75**2 * (in_heap // 2)  # every second piece lies across another
    last = {
        "state": "unresolved",
        "area_mm2": float((heap * 1.75).sum() - hidden),
        "feret_max_mm": 25.0,
        "extent_mm": 25.0,
    }
    columns = {k: np.append(pieces[k][:-1], v) for k, v in last.items()}
    return judged(pieces.with_columns(**columns), spec).answer is Answer.ACCEPT


def under_others(rng: np.random.Generator, share: float) -> LimitResult:
    """Return how a limit of 8 % is answered where a fifth of 300 pieces lie under others, long ones up to twice as often.

    Of a covered piece any part may show, the same for each length: what shows of it says little of what does not.
    """
    long = rng.random(300) < share
    true = np.where(long, rng.uniform(4.2, 8.4, 300), rng.normal(3.0, 0.3, 300).clip(1.0, 3.9))
    area, perimeter = 1.75 * true, 2 * (true + 1.75)
    odds = crossing_odds(area, perimeter)
    covered = rng.random(300) < 0.2 * odds / odds.mean()
    shows = true * rng.random(300)
    pieces = strand(np.where(covered, np.nan, true))
    seen = {
        "feret_max_mm": np.where(covered, np.hypot(shows, 1.75), pieces["feret_max_mm"]),
        "extent_mm": np.where(covered, 25.0, pieces["extent_mm"]),
        "area_mm2": np.where(covered, 1.75 * shows, 1.75 * true),
        "state": np.where(covered, "covered", "whole"),
    }
    return judged(pieces.with_columns(**seen), spec_of("long_share = { at_most_percent = 8 }", 0.0))


def accepted_under_others(rng: np.random.Generator) -> bool:
    """Say whether a batch on the limit is accepted although long pieces hide under others."""
    return under_others(rng, 0.08).answer is Answer.ACCEPT


def covered_under_others(rng: np.random.Generator) -> bool:
    """Say whether the interval with what was not measured holds the true share although long pieces hide under others."""
    share = float(rng.uniform(0.005, 0.15))
    i = under_others(rng, share).with_unmeasured
    return i.low <= 100 * share <= i.high


def in_small_heaps(rng: np.random.Generator, share: float) -> LimitResult:
    """Return how a limit of 8 % is answered where a tenth of 300 pieces met by twos and threes, long ones oftener.

    Every heap reaches far enough for a long piece, whether there is one in it or not.
    """
    long = rng.random(300) < share
    true = np.where(long, rng.uniform(4.2, 8.4, 300), rng.normal(3.0, 0.3, 300).clip(1.0, 3.9))
    odds = crossing_odds(1.75 * true, 2 * (true + 1.75))
    met = rng.permutation(np.flatnonzero(rng.random(300) < 0.1 * odds / odds.mean()))
    heaps = np.split(met, np.cumsum(rng.integers(2, 4, len(met)))[: len(met) // 3])
    heaps = [heap for heap in heaps if len(heap)]
    pieces = strand(np.append(np.delete(true, met), np.full(len(heaps), np.nan)))
    across = np.array([true[heap].sum() for heap in heaps])
    last = {"state": "unresolved", "area_mm2": 1.75 * across, "feret_max_mm": across, "extent_mm": across}
    free = 300 - len(met)
    columns = {
        k: np.append(pieces[k][:free], np.broadcast_to(np.asarray(v, pieces[k].dtype), len(heaps)))
        for k, v in last.items()
    }
    return judged(pieces.with_columns(**columns), spec_of("long_share = { at_most_percent = 8 }", 0.0))


def accepted_in_small_heaps(rng: np.random.Generator) -> bool:
    """Say whether a batch on the limit is accepted although long pieces met others oftener."""
    return in_small_heaps(rng, 0.08).answer is Answer.ACCEPT


def rejected_in_small_heaps(rng: np.random.Generator) -> bool:
    """Say whether a batch just below the limit is rejected although long pieces met others oftener."""
    return in_small_heaps(rng, 0.08 * (1 - 1e-9)).answer is Answer.REJECT


def covered_in_small_heaps(rng: np.random.Generator) -> bool:
    """Say whether the interval with what was not measured holds the true share although long pieces met others oftener."""
    share = float(rng.uniform(0.005, 0.15))
    i = in_small_heaps(rng, share).with_unmeasured
    return i.low <= 100 * share <= i.high


def standing_covered(rng: np.random.Generator) -> bool:
    """Say whether the interval of a mean holds the truth although the short ones of a thick strand stand and are not seen."""
    spec = spec_of("mean_length = { at_most_mm = 9 }", 0.0)
    true = rng.normal(3.0, 0.5, 300).clip(1.0)
    ratio = true / 1.75
    # half way between the two published chances (Yong and Mahadevan 2011), on the logarithms of lying
    lies = np.sqrt(ratio / np.hypot(1, ratio) * 2 / np.pi * np.arctan(ratio))
    upright = rng.random(300) > lies
    pieces = strand(true)
    columns = {k: np.where(upright, np.nan, pieces[k]) for k in ("length_mm", "aspect_ratio", "volume_mm3")}
    pieces = pieces.with_columns(**columns, state=np.where(upright, "upright", "whole"))
    i = judged(pieces, spec).interval
    return i.low <= 3.0 <= i.high


def mass_covered(rng: np.random.Generator) -> bool:
    """Say whether the interval of pieces per kilogram holds the truth: normal lengths, one photo."""
    made: Sample = sample(strand(rng.normal(3.0, 0.3, 150)), spec_of("", 0.0), WINDOWS)
    found = next(f for f in figures(made) if f.name == "pieces_per_kilogram")
    return found.low <= 1e6 / (np.pi / 4 * 1.75**2 * 3.0 * 1.24) <= found.high


def difference_covered(name: str, shift: float) -> Draw:
    """Return a draw that says whether the interval of a difference between two batches holds the truth."""
    spec = spec_of("", 0.0)

    def draw(rng: np.random.Generator) -> bool:
        if name == "long_share":
            pair = [clustered(rng, share, 1, 200, 0.0) for share in (0.05, 0.05 + shift)]
        else:
            pair = [rng.normal(3.0, 0.2, 150), rng.normal(3.0 + shift, 0.2, 150)]
        a, b = (sample(strand(lengths), spec, WINDOWS) for lengths in pair)
        effect = next(d for d in compare(a, b, same_scale=True) if d.name == name).effect
        return effect.low <= (100 * shift if name == "long_share" else shift) <= effect.high

    return draw


def tolerance_held(rng: np.random.Generator) -> bool:
    """Say whether the tolerance bounds of 95/95 hold 95 % of a skewed population."""
    low, high, _ = tolerance_bounds(rng.gamma(4.0, 1.0, 200), 0.95, 0.95)
    from scipy.special import gammainc

    return bool(gammainc(4.0, high) - gammainc(4.0, max(low, 0.0)) >= 0.95)


def sequence_decides(share: float, wrong: Answer) -> Draw:
    """Return a draw that says whether Wald's plan (2 % good, 6 % bad, risks 5 %) decides wrongly."""
    plan = SequentialPlan(0.02, 0.06, 0.05, 0.05)

    def draw(rng: np.random.Generator) -> bool:
        bad = np.cumsum(rng.random(2000) < share)
        for n in range(20, 2001, 20):
            answer = plan.standing(n, int(bad[n - 1]))
            if answer is not Answer.UNDECIDED:
                return answer is wrong
        return False

    return draw
