"""From a batch to the plain values of its report."""

from __future__ import annotations

import platform
from collections.abc import Iterator, Sequence
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

import traygauge
from traygauge.batch import Batch
from traygauge.judge.looks import MOST_LOOKS
from traygauge.measure.medians import usual
from traygauge.report.distributions import distributions
from traygauge.report.first_look import first_look
from traygauge.report.judged import (
    by_weight,
    headline,
    key_figures,
    limit_row,
    notes,
    rules,
    spec_in_words,
    tied,
)
from traygauge.report.model import Closeup, Component, Fact, PhotoPart, Refusal, Report
from traygauge.report.numbers import fixed
from traygauge.report.palette import LOOKS
from traygauge.report.photo_parts import photo_parts
from traygauge.report.piece_text import PieceText, piece_text
from traygauge.report.regrind_part import regrind_part
from traygauge.words import MEASURED_STATES, U_PARTS, number_of
from traygauge_shared.errors import TraygaugeError
from traygauge_shared.names import printable

_PACKAGES = ("numpy", "scipy", "opencv-python-headless", "pillow")


def report_of(batch: Batch, made: datetime | None = None) -> Report:
    """Return the report of a batch as plain values; `made` is printed as the time it was made, if given."""
    text = piece_text(batch.pieces)
    first = first_look(batch.pieces)
    photos = photo_parts(batch, text, frozenset(place for place, _ in first))
    verdict = batch.verdict
    limits = by_weight(verdict.limits, str(verdict.answer))
    is_last = verdict.looks >= MOST_LOOKS
    rows = tuple(limit_row(r, is_last_look=is_last) for r in verdict.limits)
    key, further = key_figures(limits, verdict.figures)
    below_figures, bear_in_mind = notes(batch)
    return Report(
        title=_title(batch),
        spec_name=printable(batch.spec.name) if batch.spec else "",
        counted=_counted(batch),
        made=made.strftime("%Y-%m-%d %H:%M") if made else "",
        headline=headline(batch),
        figures=key,
        notes=below_figures,
        refusals=tuple(
            Refusal(printable(n), *(printable(t, longest=1000) for t in _parts(e))) for n, e in batch.refused
        ),
        sequence=tuple(tied(s) for s in verdict.sequence),
        rules=rules(rows),
        spec_in_words=spec_in_words(batch),
        limits=rows,
        other_limits=tuple(limit_row(r, is_last_look=is_last) for r in limits[3:]),
        advice=tuple(tied(a) for a in verdict.advice),
        further=further,
        photos=photos,
        closeups=closeups(first, photos, text),
        closeups_intro=_closeups_intro(batch),
        distributions=distributions(batch),
        regrind=regrind_part(verdict),
        components=components(batch),
        table_columns=text.table_columns(),
        table_rows=text.table_rows(),
        spec_facts=tuple(_flat("", batch.spec.to_dict())) if batch.spec else (),
        settings=tuple(Fact(printable(k), printable(v, longest=1000)) for k, v in batch.settings.items()),
        versions=_versions(),
        bear_in_mind=bear_in_mind,
    )


def closeups(
    first: Sequence[tuple[int, str]], photos: tuple[PhotoPart, ...], text: PieceText
) -> tuple[Closeup, ...]:
    """Return the pieces to look at first (row, why), each with its photo, its mark there and its measures."""
    where = {m.place: (p.index, k) for p in photos for k, m in enumerate(p.marks)}
    several = len(photos) > 1
    found = []
    for place, why in first:
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
    median = {k: [usual(one) for one in np.abs(v[rows]).T] for k, v in pieces.u_parts.items()}
    order = sorted(median, key=lambda k: (not k.startswith("shared "), -float(median[k][0])))
    listed = [
        Component(U_PARTS.get(k, k), _mm(median[k][0]), _mm(median[k][1]), k.startswith("shared "))
        for k in order
    ]
    total = [usual(pieces[c][rows]) for c in ("u_length_mm", "u_diameter_mm")]
    nothing = _mm(0.0)
    listed = [c for c in listed if (c.length, c.diameter) != (nothing, nothing)]
    return (*listed, Component("all together", _mm(total[0]), _mm(total[1]), False))


def _mm(value: float) -> str:
    return fixed(float(value), 3)


def _title(batch: Batch) -> str:
    names = [printable(p.photo.name, longest=60) for p in batch.photos]
    names = names or [printable(n, longest=60) for n, _ in batch.refused]
    rest = f" and {len(names) - 1} more" if len(names) > 1 else ""
    return f"{names[0]}{rest}" if names else "no photo"


def _counted(batch: Batch) -> str:
    pieces, photos = len(batch.pieces), len(batch.photos)
    return f"{number_of(pieces, 'piece')} on {number_of(photos, 'photo')}"


def _parts(error: TraygaugeError) -> tuple[str, str, str, str]:
    return error.wrong, error.found, error.expected, error.advice


def _closeups_intro(batch: Batch) -> str:
    marked = any(str(f) for f in batch.pieces["findings"])
    if marked:
        return "The worst of each finding first, all at one scale."
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
