"""A certificate on one page of A4 (PDF): the verdict with what it rests on, to be filed or sent along with a lot."""

from __future__ import annotations

import io
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from traygauge.batch import Batch
from traygauge.records import write_whole
from traygauge.report.annotated import numbered_pixels
from traygauge.report.build import report_of
from traygauge.report.model import Distribution, RegrindPart, Report
from traygauge.report.palette import LIGHT
from traygauge.report.pdf_page import (
    HIGH,
    INK,
    INNER,
    MARGIN,
    SOFT,
    WIDE,
    latin,
    on_decimal,
    paragraph,
    rule,
    table,
    write,
)
from traygauge.report.picture import jpeg
from traygauge.report.plots import ticks

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

#: Rows of limits and of figures that fit; the report has all of them.
MOST_LIMITS, MOST_FIGURES = 10, 8


def write_certificate(batch: Batch, path: Path, *, made: datetime | None = None) -> Path:
    """Write the certificate of a batch as a PDF of one page, and return its path.

    Parameters
    ----------
    batch : the judged batch.
    path : of the file; written whole or not at all.
    made : the time that the certificate states; now, if not given.

    Raises
    ------
    RecordError
        When the file cannot be written.
    """
    return write_whole(path, certificate_pdf(batch, made=made))


def certificate_pdf(batch: Batch, *, made: datetime | None = None) -> bytes:
    """Return the certificate as the bytes of a PDF file (see `write_certificate`)."""
    from reportlab.pdfgen.canvas import Canvas

    report = report_of(batch, made or datetime.now().astimezone())
    data = io.BytesIO()
    canvas = Canvas(data, pagesize=(WIDE, HIGH), invariant=1)
    canvas.setTitle(latin(f"{report.headline.word}: {report.title}"))
    y = _head(canvas, report, HIGH - MARGIN)
    y = _verdict(canvas, report, y)
    y = _limits(canvas, report, y)
    y = _middle(canvas, report, batch, y)
    y = _regrind(canvas, report, y)
    y = _plots(canvas, report.distributions[:2], y)
    _foot(canvas, report, batch, y)
    canvas.showPage()
    canvas.save()
    return data.getvalue()


def _head(canvas: Canvas, report: Report, y: float) -> float:
    write(canvas, "Batch certificate", MARGIN, y - 11, 13, bold=True)
    write(canvas, report.made, WIDE - MARGIN, y - 11, 9, align="right", colour=SOFT)
    about = [report.title, report.counted] + ([f"spec: {report.spec_name}"] if report.spec_name else [])
    return paragraph(canvas, "  ·  ".join(about), MARGIN, y - 19, INNER, 9, colour=SOFT, most=25) - 16


def _verdict(canvas: Canvas, report: Report, y: float) -> float:
    """Draw the word on its plate (filled: reject, framed: accept, dashed: undecided) with reason and next step."""
    from reportlab.lib.colors import HexColor

    head = report.headline
    wide, high = canvas.stringWidth(head.word, "Helvetica-Bold", 22) + 26, 38.0
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(1.6)
    canvas.setDash([4, 3] if head.outcome == "undecided" else [])
    canvas.setFillColor(HexColor(INK if head.outcome == "reject" else "#FFFFFF"))
    if head.outcome in ("accept", "reject", "undecided"):
        canvas.roundRect(MARGIN, y - high, wide, high, 4, fill=1)
    canvas.setDash([])
    colour = "#FFFFFF" if head.outcome == "reject" else INK
    write(canvas, head.word, MARGIN + wide / 2, y - 26.5, 22, bold=True, align="middle", colour=colour)
    left, room = MARGIN + wide + 18, INNER - wide - 18
    bottom = paragraph(canvas, head.reason, left, y + 1, room, 11, bold=True, most=45)
    bottom = paragraph(canvas, head.next_step, left, bottom - 4, room, 9.5, most=40, least=8)
    if report.sequence:
        bottom = paragraph(
            canvas, " ".join(report.sequence[:2]), left, bottom - 4, room, 8, colour=SOFT, most=42
        )
    return min(bottom, y - high) - 16


def _limits(canvas: Canvas, report: Report, y: float) -> float:
    """Draw the table of limits, numbers aligned on the decimal."""
    if not report.limits:
        return y
    columns = {
        "limit": MARGIN + 172,
        "found": MARGIN + 282,
        "bounds": MARGIN + 340,
        "answer": WIDE - MARGIN,
    }
    for name, x in columns.items():
        align = "right" if name == "answer" else "left"
        write(canvas, name, x, y - 8, 8, colour=SOFT, align=align)
    write(canvas, "what", MARGIN, y - 8, 8, colour=SOFT)
    y -= 12
    rule(canvas, y, INK)
    for row in report.limits[:MOST_LIMITS]:
        write(canvas, row.title, MARGIN, y - 11)
        write(canvas, f"{row.bound} {row.limit} {row.unit}", columns["limit"], y - 11)
        on_decimal(canvas, row.estimate, columns["found"] + 14, y - 11)
        write(canvas, row.unit, columns["found"] + 33, y - 11)
        write(canvas, f"{row.low} to {row.high} {row.unit}", columns["bounds"], y - 11)
        write(canvas, row.answer, columns["answer"], y - 11, bold=True, align="right")
        y -= 15.5
        rule(canvas, y)
    if (left_out := len(report.limits) - MOST_LIMITS) > 0:
        write(canvas, f"and {left_out} more in the report", MARGIN, y - 10, 8, colour=SOFT)
        y -= 13
    return y - 16


def _middle(canvas: Canvas, report: Report, batch: Batch, y: float) -> float:
    """Draw a photo with its outlines and numbers on the left and figures on the right.

    Of several photos it is the one with the worst piece, or the first.
    """
    from reportlab.lib.utils import ImageReader

    left, bottom = MARGIN, y
    if report.photos:
        shown_photo = report.closeups[0].photo if report.closeups else 0
        part = report.photos[shown_photo]
        pixels = numbered_pixels(batch.photos[shown_photo], part, longest=1400)
        high, wide = pixels.shape[:2]
        shown = min(INNER * 0.56, 175.0 * wide / high)
        picture = ImageReader(io.BytesIO(jpeg(pixels, quality=80)))
        bottom = y - shown * high / wide
        canvas.drawImage(picture, left, bottom, shown, shown * high / wide)
        said = f"{part.name}: " + ", ".join(f"{t.look.name} {t.count}" for t in part.tallies)
        bottom = paragraph(canvas, said, left, bottom - 3, shown, 7.5, colour=SOFT, most=21)
        left += shown + 20
    top, room = y, WIDE - MARGIN - left
    figures = [f for f in (*report.figures, *report.further) if not f.limit]
    if figures:
        write(canvas, "Figures", left, y - 8, 9.5, bold=True)
        y -= 14
    for figure in figures[:MOST_FIGURES]:
        value = f"{figure.value} {figure.unit}".strip() or figure.spread
        write(canvas, value, WIDE - MARGIN, y - 9, align="right")
        free = room - canvas.stringWidth(latin(value), "Helvetica", 8.5) - 8
        title = figure.title if figure.basis == "measured" else f"{figure.title} ({figure.basis})"
        y = paragraph(canvas, title, left, y + 0.5, free, 8.5, colour=SOFT, most=23) - 2.5
        if figure.spread and figure.value:
            write(canvas, f"({figure.spread})", WIDE - MARGIN, y - 6, 7.5, align="right", colour=SOFT)
            y -= 10
    return min(y, bottom, top) - 16


def _regrind(canvas: Canvas, report: Report, y: float) -> float:
    """Draw what a regrind is made of on the left, its sizes on the right."""
    bottom = y
    for regrind in report.regrind:
        wide = (INNER - 28) / 2
        right = MARGIN + wide + 28
        write(canvas, "What it is made of", MARGIN, y - 8, 8.5, bold=True)
        write(canvas, "Mesh size by projection (no sieve analysis)", right, y - 8, 8.5, bold=True)
        parts = [0.3 * wide, 0.2 * wide, 0.32 * wide, 0.18 * wide]
        left = table(canvas, _parts(regrind), MARGIN, y - 8, parts)
        bottom = min(left, table(canvas, _sizes(regrind), right, y - 8, [0.2 * wide] * 5, heads=2)) - 14
    return bottom


def _parts(regrind: RegrindPart) -> list[tuple[str, ...]]:
    head = ("", "pieces", "% by count", regrind.amounts)
    return [head, *((p.meaning, p.counted, f"{p.share} ({p.spread})", p.amount) for p in regrind.parts)]


def _sizes(regrind: RegrindPart) -> list[tuple[str, ...]]:
    heads = [("", "held, %", "", "passing, %", ""), ("", *("by count", regrind.amounts) * 2)]
    return [*heads, *((r.name, r.held, r.held_amount, r.passing, r.passing_amount) for r in regrind.sieves)]


def _plots(canvas: Canvas, shown: tuple[Distribution, ...], y: float) -> float:
    """Draw the distributions side by side, as high as the page has room for."""
    high = min(105.0, y - 205.0)
    if not shown or high < 55:
        return y
    wide = (INNER - 28) / 2
    for k, distribution in enumerate(shown):
        _histogram(canvas, distribution, MARGIN + k * (wide + 28), y - high, wide, high)
    return y - high - 18


def _histogram(canvas: Canvas, shown: Distribution, x0: float, y0: float, wide: float, high: float) -> None:
    from reportlab.lib.colors import HexColor

    near = [line for line in shown.lines if shown.edges[0] * 0.3 < line.value < shown.edges[-1] * 2]
    low = min([float(shown.edges[0]), *(line.value for line in near)])
    top = max([float(shown.edges[-1]), *(line.value for line in near)])
    low, top = low - 0.03 * (top - low), top + 0.03 * (top - low)
    base, full = y0 + 20, high - 50

    def x(value: float) -> float:
        return x0 + (value - low) / (top - low) * wide

    canvas.setFillColor(HexColor(LIGHT.bar))
    for count, a, b in zip(shown.counts, shown.edges[:-1], shown.edges[1:], strict=True):
        if count:
            canvas.rect(
                x(a) + 0.4, base, x(b) - x(a) - 0.8, full * count / shown.counts.max(), stroke=0, fill=1
            )
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.6)
    canvas.line(x0, base, x0 + wide, base)
    for value in ticks(low, top, 6):
        write(canvas, f"{value:g}", x(value), base - 9, 7, align="middle", colour=SOFT)
    canvas.setLineWidth(1.2)
    for line in near:
        # the two sides' labels stand at two heights, so that neither can run into the other
        side, up = ("left", 3.0) if line.allowed == "below" else ("right", 12.0)
        room = canvas.stringWidth(line.text, "Helvetica", 7) + 4
        if side == "left" and x(line.value) + room > x0 + wide:
            side = "right"
        elif side == "right" and x(line.value) - room < x0:
            side = "left"
        canvas.line(x(line.value), base, x(line.value), base + full + up + 5)
        write(
            canvas, line.text, x(line.value) + (3 if side == "left" else -3), base + full + up, 7, align=side
        )
    said = f"{shown.title}, {shown.unit}: {shown.pieces} pieces, tallest bar {int(np.max(shown.counts))}"
    write(canvas, said, x0, y0 + high - 8, 8.5, bold=True)
    write(canvas, ", ".join(f"{f.label} {f.text}" for f in shown.facts), x0, y0 + 1, 7, colour=SOFT)


def _foot(canvas: Canvas, report: Report, batch: Batch, y: float) -> None:
    """Draw what the figures rest on, the cautions, the photos' fingerprints, and the lines to sign on."""
    said = [*report.notes, *report.bear_in_mind]
    if report.components:
        whole = report.components[-1]
        said.insert(
            0,
            f"Standard uncertainty of one piece: length {whole.length} mm, diameter {whole.diameter} mm. Bounds allow "
            "for what could not be measured and for what all pieces of a photo share.",
        )
    bottom = MARGIN + 36
    prints = "; ".join(f"{p.photo.name} {p.photo.sha256[:16]}" for p in batch.photos)
    room = max(y - bottom - 24, 12.0)
    y = paragraph(canvas, " ".join(said), MARGIN, y, INNER, 7.5, colour=SOFT, most=room, least=6)
    paragraph(canvas, f"Photos (SHA-256 begins): {prints}", MARGIN, y - 4, INNER, 7, colour=SOFT, most=20)
    rule(canvas, MARGIN + 26, INK)
    for k, label in enumerate(("lot", "inspected by", "date, signature")):
        write(canvas, label, MARGIN + k * INNER / 3, MARGIN + 16, 7.5, colour=SOFT)
    write(
        canvas,
        f"traygauge {report.versions[0].text}",
        WIDE - MARGIN,
        MARGIN,
        7,
        align="right",
        colour=SOFT,
    )
