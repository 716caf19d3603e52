"""A certificate on one page of A4 (PDF): the verdict with what it rests on, to be filed or sent along with a lot."""

from __future__ import annotations

import io
import math
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from traygauge.batch import Batch
from traygauge.records import write_whole
from traygauge.report.annotated import outlined_pixels
from traygauge.report.build import report_of
from traygauge.report.model import Distribution, Report
from traygauge.report.palette import LIGHT
from traygauge.report.picture import jpeg
from traygauge.report.plots import ticks

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

_WIDE, _HIGH, _MARGIN = 595.3, 841.9, 48.0
_INNER = _WIDE - 2 * _MARGIN
_INK, _SOFT, _LINE = LIGHT.ink, LIGHT.soft, LIGHT.line

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
    canvas = Canvas(data, pagesize=(_WIDE, _HIGH), invariant=1)
    canvas.setTitle(_latin(f"{report.headline.word}: {report.title}"))
    y = _head(canvas, report, _HIGH - _MARGIN)
    y = _verdict(canvas, report, y)
    y = _limits(canvas, report, y)
    y = _middle(canvas, report, batch, y)
    y = _plots(canvas, report.distributions[:2], y)
    _foot(canvas, report, batch, y)
    canvas.showPage()
    canvas.save()
    return data.getvalue()


def _latin(text: str) -> str:
    """Return a text in the letters that a PDF's own fonts have; others are written out."""
    return text.encode("cp1252", "backslashreplace").decode("cp1252")


def _paragraph(
    canvas: Canvas, text: str, x: float, y: float, width: float, size: float, **style: Any
) -> float:
    """Draw wrapped text with its top at y, and return its bottom. `most` bounds its height: the rest is left out."""
    from xml.sax.saxutils import escape

    from reportlab.lib.colors import HexColor
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    font = "Helvetica-Bold" if style.get("bold") else "Helvetica"
    look = ParagraphStyle(
        "text",
        fontName=font,
        fontSize=size,
        leading=1.3 * size,
        textColor=HexColor(style.get("colour", _INK)),
    )
    text, most = _latin(text), style.get("most", math.inf)
    while True:
        paragraph = Paragraph(escape(text), look)
        height = paragraph.wrap(width, 10_000)[1]
        if height <= most or len(text) < 8:
            break
        text = text[: int(len(text) * 0.9)].rstrip(" .") + " ..."
    paragraph.drawOn(canvas, x, y - height)
    return float(y - height)


def _text(canvas: Canvas, text: str, x: float, y: float, size: float = 8.5, **style: Any) -> None:
    """Draw one line; `align` is "left", "right" or "middle", x its anchor."""
    from reportlab.lib.colors import HexColor

    canvas.setFillColor(HexColor(style.get("colour", _INK)))
    canvas.setFont("Helvetica-Bold" if style.get("bold") else "Helvetica", size)
    draw = {"left": canvas.drawString, "right": canvas.drawRightString, "middle": canvas.drawCentredString}
    draw[style.get("align", "left")](x, y, _latin(text))


def _rule(canvas: Canvas, y: float, colour: str = _LINE) -> None:
    from reportlab.lib.colors import HexColor

    canvas.setStrokeColor(HexColor(colour))
    canvas.setLineWidth(0.6)
    canvas.line(_MARGIN, y, _WIDE - _MARGIN, y)


def _head(canvas: Canvas, report: Report, y: float) -> float:
    _text(canvas, "Batch certificate", _MARGIN, y - 11, 13, bold=True)
    _text(canvas, report.made, _WIDE - _MARGIN, y - 11, 9, align="right", colour=_SOFT)
    about = [report.title, report.counted] + ([f"spec: {report.spec_name}"] if report.spec_name else [])
    return _paragraph(canvas, "  ·  ".join(about), _MARGIN, y - 19, _INNER, 9, colour=_SOFT, most=25) - 16


def _verdict(canvas: Canvas, report: Report, y: float) -> float:
    """Draw the word on its plate (filled: reject, framed: accept, dashed: undecided) with reason and next step."""
    from reportlab.lib.colors import HexColor

    head = report.headline
    wide, high = canvas.stringWidth(head.word, "Helvetica-Bold", 22) + 26, 38.0
    canvas.setStrokeColor(HexColor(_INK))
    canvas.setLineWidth(1.6)
    canvas.setDash([4, 3] if head.outcome == "undecided" else [])
    canvas.setFillColor(HexColor(_INK if head.outcome == "reject" else "#FFFFFF"))
    if head.outcome in ("accept", "reject", "undecided"):
        canvas.roundRect(_MARGIN, y - high, wide, high, 4, fill=1)
    canvas.setDash([])
    colour = "#FFFFFF" if head.outcome == "reject" else _INK
    _text(canvas, head.word, _MARGIN + wide / 2, y - 26.5, 22, bold=True, align="middle", colour=colour)
    left, room = _MARGIN + wide + 18, _INNER - wide - 18
    bottom = _paragraph(canvas, head.reason, left, y + 1, room, 11, bold=True, most=45)
    bottom = _paragraph(canvas, head.next_step, left, bottom - 4, room, 9.5, most=26)
    return min(bottom, y - high) - 16


def _limits(canvas: Canvas, report: Report, y: float) -> float:
    """Draw the table of limits, numbers aligned on the decimal."""
    if not report.limits:
        return y
    columns = {
        "limit": _MARGIN + 172,
        "found": _MARGIN + 282,
        "bounds": _MARGIN + 340,
        "answer": _WIDE - _MARGIN,
    }
    for name, x in columns.items():
        align = "right" if name == "answer" else "left"
        _text(canvas, name, x, y - 8, 8, colour=_SOFT, align=align)
    _text(canvas, "what", _MARGIN, y - 8, 8, colour=_SOFT)
    y -= 12
    _rule(canvas, y, _INK)
    for row in report.limits[:MOST_LIMITS]:
        _text(canvas, row.title, _MARGIN, y - 11)
        _text(canvas, f"{row.bound} {row.limit} {row.unit}", columns["limit"], y - 11)
        _on_decimal(canvas, row.estimate, columns["found"] + 14, y - 11)
        _text(canvas, f"{row.low} to {row.high} {row.unit}", columns["bounds"], y - 11)
        _text(canvas, row.answer, columns["answer"], y - 11, bold=True, align="right")
        y -= 15.5
        _rule(canvas, y)
    if (left_out := len(report.limits) - MOST_LIMITS) > 0:
        _text(canvas, f"and {left_out} more in the report", _MARGIN, y - 10, 8, colour=_SOFT)
        y -= 13
    return y - 16


def _on_decimal(canvas: Canvas, number: str, x: float, y: float) -> None:
    whole, point, rest = number.partition(".")
    _text(canvas, whole, x, y, align="right")
    _text(canvas, point + rest, x, y)


def _middle(canvas: Canvas, report: Report, batch: Batch, y: float) -> float:
    """Draw the first photo with its outlines on the left and figures on the right."""
    from reportlab.lib.utils import ImageReader

    left, bottom = _MARGIN, y
    if report.photos:
        pixels = outlined_pixels(batch.photos[0], report.photos[0], longest=1400)
        high, wide = pixels.shape[:2]
        shown = min(_INNER * 0.56, 175.0 * wide / high)
        picture = ImageReader(io.BytesIO(jpeg(pixels, quality=80)))
        bottom = y - shown * high / wide
        canvas.drawImage(picture, left, bottom, shown, shown * high / wide)
        said = ", ".join(f"{t.look.name} {t.count}" for t in report.photos[0].tallies)
        bottom = _paragraph(canvas, said, left, bottom - 3, shown, 7.5, colour=_SOFT, most=21)
        left += shown + 20
    top, room = y, _WIDE - _MARGIN - left
    figures = [f for f in (*report.figures, *report.further) if not f.limit]
    if figures:
        _text(canvas, "Figures", left, y - 8, 9.5, bold=True)
        y -= 14
    for figure in figures[:MOST_FIGURES]:
        value = f"{figure.value} {figure.unit}".strip()
        _text(canvas, value, _WIDE - _MARGIN, y - 9, align="right")
        free = room - canvas.stringWidth(_latin(value), "Helvetica", 8.5) - 8
        y = _paragraph(canvas, figure.title, left, y + 0.5, free, 8.5, colour=_SOFT, most=23) - 2.5
        if figure.spread:
            _text(canvas, f"({figure.spread})", _WIDE - _MARGIN, y - 6, 7.5, align="right", colour=_SOFT)
            y -= 10
    return min(y, bottom, top) - 16


def _plots(canvas: Canvas, shown: tuple[Distribution, ...], y: float) -> float:
    """Draw the distributions side by side, as high as the page has room for."""
    high = min(105.0, y - 190.0)
    if not shown or high < 55:
        return y
    wide = (_INNER - 28) / 2
    for k, distribution in enumerate(shown):
        _histogram(canvas, distribution, _MARGIN + k * (wide + 28), y - high, wide, high)
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
    canvas.setStrokeColor(HexColor(_INK))
    canvas.setLineWidth(0.6)
    canvas.line(x0, base, x0 + wide, base)
    for value in ticks(low, top, 6):
        _text(canvas, f"{value:g}", x(value), base - 9, 7, align="middle", colour=_SOFT)
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
        _text(
            canvas, line.text, x(line.value) + (3 if side == "left" else -3), base + full + up, 7, align=side
        )
    said = f"{shown.title}, {shown.unit}: {shown.pieces} pieces, tallest bar {int(np.max(shown.counts))}"
    _text(canvas, said, x0, y0 + high - 8, 8.5, bold=True)
    _text(canvas, ", ".join(f"{f.label} {f.text}" for f in shown.facts), x0, y0 + 1, 7, colour=_SOFT)


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
    bottom = _MARGIN + 46
    prints = "; ".join(f"{p.photo.name} {p.photo.sha256[:16]}" for p in batch.photos)
    room = max(y - bottom - 24, 12.0)
    y = _paragraph(canvas, " ".join(said), _MARGIN, y, _INNER, 7.5, colour=_SOFT, most=room)
    _paragraph(canvas, f"Photos (SHA-256 begins): {prints}", _MARGIN, y - 4, _INNER, 7, colour=_SOFT, most=20)
    _rule(canvas, _MARGIN + 26, _INK)
    for k, label in enumerate(("lot", "inspected by", "date, signature")):
        _text(canvas, label, _MARGIN + k * _INNER / 3, _MARGIN + 16, 7.5, colour=_SOFT)
    _text(
        canvas,
        f"traygauge {report.versions[0].text}",
        _WIDE - _MARGIN,
        _MARGIN,
        7,
        align="right",
        colour=_SOFT,
    )
