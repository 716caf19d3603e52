"""The annotated photo as a picture of its own: the photo as taken, every piece outlined, with a legend below."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from traygauge.batch import PhotoInspection
from traygauge.report.model import FloatArray, Headline, PhotoPart
from traygauge.report.overlay import boxes_of, places_of
from traygauge.report.palette import CASING, TONES, Look
from traygauge.report.picture import Drawn, Frame, Pixels, draw, frame_pixels, jpeg, window_frame

if TYPE_CHECKING:
    from PIL import ImageDraw, ImageFont

#: Widths of lines, lengths of dashes and height of text, as shares of the picture's longer side. Text in a picture
#: that is printed a third of a page wide is higher, about 6 points.
_LINE, _DASH, _GAP, _TEXT, _SMALL_PRINT = 0.0009, 0.0036, 0.0024, 0.011, 0.021


def annotated_jpeg(inspection: PhotoInspection, part: PhotoPart, headline: Headline) -> bytes:
    """Return the photo's window with its pieces outlined and labelled by finding, as the bytes of a JPEG file."""
    frame = window_frame(inspection.tray, longest=4000)
    drawn = draw(inspection.tray, frame, part.marks)
    pixels = _outlined(inspection, part, frame, drawn)
    return jpeg(_lettered(pixels, part, drawn, frame, headline), quality=86)


def numbered_pixels(inspection: PhotoInspection, part: PhotoPart, *, longest: int) -> Pixels:
    """Return the photo's window for a small print: pieces outlined by finding, numbers where the report names them.

    Returns
    -------
    ndarray (h, w, 3), uint8, RGB; its longer side at most `longest` pixels.
    """
    from PIL import Image, ImageDraw, ImageFont

    frame = window_frame(inspection.tray, longest=longest)
    drawn = draw(inspection.tray, frame, part.marks)
    canvas = Image.fromarray(_outlined(inspection, part, frame, drawn))
    font = ImageFont.load_default(max(_SMALL_PRINT * max(frame.width, frame.height), 1.0))
    _write(ImageDraw.Draw(canvas), font, [m.number for m in part.marks], drawn, frame)
    return np.asarray(canvas, np.uint8)


def _outlined(inspection: PhotoInspection, part: PhotoPart, frame: Frame, drawn: Sequence[Drawn]) -> Pixels:
    pixels = frame_pixels(inspection.photo, frame).copy()
    for look, lines in _by_look(part, drawn).items():
        _stroke(pixels, lines, look, max(frame.width, frame.height))
    return pixels


def _by_look(part: PhotoPart, drawn: Sequence[Drawn]) -> dict[Look, list[FloatArray]]:
    """Return closed outlines of the marks by look, the plain ones first so that findings lie on top."""
    lines: dict[Look, list[FloatArray]] = {}
    for mark, shape in sorted(
        zip(part.marks, drawn, strict=True), key=lambda pair: pair[0].look.kind != "plain"
    ):
        if len(shape.outline):
            lines.setdefault(mark.look, []).append(np.concatenate([shape.outline, shape.outline[:1]]))
    return lines


def _stroke(pixels: Pixels, lines: list[FloatArray], look: Look, unit: float) -> None:
    """Draw lines in a look: a dark casing, the colour on it, and for double lines a dark core."""
    tone, case = _rgb(TONES[look.colour].bright), _rgb(CASING)
    thin = max(1.0, _LINE * unit * (0.7 if look.kind == "plain" else 1.0))
    wide = 3.4 * thin if look.stroke == "double" else thin
    _draw(pixels, lines, case, wide + 1.6 * thin)
    if look.stroke == "dashed":
        lines = [d for line in lines for d in dashes(line, _DASH * unit, _GAP * unit)]
    elif look.stroke == "dotted":
        lines = [d for line in lines for d in dashes(line, 0.3 * _DASH * unit, 0.8 * _GAP * unit)]
    _draw(pixels, lines, tone, wide)
    if look.stroke == "double":
        _draw(pixels, lines, case, thin)


def dashes(line: FloatArray, dash: float, gap: float) -> list[FloatArray]:
    """Return the dashes of an open line, each ndarray (k, 2); lengths in the line's own units."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    starts = np.arange(0.0, along[-1], dash + gap)
    found = []
    for start in starts:
        end = min(start + dash, along[-1])
        inside = along[(along > start) & (along < end)]
        at = np.concatenate([[start], inside, [end]])
        found.append(np.stack([np.interp(at, along, line[:, k]) for k in (0, 1)], -1))
    return found


def _draw(pixels: Pixels, lines: Iterable[FloatArray], colour: tuple[int, int, int], width: float) -> None:
    import cv2

    shift = 4
    # SVG's points have (0, 0) at a pixel's corner, OpenCV's at its centre
    fixed = [np.round((line - 0.5) * 2**shift).astype(np.int32)[:, None] for line in lines]
    cv2.polylines(pixels, fixed, False, colour, max(1, round(width)), cv2.LINE_AA, shift)


def _lettered(
    pixels: Pixels, part: PhotoPart, drawn: Sequence[Drawn], frame: Frame, headline: Headline
) -> Pixels:
    """Return the picture with labels at the pieces and a legend below."""
    from PIL import Image, ImageDraw, ImageFont

    unit = max(frame.width, frame.height)
    font = ImageFont.load_default(max(_TEXT * unit, 1.0))  # a picture of a few pixels
    foot = round(4 * _TEXT * unit)
    canvas = Image.new("RGB", (frame.width, frame.height + foot), CASING)
    canvas.paste(Image.fromarray(pixels), (0, 0))
    pen = ImageDraw.Draw(canvas)
    _write(pen, font, [m.beside for m in part.marks], drawn, frame)
    _legend(canvas, pen, font, part, headline, unit)
    return np.asarray(canvas, np.uint8)


def _write(
    pen: ImageDraw.ImageDraw,
    font: ImageFont.ImageFont | ImageFont.FreeTypeFont,
    texts: Sequence[str],
    drawn: Sequence[Drawn],
    frame: Frame,
) -> None:
    """Write a text beside each piece, where it has one."""
    high = float(np.diff(font.getbbox("0")[1::2])[0])
    sizes = [(pen.textlength(t, font) + 0.4 * high, 2.0 * high) if t else None for t in texts]
    edge = max(1, round(0.15 * high))  # dark, so that white letters can be read on a white tray
    for k, at in places_of(sizes, boxes_of(drawn), frame).items():
        pen.text(at, texts[k], "#FFFFFF", font, "mm", stroke_width=edge, stroke_fill=CASING)


def _legend(
    canvas: object,
    pen: ImageDraw.ImageDraw,
    font: ImageFont.ImageFont | ImageFont.FreeTypeFont,
    part: PhotoPart,
    headline: Headline,
    unit: float,
) -> None:
    from PIL import Image

    assert isinstance(canvas, Image.Image)
    text = _TEXT * unit
    middle, left = canvas.height - 2 * text, 1.2 * text
    pen.text((left, middle), headline.word, "#FFFFFF", font, "lm", stroke_width=unit // 2500)
    left += pen.textlength(headline.word, font) + 2.2 * text
    for tally in part.tallies:
        said = f"{tally.look.name} {tally.count}"
        if left + 3 * text + pen.textlength(said, font) > canvas.width:
            return
        box = np.array([[0, -0.45], [2.2, -0.45], [2.2, 0.45], [0, 0.45], [0, -0.45]]) * text + (left, middle)
        swatch = np.asarray(canvas, np.uint8).copy()
        _stroke(swatch, [box], tally.look, unit)
        canvas.paste(Image.fromarray(swatch), (0, 0))
        pen.text((left + 2.8 * text, middle), said, "#FFFFFF", font, "lm")
        left += 2.8 * text + pen.textlength(said, font) + 1.8 * text


def _rgb(colour: str) -> tuple[int, int, int]:
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return red, green, blue
