"""Small groups of strand pieces that touch in the ways that are hard to part, around the sheet's origin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from traygauge_shared.scenes.things import StrandPiece


def _at(piece: StrandPiece, x: float, y: float, axis_deg: float, lift_mm: float = 0.0) -> StrandPiece:
    return replace(
        piece, x_mm=float(x), y_mm=float(y), axis_deg=float(axis_deg), tilt_deg=0.0, lift_mm=lift_mm
    )


def side_by_side(
    pieces: Sequence[StrandPiece], *, slips_mm: Sequence[float] | None = None
) -> list[StrandPiece]:
    """Return pieces lying flank to flank, each slipped along its neighbour by an amount."""
    slips = slips_mm or [0.0] * len(pieces)
    out, y = [], 0.0
    for k, (piece, slip) in enumerate(zip(pieces, slips, strict=True)):
        if k:
            y += (pieces[k - 1].diameter_mm + piece.diameter_mm) / 2
        out.append(_at(piece, slip, y, 0.0))
    return out


def end_to_end(pieces: Sequence[StrandPiece], *, bend_deg: float = 0.0) -> list[StrandPiece]:
    """Return pieces in a chain, cut face to cut face, each turned by `bend_deg` against the last.

    Straight pieces with square cuts touch; a bend is made about the corner, so that they still do.
    """
    out, axis = [], 0.0
    tip = np.zeros(2)  # where the last piece's end is
    for k, piece in enumerate(pieces):
        if k:
            corner = tip + _side(axis) * np.sign(bend_deg) * piece.diameter_mm / 2
            axis += bend_deg
            tip = corner - _side(axis) * np.sign(bend_deg) * piece.diameter_mm / 2
        middle = tip + _way(axis) * piece.length_mm / 2
        out.append(_at(piece, middle[0], middle[1], axis))
        tip = tip + _way(axis) * piece.length_mm
    return out


def tee(
    bar: StrandPiece, stem: StrandPiece, *, along_mm: float = 0.0, lean_deg: float = 0.0
) -> list[StrandPiece]:
    """Return a piece that meets another's flank with its cut face, `lean_deg` off square (touching by a corner)."""
    lean = np.radians(lean_deg)
    reach = bar.diameter_mm / 2 + stem.length_mm / 2 * np.cos(lean) + stem.diameter_mm / 2 * abs(np.sin(lean))
    x = along_mm + np.sin(lean) * stem.length_mm / 2
    return [_at(bar, 0, 0, 0), _at(stem, x, reach, 90.0 - lean_deg)]


def cross(
    lower: StrandPiece, upper: StrandPiece, *, angle_deg: float = 90.0, at_mm: float = 0.0
) -> list[StrandPiece]:
    """Return a piece lying level across another, on top of it (balanced, or held by what is not drawn)."""
    top = lower.diameter_mm * 2 * lower.oval / (1 + lower.oval)
    way = _way(angle_deg) * at_mm
    return [_at(lower, 0, 0, 0), _at(upper, way[0], way[1], angle_deg, lift_mm=top)]


def fan(pieces: Sequence[StrandPiece], *, step_deg: float | None = None) -> list[StrandPiece]:
    """Return pieces spread like a fan, touching at their inner corners; without a step a full star."""
    step = 360.0 / len(pieces) if step_deg is None else step_deg
    if len(pieces) < 3 and step_deg is None:
        step = 90.0
    wide = max(piece.diameter_mm for piece in pieces)
    inner = wide / 2 / np.tan(np.radians(min(step, 120.0)) / 2)
    out = []
    for k, piece in enumerate(pieces):
        middle = _way(k * step) * (inner + piece.length_mm / 2)
        out.append(_at(piece, middle[0], middle[1], k * step))
    return out


def _way(degrees: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])


def _side(degrees: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([-np.sin(np.radians(degrees)), np.cos(np.radians(degrees))])
