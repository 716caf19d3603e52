"""Reports: one HTML file that needs nothing but itself, its tables and pictures beside it, and text for a terminal."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from traygauge.batch import Batch
from traygauge.records import file_stem, pieces_csv, verdict_json, write_together
from traygauge.report.build import report_of
from traygauge.report.html import render_html
from traygauge.report.terminal import verdict_text

__all__ = ["render_html", "report_of", "verdict_text", "write_report"]


def write_report(batch: Batch, out_dir: Path) -> Path:
    """Write report.html, pieces.csv, verdict.json and an annotated photo each, and return the report's path.

    All of them are written, or none (`traygauge.records.write_together`); those of an earlier run are replaced.

    Parameters
    ----------
    batch : the judged batch; photos that were refused and an empty tray are reported too.
    out_dir : made where it is missing.

    Raises
    ------
    RecordError
        When something cannot be written.
    """
    from traygauge.report.annotated import annotated_jpeg

    report = report_of(batch, datetime.now().astimezone())
    page = out_dir / "report.html"
    files = {out_dir / "pieces.csv": pieces_csv(batch.pieces), out_dir / "verdict.json": verdict_json(batch)}
    taken: set[str] = set()
    for part, inspection in zip(report.photos, batch.photos, strict=True):
        stem = file_stem(inspection.photo.name, taken)
        taken.add(stem.lower())
        files[out_dir / f"{stem}.annotated.jpg"] = annotated_jpeg(inspection, part, report.headline)
    files[page] = render_html(report, batch).encode("utf-8")
    write_together(files)
    return page
