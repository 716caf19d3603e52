"""The sheet as a PDF to print: vector drawing at true size, from the board's own bits."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from traygauge_calib.sheets import BITS, MARKER_SHARE, SHEETS, Sheet, marker_bits
from traygauge_shared.errors import SheetError
from traygauge_shared.saving import write_whole

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

Known = TypeVar("Known")

#: Papers, width and height in mm, lying across.
PAPERS: dict[str, tuple[float, float]] = {
    "A5": (210.0, 148.0),
    "A4": (297.0, 210.0),
    "Letter": (279.4, 215.9),
}
#: Colours that the window can have by name, sRGB. "blank" leaves the paper for a card to be laid in.
WINDOW_COLOURS: dict[str, str] = {
    "black": "#1E1E1E",
    "dark blue": "#1B2A6B",
    "green": "#2E9B4F",
    "grey": "#8C8C8C",
    "white": "#FFFFFF",
    "blank": "",
}
_POINTS_PER_MM = 72.0 / 25.4
_ADVICE = (
    "Print at 100 % (actual size), not fitted to the page. Measure both bars and keep them: traygauge sheet measured "
    "NAME --across ... --down ...{size} Tape the sheet flat to glass or board. Spread the pieces in the window so that they "
    "do not touch. Phone 30-40 cm above the middle, level, longer lens, no flash; the whole ring of markers in the "
    "picture."
)
_SHORT_ADVICE = (
    "Print at 100 %. Measure both bars. Tape it flat to glass or board. Phone 30-40 cm up, level, longer lens, no "
    "flash, whole ring in the picture."
)


@dataclass(frozen=True)
class _Layout:
    """Where the board lies on the paper (mm from the paper's top left), and where text goes."""

    paper_mm: tuple[float, float]
    left_mm: float
    top_mm: float
    roomy: bool


def sheet_pdf(
    sheet: str = "medium",
    *,
    window_colour: str = "black",
    paper: str = "A4",
    print_name: str = "",
    date: str = "",
    plane_offset_mm: float | None = None,
) -> bytes:
    """Return the sheet as the bytes of a one-page PDF.

    Parameters
    ----------
    sheet : "small", "medium" or "large".
    window_colour : a name in `WINDOW_COLOURS` or "#RRGGBB"; "blank" leaves the paper.
    paper : a name in `PAPERS`.
    print_name, date, plane_offset_mm : filled in on their lines; empty: lines to write on.

    Raises
    ------
    SheetError
        An unknown sheet, colour or paper, or a paper too small for the sheet.
    """
    import io

    from reportlab.pdfgen.canvas import Canvas

    known = _known(sheet, SHEETS, "sheet")
    layout = _layout(known, paper)
    width, height = (side * _POINTS_PER_MM for side in layout.paper_mm)
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(width, height), invariant=True)
    canvas.setTitle(f"traygauge {known.name} sheet")
    canvas.setViewerPreference("PrintScaling", "None")
    # from here on millimetres, origin at the board's first square, y still upwards (text stays upright)
    canvas.translate(layout.left_mm * _POINTS_PER_MM, height - layout.top_mm * _POINTS_PER_MM)
    canvas.scale(_POINTS_PER_MM, _POINTS_PER_MM)
    _draw_ring(canvas, known)
    _draw_window(canvas, known, _colour(window_colour))
    _draw_bars(canvas, known, layout)
    offset = "" if plane_offset_mm is None else f"{plane_offset_mm:g}"
    _draw_text(canvas, known, layout, (print_name, date, offset))
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def write_sheet(
    path: str | os.PathLike[str],
    sheet: str = "medium",
    *,
    window_colour: str = "black",
    paper: str = "A4",
    print_name: str = "",
    date: str = "",
    plane_offset_mm: float | None = None,
) -> Path:
    """Write the sheet's PDF (see `sheet_pdf`), whole or not at all, and return its path.

    Raises
    ------
    SheetError
        As `sheet_pdf`.
    RecordError
        The file cannot be written.
    """
    data = sheet_pdf(
        sheet,
        window_colour=window_colour,
        paper=paper,
        print_name=print_name,
        date=date,
        plane_offset_mm=plane_offset_mm,
    )
    return write_whole(path, data)


def _known(name: str, table: Mapping[str, Known], what: str) -> Known:
    if name not in table:
        raise SheetError(
            f"there is no such {what}",
            found=repr(name),
            expected=", ".join(table),
            advice=f"choose one of these for the {what}",
        )
    return table[name]


def _colour(name: str) -> tuple[float, float, float] | None:
    """Return (red, green, blue), 0..1, or None for a blank window."""
    code = WINDOW_COLOURS.get(name, name)
    if not code:
        return None
    if not re.fullmatch(r"#[0-9A-Fa-f]{6}", code):
        raise SheetError(
            "there is no such window colour",
            found=repr(name),
            expected=", ".join(WINDOW_COLOURS) + " or #RRGGBB",
            advice="choose a plain colour unlike that of the pieces",
        )
    red, green, blue = (int(code[k : k + 2], 16) / 255.0 for k in (1, 3, 5))
    return red, green, blue


def _layout(sheet: Sheet, paper: str) -> _Layout:
    size = _known(paper, PAPERS, "paper")
    width, height = sheet.board_mm
    left, spare = (size[0] - width) / 2.0, size[1] - height
    if left < 8.0 or spare < 15.0:
        raise SheetError(
            f"the {sheet.name} sheet does not fit this paper",
            found=f"{paper}, {size[0]:g} x {size[1]:g} mm",
            expected=f"room for a board of {width:g} x {height:g} mm with 8 mm around it",
            advice="choose a larger paper or a smaller sheet",
        )
    roomy = spare >= 30.0
    return _Layout(size, left, max(10.0, 0.3 * spare) if roomy else spare / 2.0, roomy)


def _draw_ring(canvas: Canvas, sheet: Sheet) -> None:
    """Draw everything black in the ring as one path, so that no renderer leaves seams between its parts."""
    path = canvas.beginPath()

    def black(x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> None:
        path.rect(x_mm, -y_mm - height_mm, width_mm, height_mm)

    square = sheet.square_mm
    x0, y0, x1, y1 = sheet.window_mm
    for row in range(sheet.squares[1]):
        for column in range(row % 2, sheet.squares[0], 2):
            x, y = column * square, row * square
            if not (x0 <= x < x1 and y0 <= y < y1):
                black(x, y, square, square)
    module = square * MARKER_SHARE / (BITS + 2)
    for marker, corners in zip(sheet.marker_ids, sheet.marker_corners_mm, strict=True):
        modules = np.pad(1 - marker_bits()[marker], 1, constant_values=1)
        for row, line in enumerate(modules):
            for start, end in _runs(line):
                x, y = corners[0] + module * np.array([start, row])
                black(float(x), float(y), module * (end - start), module)
    canvas.setFillGray(0.0)
    canvas.drawPath(path, stroke=0, fill=1)


def _runs(line: np.ndarray) -> list[tuple[int, int]]:
    """Return (start, end) of each run of ones."""
    turns = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in turns.reshape(-1, 2)]


def _draw_window(canvas: Canvas, sheet: Sheet, colour: tuple[float, float, float] | None) -> None:
    if colour is None:
        return
    x0, y0, x1, y1 = sheet.window_mm
    canvas.setFillColorRGB(*colour)
    canvas.rect(x0, -y1, x1 - x0, y1 - y0, stroke=0, fill=1)


def _draw_bars(canvas: Canvas, sheet: Sheet, layout: _Layout) -> None:
    """Draw one check bar along each axis: a line between two ticks whose outer edges are the length apart."""
    away = 5.5 if layout.roomy else 4.0
    length, thick, tick = sheet.bar_mm, 0.25, 1.2
    bottom, left = -sheet.board_mm[1] - away, -away
    canvas.setFillGray(0.0)
    canvas.rect(0.0, bottom - thick / 2, length, thick, stroke=0, fill=1)
    canvas.rect(left - thick / 2, -length, thick, length, stroke=0, fill=1)
    for end in (0.0, length - thick):
        canvas.rect(end, bottom - tick, thick, 2 * tick, stroke=0, fill=1)
        canvas.rect(left - tick, -end - thick, 2 * tick, thick, stroke=0, fill=1)
    canvas.setFont("Helvetica", 2.2)
    if not layout.roomy:
        canvas.drawString(length + 1.5, bottom - 0.8, f"{length:g} mm")
        return
    text = f"{length:g} mm between the outer edges of the ticks"
    canvas.drawString(0.8, bottom - 2.6, text + " (across)")
    canvas.saveState()
    canvas.translate(left - 1.8, -length + 0.8)
    canvas.rotate(90)
    canvas.drawString(0.0, 0.0, text + " (down)")
    canvas.restoreState()


def _draw_text(canvas: Canvas, sheet: Sheet, layout: _Layout, filled: tuple[str, str, str]) -> None:
    """Draw the lines for name, date and plane, and the advice."""
    from reportlab.lib.utils import simpleSplit

    width, height = sheet.board_mm
    title = f"traygauge {sheet.name} sheet"
    canvas.setLineWidth(0.1)
    if not layout.roomy:
        x = sheet.bar_mm + 11.0
        _draw_lines(canvas, (x, -height - 4.8), width - x, 2.0, filled)
        canvas.setFont("Helvetica", 2.0)
        canvas.drawString(0.0, 2.6, f"{title}. {_SHORT_ADVICE}")
        return
    _draw_lines(canvas, (0.0, -height - 12.2), width, 2.8, filled)
    canvas.setFont("Helvetica-Bold", 2.6)
    canvas.drawString(0.0, 3.6, title)
    canvas.setFont("Helvetica", 2.4)
    advice = _ADVICE.format(size="" if sheet.name == "medium" else f" --size {sheet.name}.")
    for number, line in enumerate(simpleSplit(advice, "Helvetica", 2.4, width)):
        canvas.drawString(0.0, -height - 16.4 - 3.0 * number, line)


def _draw_lines(
    canvas: Canvas, start: tuple[float, float], width_mm: float, size: float, filled: tuple[str, str, str]
) -> None:
    """Draw three labelled lines to write on, side by side, filled in where there is something to fill in."""
    x, y = start
    canvas.setFont("Helvetica", size)
    labels = ("print:", "date:", "pieces' plane over the paper, mm:" if width_mm > 100 else "plane, mm:")
    shares = (0.33, 0.21, 0.46) if width_mm > 100 else (0.4, 0.3, 0.3)
    for label, text, share in zip(labels, filled, shares, strict=True):
        canvas.drawString(x, y, label)
        first = x + canvas.stringWidth(label, "Helvetica", size) + 1.0
        last = x + share * width_mm - 2.0
        canvas.line(first, y - 0.5, last, y - 0.5)
        canvas.drawString(first + 0.5, y, _fitted(canvas, text, size, last - first - 1.0))
        x += share * width_mm


def _fitted(canvas: Canvas, text: str, size: float, width_mm: float) -> str:
    """Return text in the font's characters, cut to a width."""
    plain = " ".join(text.split()).encode("cp1252", "replace").decode("cp1252")
    while plain and canvas.stringWidth(plain, "Helvetica", size) > width_mm:
        plain = plain[:-1]
    return plain
