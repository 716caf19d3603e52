"""The report as one HTML file that needs nothing but itself: no network, no fonts, no other file."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from traygauge.batch import Batch, PhotoInspection
from traygauge.report.model import Closeup, FloatArray, Mark, PhotoPart, Report
from traygauge.report.overlay import Shape, label_size, path_text, shapes
from traygauge.report.page_template import page_script, page_template
from traygauge.report.picture import (
    Frame,
    draw,
    frame_pixels,
    jpeg,
    simplified,
    tray_picture,
    window_frame,
)
from traygauge.report.plots import histogram, interval_strip
from traygauge.report.tiles import Tile, tiles


@dataclass(frozen=True)
class PhotoView:
    """A photo as the template shows it."""

    part: PhotoPart
    frame: Frame
    label_size: float
    px_per_mm: float
    first: int | None
    image: str
    shapes: list[Shape]


@dataclass(frozen=True)
class TileView:
    """A close-up as the template shows it: paths in sheet mm."""

    closeup: Closeup
    mark: Mark
    tile: Tile
    image: str
    outline: str
    tails: str
    centreline: str


def render_html(report: Report, batch: Batch) -> str:
    """Return the report as the text of an HTML file; pictures are taken from the batch's photos."""
    from markupsafe import Markup

    template, style = page_template("report.html.j2")
    script = page_script("report.js")
    first = {c.photo: report.photos[c.photo].marks[c.mark].piece for c in reversed(report.closeups)}
    views = [_photo_view(p, i, first.get(p.index)) for p, i in zip(report.photos, batch.photos, strict=True)]
    return template.render(
        report=report,
        views=views,
        tiles=_tile_views(report, batch),
        style=style,
        script=Markup(script),
        script_hash=_hash(script),
        histograms=[Markup(histogram(d)) for d in report.distributions],
        strip=lambda s, **size: Markup(interval_strip(s, **size)),
        data=_data(report),
        split=_split,
    )


def _photo_view(part: PhotoPart, inspection: PhotoInspection, first: int | None) -> PhotoView:
    frame = window_frame(inspection.tray)
    image = _data_uri(jpeg(frame_pixels(inspection.photo, frame)))
    drawn = draw(inspection.tray, frame, part.marks)
    x0, y0, x1, y1 = inspection.tray.window_mm
    scale = float(inspection.tray.px_per_mm(np.array([(x0 + x1) / 2, (y0 + y1) / 2]))) * frame.scale
    drawn_shapes = shapes(part.marks, drawn, frame)
    return PhotoView(part, frame, label_size(frame), scale, first, image, drawn_shapes)


def _tile_views(report: Report, batch: Batch) -> list[TileView]:
    marks = [report.photos[c.photo].marks[c.mark] for c in report.closeups]
    views = []
    for closeup, mark, tile in zip(report.closeups, marks, tiles(marks), strict=True):
        tray = batch.photos[closeup.photo].tray
        here = float(tray.px_per_mm(tile.middle_mm, mark.height_mm))
        pixels = tray_picture(tray, tile.box_mm, min(2 * tile.px_per_mm, 1.25 * here), mark.height_mm)
        views.append(
            TileView(
                closeup,
                mark,
                tile,
                _data_uri(jpeg(pixels, quality=85)),
                _mm_path(mark.outline_mm, closed=True),
                "".join(_mm_path(t) for t in mark.tails_mm),
                _mm_path(mark.centreline_mm),
            )
        )
    return views


def _mm_path(line: FloatArray, *, closed: bool = False) -> str:
    return path_text(simplified(line, 0.01, closed=closed), closed=closed, decimals=2)


def _data(report: Report) -> dict[str, Any]:
    """Return what the script needs: columns with their units, and the rows of all pieces."""
    return {
        "columns": [[c.name, c.label, c.unit, c.is_number] for c in report.table_columns],
        "rows": report.table_rows,
    }


def _split(text: str) -> tuple[str, str]:
    """Return what stands before the decimal point and the rest with it, for aligning."""
    whole, point, rest = text.partition(".")
    return whole, point + rest


def _data_uri(data: bytes) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")


def _hash(script: str) -> str:
    """Return the script's hash for the page's own security policy, which lets no other script run."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
