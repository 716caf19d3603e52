"""Drawing on one page of A4 (PDF): lines of text, wrapped text, rules and small tables. Lengths in points, y up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from traygauge.report.palette import LIGHT

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

WIDE, HIGH, MARGIN = 595.3, 841.9, 48.0
INNER = WIDE - 2 * MARGIN
INK, SOFT, LINE = LIGHT.ink, LIGHT.soft, LIGHT.line


def latin(text: str) -> str:
    """Return a text in the letters that a PDF's own fonts have; others are written out."""
    return text.encode("cp1252", "backslashreplace").decode("cp1252")


def paragraph(
    canvas: Canvas, text: str, x: float, y: float, width: float, size: float, **style: Any
) -> float:
    """Draw wrapped text with its top at y, and return its bottom.

    `most` bounds its height: it is set smaller, down to `least`, and what still has no room is left out.
    """
    from reportlab.lib.colors import HexColor

    font = "Helvetica-Bold" if style.get("bold") else "Helvetica"
    most, least = style.get("most", math.inf), style.get("least", size)
    colour = HexColor(style.get("colour", INK))
    text = latin(text)
    shown, height = _set(text, width, size, font, colour)
    while height > most and len(text) >= 8:
        if size > least:
            size = max(size - 0.25, least)
        else:
            text = text[: int(len(text) * 0.97) - 4].rstrip(" .") + " ..."
        shown, height = _set(text, width, size, font, colour)
    shown.drawOn(canvas, x, y - height)
    return float(y - height)


def _set(text: str, width: float, size: float, font: str, colour: Any) -> tuple[Any, float]:
    """Return text set in lines, and its height."""
    from xml.sax.saxutils import escape

    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    look = ParagraphStyle("text", fontName=font, fontSize=size, leading=1.3 * size, textColor=colour)
    shown = Paragraph(escape(text), look)
    return shown, float(shown.wrap(width, 10_000)[1])


def write(canvas: Canvas, text: str, x: float, y: float, size: float = 8.5, **style: Any) -> None:
    """Draw one line; `align` is "left", "right" or "middle", x its anchor."""
    from reportlab.lib.colors import HexColor

    canvas.setFillColor(HexColor(style.get("colour", INK)))
    canvas.setFont("Helvetica-Bold" if style.get("bold") else "Helvetica", size)
    draw = {"left": canvas.drawString, "right": canvas.drawRightString, "middle": canvas.drawCentredString}
    draw[style.get("align", "left")](x, y, latin(text))


def rule(canvas: Canvas, y: float, colour: str = LINE) -> None:
    """Draw a line across the page."""
    from reportlab.lib.colors import HexColor

    canvas.setStrokeColor(HexColor(colour))
    canvas.setLineWidth(0.6)
    canvas.line(MARGIN, y, WIDE - MARGIN, y)


def on_decimal(canvas: Canvas, number: str, x: float, y: float) -> None:
    """Draw a number with its decimal point at x."""
    whole, point, rest = number.partition(".")
    write(canvas, whole, x, y, align="right")
    write(canvas, point + rest, x, y)


def table(
    canvas: Canvas,
    rows: Sequence[Sequence[str]],
    x: float,
    y: float,
    widths: Sequence[float],
    *,
    heads: int = 1,
    size: float = 7.5,
) -> float:
    """Draw a small table with its top at y, the first rows its head, and return its bottom.

    The first column is text, the others end alike; `widths` are theirs.
    """
    ends = [x + sum(widths[: k + 1]) for k in range(len(widths))]
    for k, (first, *others) in enumerate(rows):
        y -= 1.45 * size
        colour = SOFT if k < heads else INK
        write(canvas, first, x, y, size, colour=colour)
        for end, cell in zip(ends[1:], others, strict=True):
            write(canvas, cell, end, y, size, align="right", colour=colour)
    return y - 0.3 * size
