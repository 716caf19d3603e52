"""The report in a terminal or log file: the same things in the same order, plain text, no wider than it is told."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from traygauge.batch import Batch
from traygauge.report.build import report_of
from traygauge.report.judged import tied
from traygauge.report.model import Closeup, Distribution, KeyFigure, LimitRow, PhotoPart, RegrindPart, Report
from traygauge.report.numbers import with_unit
from traygauge.words import number_of

_BOLD, _SOFT, _PLATE, _END = "\x1b[1m", "\x1b[2m", "\x1b[1;7m", "\x1b[0m"


def verdict_text(batch: Batch, width: int = 80, colour: bool = False) -> str:
    """Return what there is to say about a batch as text for a terminal or a log file.

    Parameters
    ----------
    batch : the judged batch.
    width : no line is longer, in characters, at least 40.
    colour : whether bold, dim and reversed text may be used; without it there is no control character in the text.
    """
    writer = _Writer(max(width, 40), colour)
    text = "\n".join(_lines(report_of(batch), writer)).rstrip() + "\n"
    return text.replace(
        "\u00a0", " "
    )  # no-break spaces have done their work: a log file is searched by plain ones


class _Writer:
    """Wraps and emphasises; knows the width and whether emphasis is wanted."""

    def __init__(self, width: int, colour: bool) -> None:
        self.width, self.colour = width, colour

    def marked(self, text: str, mark: str) -> str:
        return f"{mark}{text}{_END}" if self.colour and text else text

    def wrapped(self, text: str, first: str = "", rest: str | None = None) -> list[str]:
        indent = " " * len(first) if rest is None else rest
        return textwrap.wrap(text, self.width, initial_indent=first, subsequent_indent=indent) or [first]

    def heading(self, text: str) -> list[str]:
        return ["", self.marked(text, _BOLD)]

    def columns(self, rows: Sequence[Sequence[str]], sides: str, gives: int = 0) -> list[str]:
        """Return rows of cells set under each other.

        `sides` has "d" for numbers, aligned on the decimal, "r" for what ends alike, "l" for text. Column `gives` gives
        way where a row is too long: the rest of its text goes to the lines below.
        """
        cells_of = [list(row) for row in rows]
        for k in (k for k, side in enumerate(sides) if side == "d"):
            tail = max(len(_rest(row[k])) for row in cells_of)
            for row in cells_of:
                row[k] += " " * (tail - len(_rest(row[k])))
        widths = [max(len(row[k]) for row in cells_of) for k in range(len(sides))]
        others = sum(widths) - widths[gives] + 2 * len(widths)
        if others + 12 > self.width:  # too narrow for columns
            return [line for row in rows for line in self.wrapped("  ".join(filter(None, row)), "  ", "    ")]
        widths[gives] = min(widths[gives], self.width - others)
        before = " " * (2 + sum(widths[:gives]) + 2 * gives)
        lines = []
        for row in cells_of:
            row[gives], *more = textwrap.wrap(row[gives], widths[gives]) or [""]
            cells = [
                cell.ljust(w) if side == "l" else cell.rjust(w)
                for cell, w, side in zip(row, widths, sides, strict=True)
            ]
            lines.append(("  " + "  ".join(cells)).rstrip())
            lines += [f"{before}{text}" for text in more]
        return lines


def _rest(number: str) -> str:
    """Return the decimal point with what follows."""
    return "".join(number.partition(".")[1:])


def _lines(report: Report, w: _Writer) -> Iterator[str]:
    yield from _first_line(report, w)
    if report.figures:
        yield ""
        yield from w.columns([_figure_row(f) for f in report.figures], "ldllll")
    for note in report.notes:
        yield from w.wrapped(note, "  ")
    yield from _how(report, w)
    yield from _refused(report, w)
    for part in report.photos:
        yield from _photo(part, len(report.photos), w)
    yield from _closeups(report.closeups, w)
    yield from _distributions(report.distributions, w)
    yield from _limits(report.other_limits, w)
    for regrind in report.regrind:
        yield from _regrind(regrind, w)
    yield from _beside(report, w)
    yield from _fitness(report, w)
    if report.bear_in_mind:
        yield from w.heading("To bear in mind")
    for sentence in report.bear_in_mind:
        yield from w.wrapped(sentence, "  - ")


def _first_line(report: Report, w: _Writer) -> Iterator[str]:
    head = report.headline
    word = head.word.upper()
    lead = " " * (len(word) + 2)
    reason, *more = w.wrapped(head.reason, lead)
    yield w.marked(word, _PLATE) + reason[len(word) :]
    yield from more
    if head.next_step:
        yield from w.wrapped(f"Next: {head.next_step}", lead)
    about = [report.title, report.counted] + ([f"spec: {report.spec_name}"] if report.spec_name else [])
    yield from (w.marked(line, _SOFT) for line in w.wrapped(tied(" · ".join(about)), lead))


def _figure_row(figure: KeyFigure) -> tuple[str, ...]:
    spread = f"({figure.spread})" if figure.spread else ""
    return figure.title, figure.value, figure.unit, spread, figure.limit, figure.answer


def _how(report: Report, w: _Writer) -> Iterator[str]:
    if not report.limits:
        return
    yield from w.heading("How this was judged")
    for sentence in report.sequence:
        yield from w.wrapped(sentence, "  - ")
    for row in report.limits:
        if row.answer != "accept" and row.reason != report.headline.reason:
            yield from w.wrapped(f"{row.reason}{f' {row.more.capitalize()}.' if row.more else ''}", "  - ")
    for rule in report.rules:
        yield from w.wrapped(rule, "  - ")


def _refused(report: Report, w: _Writer) -> Iterator[str]:
    if report.refusals:
        yield from w.heading("Photos not used")
    for r in report.refusals:
        yield from w.wrapped(f"{r.name}: {r.wrong}", "  ", "    ")
        for label, text in (("found", r.found), ("expected", r.expected), ("to do", r.advice)):
            if text:
                yield from w.wrapped(f"{label}: {text}", "    ", "      ")


def _photo(part: PhotoPart, photos: int, w: _Writer) -> Iterator[str]:
    number = f"Photo {part.index + 1} of {photos}: " if photos > 1 else "Photo: "
    yield ""
    yield from (w.marked(line, _BOLD) for line in w.wrapped(f"{number}{part.name}", "", "  "))
    counted = ", ".join(f"{t.look.name} {t.count}" for t in part.tallies)
    yield from w.wrapped(
        f"{part.summary}." + (f" {counted[0].upper()}{counted[1:]}." if counted else ""), "  "
    )
    for warning in part.warnings:
        yield from w.wrapped(warning, "  ")


def _closeups(closeups: Sequence[Closeup], w: _Writer) -> Iterator[str]:
    if not closeups:
        return
    yield from w.heading("Pieces to look at first")
    rows = [("", "", "", "")]
    for c in closeups:
        texts = {f.label: f.text for f in c.measures}
        length, diameter = (texts.pop(name, "") for name in ("length", "diameter"))
        rest = ", ".join(f"{label} {text}" for label, text in texts.items())
        rows.append((c.title, length, diameter, f"{c.why} ({rest})" if rest else c.why))
    rows[0] = ("", "length", "diameter", "")
    yield from w.columns(rows, "llll", gives=3)


def _distributions(shown: Sequence[Distribution], w: _Writer) -> Iterator[str]:
    if not shown:
        return
    yield from w.heading("Distributions")
    for d in shown:
        facts = ", ".join(f"{f.label}\u00a0{f.text}" for f in d.facts)
        limits = "".join(f"; {line.text}" for line in d.lines)
        yield from w.wrapped(f"{d.title} of {number_of(d.pieces, 'piece')}: {facts}{limits}.", "  ", "    ")


def _limits(rows: Sequence[LimitRow], w: _Writer) -> Iterator[str]:
    if not rows:
        return
    yield from w.heading("Further limits")
    cells = [
        (r.title, r.estimate, r.unit, f"({r.low} to {r.high})", f"{r.bound} {r.limit} {r.unit}", r.answer)
        for r in rows
    ]
    yield from w.columns(cells, "ldllll")


def _regrind(regrind: RegrindPart, w: _Writer) -> Iterator[str]:
    yield from w.heading("What the regrind is made of")
    head = ("", "pieces", "% by count", "", f"% {regrind.amounts}")
    rows = [(p.meaning, p.counted, p.share, f"({p.spread})", p.amount) for p in regrind.parts]
    yield from w.columns([head, *rows], "llrlr")
    yield from w.heading("Mesh size by projection, no sieve")
    head = ("", "% held by count", regrind.amounts, "% passing by count", regrind.amounts)
    sieves = [(r.name, r.held, r.held_amount, r.passing, r.passing_amount) for r in regrind.sieves]
    yield from w.columns([head, *sieves], "lrrrr")
    yield from w.wrapped(regrind.notes[-1], "  ")


def _beside(report: Report, w: _Writer) -> Iterator[str]:
    if report.further:
        yield from w.heading("Beside the verdict")
        for basis in dict.fromkeys(f.basis for f in report.further):
            yield from w.wrapped(f"{basis}:", " ")
            yield from w.columns([_figure_row(f)[:4] for f in report.further if f.basis == basis], "ldll")
    if report.advice:
        yield from w.heading("What else helps")
        for advice in report.advice:
            yield from w.wrapped(advice, "  - ")


def _fitness(report: Report, w: _Writer) -> Iterator[str]:
    if report.photos:
        yield from w.heading("Fit to measure, scale, uncertainty")
    for part in report.photos:
        number = f"photo {part.index + 1}: " if len(report.photos) > 1 else ""
        good = sum(c.level == "fine" for c in part.checks)
        yield from w.wrapped(f"{number}{good} of {len(part.checks)} checks fine", "  ")
        for c in part.checks:
            if c.level != "fine":
                fine = f"{c.sense} {with_unit(c.limit, c.unit)}".strip()
                found = f"{c.name}: {with_unit(c.value, c.unit)}, fine if {fine}"
                yield from w.wrapped(f"{found}. To do: {c.advice}", "  - ")
        scale = ", ".join(f"{f.label} {f.text}" for f in part.scale[:4])
        yield from w.wrapped(f"{number}{scale}", "  ")
    if report.components:
        whole = report.components[-1]
        shared = [c for c in report.components if c.shared]
        said = f"standard uncertainty of one piece: length {whole.length} mm, diameter {whole.diameter} mm"
        names = ", ".join(c.name for c in shared)
        yield from w.wrapped(said + (f"; shared by all pieces of a photo: {names}" if names else ""), "  ")
