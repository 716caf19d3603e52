"""The limits on single pieces that a distribution can show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from traygauge.report.model import Line
from traygauge.report.numbers import short

if TYPE_CHECKING:
    from traygauge.judge.spec import Spec


def limit_lines(spec: Spec | None, column: str) -> tuple[Line, ...]:
    """Return the limits that a spec sets on single pieces' values of a column, as lines for its distribution."""
    if spec is None:
        return ()
    known: dict[str, tuple[tuple[float | None, str, str], ...]] = {
        "length_mm": (
            (spec.long_over_mm, "below", "long"),
            (spec.pieces.short_under_mm, "above", "short"),
        ),
        "diameter_mm": (
            (spec.thick_over_mm, "below", "thick"),
            (spec.thin_under_mm, "above", "thin"),
        ),
        "feret_max_mm": ((spec.pieces.fines_under_mm, "above", "fines"),),
    }
    over = {"below": "over", "above": "under"}
    return tuple(
        Line(value, allowed, f"{finding} {over[allowed]} {short(round(value, 2))} mm", finding)
        for value, allowed, finding in known.get(column, ())
        if value is not None
    )
