"""What is not known is not stated: lengths that the light explains too badly, and widths that were not read, are emptied."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from traygauge.measure.pieces import Pieces

#: A length is no measurement beyond this standard uncertainty, in diameters: twice it would be one diameter (common
#: practice). Two pieces that lie end to end and pass for one are fitted with many times that.
MOST_U = 0.5
#: Columns that stand and fall with the body's fit; a piece whose axis is not known keeps its diameter.
_OF_LENGTH = (
    "length_mm",
    "u_length_mm",
    "aspect_ratio",
    "cut_angle_deg",
    "cut_angle_a_deg",
    "cut_angle_b_deg",
    "bend_radius_mm",
    "axis_deg",
    "neck_mm",
    "volume_mm3",
)
_OF_DIAMETER = ("diameter_mm", "u_diameter_mm")
#: Columns that nobody knows of a piece whose width was not read.
_OF_WIDTH = (*_OF_DIAMETER, "aspect_ratio", "neck_mm", "volume_mm3")


def without_guesses(pieces: Pieces) -> Pieces:
    """Return the pieces with every length emptied that is less certain than `MOST_U` diameters.

    A piece that lies apart is then one whose axis is unknown; one that was parted from others is unresolved, and loses
    its diameter too: the outline may hold more than one piece.
    """
    with np.errstate(invalid="ignore"):
        unsure = pieces["u_length_mm"].astype(float) > MOST_U * pieces["diameter_mm"].astype(float)
    unsure &= np.array(["doubles" not in str(found).split(";") for found in pieces["findings"]], bool)
    if not unsure.any():
        return pieces
    parted = unsure & (pieces["state"] == "parted")
    state = np.where(parted, "unresolved", np.where(unsure, "axis unknown", pieces["state"]))
    emptied = {name: _emptied(pieces[name], unsure) for name in _OF_LENGTH}
    emptied |= {name: _emptied(pieces[name], parted) for name in _OF_DIAMETER}
    found = pieces.with_columns(state=state, **emptied)
    none = np.zeros((0, 2))
    return Pieces(
        found.columns,
        found.outlines_mm,
        found.tails_mm,
        tuple(none if u else line for u, line in zip(unsure, found.centrelines_mm, strict=True)),
        {name: _emptied(part, unsure) for name, part in found.u_parts.items()},
    )


def without_unread(pieces: Pieces, unread: npt.NDArray[np.bool_]) -> Pieces:
    """Return the pieces with every width emptied that was not read, and what follows from it.

    `unread` (n,) are the pieces with a flank that others lie against; of what stands the disc was seen, which stays.
    """
    unread = unread & (pieces["state"] != "upright")
    if not unread.any():
        return pieces
    u_parts = {name: part.copy() for name, part in pieces.u_parts.items()}
    for part in u_parts.values():
        part[unread, 1] = np.nan
    emptied = pieces.with_columns(**{name: _emptied(pieces[name], unread) for name in _OF_WIDTH})
    return replace(emptied, u_parts=u_parts)


def _emptied(values: npt.NDArray[np.float64], rows: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    out = values.astype(float).copy()
    out[rows] = np.nan
    return out
