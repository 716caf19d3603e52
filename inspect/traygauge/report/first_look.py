"""Which pieces to look at first: those that decide, the worst of each finding before the second of any."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.measure.pieces import Pieces
from traygauge.report.palette import LOOKS

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

#: What is shown where nothing is marked, so that a reader can still check the tool by eye.
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

    Findings come in their order of weight, taking turns: the worst of each, then the second of each, and so on; the
    turns of heavier findings come first. Heaps that could not be parted count as a finding here. Where nothing is
    marked, the extremes are given.
    """
    queues = [
        (name, list(_ranked(pieces, _has(pieces, name), _RANK.get(name, "feret_max_mm"))))
        for name, look in LOOKS.items()
        if look.kind == "finding" or name == "unresolved"
    ]
    chosen: dict[int, str] = {}
    for turn in range(most):
        for name, queue in queues:
            if turn < len(queue) and len(chosen) < most:
                chosen.setdefault(queue[turn], name)
    order = list(LOOKS)
    if chosen:
        return sorted(chosen.items(), key=lambda item: order.index(item[1]))
    for column, why in _EXTREMES:
        values = np.asarray(pieces[column.removeprefix("-")], float)
        if (best := _ranked(pieces, np.isfinite(values) & (values > 0), column)).size:
            chosen.setdefault(int(best[0]), why)
    return list(chosen.items())


def _has(pieces: Pieces, name: str) -> npt.NDArray[np.bool_]:
    if name == "unresolved":
        return np.array([s == name for s in pieces["state"]], bool)
    return np.array([name in str(f).split(";") for f in pieces["findings"]], bool)


def _ranked(pieces: Pieces, chosen: npt.NDArray[np.bool_], column: str) -> npt.NDArray[np.intp]:
    """Return the rows of the chosen pieces, worst first; those without the figure last."""
    values = np.asarray(pieces[column.removeprefix("-")], float)
    sign = 1.0 if column.startswith("-") else -1.0
    rows = np.flatnonzero(chosen)
    return rows[np.argsort(np.nan_to_num(sign * values[rows], nan=np.inf), kind="stable")]
