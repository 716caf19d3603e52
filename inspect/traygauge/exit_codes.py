"""Every exit code of the program, and which one a batch gives."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from traygauge.batch import Batch


class ExitCode(IntEnum):
    """What the program tells the script that called it."""

    FINE = 0  #: accepted, or measured without a spec
    BAD_INPUT = 2  #: a photo, spec, option or folder that cannot be used
    REJECT = 10
    UNDECIDED = 11  #: or nothing on the tray
    OUR_FAULT = 70  #: please report it
    INTERRUPTED = 130  #: by the user


def code_of(batch: Batch) -> ExitCode:
    """Return a batch's exit code: a refused photo goes before the verdict over the others."""
    if batch.refused:
        return ExitCode.BAD_INPUT
    if not len(batch.pieces):
        return ExitCode.UNDECIDED
    answers = {"reject": ExitCode.REJECT, "undecided": ExitCode.UNDECIDED}
    return answers.get(str(batch.verdict.answer), ExitCode.FINE)


def worst(codes: list[ExitCode]) -> ExitCode:
    """Return the worst of several batches' codes (none: fine)."""
    order = (ExitCode.FINE, ExitCode.UNDECIDED, ExitCode.REJECT, ExitCode.BAD_INPUT, ExitCode.OUR_FAULT)
    return max(codes, key=order.index, default=ExitCode.FINE)
