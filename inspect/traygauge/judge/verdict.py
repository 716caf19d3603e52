"""What judging returns: one answer a limit, and the verdict over them."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from traygauge.judge.regrind import Regrind
    from traygauge.judge.size_distribution import SizeDistribution


#: What a figure beside the verdict rests on.
MEASURED, RELATION, PRACTICE = "measured", "published relation", "common practice"


class Answer(StrEnum):
    """The three answers."""

    ACCEPT = "accept"
    REJECT = "reject"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class Interval:
    """An estimate with its interval. `low` or `high` may be infinite for one-sided ones."""

    estimate: float
    low: float
    high: float
    confidence: float


@dataclass(frozen=True)
class Look:
    """One look at a share in a sequence of scoops, for pieces that could all be measured.

    Parameters
    ----------
    number : of the look, from 1; pieces : in the batch at it, cumulated.
    accept_up_to : so many pieces beyond the limit, or fewer, accept; None where no number is few enough.
    reject_from : so many or more reject; None where no number is enough.
    """

    number: int
    pieces: int
    accept_up_to: int | None
    reject_from: int | None

    def answer(self, beyond: int) -> Answer:
        """Return what so many pieces beyond the limit say; undecided means one more scoop."""
        if self.accept_up_to is not None and beyond <= self.accept_up_to:
            return Answer.ACCEPT
        return (
            Answer.REJECT if self.reject_from is not None and beyond >= self.reject_from else Answer.UNDECIDED
        )


@dataclass(frozen=True)
class LimitResult:
    """One limit of the spec, answered.

    Parameters
    ----------
    path : where the limit stands in the spec, as "limits.long_share.at_most_percent".
    title : plain words for a reader, as "long pieces, share by count".
    unit : "%", "mm", ...; estimate, interval and limit are in it.
    bound : "at most" or "at least".
    limit : the limit.
    interval : estimate and interval from what was measured.
    with_unmeasured : the same widened by the physical bound for what could not be measured.
    answer : accept, reject, undecided.
    n : pieces that entered; n_effective : the number they count for (clustered photos).
    hits : pieces beyond, for shares; None for figures.
    rule : which rule spoke, one sentence ("one look at a fixed sample, ...").
    reason : one plain sentence.
    more_pieces : how many more pieces would settle it, None when decided or when no number would.
    deciding : the interval that was held against the limit: each bound alone holds at the look's confidence, what
        was not measured and what all pieces share included. Accepted when it lies wholly inside the limit, rejected
        when wholly outside; where nothing could be held against the limit it holds everything.
    looks : for shares by count, this look and the one after another scoop like those seen; else none.
    """

    path: str
    title: str
    unit: str
    bound: str
    limit: float
    interval: Interval
    with_unmeasured: Interval
    answer: Answer
    n: int
    n_effective: float
    hits: int | None
    rule: str
    reason: str
    deciding: Interval
    more_pieces: int | None = None
    looks: tuple[Look, ...] = ()


@dataclass(frozen=True)
class Figure:
    """A figure that stands beside the verdict (pieces per kilogram, median length ...).

    `low`, `high` are its interval or range, equal to `value` where it has none. `basis` says whether it is `MEASURED`,
    from a published `RELATION` (named in `source`) or common `PRACTICE`.
    """

    name: str
    title: str
    unit: str
    value: float
    low: float
    high: float
    basis: str
    source: str = ""
    note: str = ""


@dataclass(frozen=True)
class Verdict:
    """The batch judged.

    Parameters
    ----------
    answer : the worst of the limits' answers; None when there was no spec or nothing on the tray.
    reason : one plain sentence.
    next_step : one plain sentence: what to do.
    limits : one result a limit.
    figures : figures beside the verdict, the three most telling first.
    advice : further steps, each marked "(common practice)" where it is that.
    notes : sentences every reader must see (what was not measured, what was assumed).
    unmeasured : state -> how many pieces could not be measured for it.
    looks : how many times this batch has been judged, this one included.
    sequence : where the sequence of scoops stands, then the counts that would settle each open limit; empty where
        nothing was judged.
    regrind : what a regrind is made of and its sizes on sieve openings; None for a batch of strand.
    cut_lengths : the cut lengths of the batch, weighted by number, length, area and volume; empty for fewer than two.
    """

    answer: Answer | None
    reason: str
    next_step: str
    limits: tuple[LimitResult, ...] = ()
    figures: tuple[Figure, ...] = ()
    advice: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    unmeasured: dict[str, int] = field(default_factory=dict)
    looks: int = 1
    sequence: tuple[str, ...] = ()
    regrind: Regrind | None = None
    cut_lengths: tuple[SizeDistribution, ...] = ()
