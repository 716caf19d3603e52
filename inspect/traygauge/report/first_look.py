"""Which pieces to look at first: those that decide, the worst of each finding before the second of any."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.judge.findings import has
from traygauge.measure.pieces import Pieces
from traygauge.report.palette import LOOKS
from traygauge.words import MEASURED_STATES

#: By what the pieces of a finding are ranked, largest first unless it begins with "-".
_RANK = {
    "long": "length_mm",
    "doubles": "extent_mm",
    "stringy": "tail_length_mm",
    "thick": "diameter_mm",
    "thin": "-diameter_mm",
    "short": "-length_mm",
    "fines": "-feret_max_mm",
    "tailed": "tail_length_mm",
    "burred": "burr_mm",
    "off-colour": "area_mm2",
    "unresolved": "extent_mm",
}

#: Findings that are small matters: so many of each are enough.
_TURNS = {"thin": 3, "short": 3, "fines": 2, "tailed": 4, "burred": 3, "off-colour": 4}

#: What is shown where little is marked, so that a reader can still check the tool by eye.
_EXTREMES = (
    ("length_mm", "the longest"),
    ("-length_mm", "the shortest"),
    ("diameter_mm", "the thickest"),
    ("-diameter_mm", "the thinnest"),
    ("tail_length_mm", "the longest tail"),
    ("feret_max_mm", "the largest"),
)


def first_look(pieces: Pieces, *, most: int = 12) -> list[tuple[int, str]]:
    """Return (row, why) of the pieces to look at first, at most that many, none twice.

    Findings come in their order of weight, taking turns: the worst of each, then the second of each, and so on; small
    matters get few turns. Heaps that could not be parted count as a finding here. Where little is marked, the
    extremes stand behind.
    """
    queues = [
        (name, _ranked(pieces, _has(pieces, name), _RANK.get(name, "feret_max_mm"))[: _TURNS.get(name, most)])
        for name, look in LOOKS.items()
        if look.kind == "finding" or name == "unresolved"
    ]
    chosen: dict[int, str] = {}
    for turn in range(most):
        for name, queue in queues:
            if turn < len(queue) and len(chosen) < most:
                chosen.setdefault(int(queue[turn]), name)
    order = list(LOOKS)
    found = sorted(chosen.items(), key=lambda item: order.index(item[1]))
    return found if len(found) >= most // 2 else found + _extremes(pieces, set(chosen))[: most - len(found)]


def _extremes(pieces: Pieces, chosen: set[int]) -> list[tuple[int, str]]:
    """Return the longest, the shortest, ... of those not chosen yet, none twice."""
    found: dict[int, str] = {}
    for column, why in _EXTREMES:
        values = np.asarray(pieces[column.removeprefix("-")], float)
        known = np.isfinite(values) & (values > 0)
        if (
            column.removeprefix("-") == "diameter_mm"
        ):  # what stands on end shows a width of which nothing is promised
            known &= np.array([s in MEASURED_STATES for s in pieces["state"]], bool)
        if (best := _ranked(pieces, known, column)).size:
            found.setdefault(int(best[0]), why)
    return [(row, why) for row, why in found.items() if row not in chosen]


def _has(pieces: Pieces, name: str) -> npt.NDArray[np.bool_]:
    if name == "unresolved":
        return np.array([s == name for s in pieces["state"]], bool)
    return has(pieces, name)


def _ranked(pieces: Pieces, chosen: npt.NDArray[np.bool_], column: str) -> npt.NDArray[np.intp]:
    """Return the rows of the chosen pieces, worst first; those without the figure last."""
    values = np.asarray(pieces[column.removeprefix("-")], float)
    sign = 1.0 if column.startswith("-") else -1.0
    rows = np.flatnonzero(chosen)
    return rows[np.argsort(np.nan_to_num(sign * values[rows], nan=np.inf), kind="stable")]
