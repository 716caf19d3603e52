"""Limits on a share of pieces: counted, bounded, answered."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.special import ndtr, ndtri

from traygauge.judge.clusters import clustering
from traygauge.judge.counted import Counted, Open, Weighed
from traygauge.judge.findings import BoolArray, FloatArray
from traygauge.judge.intervals import share_bounds
from traygauge.judge.looks import share_error
from traygauge.judge.lost import FEW, WIDER_OFTENER, made_up, odds_when_hidden, odds_when_met
from traygauge.judge.masses import volumes_mm3
from traygauge.judge.sample import Sample
from traygauge.judge.unmeasured import heap_longs, hidden, unread

#: Which limit a finding with a size is compared with, and whether it lies above it: finding -> (column, sign).
_SIZED = {"long": (0, 1), "short": (0, -1), "thick": (1, 1), "thin": (1, -1)}

#: Findings that rest on the diameter.
_OF_WIDTH = ("thick", "thin")

#: Findings that rest on threads; how often one is seen on a piece without: on strand that lies apart, and on the rest;
#: and which part of those there are is missed (29 path-traced photos: 6 of 2,884, 15 of 868, about 1 in 20 in fair light).
_OF_THREADS = ("tailed", "stringy")
FALSE_APART, FALSE_BESIDE, MISSED = 0.002, 0.02, 0.05

#: A correction for measurement error of less than this many pieces is noise and left out.
SMALLEST_CORRECTION = 0.5


def count_share(sample: Sample, finding: str, by: str, error: float) -> Counted:
    """Return the share of one finding in a batch, by count, mass or area; `error` decides what the pieces are worth."""
    counted = sample.once(("share", finding, by), lambda: _counted(sample, finding, by))
    independent = counted.clusters.effective(error)

    def clustered(one: Weighed) -> Weighed:
        return Weighed(one.share, min(independent * one.effective, float(counted.n)))

    return replace(
        counted,
        n_effective=min(independent * counted.n_effective, float(counted.n)),
        alone=clustered(counted.alone),
        read=clustered(counted.read),
        read_alone=clustered(counted.read_alone),
    )


def _counted(sample: Sample, finding: str, by: str) -> Counted:
    """Return a share whose effective numbers are how many equal pieces one is worth, as if they were independent."""
    base = sample.base(finding)
    hit, known = _known(sample, finding)
    enters = base & known & (sample.weights > 0)
    lost = base & ~known & ((sample.weights > 0) | sample.reach.is_heap)
    if finding in _OF_WIDTH:
        lost &= ~unread(sample.pieces)  # all that were read stand for them alike
    amount = amounts(sample, by)
    w = (amount * made_up(sample.pieces, sample.reach, sample.weights, enters, lost).counts)[enters]
    h = hit[enters].astype(float)
    cluster = clustering(h, sample.photo[enters], sample.spec.judging.within_photo_correlation)
    shift, u_share = _error_near_limit(sample, finding, enters, w)
    whole, alone, read, read_alone = (
        _weighted_share(one, weight) for one in (h + shift, h) for weight in (w, amount[enters])
    )
    if finding in _OF_THREADS:
        u_share = _threads_misread(sample, enters, w, whole.share)
    heavier = 1.0 if by == "count" else _heavier(sample)
    open_ = _open(sample, finding, base & ~enters, hit, known, heavier)
    return Counted(
        int(h.sum()), len(h), whole.share, whole.effective, cluster, u_share, alone, read, read_alone, open_
    )


def paid_errors(sample: Sample, counted: Counted, limit: float) -> tuple[float, float]:
    """Return the errors at which this look's lower and upper bound are drawn, so that all looks keep the stated one."""
    error = 1 - sample.spec.judging.confidence
    if not counted.n:
        return error, error
    sizes = sample.sizes_of(counted.n_effective, sample.look)
    low, high = (
        share_error(error, sample.look, limit, sizes, counted.pieces_effective, upper=upper)
        for upper in (False, True)
    )
    return low, high


def more_pieces(sample: Sample, counted: Counted, limit: float) -> int | None:
    """Return how many more pieces would settle the limit at the next look if the share stays what it is.

    None where no number would. They come as more photos of the same size, so the design effect stays. The next look's
    error depends on its size, little so: two rounds find it.
    """
    if not counted.n:
        return None
    error = 1 - sample.spec.judging.confidence
    more = _more_at(counted, limit, error)
    if sample.next_look > sample.look:  # else a fresh sample, judged at its first look
        sizes, scale = sample.sizes_of(counted.n_effective, sample.look), counted.pieces_effective
        for _ in range(2):
            if more is not None:
                with_more = [*sizes, (counted.n + more) * scale]
                upper = counted.share < limit
                paid = share_error(error, sample.next_look, limit, with_more, scale, upper=upper)
                more = _more_at(counted, limit, paid)
    return more


def _more_at(counted: Counted, limit: float, error: float) -> int | None:
    """Return how many more pieces would settle a limit whose bound is drawn at that error."""
    if error <= 0:
        return None
    below = counted.share < limit

    def settled(n: float) -> bool:
        worth = n * counted.pieces_effective
        low, high = share_bounds(counted.share * worth, worth, error)
        away = float(ndtri(1 - error)) * counted.u_share
        if below:
            return counted.share + math.hypot(high - counted.share, away) <= limit
        return counted.share - math.hypot(counted.share - low, away) > limit

    few, many = float(counted.n), 200.0 * max(counted.n, 100)
    if not settled(many):
        return None
    while many - few > max(1.0, 0.01 * few):
        middle = (few + many) / 2
        few, many = (few, middle) if settled(middle) else (middle, many)
    return max(1, math.ceil(many - counted.n))


def _known(sample: Sample, finding: str) -> tuple[BoolArray, BoolArray]:
    """Return masks (n,): the finding is there; whether it is there is known."""
    hit, reached = sample.masks[finding], sample.reach
    known = ~reached.is_heap & (~hidden(sample.pieces, reached, finding) | hit)
    if finding == "long":
        limit = sample.spec.long_over_mm or math.inf
        hit = (hit & (reached.low == reached.high)) | (reached.low > limit)
        known = ~reached.is_heap & (hit | (reached.high <= limit))
    if finding == "short":
        limit = sample.spec.pieces.short_under_mm or 0.0
        hit = hit | (reached.high < limit)
        known = ~reached.is_heap & (hit | (reached.low >= limit))
    return hit, known


def has_mass(sample: Sample) -> bool:
    """Return whether shares by mass can be given: no flakes, or their thickness is stated."""
    flakes = bool((sample.pieces["form"] == "flake").any())
    return not flakes or sample.spec.pieces.flake_thickness_mm is not None


def amounts(sample: Sample, by: str) -> FloatArray:
    """Return what each piece counts for (n,), by "count", "mass" or "area".

    By mass (here volume: one density for all) a crumb is a ball, and a piece whose volume is not seen the median one.
    """
    if by == "count":
        return sample.weights
    pieces = sample.pieces
    area = pieces["area_mm2"].astype(float)
    amount = area if by == "area" else volumes_mm3(pieces, sample.reach)
    if by == "mass" and (thickness := sample.spec.pieces.flake_thickness_mm) is not None:
        amount = np.where(sample.form == "flake", thickness * area, amount)
    known = np.isfinite(amount) & (amount > 0)
    usual = float(np.median(amount[known])) if known.any() else 1.0
    filled = np.where(known, amount, usual)
    if by == "mass":
        ball = area * pieces["feret_min_mm"].astype(float) * 2 / 3
        filled = np.where(~known & (sample.form == "crumb") & np.isfinite(ball), ball, filled)
    return np.asarray(sample.weights * filled)


def _weighted_share(h: FloatArray, w: FloatArray) -> Weighed:
    """Return the weighted share and how many equal pieces one of these is worth (Korn and Graubard 1998)."""
    if not len(h):
        return Weighed(0.0, 1.0)
    n, total = len(h), w.sum()
    share = float((w * h).sum() / total)
    kish = float(total**2 / (w**2).sum() / n)
    plain = kish > 1 - 1e-12 and bool(((h == 0.0) | (h == 1.0)).all())
    variance = float(((w * (h - share)) ** 2).sum()) / total**2 * n / max(n - 1, 1)
    if plain or variance <= 0 or not 0 < share < 1:
        return Weighed(min(max(share, 0.0), 1.0), kish)
    return Weighed(share, min(share * (1 - share) / variance / n, 1.0))


def _error_near_limit(
    sample: Sample, finding: str, enters: BoolArray, w: FloatArray
) -> tuple[FloatArray, float]:
    """Return what measurement error adds near the limit, piece by piece with its sign turned, and u through shared parts.

    Error smears a distribution across the limit. Smearing it once more, by each piece's own uncertainty, shows how
    much that adds; as much is taken out (simulation-extrapolation, Cook and Stefanski 1994, linear, in closed form).
    """
    none = np.zeros(len(w))
    limit = _limit_mm(sample, finding)
    if finding not in _SIZED or limit is None or sample.spec.judging.guard_band > 0 or not len(w):
        return none, 0.0
    column, sign = _SIZED[finding]
    value = sample.reach.low if column == 0 else sample.pieces["diameter_mm"].astype(float)
    own, shared, value = sample.u_own(column)[enters], sample.u_shared(column)[enters], value[enters]
    measured = np.isfinite(value) & (own > 0)
    beyond, own = np.where(measured, sign * (value - limit), 0.0), np.where(measured, own, 1.0)
    smeared = np.where(measured, (beyond > 0) - ndtr(beyond / own), 0.0)
    moved = np.where(measured, ndtr((beyond + shared) / own) - ndtr((beyond - shared) / own), 0.0)
    if abs(float((w * smeared).sum())) < SMALLEST_CORRECTION * float(w.mean()):
        smeared = none
    return smeared, float((w * moved).sum() / w.sum()) / 2


def _threads_misread(sample: Sample, enters: BoolArray, w: FloatArray, share: float) -> float:
    """Return the standard uncertainty of a share of threads through those seen that are none, and those missed."""
    apart = (sample.pieces["state"] == "whole") & (sample.form == "strand")
    false = np.where(apart[enters], FALSE_APART, FALSE_BESIDE)
    return math.hypot(float((w * false).sum() / w.sum()), MISSED * share) if len(w) else 0.0


def _limit_mm(sample: Sample, finding: str) -> float | None:
    spec = sample.spec
    return {
        "long": spec.long_over_mm,
        "short": spec.pieces.short_under_mm,
        "thick": spec.thick_over_mm,
        "thin": spec.thin_under_mm,
    }.get(finding)


def _open(
    sample: Sample, finding: str, out: BoolArray, hit: BoolArray, known: BoolArray, heavier: float
) -> Open:
    """Return what the pieces that did not enter can do to a share.

    Of heaps, as many are hits as they have room for. Single ones may all be hits, but for long ones that hide by
    chance: what stands, and what lies under others or met them in a small heap, is long in proportion to the rest. Long
    ones meet others no less often than the rest, so that small heaps hold no more misses than those. Whose flanks others
    lie against, a piece's own width hardly decides.
    """
    reached = sample.reach
    heap, single, cut = out & reached.is_heap, out & ~reached.is_heap, sample.weights == 0
    unknown = single & ~cut & ~known
    none, odds, met = 0.0, np.zeros(0), np.zeros(0)
    misses = float(unknown.sum() + reached.holds_most[heap].sum())
    if finding == "long":
        limit = sample.spec.long_over_mm or math.inf
        longs = sample.once(("heap longs", limit), lambda: heap_longs(sample.pieces, reached, limit))
        few = heap & (reached.holds_fewest <= FEW)
        misses -= float(reached.holds_most[few].sum())
        in_heaps = float(longs[heap & ~few].sum())
        none = float(reached.holds_fewest[heap & (longs == 0)].sum())
        short = known & ~hit & (sample.weights > 0)
        odds = odds_when_hidden(sample.pieces, reached, short, unknown, limit)
        met = odds_when_met(reached, longs, few)
    elif finding in _OF_WIDTH:
        in_heaps = float(reached.holds_most[heap].sum())
        odds = np.full(np.count_nonzero(unknown & unread(sample.pieces)), WIDER_OFTENER)
    elif finding == "fines":
        in_heaps = 0.0  # what lies under a heap cannot be seen at all: a note says so
    elif finding == "doubles":
        in_heaps = float(np.floor(reached.holds_most[heap] / 2).sum())  # a double takes the room of two
    else:
        in_heaps = float(reached.holds_most[heap].sum())
    hits = float(unknown.sum() - len(odds) + (single & cut & hit).sum()) + in_heaps
    return Open(heavier * hits, misses, none, np.concatenate([odds, met]), heavier)


def _heavier(sample: Sample) -> float:
    """Return by how much a long piece outweighs the usual one, at least 1."""
    length = sample.reach.low[np.isfinite(sample.reach.low) & (sample.reach.low > 0)]
    limit = sample.spec.long_over_mm
    return max(1.0, limit / float(np.median(length))) if limit is not None and len(length) else 1.0
