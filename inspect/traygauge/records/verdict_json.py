"""`verdict.json`: the answer and what it rests on, for other programs. `verdict.schema.json` documents every field.

The format has a number of its own. Fields may be added under the same number; a field that goes or changes its
meaning raises it. Infinite bounds are null (JSON has no infinity), empty numbers too. Figures are not rounded.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from dataclasses import asdict
from importlib import resources
from typing import Any

import numpy as np

import traygauge
from traygauge.batch import Batch, PhotoInspection
from traygauge.judge.regrind import Part, Regrind, SieveTable
from traygauge.judge.verdict import Figure, Interval, LimitResult
from traygauge.measure.pieces import Pieces
from traygauge.words import FINDINGS, FORMS, STATES
from traygauge_calib.fitness import Check
from traygauge_calib.tray_view import TrayView
from traygauge_shared.errors import RecordError, TraygaugeError
from traygauge_shared.names import printable

FORMAT_NUMBER = 2

Json = dict[str, Any]


def verdict_json(batch: Batch) -> bytes:
    """Return a batch's verdict as the bytes of a `verdict.json` (UTF-8, indented, keys in the schema's order)."""
    document = verdict_document(batch)
    return (json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8")


def verdict_schema() -> Json:
    """Return the JSON Schema (draft 2020-12) of the format as it stands."""
    text = resources.files(__package__).joinpath("verdict.schema.json").read_text("utf-8")
    schema: Json = json.loads(text)
    return schema


def read_verdict_json(data: bytes) -> Json:
    """Return the document of a `verdict.json`.

    Raises
    ------
    RecordError
        When it is no such file, or one of a newer format.
    """
    try:
        document = json.loads(data.decode("utf-8"))
    except ValueError as error:
        raise _not_a_verdict(str(error)) from error
    if not isinstance(document, dict) or not isinstance(number := document.get("format"), int):
        raise _not_a_verdict("no format number")
    if number > FORMAT_NUMBER:
        raise RecordError(
            "this verdict was written by a newer traygauge",
            found=f"format {number}",
            expected=f"format {FORMAT_NUMBER} or older",
            advice="install the newer version",
        )
    return document


def outcome(batch: Batch) -> str:
    """Return the batch's one word: accept, reject, undecided, measured (no spec), empty or refused."""
    if batch.verdict.answer is not None:
        return str(batch.verdict.answer)
    if not batch.photos:
        return "refused"
    return "measured" if len(batch.pieces) else "empty"


def verdict_document(batch: Batch) -> Json:
    """Return what a `verdict.json` holds as plain values."""
    verdict = batch.verdict
    return {
        "format": FORMAT_NUMBER,
        "program": {"name": "traygauge", "version": traygauge.__version__},
        "outcome": outcome(batch),
        "reason": verdict.reason,
        "next_step": verdict.next_step,
        "looks": verdict.looks,
        "sequence": list(verdict.sequence),
        "limits": [_limit(r) for r in verdict.limits],
        "figures": [_figure(f) for f in verdict.figures],
        "regrind": _regrind(verdict.regrind) if verdict.regrind else None,
        "cut_lengths": [asdict(d) for d in verdict.cut_lengths],
        "advice": list(verdict.advice),
        "notes": list(verdict.notes),
        "counts": _counts(batch.pieces),
        "photos": [_photo(p) for p in batch.photos],
        "refused": [_refusal(name, error) for name, error in batch.refused],
        "spec": batch.spec.to_dict() if batch.spec else None,
        "settings": {printable(k): printable(v, longest=1000) for k, v in batch.settings.items()},
    }


def _limit(result: LimitResult) -> Json:
    return {
        "path": result.path,
        "title": result.title,
        "unit": result.unit,
        "bound": result.bound,
        "limit": _number(result.limit),
        "estimate": _number(result.interval.estimate),
        "interval": _interval(result.interval),
        "with_unmeasured": _interval(result.with_unmeasured),
        "deciding": _interval(result.deciding),
        "answer": str(result.answer),
        "pieces": result.n,
        "pieces_effective": _number(result.n_effective),
        "hits": result.hits,
        "more_pieces": result.more_pieces,
        "rule": result.rule,
        "reason": result.reason,
        "looks": [asdict(look) for look in result.looks],
    }


def _interval(interval: Interval) -> Json:
    return {
        "low": _number(interval.low),
        "high": _number(interval.high),
        "confidence": _number(interval.confidence),
    }


def _figure(figure: Figure) -> Json:
    return {
        "name": figure.name,
        "title": figure.title,
        "unit": figure.unit,
        "value": _number(figure.value),
        "low": _number(figure.low),
        "high": _number(figure.high),
        "basis": figure.basis,
        "source": figure.source,
        "note": figure.note,
    }


def _regrind(regrind: Regrind) -> Json:
    return {
        "amounts_by": regrind.by,
        "parts": [_part(p) for p in regrind.parts],
        "sieves": [_sieve(t) for t in (regrind.by_count, regrind.by_amount)],
    }


def _part(part: Part) -> Json:
    return {
        "name": part.name,
        "meaning": part.meaning,
        "kind": "form" if part.is_form else "finding",
        "pieces": part.count,
        "of": part.of,
        "share_percent": _number(part.share.estimate),
        "interval": _interval(part.share),
        "amount_percent": _number(part.amount_percent),
    }


def _sieve(table: SieveTable) -> Json:
    return {
        "series": "R20/3",
        "by": table.by,
        "pieces": table.n,
        "note": table.note,
        "classes": [
            {"name": name, "retained_percent": held, "passing_percent": passing}
            for name, held, passing in table.rows()
        ],
    }


def _counts(pieces: Pieces) -> Json:
    states, forms = Counter(map(str, pieces["state"])), Counter(map(str, pieces["form"]))
    findings = Counter(f for joined in pieces["findings"] for f in str(joined).split(";") if f)
    return {
        "pieces": len(pieces),
        "measured": int(pieces.measured.sum()),
        "forms": {w.name: forms[w.name] for w in FORMS},
        "states": {w.name: states[w.name] for w in STATES},
        "findings": {w.name: findings[w.name] for w in FINDINGS},
    }


def _photo(inspection: PhotoInspection) -> Json:
    photo = inspection.photo
    return {
        "name": printable(photo.name),
        "sha256": photo.sha256,
        "width_px": photo.width,
        "height_px": photo.height,
        "file_format": photo.file_format,
        "camera": printable(photo.camera_name),
        "pieces": len(inspection.pieces),
        "scale": _scale(inspection.tray),
        "fitness": {
            "level": inspection.fitness.level,
            "checks": [_check(c) for c in inspection.fitness.checks],
        },
        "sight": {name: _number(value) for name, value in asdict(inspection.sight).items()},
        "u_shared_mm": dict(zip(("length", "diameter"), _u_shared(inspection.pieces), strict=True)),
        "seconds": {k: _number(v) for k, v in inspection.seconds.items()},
    }


def _u_shared(pieces: Pieces) -> list[float | None]:
    """Return what all pieces of a photo share of u(length) and u(diameter): medians over the measured ones, mm."""
    shared = [part for name, part in pieces.u_parts.items() if name.startswith("shared ")]
    whole = np.sqrt(sum((part**2 for part in shared), np.zeros((len(pieces), 2))))
    seen = whole[np.isfinite(whole).all(1) & (whole > 0).any(1)]
    return [_number(v) for v in np.median(seen, axis=0)] if len(seen) else [None, None]


def _scale(tray: TrayView) -> Json:
    x0, y0, x1, y1 = tray.window_mm
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    return {
        "source": tray.source,
        "sheet": tray.sheet_name,
        "print": printable(tray.print_name),
        "px_per_mm": _number(float(tray.px_per_mm(middle))),
        "window_mm": [_number(v) for v in tray.window_mm],
        "camera_height_mm": _number(tray.camera_height_mm),
        "plane_offset_mm": _number(tray.plane_offset_mm),
        "u_relative": _number(tray.scale.relative),
        "u_height_relative": _number(tray.scale.height_relative),
        "u_plane_mm": _number(tray.scale.plane_mm),
        "u_foot_mm": _number(tray.scale.foot_mm),
        "warnings": list(tray.warnings),
    }


def _check(check: Check) -> Json:
    return {
        "name": check.name,
        "value": _number(check.value),
        "unit": check.unit,
        "warn": _number(check.warn),
        "refuse": _number(check.refuse),
        "worse": check.worse,
        "level": check.level,
        "advice": check.advice,
    }


def _refusal(name: str, error: TraygaugeError) -> Json:
    return {
        "name": printable(name),
        "kind": type(error).__name__,
        "wrong": printable(error.wrong, longest=1000),
        "found": printable(error.found, longest=1000),
        "expected": printable(error.expected, longest=1000),
        "advice": printable(error.advice, longest=1000),
    }


def _number(value: float) -> float | None:
    """Return a plain finite float, None for what JSON cannot say."""
    return float(value) if math.isfinite(value) else None


def _not_a_verdict(found: str) -> RecordError:
    return RecordError(
        "this is no verdict",
        found=printable(found),
        expected="a verdict.json as written by traygauge",
        advice="inspect the photos again",
    )
