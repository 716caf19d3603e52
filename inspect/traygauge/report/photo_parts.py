"""One photo of the report: its pieces as marks, its fitness, its scale."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np

from traygauge.batch import Batch, PhotoInspection
from traygauge.measure.pieces import Pieces
from traygauge.report.judged import sentence
from traygauge.report.model import CheckRow, Fact, Mark, PhotoPart, Tally
from traygauge.report.numbers import fixed, short, spread, with_unit
from traygauge.report.palette import LOOKS, PLAIN, Look, look_of
from traygauge.report.piece_text import PieceText
from traygauge.words import number_of
from traygauge_calib.camera import PerspectiveCamera
from traygauge_calib.fitness import Check
from traygauge_calib.sight import Sight
from traygauge_calib.tray_view import TrayView
from traygauge_shared.names import printable

#: Labels on a photo with more of one finding than this are its two-letter code; so are all labels where the pieces
#: that carry one lie closer than this share of the window's longer side (half of them, to their nearest).
CROWD, CLOSE = 40, 0.03

_SOURCES = {
    "sheet": "printed sheet in the photo",
    "scan": "density tag of the scan",
    "stated": "stated pixels per millimetre",
    "reference": "straight reference in the photo",
}


def photo_parts(batch: Batch, text: PieceText, named: frozenset[int]) -> tuple[PhotoPart, ...]:
    """Return the parts of all photos; the batch's table holds their pieces one photo after the other.

    `named` are the rows that the report speaks of by number: the pictures show it there, and at heaps, which the next
    step may name.
    """
    parts, start = [], 0
    for index, inspection in enumerate(batch.photos):
        places = np.arange(start, start + len(inspection.pieces))
        parts.append(_part(index, inspection, batch.pieces, places, text, named))
        start += len(places)
    return tuple(parts)


def tallies(pieces: Pieces, *, crowded: bool = False) -> tuple[Tally, ...]:
    """Return how many pieces carry each finding or unmeasured state, then those with nothing to note.

    A piece with several findings counts at each of them, as in `verdict.json`. Where it is `crowded`, all labels are
    codes.
    """
    found = Counter(f for joined in pieces["findings"] for f in str(joined).split(";") if f)
    states = Counter(str(s) for s in pieces["state"])
    number = {n: (found if k.kind == "finding" else states)[n] for n, k in LOOKS.items()}
    counted = [
        Tally(k, number[n], k.kind == "finding" and (crowded or number[n] > CROWD)) for n, k in LOOKS.items()
    ]
    plain = sum(
        look_of(str(f), str(s)) is PLAIN for f, s in zip(pieces["findings"], pieces["state"], strict=True)
    )
    return (*(t for t in counted if t.count), Tally(PLAIN, plain))


def _is_crowded(pieces: Pieces, tray: TrayView) -> bool:
    from scipy.spatial import cKDTree

    found = np.array([bool(str(f)) for f in pieces["findings"]], bool)
    places = np.stack([pieces["x_mm"], pieces["y_mm"]], -1)[found].astype(float)
    places = places[np.isfinite(places).all(1)]
    if len(places) < 10:
        return False
    nearest = np.asarray(cKDTree(places).query(places, k=2)[0])[:, 1]
    x0, y0, x1, y1 = tray.window_mm
    return bool(np.median(nearest) < CLOSE * max(x1 - x0, y1 - y0))


def heights_mm(pieces: Pieces) -> list[float]:
    """Return the height over the tray at which each outline lies: half the diameter, the median's where unknown."""
    diameter = np.asarray(pieces["diameter_mm"], float)
    known = diameter[np.isfinite(diameter)]
    usual = float(np.median(known)) if known.size else 0.0
    return [float(d) / 2 for d in np.where(np.isfinite(diameter), diameter, usual)]


def _part(
    index: int,
    inspection: PhotoInspection,
    pieces: Pieces,
    places: np.ndarray,
    text: PieceText,
    named: frozenset[int],
) -> PhotoPart:
    own = pieces.take(places)
    measured = int(own.measured.sum())
    summary = (
        f"{number_of(len(own), 'piece')} found, {measured} of them measured"
        if len(own)
        else "No pieces found"
    )
    counted = tallies(own, crowded=_is_crowded(own, inspection.tray))
    return PhotoPart(
        index=index,
        name=printable(inspection.photo.name),
        summary=summary,
        tallies=counted if len(own) else (),
        marks=_marks(own, places, counted, text, named),
        level=inspection.fitness.level,
        checks=tuple(_check(c) for c in inspection.fitness.checks),
        scale=(*_scale(inspection.tray), *_sight(inspection.sight)),
        facts=_facts(inspection),
        warnings=tuple(sentence(w) for w in inspection.tray.warnings),
    )


def _marks(
    own: Pieces, places: np.ndarray, counted: tuple[Tally, ...], text: PieceText, named: frozenset[int]
) -> tuple[Mark, ...]:
    crowded = {t.look.name for t in counted if t.crowded}
    looks = [look_of(str(f), str(s)) for f, s in zip(own["findings"], own["state"], strict=True)]
    heights = heights_mm(own)
    return tuple(
        Mark(
            place=int(place),
            piece=int(own["piece"][k]),
            look=looks[k],
            names=text.names_of(int(place)),
            label=_label(looks[k], crowded),
            named=int(place) in named or own["state"][k] == "unresolved",
            spoken=text.spoken(int(place)),
            height_mm=heights[k],
            outline_mm=own.outlines_mm[k],
            tails_mm=own.tails_mm[k] if own.tails_mm else (),
            centreline_mm=own.centrelines_mm[k] if own.centrelines_mm else np.empty((0, 2)),
        )
        for k, place in enumerate(places)
        if k < len(own.outlines_mm)
    )


def _label(look: Look, crowded: set[str]) -> str:
    if look.kind != "finding":
        return ""
    return look.code if look.name in crowded else look.name


def _check(check: Check) -> CheckRow:
    figure = not check.is_yes_or_no
    return CheckRow(
        name=check.name,
        value=_found(check.value, check.warn) if figure else check.answer,
        unit=check.unit if figure else "",
        sense=("at most" if check.worse == "higher" else "at least") if figure else "",
        limit=short(check.warn) if figure else check.fine,
        level=check.level,
        advice="" if check.level == "fine" else check.advice,
    )


def _found(value: float, limit: float) -> str:
    """Return what a check found with two digits from the limit's first on, at most three in all.

    What lies beyond the limit is never rounded onto it.
    """
    if not value or not limit or not (math.isfinite(value) and math.isfinite(limit)):
        return short(value)
    decimals = 1 - math.floor(math.log10(max(abs(limit), abs(value) / 10)))
    while round(value, decimals) == limit != value and decimals < 6:
        decimals += 1
    return short(round(value, decimals))


def _scale(tray: TrayView) -> tuple[Fact, ...]:
    x0, y0, x1, y1 = tray.window_mm
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    facts = [Fact("scale from", _SOURCES[tray.source])]
    if tray.sheet_name:
        named = f", print {printable(tray.print_name)}" if tray.print_name else ", print not measured"
        facts.append(Fact("sheet", tray.sheet_name + named))
    facts.append(Fact("scale in the middle", f"{fixed(float(tray.px_per_mm(middle)), 2)} px/mm"))
    if isinstance(tray.camera, PerspectiveCamera):
        facts.append(Fact("camera over the tray", f"{tray.camera_height_mm:.0f} mm"))
        facts.append(Fact("tilt", f"{tray.camera.tilt_deg:.1f}°"))
    if tray.plane_offset_mm:
        facts.append(Fact("pieces' plane over the paper", f"{tray.plane_offset_mm:.2f} mm"))
    facts.append(Fact("blur in the middle", f"{float(tray.blur_px.at(middle)):.2f} px"))
    return (*facts, *_shared(tray))


def _shared(tray: TrayView) -> list[Fact]:
    """Return how certain those things are that all pieces of the photo share."""
    scale = tray.scale
    said = (
        ("scale known to", 100 * scale.relative, 2, "%"),
        ("camera's height known to", 100 * scale.height_relative, 1, "%"),
        ("height of the pieces' plane known to", scale.plane_mm, 2, "mm"),
        ("point below the camera known to", scale.foot_mm, 1, "mm"),
    )
    return [Fact(label, with_unit(shown, unit)) for label, u, n, unit in said if (shown := spread(u, n))]


def _sight(sight: Sight) -> tuple[Fact, ...]:
    return (
        Fact("threads are seen from", f"{fixed(sight.thread_mm, 2)} mm width"),
        Fact("fines are seen from", f"{fixed(sight.crumb_mm, 2)} mm"),
        Fact("a length known at best to", with_unit(spread(sight.u_length_mm, 2), "mm")),
    )


def _facts(inspection: PhotoInspection) -> tuple[Fact, ...]:
    photo = inspection.photo
    facts = [Fact("file", f"{printable(photo.file_format)}, {photo.width} × {photo.height} px")]
    if photo.camera_name:
        facts.append(Fact("camera", printable(photo.camera_name)))
    if photo.focal_35mm:
        facts.append(Fact("focal length (35 mm)", f"{short(photo.focal_35mm)} mm"))
    facts.append(Fact("SHA-256", photo.sha256))
    if inspection.seconds:
        total = sum(inspection.seconds.values())
        steps = ", ".join(f"{printable(k).replace('_', ' ')} {v:.2f}" for k, v in inspection.seconds.items())
        facts.append(Fact("time", f"{total:.2f} s ({steps})"))
    return tuple(facts)
