"""From regions to measured pieces."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from traygauge.measure.body import fit_bodies
from traygauge.measure.burrs import burr_heights
from traygauge.measure.channel import measuring_light
from traygauge.measure.colours import with_colours
from traygauge.measure.end_light import Apart
from traygauge.measure.first_frames import first_frames, frames_of_rods, plain_strand, rods_with_axis
from traygauge.measure.forms import Kinds, Tried, few_vertices, tell_kinds
from traygauge.measure.frame import Frames
from traygauge.measure.leaning import leaning
from traygauge.measure.outlines import Outlines
from traygauge.measure.pieces import Pieces
from traygauge.measure.shape import Shapes, shapes_of, strand_volume_mm3
from traygauge.measure.signal import Signal, read_signal
from traygauge.measure.tail_mask import labels_without_tails
from traygauge.measure.tail_roots import rooted
from traygauge.measure.tails import Tails, find_tails
from traygauge.measure.uncertainty import combined, u_burr, u_lips, u_odd_width, u_parts
from traygauge.measure.unsure import without_guesses, without_unread
from traygauge.segment.part_prior import REGRIND, SOME_FLAKES
from traygauge.segment.regions import Regions
from traygauge_calib.tray_view import TrayView
from traygauge_shared.threads import beside

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

#: How far the light along a parted bright, or dark, piece may move a free end, and one that meets another piece, from
#: where parting found it, in diameters: what passes for more of a dark piece is shadow, mostly that between two.
ROD_END = (0.06, 0.06), (0.02, 0.008)
#: The same for pieces that parting took for discs, from their outlines.
DISC_END = 0.5
#: A length of a piece at an angle is not stated where its standard uncertainty is more than this, in diameters: what
#: shows bounds it nearly as well; nor one so many times as long as usual, or as short: those are mostly parted badly, or
#: stand.
_MOST_U_LEANING, _UNUSUAL_LEANING = 0.2, 1.3
#: What is left unexplained of an end that is explained plainly, in usual ones.
_PLAINLY = 2.0
#: Columns that are figures of the whole outline's shape.
_OF_SHAPE = (
    *("feret_max_mm", "feret_min_mm", "feret_ratio", "area_mm2", "perimeter_mm", "solidity"),
    *("convexity", "compactness", "roundness", "straightness", "fibre_length_mm", "fibre_width_mm"),
)
#: A bend is stated from this many of its standard uncertainties on.
_BENT = 3.0


def measure_pieces(regions: Regions) -> Pieces:
    """Return the measured pieces of one photo, a row a region, in reading order.

    Parameters
    ----------
    regions : as `traygauge.segment.find_pieces` returns them.

    Returns
    -------
    Pieces : every region has a row but the bits of a tail that belong to another's. What cannot be measured has its
        state and empty numbers. `findings` holds only
        what needs no spec ("doubles", and "stringy" for threads that tie pieces together).
    """
    n = len(regions)
    if n == 0:
        return Pieces.of(0, {})
    tray = regions.tray
    light, seen = beside(_light, regions), beside(_seen, regions)
    tails = find_tails(regions)
    first = frames_of_rods(regions, first_frames(tray, tails.body_outlines_px))
    tried = _tried(regions, tails, first, *light.result())
    kinds = tell_kinds(tray, first, tried, np.array(regions.state, dtype=object))
    tails = tails.without_corners(kinds.form == "flake")
    burrs, unread = np.zeros(n), np.zeros(n, bool)
    if tried is not None:
        unread[tried.index] = tried.bodies.flanks.unread
        body = np.full(n, -1)
        body[tried.index] = np.where(kinds.measured[tried.index], np.arange(len(tried.index)), -1)
        burrs = burr_heights(tails, tray, tried.bodies, body)
        tails = rooted(tails, tray, tried.bodies.frames, tried.bodies.ends, body)
    table = _table(regions, tails, burrs, kinds, tried, *seen.result())
    table = without_unread(without_guesses(table), unread)
    return with_colours(table.take(tails.part_of < 0))


def _light(regions: Regions) -> tuple[Signal, FloatArray]:
    """Return the signal of the photo around n regions, and the tray's level beside each, (n,)."""
    light = measuring_light(regions)
    return read_signal(regions, light), light.tray_level


def _seen(regions: Regions) -> tuple[Outlines, Shapes]:
    """Return the outlines and their shapes, both in the tray's plane."""
    outlines = Outlines.of(regions.tray, regions.outlines_px)
    return outlines, shapes_of(outlines.each())


def _tried(
    regions: Regions, tails: Tails, first: Frames, signal: Signal, tray_level: FloatArray
) -> Tried | None:
    """Return the bodies fitted to all regions that may be measured; None where there are none."""
    state = np.where(tails.thread, "thread", np.asarray(regions.state))
    may_lie, discs = np.isin(state, ["whole", "parted", "leaning"]), state == "upright"
    if not may_lie.any():
        return None
    lying = np.flatnonzero(may_lie)
    plain = np.ones(len(lying), bool)
    if regions.flakes > REGRIND:
        plain = plain_strand(tuple(tails.body_outlines_px[k] for k in lying))
    tried = np.concatenate([lying[plain], lying[~plain], np.flatnonzero(discs)])
    tray = regions.tray
    outlines = beside(few_vertices, tray, tuple(tails.body_outlines_px[k] for k in tried))
    signal = signal.rows(tried)
    blur = float(np.median(tray.blur_px.at(first.centre_mm)))
    labels = labels_without_tails(regions, tails, blur)
    by_rod = rods_with_axis(regions)[tried]
    end = np.array(ROD_END)[np.where(signal.sense >= 0, 0, 1)] * first.diameter_mm[tried, None]
    end[~by_rod] = np.inf
    end[discs[tried]] = DISC_END * first.diameter_mm[discs, None]
    apart = Apart(labels, regions.origin_px, tried + 1, tray_level[tried], end, tails.body_outlines_px)
    start = Frames(
        *(getattr(first, k)[tried] for k in ("centre_mm", "axis", "bend", "length_mm", "diameter_mm"))
    )
    bodies = fit_bodies(signal, tray, start, apart, int(plain.sum()))
    flaky = regions.flakes > SOME_FLAKES
    return Tried(tried, outlines.result(), bodies, signal, apart, by_rod, regions.confidence[tried], flaky)


def _table(
    regions: Regions,
    tails: Tails,
    burr_mm: FloatArray,
    kinds: Kinds,
    tried: Tried | None,
    on_tray: Outlines,
    shapes: Shapes,
) -> Pieces:
    n, tray = len(regions), regions.tray
    # a plane nearer to the camera shows an outline smaller and else the same
    shapes = shapes.scaled(1.0 - kinds.height_mm / tray.camera_height_mm)
    columns: dict[str, npt.ArrayLike] = {
        "photo": np.full(n, tray.photo.name, dtype=object),
        "piece": np.arange(1, n + 1),
        "x_mm": kinds.middle_mm[:, 0],
        "y_mm": kinds.middle_mm[:, 1],
        "form": kinds.form,
        "state": kinds.state,
        "tail_count": tails.count,
        "tail_length_mm": np.where(tails.thread, np.nan, tails.longest(tails.length_mm, 0.0)),
        "u_tail_length_mm": np.where(tails.thread, np.nan, tails.longest(tails.u_length_mm)),
        "tail_width_mm": tails.longest(tails.width_mm),
        "burr_mm": burr_mm,
        "colour_L": regions.colour_lab[:, 0],
        "colour_a": regions.colour_lab[:, 1],
        "colour_b": regions.colour_lab[:, 2],
        "confidence": regions.confidence,
        "extent_mm": np.fmax(
            regions.extent_px / tray.px_per_mm(kinds.middle_mm, kinds.height_mm), shapes.feret_max_mm
        ),
        "findings": _own_findings(tails, kinds),
        "diameter_mm": kinds.diameter_mm,
        "standing_mm": kinds.standing_mm[0],
        "u_standing_mm": kinds.standing_mm[1],
    } | {name: getattr(shapes, name) for name in _OF_SHAPE}
    parts: dict[str, Any] = {
        "outlines_mm": on_tray.raised(tray, kinds.height_mm).each(),
        "tails_mm": tails.each(tails.centrelines_mm),
        "centrelines_mm": tuple(np.zeros((0, 2)) for _ in range(n)),
    }
    if tried is not None:
        _put_bodies(columns, parts, tray, kinds, tried, regions.confidence)
        _put_leaning(columns, parts["u_parts"], regions, kinds, tried)
    return Pieces.of(n, columns, **parts)


def _own_findings(tails: Tails, kinds: Kinds) -> npt.NDArray[np.object_]:
    """Return the findings that need no spec: threads that tie two pieces, and doubles."""
    words = np.where(kinds.double, "doubles", "").astype(object)
    tied = np.zeros(len(words), bool)
    ties = tails.tied_to >= 0
    tied[tails.owner[ties]] = True
    tied[tails.tied_to[ties]] = True
    words[tied] = [f"{w};stringy" if w else "stringy" for w in words[tied]]
    return words


def _put_bodies(
    columns: dict[str, Any],
    parts: dict[str, Any],
    tray: TrayView,
    kinds: Kinds,
    tried: Tried,
    confidence: FloatArray,
) -> None:
    """Put what is known of the strand bodies into the columns, at the rows of those that have a length."""
    n, bodies = len(kinds.form), tried.bodies
    measured = kinds.measured[tried.index]
    rows = tried.index[measured]
    frames, ends = bodies.frames, bodies.ends
    sure = np.where(tried.by_rod, confidence[tried.index], np.inf)
    shares = u_parts(tray, bodies, tried.signal, sure) | {
        "odd width": u_odd_width(frames.diameter_mm, measured),
        "lip": u_lips(ends, measured),
        "burr": u_burr(np.asarray(columns["burr_mm"], float)[tried.index]),
    }
    u = combined(shares)
    angle = np.degrees(np.arctan(ends.off_square))
    first_face = np.where((np.cos(frames.axis) < 0), 1, 0)  # face a is the one further left in the sheet
    i = np.arange(len(frames))
    radius = 1 / np.maximum(np.abs(frames.bend), 1e-6)
    u_bend = 8 * u[:, 1] / np.sqrt(6) / np.maximum(frames.length_mm, 0.1) ** 2
    values = _of_length(frames, u[:, 0]) | {
        "u_diameter_mm": u[:, 1],
        "cut_angle_deg": angle.max(1),
        "cut_angle_a_deg": angle[i, first_face],
        "cut_angle_b_deg": angle[i, 1 - first_face],
        "bend_radius_mm": np.where(np.abs(frames.bend) > _BENT * u_bend, radius, np.nan),
        "neck_mm": bodies.flanks.widths_mm.min(1),
    }
    for name, value in values.items():
        column = np.full(n, np.nan)
        column[rows] = value[measured]
        columns[name] = column
    lines = list(parts["centrelines_mm"])
    along = frames.point(np.linspace(-0.5, 0.5, 5) * frames.length_mm[:, None])
    for row, line in zip(rows, along[measured], strict=True):
        lines[row] = line
    parts["centrelines_mm"] = tuple(lines)
    parts["u_parts"] = {k: _spread(v[measured], rows, n) for k, v in shares.items()}


def _of_length(frames: Frames, u_length_mm: FloatArray) -> dict[str, FloatArray]:
    """Return the columns (n,) that follow from frames whose length is known."""
    return {
        "length_mm": frames.length_mm,
        "u_length_mm": u_length_mm,
        "aspect_ratio": frames.length_mm / frames.diameter_mm,
        "axis_deg": np.degrees(frames.axis) % 180,
        "volume_mm3": strand_volume_mm3(frames.length_mm, frames.diameter_mm),
    }


def _put_leaning(
    columns: dict[str, Any],
    parts: dict[str, FloatArray],
    regions: Regions,
    kinds: Kinds,
    tried: Tried,
) -> None:
    """Put the lengths of pieces that rest at an angle into the columns, and what they are uncertain by into the parts.

    The width that such a piece shows is none that anything is promised of, nor do its rims tell cut from tilt. Of dark
    ones the light does not tell face from flank, and shadow beside a raised end passes for more of it: there a length is
    stated only where the edges told parting the tilt, and both ends are explained plainly.
    """
    at, lies, tray = tried.index, kinds.measured[tried.index], regions.tray
    bright, tilt = tried.signal.sense > 0, regions.rod_px[at, 5]
    told = np.isfinite(kinds.diameter_mm[at]) & (bright | (tilt > 0))
    found = leaning(tray, tried, told & (kinds.state[at] == "leaning"), tilt)
    if not (len(found.rows) and lies.any()):
        return
    frames = found.bodies.frames.rows(found.rows)
    shares = u_parts(tray, found.bodies, tried.signal, np.where(tried.by_rod, regions.confidence[at], np.inf))
    shares |= {"odd width": u_odd_width(tried.bodies.frames.diameter_mm, lies)}
    own = {name: part[found.rows, 0] for name, part in shares.items()}
    own["piece's tilt"] = np.hypot(own["piece's tilt"], found.u_tilt_mm)
    u = np.sqrt(sum(part**2 for part in own.values()))
    ratio = frames.length_mm / np.median(tried.bodies.frames.length_mm[lies])
    known = (u < _MOST_U_LEANING * frames.diameter_mm) & (np.abs(np.log(ratio)) < np.log(_UNUSUAL_LEANING))
    residual = found.bodies.ends.residual
    known &= bright[found.rows] | (residual[found.rows].max(1) < _PLAINLY * np.median(residual))
    rows = at[found.rows[known]]
    for name, value in _of_length(frames, u).items():
        columns[name][rows] = value[known]
    for name, part in parts.items():
        part[rows, 0] = own[name][known] if name in own else 0.0


def _spread(values: FloatArray, rows: IntArray, n: int) -> FloatArray:
    out = np.full((n, 2), np.nan)
    out[rows] = values
    return out
