"""A sequence of scoops, judged again after each: how many pieces beyond a limit accept and reject at every look.

The bounds are those of `looks` (the error is shared over at most five looks) turned into counts, so that the plan
before the first photo and the verdict after each speak of the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from traygauge.judge.intervals import share_bounds
from traygauge.judge.looks import MOST_LOOKS, binomial, share_error
from traygauge.judge.verdict import Answer, LimitResult, Look

#: Nobody takes more photos than this to settle a limit (common practice).
MOST_PHOTOS = 20


def look_at(limit: float, error: float, sizes: Sequence[float], scale: float) -> Look:
    """Return what the last of several looks at a share asks for.

    Parameters
    ----------
    limit : the share limit, 0..1, at most.
    error : wrong decisions allowed over all looks, at a share on the limit.
    sizes : pieces at each look so far, cumulated; the last one is this look's.
    scale : independent pieces that one piece is worth.
    """
    number, n = len(sizes), round(sizes[-1])
    worth = [size * scale for size in sizes]
    low_error, high_error = (
        share_error(error, number, limit, worth, scale, upper=upper) for upper in (False, True)
    )

    def accepts(bad: int) -> bool:
        return high_error > 0 and share_bounds(bad * scale, n * scale, high_error)[1] <= limit

    def rejects(bad: int) -> bool:
        return low_error > 0 and share_bounds(bad * scale, n * scale, low_error)[0] > limit

    accept, reject = _first(lambda bad: not accepts(bad), n) - 1, _first(rejects, n)
    return Look(number, n, accept if accept >= 0 else None, reject if reject <= n else None)


def looks_ahead(limit: float, error: float, pieces_per_scoop: int, scale: float) -> tuple[Look, ...]:
    """Return every look of a sequence of equal scoops, as many as there can be."""
    sizes = [float(pieces_per_scoop * (k + 1)) for k in range(MOST_LOOKS)]
    return tuple(look_at(limit, error, sizes[: k + 1], scale) for k in range(MOST_LOOKS))


def chances(looks: Sequence[Look], share: float, scale: float) -> list[tuple[float, float]]:
    """Return the chance that a batch of that share is accepted, and rejected, by each look, cumulated.

    Drawn in independent pieces, each of which `scale` of a counted one is worth.
    """
    paths, seen, accepted, rejected, found = np.ones(1), 0, 0.0, 0.0, []
    for look in looks:
        n = round(look.pieces * scale)
        paths = np.convolve(paths, binomial(n - seen, share))
        bad = np.arange(n + 1) / scale
        accept = bad <= (-1 if look.accept_up_to is None else look.accept_up_to)
        reject = bad >= (math.inf if look.reject_from is None else look.reject_from)
        accepted, rejected = accepted + float(paths[accept].sum()), rejected + float(paths[reject].sum())
        paths = np.where(accept | reject, 0.0, paths)
        seen = n
        found.append((accepted, rejected))
    return found


def scoops_for(result: LimitResult, number: int, photos: int) -> int:
    """Return how many photos like those taken so far show that number of pieces, at least one."""
    return max(1, math.ceil(number / max(result.n / photos, 1)))


def where_it_stands(
    limits: Sequence[LimitResult], answer: Answer | None, look: int, photos: int = 1
) -> tuple[str, ...]:
    """Return where the sequence stands after this look: accept, reject or one more scoop, then the open limits' counts.

    `photos` is how many were taken so far.
    """
    if answer is None:
        return ()
    if look > MOST_LOOKS:
        return (
            f"Look {look}: {MOST_LOOKS} looks have used up the allowed error, and only a fresh sample can decide.",
        )
    at = f"Look {look} of at most {MOST_LOOKS}"
    if answer is not Answer.UNDECIDED:
        return (f"{at}: {answer}; the sequence of scoops ends here.",)
    open_limits = [r for r in limits if r.answer is Answer.UNDECIDED]
    if look == MOST_LOOKS:
        stands = f"{at}: still undecided, and the allowed error is used up. Only a fresh sample can decide."
    elif needed := [(r.more_pieces, r) for r in open_limits if r.more_pieces is not None]:
        most, slowest = max(needed, key=lambda pair: pair[0])
        settle = f"If the figures stay what they are, about {about(most)} more pieces settle it"
        if scoops_for(slowest, most, photos) > MOST_PHOTOS:
            stands = f"{at}: undecided. {settle}: more than anybody photographs."
        else:
            stands = f"{at}: one more scoop. {settle}."
    else:
        stands = f"{at}: undecided, and more scoops alone would not settle it."
    return (stands, *(said for r in open_limits if (said := _counts(r))))


def about(n: int) -> str:
    """Return a number of pieces as it is said: rounded up to two digits, thousands of the large ones set apart."""
    step = int(10 ** max(1, len(str(n)) - 2))
    rounded = int(math.ceil(n / step) * step)
    return f"{rounded:,}".replace(",", "\u00a0") if rounded >= 10_000 else str(rounded)


def _counts(result: LimitResult) -> str:
    """Return the counts that would accept and reject a share at this look and the next."""
    if not result.looks or result.hits is None:
        return ""
    now, *later = result.looks
    what = result.title.partition(",")[0]
    said = f"{what[:1].upper()}{what[1:]}: {result.hits} of {now.pieces}; {_asks(now)}"
    if later:
        said += f". With another scoop, {later[0].pieces} pieces in all: {_asks(later[0])}"
    if now.answer(result.hits) is not Answer.UNDECIDED:
        said += f". The count alone would {now.answer(result.hits)}; what was not measured or not sure keeps it open"
    return f"{said}."


def _asks(look: Look) -> str:
    few = "no number accepts yet" if look.accept_up_to is None else f"at most {look.accept_up_to} accept"
    many = "no number rejects yet" if look.reject_from is None else f"{look.reject_from} or more reject"
    return f"{few}, {many}"


def _first(holds: Callable[[int], bool], n: int) -> int:
    """Return the smallest count of 0 .. n from which on something holds; n + 1 where it never does."""
    low, high = -1, n + 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high
