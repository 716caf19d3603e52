"""From a batch to the plain values of its report."""

from __future__ import annotations

import math
import platform
from collections.abc import Iterator
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

import traygauge
from traygauge.batch import Batch
from traygauge.judge.spec_words import explain_spec
from traygauge.judge.verdict import Figure, LimitResult
from traygauge.records.names import printable
from traygauge.records.verdict_json import outcome
from traygauge.report.distributions import distributions
from traygauge.report.first_look import first_look
from traygauge.report.model import (
    Closeup,
    Component,
    Fact,
    Headline,
    KeyFigure,
    LimitRow,
    PhotoPart,
    Refusal,
    Report,
    Strip,
)
from traygauge.report.numbers import between, fixed, interval_decimals, short
from traygauge.report.palette import LOOKS
from traygauge.report.photo_parts import photo_parts
from traygauge.report.piece_text import PieceText, piece_text
from traygauge.words import MEASURED_STATES

WORDS = {
    "accept": "Accept",
    "reject": "Reject",
    "undecided": "Undecided",
    "measured": "Measured",
    "empty": "Empty",
    "refused": "Refused",
}

#: What the report says where the verdict itself has no reason or next step.
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

CAUTIONS = (
    "Only geometry is measured. Moisture, foreign material, food contact and machine safety are judged elsewhere.",
    "The figures speak for the pieces on the tray; for the bag only as far as the scoop was taken evenly from it.",
    "Dust, and anything smaller than the photo can resolve, is not seen: sieve where it matters.",
    "A cutter that can move is never reached into: stop it, take it off the mains and let it run down first.",
)

_PACKAGES = ("numpy", "scipy", "opencv-python-headless", "pillow")


def report_of(batch: Batch, made: datetime | None = None) -> Report:
    """Return the report of a batch as plain values; `made` is printed as the time it was made, if given."""
    text = piece_text(batch.pieces)
    photos = photo_parts(batch, text)
    verdict = batch.verdict
    limits = tuple(limit_row(r) for r in verdict.limits)
    key, further = key_figures(verdict.limits, verdict.figures, str(verdict.answer or ""))
    return Report(
        title=_title(batch),
        spec_name=printable(batch.spec.name) if batch.spec else "",
        counted=_counted(batch),
        made=made.strftime("%Y-%m-%d %H:%M") if made else "",
        headline=headline(batch),
        figures=key,
        notes=verdict.notes,
        refusals=tuple(
            Refusal(printable(n), *(printable(t, longest=1000) for t in _parts(e))) for n, e in batch.refused
        ),
        judged_how=_judged_how(batch, limits),
        limits=limits,
        advice=verdict.advice,
        further=further,
        photos=photos,
        closeups=closeups(batch, photos, text),
        closeups_intro=_closeups_intro(batch),
        distributions=distributions(batch),
        components=components(batch),
        table_columns=text.table_columns(),
        table_rows=text.table_rows(),
        spec_facts=tuple(_flat("", batch.spec.to_dict())) if batch.spec else (),
        settings=tuple(Fact(printable(k), printable(v, longest=1000)) for k, v in batch.settings.items()),
        versions=_versions(),
        cautions=CAUTIONS,
    )


def headline(batch: Batch) -> Headline:
    """Return the first line: one word, one reason, one next step."""
    word = outcome(batch)
    reason, step = _FALLBACK.get(word, ("", ""))
    return Headline(word, WORDS[word], batch.verdict.reason or reason, batch.verdict.next_step or step)


def key_figures(
    limits: tuple[LimitResult, ...], figures: tuple[Figure, ...], answer: str
) -> tuple[tuple[KeyFigure, ...], tuple[KeyFigure, ...]]:
    """Return at most three figures for the top, those that decided first, and the further ones."""
    decided = sorted(limits, key=lambda r: r.answer != answer)
    top = [_limit_figure(r) for r in decided[:3]]
    others = [_plain_figure(f) for f in figures]
    room = 3 - len(top)
    return (*top, *others[:room]), tuple(others[room:])


def limit_row(result: LimitResult) -> LimitRow:
    """Return a limit's answer as a row of text."""
    interval, wide = result.interval, result.with_unmeasured
    decimals = interval_decimals(interval.low, interval.high, interval.estimate)
    widened = (wide.low, wide.high) != (interval.low, interval.high)
    counted = f"{result.n} pieces" if result.hits is None else f"{result.hits} of {result.n} pieces"
    if abs(result.n_effective - result.n) >= 0.5:
        counted += f", counting for {result.n_effective:.0f}"
    return LimitRow(
        title=result.title,
        unit=result.unit,
        bound=result.bound,
        limit=short(result.limit),
        estimate=fixed(interval.estimate, decimals),
        low=fixed(interval.low, decimals),
        high=fixed(interval.high, decimals),
        wide_low=fixed(wide.low, decimals) if widened else "",
        wide_high=fixed(wide.high, decimals) if widened else "",
        confidence=f"{100 * interval.confidence:.3g} %",
        counted=counted,
        answer=str(result.answer),
        reason=result.reason,
        rule=result.rule,
        more=f"about {result.more_pieces} more pieces would settle it" if result.more_pieces else "",
        path=result.path,
        strip=Strip(
            interval.estimate, interval.low, interval.high, wide.low, wide.high, result.limit, result.bound
        ),
    )


def closeups(batch: Batch, photos: tuple[PhotoPart, ...], text: PieceText) -> tuple[Closeup, ...]:
    """Return the pieces to look at first, each with its photo, its mark there and its measures."""
    where = {m.place: (p.index, k) for p in photos for k, m in enumerate(p.marks)}
    several = len(photos) > 1
    found = []
    for place, why in first_look(batch.pieces):
        if place not in where:
            continue
        photo, mark = where[place]
        number = f"Piece {photos[photo].marks[mark].piece}"
        title = f"{number}, photo {photo + 1}" if several else number
        reason = text.names_of(place) if why in LOOKS else why
        found.append(Closeup(photo, mark, title, reason, text.measures(place)))
    return tuple(found)


def components(batch: Batch) -> tuple[Component, ...]:
    """Return the uncertainty's components, median over the measured pieces, largest first, and their sum."""
    pieces = batch.pieces
    rows = np.flatnonzero([s in MEASURED_STATES for s in pieces["state"]])
    if not rows.size or not pieces.u_parts:
        return ()
    median = {k: np.nanmedian(np.abs(v[rows]), axis=0) for k, v in pieces.u_parts.items()}
    order = sorted(median, key=lambda k: (not k.startswith("shared "), -float(median[k][0])))
    listed = [
        Component(k.removeprefix("shared "), _mm(median[k][0]), _mm(median[k][1]), k.startswith("shared "))
        for k in order
    ]
    whole = [np.asarray(pieces[c], float)[rows] for c in ("u_length_mm", "u_diameter_mm")]
    total = [float(np.nanmedian(w)) if np.isfinite(w).any() else math.nan for w in whole]
    return (*listed, Component("all together", _mm(total[0]), _mm(total[1]), False))


def _mm(value: float) -> str:
    return fixed(float(value), 4)


def _limit_figure(result: LimitResult) -> KeyFigure:
    row = limit_row(result)
    interval = result.interval
    decimals = interval_decimals(interval.low, interval.high, interval.estimate)
    return KeyFigure(
        title=row.title,
        value=row.estimate,
        unit=row.unit,
        spread=between(interval.low, interval.high, decimals),
        limit=f"{row.bound} {row.limit} {row.unit}".strip(),
        answer=row.answer,
        note=row.counted,
        strip=row.strip,
    )


def _plain_figure(figure: Figure) -> KeyFigure:
    decimals = interval_decimals(figure.low, figure.high, figure.value, least=-9)
    ranged = (figure.low, figure.high) != (figure.value, figure.value)
    basis = "" if figure.basis == "measured" else figure.basis
    note = ". ".join(t for t in (basis, figure.source, figure.note) if t)
    if not ranged:
        decimals = 0 if abs(figure.value) >= 100 else 2
    return KeyFigure(
        figure.title,
        fixed(figure.value, decimals),
        figure.unit,
        between(figure.low, figure.high, decimals) if ranged else "",
        note=note,
    )


def _title(batch: Batch) -> str:
    names = [printable(p.photo.name, longest=60) for p in batch.photos]
    names = names or [printable(n, longest=60) for n, _ in batch.refused]
    rest = f" and {len(names) - 1} more" if len(names) > 1 else ""
    return f"{names[0]}{rest}" if names else "no photo"


def _counted(batch: Batch) -> str:
    pieces, photos = len(batch.pieces), len(batch.photos)
    return f"{pieces} piece{'s' * (pieces != 1)} on {photos} photo{'s' * (photos != 1)}"


def _parts(error: Any) -> tuple[str, str, str, str]:
    return error.wrong, error.found, error.expected, error.advice


def _judged_how(batch: Batch, limits: tuple[LimitRow, ...]) -> tuple[str, ...]:
    """Return the sentences behind the verdict: rules once each, looks, what was not measured."""
    if not limits:
        return ()
    said = list(explain_spec(batch.spec)) if batch.spec else []
    said += dict.fromkeys(r.rule for r in limits if r.rule)
    if batch.verdict.looks > 1:
        said.append(f"This batch has been judged {batch.verdict.looks} times; repeated looks are paid for.")
    unmeasured = {k: n for k, n in (batch.verdict.unmeasured or {}).items() if n}
    if unmeasured:
        listed = ", ".join(f"{n} {state}" for state, n in unmeasured.items())
        said.append(
            f"Not measured: {listed}. They enter through a physical bound, which can make a verdict undecided "
            "but never decides it."
        )
    said.append(f"Intervals hold at {limits[0].confidence} confidence.")
    return tuple(said)


def _closeups_intro(batch: Batch) -> str:
    marked = any(str(f) for f in batch.pieces["findings"])
    if marked:
        return "The worst of each finding, all at one scale."
    return "Nothing is marked. For checking by eye: the extremes, all at one scale."


def _flat(path: str, value: Any) -> Iterator[Fact]:
    """Yield every leaf of a spec with its path."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _flat(f"{path}.{key}" if path else str(key), inner)
    elif isinstance(value, list):
        for k, inner in enumerate(value):
            yield from _flat(f"{path}[{k}]", inner)
    elif value is not None and value != "":
        yield Fact(printable(path), printable(str(value), longest=1000))


def _versions() -> tuple[Fact, ...]:
    facts = [Fact("traygauge", traygauge.__version__), Fact("Python", platform.python_version())]
    for name in _PACKAGES:
        try:
            facts.append(Fact(name, version(name)))
        except PackageNotFoundError:
            continue
    return tuple(facts)
