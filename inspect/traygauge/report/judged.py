"""The verdict as it is shown: first line, figures, limits, the rules behind them, what to bear in mind."""

from __future__ import annotations

import re

from traygauge.batch import Batch
from traygauge.judge.next_steps import GEOMETRY
from traygauge.judge.sequence import about
from traygauge.judge.spec_words import explain_spec
from traygauge.judge.verdict import Figure, Interval, LimitResult
from traygauge.records.verdict_json import outcome
from traygauge.report.model import Headline, KeyFigure, LimitRow, Strip
from traygauge.report.numbers import NOTHING, between, fixed, interval_decimals, short

WORDS = {
    "accept": "Accept",
    "reject": "Reject",
    "undecided": "Undecided",
    "measured": "Measured",
    "empty": "Empty",
    "refused": "Refused",
}

#: Reason and next step where the verdict itself has none.
_FALLBACK = {
    "measured": (
        "The pieces are measured, not judged: there was no spec to judge them against.",
        "To judge them, name a spec: traygauge inspect PHOTO --spec FILE",
    ),
    "empty": (
        "There are no pieces on the tray.",
        "Shake a scoop onto the tray, spread it, and take the photo again.",
    ),
    "refused": (
        "No photo could be used.",
        "See below what was wrong with each of them, and take them again.",
    ),
}

_ALWAYS = "The figures speak for the pieces on the tray; for the bag only as far as the scoop was taken evenly from it."

_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:%|mm|mm²|mg|g|kg|px)\b|%)|(?<=±) ")


def tied(text: str) -> str:
    """Return a sentence in which no line can break between a number and its unit, or behind a ±."""
    return _NUMBER_AND_UNIT.sub("\u00a0", text)


def headline(batch: Batch) -> Headline:
    """Return the first line: one word, one reason, one next step."""
    word = outcome(batch)
    reason, step = _FALLBACK.get(word, ("", ""))
    said, next_step = batch.verdict.reason or reason, batch.verdict.next_step or step
    return Headline(word, WORDS[word], tied(said), sentence(next_step))


def by_weight(limits: tuple[LimitResult, ...], answer: str) -> tuple[LimitResult, ...]:
    """Return the limits with those first that gave the batch its answer, else in their order."""
    return tuple(sorted(limits, key=lambda r: str(r.answer) != answer))


def key_figures(
    limits: tuple[LimitResult, ...], figures: tuple[Figure, ...]
) -> tuple[tuple[KeyFigure, ...], tuple[KeyFigure, ...]]:
    """Return at most three figures for the top, limits first, and the further ones that no limit shows already."""
    shown = {r.path.split(".")[1] if "." in r.path else r.path for r in limits}
    others = [plain_figure(f) for f in figures if f.name.removesuffix("_mm") not in shown]
    top = [_limit_figure(r) for r in limits[:3]]
    room = 3 - len(top)
    return (*top, *others[:room]), tuple(others[room:])


def limit_row(result: LimitResult, *, is_last_look: bool = False) -> LimitRow:
    """Return a limit's answer as a row of text; after the last look no more pieces settle anything."""
    low, high, decimals = _deciding(result)
    counted = f"{result.n} pieces" if result.hits is None else f"{result.hits} of {result.n} pieces"
    if abs(result.n_effective - result.n) >= 0.5:
        counted += f", counting for {result.n_effective:.0f}"
    more = ""
    if result.more_pieces and not is_last_look:
        more = f"about {about(result.more_pieces)} more pieces would settle it"
    return LimitRow(
        title=result.title,
        unit=result.unit,
        bound=result.bound,
        limit=short(result.limit),
        estimate=fixed(result.interval.estimate, decimals),
        low=fixed(low, decimals),
        high=fixed(high, decimals),
        interval=_in_words(result.interval, result.unit),
        counted=counted,
        answer=str(result.answer),
        reason=tied(result.reason),
        rule=sentence(result.rule),
        more=more,
        path=result.path,
        strip=Strip(result.interval.estimate, low, high, result.limit, result.bound),
    )


def plain_figure(figure: Figure) -> KeyFigure:
    """Return a figure without a limit as text, with its range and where it comes from."""
    ranged = (figure.low, figure.high) != (figure.value, figure.value)
    decimals = 0 if abs(figure.value) >= 100 else 2
    if ranged:
        decimals = interval_decimals(figure.low, figure.high, figure.value, least=-9)
        decimals = (
            min(decimals, 1) if figure.unit == "%" else decimals
        )  # 99.31 % of 146 pieces is too much said
    spread = between(figure.low, figure.high, decimals) if ranged else ""
    is_range = figure.name.startswith(
        "tolerance_"
    )  # says where most pieces lie: the range itself is the figure
    # "pieces per kilogram" is a unit itself, and "111 400 1/kg" reads like one number
    unit = "" if is_range or figure.unit == "1/kg" else figure.unit
    return KeyFigure(
        title=figure.title,
        value="" if is_range else fixed(figure.value, decimals),
        unit=unit,
        spread=f"{spread}\u00a0{figure.unit}" if is_range else spread,
        basis=figure.basis,
        note=tied("; ".join(t for t in (figure.source, figure.note) if t)),
    )


def rules(limits: tuple[LimitRow, ...]) -> tuple[str, ...]:
    """Return what the bounds in the table of limits mean, and the rules that spoke, once each, with what they spoke of."""
    if not limits:
        return ()
    spoke_of: dict[str, list[str]] = {}
    for row in limits:
        if row.rule and row.title not in spoke_of.setdefault(row.rule, []):
            spoke_of[row.rule].append(row.title)
    said = (
        sentence(f"{'; '.join(titles)}: {rule[:1].lower()}{rule[1:]}") for rule, titles in spoke_of.items()
    )
    means = (
        "A limit is kept when both bounds lie inside it, broken when both lie outside, and undecided otherwise. "
        "The bounds allow for what could not be measured and for what all pieces of a photo share."
    )
    return (means, *said)


def spec_in_words(batch: Batch) -> tuple[str, ...]:
    """Return the spec as sentences; none without a spec or where nothing was judged."""
    if batch.spec is None or not batch.verdict.limits:
        return ()
    return tuple(tied(s) for s in explain_spec(batch.spec))


def notes(batch: Batch) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what must stand under the figures (what was not measured), and what to bear in mind further down."""
    said = [tied(n) for n in batch.verdict.notes]
    first = said[:1] if batch.verdict.unmeasured else []
    rest = [n for n in said if n not in first]
    if outcome(batch) == "refused":
        return tuple(first), tuple(rest)
    geometry = [] if GEOMETRY in rest else [GEOMETRY]
    return tuple(first), (*rest, *geometry, _ALWAYS)


def _limit_figure(result: LimitResult) -> KeyFigure:
    row = limit_row(result)
    low, high, decimals = _deciding(result)
    return KeyFigure(
        title=row.title,
        value=row.estimate,
        unit=row.unit,
        spread=between(low, high, decimals),
        limit=f"{row.bound} {row.limit}\u00a0{row.unit}".strip(),
        answer=row.answer,
        note=row.counted,
        strip=row.strip,
    )


def _deciding(result: LimitResult) -> tuple[float, float, int]:
    """Return the bounds that were held against the limit, and the decimals they are shown with."""
    held = result.deciding
    return held.low, held.high, interval_decimals(held.low, held.high, result.interval.estimate)


def _in_words(interval: Interval, unit: str) -> str:
    decimals = interval_decimals(interval.low, interval.high, interval.estimate)
    ends = between(interval.low, interval.high, decimals)
    return tied(f"{ends} {unit} ({100 * interval.confidence:.3g} %)") if ends else NOTHING


def sentence(text: str) -> str:
    """Return a text with a capital at its beginning and a full stop at its end, units tied to their numbers."""
    text = tied(text.strip())
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}" if text else ""
