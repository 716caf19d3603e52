"""The sampling plan before the photo: how many pieces, how many scoops, and what such a sample can tell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import bdtr

from traygauge.judge import sequence
from traygauge.judge.clusters import FEWEST_PHOTOS
from traygauge.judge.intervals import share_bounds
from traygauge.judge.looks import tail
from traygauge.judge.plans import SequentialPlan, SinglePlan, single_plan
from traygauge.judge.verdict import Answer, Look
from traygauge.words import number_of

FloatArray = npt.NDArray[np.float64]

#: How to take scoops from a bag: common practice, no source.
TAKING_SCOOPS = (
    "Take each scoop from another place and depth of the bag; what lies on top has been sorted by shaking.",
    (
        "Or cone and quarter: pour the bag into a cone, flatten it, part it crosswise in four, keep two opposite quarters, "
        "and repeat until one scoop is left."
    ),
    "Or let the whole bag run through a riffle and keep one side each time.",
    "Never pick single pieces by hand: the eye picks the odd ones.",
)


@dataclass(frozen=True)
class SamplingPlan:
    """How many pieces and scoops a limit on a share needs.

    Parameters
    ----------
    limit, good : shares, 0..1: the limit, and what a good batch has.
    producer_risk : of not accepting a good batch; consumer_risk : of accepting one at the limit.
    pieces_per_scoop : on one photo; correlation : within a photo.
    single : the plan in independent pieces.
    sequential : Wald's plan, which looks after each scoop without an end, in independent pieces.
    """

    limit: float
    good: float
    producer_risk: float
    consumer_risk: float
    pieces_per_scoop: int
    correlation: float
    single: SinglePlan
    sequential: SequentialPlan

    @property
    def worth_of_scoop(self) -> float:
        """Return how many independent pieces one scoop is worth."""
        return self.pieces_per_scoop / (1 + (self.pieces_per_scoop - 1) * self.correlation)

    @property
    def scoops(self) -> int:
        """Return how many scoops the single plan takes."""
        return math.ceil(self.single.n / self.worth_of_scoop)

    @property
    def pieces(self) -> int:
        """Return how many pieces these scoops hold."""
        return self.scoops * self.pieces_per_scoop

    @property
    def sequential_scoops(self) -> tuple[float, float]:
        """Return how many scoops the sequential plan takes on the average, for a good batch and one at the limit."""
        good, bad = (self.sequential.average_pieces(p) / self.worth_of_scoop for p in (self.good, self.limit))
        return max(1.0, good), max(1.0, bad)

    def wald_counts(self, n: int) -> tuple[int | None, int | None]:
        """Return up to how many bad of n pieces as counted Wald's plan accepts, and from how many on it rejects.

        None where no number accepts, or rejects, yet.
        """
        return self.sequential.counts(n, self.worth_of_scoop / self.pieces_per_scoop)

    @property
    def looks(self) -> tuple[Look, ...]:
        """Return what the verdict asks for after each scoop when the batch is judged again each time."""
        scale = self.worth_of_scoop / self.pieces_per_scoop
        return sequence.looks_ahead(self.limit, self.consumer_risk, self.pieces_per_scoop, scale)

    def looks_chances(self, share: float) -> list[tuple[float, float]]:
        """Return the chance that a batch of that share is accepted, and rejected, by each of these looks."""
        return sequence.chances(self.looks, share, self.worth_of_scoop / self.pieces_per_scoop)

    def look_after(self, n: int) -> Look:
        """Return what the verdict asks for after n pieces, judged at each full scoop and now."""
        before = range(self.pieces_per_scoop, n, self.pieces_per_scoop)
        scale = self.worth_of_scoop / self.pieces_per_scoop
        return sequence.look_at(self.limit, self.consumer_risk, [*map(float, before), float(n)], scale)

    def curve(self, share: npt.ArrayLike) -> FloatArray:
        """Return the chance of accepting a batch with each share (...) by the single plan."""
        return self.single.chance(share)

    def sentences(self) -> tuple[str, ...]:
        """Return the plan in plain words."""
        good, bad = self.sequential_scoops
        allowed = self.single.accept_up_to / self.single.n
        lines = [
            (
                f"Photograph {number_of(self.scoops, 'scoop')} of about {self.pieces_per_scoop} pieces, {self.pieces} in all "
                f"(worth {self.scoops * self.worth_of_scoop:.0f} independent ones; {self.single.n} are needed)."
            ),
            (
                f"The batch is accepted when at most {100 * allowed:.2g} % of them are beyond the limit of "
                f"{100 * self.limit:g} %."
            ),
            (
                f"Then a batch with {100 * self.good:g} % is accepted in {100 * (1 - self.producer_risk):g} of 100 cases, "
                f"and one with {100 * self.limit:g} % in at most {100 * self.consumer_risk:g} of 100."
            ),
            (
                f"Wald's sequential plan takes about {good:.1f} scoops on average for the good batch and {bad:.1f} for "
                "the one at the limit."
            ),
        ]
        if self.scoops >= FEWEST_PHOTOS:
            lines.append(
                "From 5 photos on their own spread is measured, and counts when it is larger than stated."
            )
        return (*lines, *TAKING_SCOOPS)


def plan_sample(
    limit_percent: float,
    *,
    good_percent: float | None = None,
    producer_risk: float = 0.10,
    consumer_risk: float = 0.05,
    pieces_per_scoop: int = 300,
    correlation: float = 0.002,
) -> SamplingPlan:
    """Return the plan that accepts a good batch and not one at the limit, with the stated risks.

    Parameters
    ----------
    limit_percent : largest share allowed.
    good_percent : what a good batch has; half the limit where it is not given.
    producer_risk, consumer_risk : of not accepting the good batch, and of accepting one at the limit.
    pieces_per_scoop : how many pieces one photo shows.
    correlation : within a photo, as the spec states it.

    Raises
    ------
    ValueError
        Shares, risks or pieces are out of range.
    """
    good = (limit_percent / 2 if good_percent is None else good_percent) / 100
    limit = limit_percent / 100
    if pieces_per_scoop < 1 or not 0 <= correlation < 1:
        raise ValueError("a scoop has at least one piece, and a correlation lies from 0 to 1")
    return SamplingPlan(
        limit,
        good,
        producer_risk,
        consumer_risk,
        pieces_per_scoop,
        correlation,
        single_plan(good, producer_risk, limit, consumer_risk),
        SequentialPlan(good, limit, producer_risk, consumer_risk),
    )


def chances(
    n: int, limit: float, share: float, confidence: float = 0.95, correlation: float = 0.0
) -> dict[Answer, float]:
    """Return the chance of each answer when one photo of n pieces is judged, pieces drawn independently.

    Parameters
    ----------
    n : pieces; limit, share : the limit and the batch's true share, 0..1.
    confidence : of each answer; correlation : within the photo, as the spec states it.
    """
    scale = 1 / (1 + (n - 1) * correlation)
    hits, worth = np.arange(n + 1), n * scale
    upper = np.array([tail(k * scale, worth, limit) <= 1 - confidence for k in hits.tolist()])
    lower = np.array([share_bounds(k * scale, worth, 1 - confidence)[0] > limit for k in hits.tolist()])
    below = bdtr(hits, n, share)
    each = np.diff(below, prepend=0.0)
    accept, reject = float(each[upper].sum()), float(each[lower].sum())
    return {Answer.ACCEPT: accept, Answer.REJECT: reject, Answer.UNDECIDED: max(0.0, 1 - accept - reject)}
