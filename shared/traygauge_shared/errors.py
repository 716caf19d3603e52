"""Errors that are answers.

The whole tree::

    TraygaugeError
    ├── PhotoError      (also OSError)     a photo cannot be read, or is not one
    ├── SheetError      (also ValueError)  no sheet, two sheets, a bent or unknown sheet, no scale
    ├── UnfitPhotoError (also ValueError)  readable, but not fit to measure from
    ├── SpecError       (also ValueError)  a spec or settings file is wrong; carries every fault at once
    └── RecordError     (also OSError)     results cannot be written or read back

Each says what was wrong, what was found, what is expected and what to do.
"""

from __future__ import annotations


class TraygaugeError(Exception):
    """Base of everything traygauge raises on purpose.

    Parameters
    ----------
    wrong
        What was wrong, one sentence without a full stop.
    found, expected
        The value met with and the one that would do; empty where there is none.
    advice
        What the user can do about it.
    """

    def __init__(self, wrong: str, *, found: str = "", expected: str = "", advice: str = "") -> None:
        self.wrong, self.found, self.expected, self.advice = wrong, found, expected, advice
        super().__init__(str(self))

    def lines(self) -> list[str]:
        """Return the message as one line per part, in reading order."""
        parts = (
            ("", self.wrong),
            ("found: ", self.found),
            ("expected: ", self.expected),
            ("to do: ", self.advice),
        )
        return [label + text for label, text in parts if text]

    def __str__(self) -> str:
        return "; ".join(self.lines())


class PhotoError(TraygaugeError, OSError):
    """A photo cannot be read, is damaged, hostile or too large."""


class SheetError(TraygaugeError, ValueError):
    """There is no scale to measure with: no sheet, two sheets, a bent, covered or unknown one."""


class UnfitPhotoError(TraygaugeError, ValueError):
    """The photo can be read but nothing honest can be measured from it."""


class SpecError(TraygaugeError, ValueError):
    """A spec or settings file is wrong. `faults` holds every fault, each with its path and value."""

    def __init__(self, wrong: str, *, faults: tuple[str, ...] = (), **parts: str) -> None:
        self.faults = faults
        super().__init__(wrong, **parts)

    def lines(self) -> list[str]:
        """Return the message, every fault on a line of its own."""
        first, *rest = super().lines()
        return [first, *self.faults, *rest]


class RecordError(TraygaugeError, OSError):
    """Results cannot be written, or a record cannot be read back."""
