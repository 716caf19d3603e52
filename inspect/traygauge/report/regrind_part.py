"""What a regrind is made of and its sizes on sieve openings, as rows of text."""

from __future__ import annotations

from itertools import zip_longest

from traygauge.judge.regrind import Part, Regrind
from traygauge.judge.verdict import Verdict
from traygauge.report.model import PartRow, RegrindPart, SieveRow
from traygauge.report.numbers import between, fixed

_OPENINGS = "Openings of ISO 565 / ISO 3310-1. Mesh size by projection: the opening that a piece would just pass as seen "
_NO_SIEVE = "from above. This is no sieve analysis: a sieve also turns pieces, bends them and sees how thick they are."


def regrind_part(verdict: Verdict) -> tuple[RegrindPart, ...]:
    """Return what there is to say of a regrind; nothing for a batch of strand."""
    regrind = verdict.regrind
    if regrind is None:
        return ()
    parts = tuple(_part(p) for p in regrind.parts if p.count or not p.is_form)
    return (RegrindPart(_amounts(regrind), parts, _sieves(regrind), _notes(regrind)),)


def _part(part: Part) -> PartRow:
    spread = between(part.share.low, part.share.high, 1)
    return PartRow(
        part.meaning,
        part.is_form,
        f"{part.count} of {part.of}",
        fixed(part.share.estimate, 1),
        spread,
        fixed(part.amount_percent, 1),
    )


def _amounts(regrind: Regrind) -> str:
    return "by mass" if regrind.by == "mass" else "by area"


def _sieves(regrind: Regrind) -> tuple[SieveRow, ...]:
    """Return a row a class, the same classes by count and by amount."""
    rows = zip_longest(regrind.by_count.rows(), regrind.by_amount.rows())
    return tuple(
        SieveRow(name, *(fixed(value, 1) for value in (held, amount[1], passing, amount[2])))
        for (name, held, passing), amount in rows
    )


def _notes(regrind: Regrind) -> tuple[str, ...]:
    mass = (
        "Masses rest on the flakes' thickness (stated, or from the weighed scoop) and on one density for all."
        if regrind.by == "mass"
        else "Shares by the area seen, not by mass: the flakes' thickness is not known. State it in the spec; or state the density "
        "there, and weigh the very scoop on the photo (--scoop-g)."
    )
    return _OPENINGS + _NO_SIEVE, mass
