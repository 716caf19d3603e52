"""Is the photo fit to measure from? Each check has its value, its limit, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Check:
    """One thing looked at.

    Parameters
    ----------
    name : plain words, as "sharpness".
    value : what was found; unit : its unit.
    warn, refuse : the limits; a value beyond `warn` (in the `worse` direction) warns, beyond `refuse` refuses.
    worse : "higher" or "lower": which direction is worse.
    level : "fine", "warn" or "refuse".
    advice : what to do about it.
    """

    name: str
    value: float
    unit: str
    warn: float
    refuse: float
    worse: Literal["higher", "lower"]
    level: Literal["fine", "warn", "refuse"]
    advice: str


@dataclass(frozen=True)
class Fitness:
    """All checks of one photo."""

    checks: tuple[Check, ...]

    @property
    def level(self) -> Literal["fine", "warn", "refuse"]:
        """Return the worst level met with."""
        levels = {c.level for c in self.checks}
        return "refuse" if "refuse" in levels else "warn" if "warn" in levels else "fine"

    @property
    def warnings(self) -> tuple[Check, ...]:
        """Return the checks that warn or refuse."""
        return tuple(c for c in self.checks if c.level != "fine")
