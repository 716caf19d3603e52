"""What the spec has to say about each piece, after `traygauge.words.FINDINGS`."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.judge.spec import Spec
from traygauge.measure.pieces import Pieces
from traygauge.words import FINDINGS

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

#: Findings that measuring itself can make, without a spec; they are kept.
WITHOUT_SPEC = ("doubles", "stringy")


def find(pieces: Pieces, spec: Spec | None) -> Pieces:
    """Return the pieces with the column `findings` filled: names joined by ";", the most telling first.

    Without a spec only what needs none is kept: doubles, and threads that tie pieces together. Judge measured pieces,
    not judged ones: what an earlier spec called stringy would stay.
    """
    masks = flags(pieces, spec)
    words = np.full(len(pieces), "", dtype=object)
    for word in FINDINGS:
        if (mask := masks.get(word.name)) is not None and mask.any():
            words[mask] += word.name + ";"
    told = np.flatnonzero(words != "")
    words[told] = [said.rstrip(";") for said in words[told]]
    return pieces.with_columns(findings=words)


def also_long(pieces: Pieces, mask: BoolArray) -> Pieces:
    """Return the pieces with those of a mask (n,) called long as well, before whatever else they are."""
    words = pieces["findings"].astype(object)
    words[mask] = [f"long;{said}".rstrip(";") for said in words[mask]]
    return pieces.with_columns(findings=words)


def flags(pieces: Pieces, spec: Spec | None) -> dict[str, BoolArray]:
    """Return finding -> mask (n,) of the pieces that have it; findings for which the spec sets no size are absent."""
    masks = {name: has(pieces, name) for name in WITHOUT_SPEC}
    if spec is None:
        return masks
    what, guard = spec.pieces, 2 * spec.judging.guard_band
    length, diameter = fed_length_mm(pieces, doubles=masks["doubles"]), pieces["diameter_mm"]
    u_length, u_diameter = (np.nan_to_num(pieces[c]) for c in ("u_length_mm", "u_diameter_mm"))
    is_strand, tail = pieces["form"] == "strand", pieces["tail_length_mm"]
    known = np.isfinite(
        pieces["u_diameter_mm"]
    )  # what stands or leans shows a width of which nothing is promised
    if (limit := spec.long_over_mm) is not None:
        masks["long"] = length > limit - guard * u_length
    if (limit := what.short_under_mm) is not None:
        masks["short"] = is_strand & (length < limit + guard * u_length)
    if (limit := what.fines_under_mm) is not None:
        masks["fines"] = (pieces["feret_max_mm"] < limit) & (pieces["state"] != "cut off")
    if (limit := what.tail_from_mm) is not None:
        masks["tailed"] = tail >= limit
    if (limit := what.stringy_over_mm) is not None:
        masks["stringy"] = masks["stringy"] | (tail > limit)
    if (limit := what.burr_over_mm) is not None:
        masks["burred"] = pieces["burr_mm"] > limit
    if (limit := spec.thick_over_mm) is not None:
        masks["thick"] = is_strand & known & (diameter > limit - guard * u_diameter)
    if (limit := spec.thin_under_mm) is not None:
        masks["thin"] = is_strand & known & (diameter < limit + guard * u_diameter)
    if (limit := what.off_colour_over) is not None:
        masks["off-colour"] = colour_difference(pieces) > limit
    for name in {"long", "short", "thick", "thin"} & set(masks):
        masks[name] = masks[name] & ~masks.get("fines", np.zeros(len(pieces), bool))
    return masks


def has(pieces: Pieces, finding: str) -> BoolArray:
    """Return the mask (n,) of the pieces whose column `findings` holds that word."""
    words = pieces["findings"].tolist()
    telling = {word for word in set(words) if finding in str(word).split(";")}
    return np.array([word in telling for word in words], dtype=bool)


def fed_length_mm(pieces: Pieces, *, doubles: BoolArray | None = None) -> FloatArray:
    """Return the length with which each measured piece meets the screw, mm (n,); NaN where it is not measured.

    Cut length of a strand piece, the whole extent of a double, the largest Feret diameter of a flake.
    """
    double = has(pieces, "doubles") if doubles is None else doubles
    length = np.where(pieces["form"] == "strand", pieces["length_mm"], np.nan)
    length = np.where(pieces["form"] == "flake", pieces["feret_max_mm"], length)
    length = np.where(double, np.fmax(pieces["extent_mm"], pieces["feret_max_mm"]), length)
    return np.where(pieces.measured, length, np.nan)


def colour_difference(pieces: Pieces) -> FloatArray:
    """Return each piece's distance from the batch's own colour, CIELAB 1976 (n,); the batch's is the median."""
    lab = np.stack([pieces[c] for c in ("colour_L", "colour_a", "colour_b")], axis=1).astype(float)
    if not np.isfinite(lab).all(1).any():
        return np.full(len(pieces), np.nan)
    return np.asarray(np.linalg.norm(lab - np.nanmedian(lab, axis=0), axis=1))
