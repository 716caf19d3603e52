"""Acceptance sampling: single plans with their operating characteristic, the standard's table, sequential plans."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import bdtr

from traygauge.judge.verdict import Answer

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class SinglePlan:
    """Look at n pieces, accept the batch when at most so many are bad, else refuse it."""

    n: int
    accept_up_to: int

    def chance(self, share: npt.ArrayLike) -> FloatArray:
        """Return the chance of accepting a batch with each bad share (...): the operating characteristic (binomial)."""
        return np.asarray(bdtr(self.accept_up_to, self.n, np.asarray(share, float)))


def single_plan(good: float, producer_risk: float, bad: float, consumer_risk: float) -> SinglePlan:
    """Return the smallest single plan that refuses a good batch and accepts a bad one no more often than stated.

    Parameters
    ----------
    good, bad : shares, 0 < good < bad < 1.
    producer_risk : of refusing a batch with the good share.
    consumer_risk : of accepting a batch with the bad share.

    Raises
    ------
    ValueError
        The shares or risks are out of order.
    """
    _check(good, producer_risk, bad, consumer_risk)
    for accept in range(100_000):
        n = _smallest_n(accept, bad, consumer_risk)
        if bdtr(accept, n, good) >= 1 - producer_risk:
            return SinglePlan(n, accept)
    raise ValueError("good and bad share lie too close together for a plan")


def _smallest_n(accept: int, bad: float, risk: float) -> int:
    """Return the fewest pieces of which at most `accept` are bad with a chance of at most the risk."""
    low, high = accept, accept + 1
    while bdtr(accept, high, bad) > risk:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if bdtr(accept, middle, bad) > risk else (low, middle)
    return high


# ISO 2859-1: sample size of each code letter, code letters by lot size, and where the plans with acceptance number 0
# stand; the other plans follow the fixed sequence below it (after ISO 2859-1 Table 1 and 2-A, normal inspection).
_LETTERS = dict(
    zip("ABCDEFGHJKLMNPQ", (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250), strict=True)
)
_LOTS = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000)
_LEVELS = {"I": "AABCCDEFGHJKLMN", "II": "ABCDEFGHJKLMNPQ", "III": "BCDEFGHJKLMNPQR"}
_AQLS = (0.065, 0.1, 0.15, 0.25, 0.4, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0)
_SEQUENCE = ("0", "up", "down", "1", "2", "3", "5", "7", "10", "14", "21")


def code_letter(lot: int, level: str = "II") -> str:
    """Return the sample-size code letter of a lot, ISO 2859-1 Table 1, general level "I", "II" or "III"."""
    if lot < 2 or level not in _LEVELS:
        raise ValueError("a lot of 2 pieces or more, and level I, II or III")
    return _LEVELS[level][sum(lot > most for most in _LOTS)]


def standard_plan(letter: str, aql_percent: float) -> SinglePlan:
    """Return the single plan of ISO 2859-1 Table 2-A (normal inspection) for a code letter and AQL.

    An arrow in the table leads to the plan above or below, with that plan's own sample size.

    Raises
    ------
    ValueError
        Unknown letter or AQL, or no plan in that direction.
    """
    letters = list(_LETTERS)
    if letter not in _LETTERS or aql_percent not in _AQLS:
        raise ValueError(
            f"a code letter {letters[0]} to {letters[-1]} and an AQL of {', '.join(f'{a:g}' for a in _AQLS)} percent"
        )
    row = letters.index(letter)
    while 0 <= row < len(letters):
        cell = table_cell(letters[row], aql_percent)
        if cell not in ("up", "down"):
            return SinglePlan(_LETTERS[letters[row]], int(cell))
        row += -1 if cell == "up" else 1
    raise ValueError("the table has no plan in that direction")


def table_cell(letter: str, aql_percent: float) -> str:
    """Return a cell of Table 2-A as printed: an acceptance number, "up" or "down"."""
    row = list(_LETTERS).index(letter)
    step = row - (len(_AQLS) - 2 - _AQLS.index(aql_percent))
    if step < 0 or (row == 0 and step > 0):  # nothing stands above the first row
        return "down"
    return _SEQUENCE[step] if step < len(_SEQUENCE) else "up"


@dataclass(frozen=True)
class SequentialPlan:
    """Wald's sequential plan: look piece by piece (or scoop by scoop) until one of two lines is crossed.

    Parameters
    ----------
    good, bad : shares to be told apart.
    producer_risk, consumer_risk : of refusing a good batch and of accepting a bad one.
    """

    good: float
    bad: float
    producer_risk: float = 0.05
    consumer_risk: float = 0.05

    def __post_init__(self) -> None:
        _check(self.good, self.producer_risk, self.bad, self.consumer_risk)

    @property
    def _k(self) -> float:
        return math.log(self.bad * (1 - self.good) / (self.good * (1 - self.bad)))

    @property
    def slope(self) -> float:
        """Return the slope s of both lines, bad pieces per piece."""
        return math.log((1 - self.good) / (1 - self.bad)) / self._k

    @property
    def accept_intercept(self) -> float:
        """Return h1: accept at or below s n - h1."""
        return math.log((1 - self.producer_risk) / self.consumer_risk) / self._k

    @property
    def refuse_intercept(self) -> float:
        """Return h2: refuse at or above s n + h2."""
        return math.log((1 - self.consumer_risk) / self.producer_risk) / self._k

    def counts(self, n: int, worth: float = 1.0) -> tuple[int | None, int | None]:
        """Return up to how many bad pieces of n the batch is accepted, and from how many on it is refused.

        None where no number accepts, or refuses, yet. `worth`: independent pieces that one piece is worth.
        """
        accept = math.floor(self.slope * n - self.accept_intercept / worth)
        refuse = math.ceil(self.slope * n + self.refuse_intercept / worth)
        return accept if accept >= 0 else None, refuse if refuse <= n else None

    def standing(self, n: float, bad: float) -> Answer:
        """Return where the sequence stands after n pieces of which so many were bad: undecided means one more scoop."""
        if bad <= self.slope * n - self.accept_intercept:
            return Answer.ACCEPT
        if bad >= self.slope * n + self.refuse_intercept:
            return Answer.REJECT
        return Answer.UNDECIDED

    def chance(self, share: float) -> float:
        """Return the chance of accepting a batch with that bad share (Wald's approximation)."""
        h1, h2 = self.accept_intercept, self.refuse_intercept
        w = self._root(share)
        if abs(w) < 1e-9:
            return h2 / (h1 + h2)
        a = ((1 - self.consumer_risk) / self.producer_risk) ** w
        b = (self.consumer_risk / (1 - self.producer_risk)) ** w
        return float((a - 1) / (a - b))

    def average_pieces(self, share: float) -> float:
        """Return how many pieces are looked at on the average (Wald's approximation)."""
        h1, h2, accept = self.accept_intercept, self.refuse_intercept, self.chance(share)
        drift = share - self.slope
        if abs(drift) < 1e-9:
            return h1 * h2 / (self.slope * (1 - self.slope))
        return (-accept * h1 + (1 - accept) * h2) / drift

    def _root(self, share: float) -> float:
        """Return w with share (bad/good)^w + (1 - share) ((1-bad)/(1-good))^w = 1, w not 0; 0 at the slope."""
        up, down = math.log(self.bad / self.good), math.log((1 - self.bad) / (1 - self.good))

        def excess(w: float) -> float:
            return share * math.exp(w * up) + (1 - share) * math.exp(w * down) - 1

        if abs(share - self.slope) < 1e-9:
            return 0.0
        sign = 1.0 if share < self.slope else -1.0
        near, far = 1e-12 * sign, sign
        while excess(far) < 0:
            far *= 2
            if abs(far) > 1e4:
                return far
        for _ in range(200):
            middle = (near + far) / 2
            near, far = (middle, far) if excess(middle) < 0 else (near, middle)
        return far


def _check(good: float, producer_risk: float, bad: float, consumer_risk: float) -> None:
    if not 0 < good < bad < 1:
        raise ValueError(f"good share {good:g} must lie below bad share {bad:g}, both between 0 and 1")
    for risk in (producer_risk, consumer_risk):
        if not 0 < risk < 0.5:
            raise ValueError(f"a risk of {risk:g} is none: between 0 and 0.5")
