"""Do the stated risks and coverages hold? Draws batches of known truth, judges them, and counts.

    python bench/statistics_check.py [BATCHES] [SEED]

Prints a table: what is promised, what was found, and the least (or most) that chance allows. Exits with 1 when a
promise is broken by more than three standard errors of the count: with about 50 promises kept exactly, one run in
fifteen shows one broken by chance.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from statistics_promises import Promise, promises


@dataclass(frozen=True)
class Found:
    """How often it was found."""

    promise: Promise
    batches: int
    share: float

    @property
    def allowed(self) -> float:
        """Return the least (or most) that chance allows: three standard errors of the count at the stated rate."""
        p = self.promise.stated
        slack = 3 * float(np.sqrt(p * (1 - p) / self.batches))
        return p - slack if self.promise.at_least else p + slack

    @property
    def holds(self) -> bool:
        """Return whether the promise holds within chance."""
        return self.share >= self.allowed if self.promise.at_least else self.share <= self.allowed


def check(batches: int, seed: int, only: Callable[[Promise], bool] = lambda _: True) -> list[Found]:
    """Return how each promise held over so many batches, seeded."""
    found = []
    for k, promise in enumerate(promises()):
        if only(promise):
            rng = np.random.default_rng([seed, k])
            found.append(Found(promise, batches, sum(promise.draw(rng) for _ in range(batches)) / batches))
    return found


def table(found: list[Found]) -> str:
    """Return the results as text, a row a promise."""
    width = max(len(f.promise.name) for f in found)
    lines = [f"{'promise':{width}}  {'stated':>8}  {'found':>7}  by chance"]
    for f in found:
        sign = "≥" if f.promise.at_least else "≤"
        lines.append(
            f"{f.promise.name:{width}}  {sign} {100 * f.promise.stated:4.1f} %  {100 * f.share:5.1f} %  {sign} "
            f"{100 * f.allowed:4.1f} %{'' if f.holds else '   BROKEN'}"
        )
    return "\n".join(lines)


def main(arguments: list[str]) -> int:
    """Run the check and print its table; return 1 when a promise is broken."""
    batches = int(arguments[0]) if arguments else 2000
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    start = time.perf_counter()
    found = check(batches, seed)
    print(table(found))
    print(f"{batches} batches each, seed {seed}, {time.perf_counter() - start:.0f} s")
    return 0 if all(f.holds for f in found) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
