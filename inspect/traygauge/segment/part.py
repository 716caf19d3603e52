"""Parting of touching pieces: which pixels of a clump belong to which piece, and which rod explains it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from traygauge.segment import (
    part_budget,
    part_flakes,
    part_judge,
    part_label,
    part_necks,
    part_polish,
    part_tilt,
)
from traygauge.segment.part_explain import explained
from traygauge.segment.part_field import BoolArray, Clump, FloatArray, field_of
from traygauge.segment.part_prior import SOME_FLAKES, StrandPrior, heap_prior, looks_single, strand_prior
from traygauge.segment.part_result import GAP, Parting, compacted, unresolved
from traygauge.segment.pixels import eroded, square
from traygauge_shared.light import LINEAR_OF_CODE

__all__ = ["Clump", "StrandPrior", "looks_single", "part_clumps", "strand_prior"]


#: Share of a convex clump that rods must explain, weighted with their confidence, lest it be one piece of another form.
_EXPLAINED, _CONVEX = 0.45, 0.88
#: What rods leave over is part of a covered piece up to this area, square diameters, and this sure.
_LARGEST_COVERED, _LEFT_OVER = 1.2, 0.2
#: What runs on below others is about as wide there as it shows beside them: what meets them along less than this, in
#: diameters, lies there whole.
_NARROW = 0.4
#: What rods leave over is tray in shade, all in diameters, where it is nowhere wider than twice this, but meets others along
#: more than this (what runs on below one shows there as wide as it is), and where it meets the tray along less than this: a
#: gap that pieces enclose (of 71 rests that were parts of pieces none, of 59 others 14).
_SLIVER, _ALONG, _ENCLOSED = 0.2, 1.3, 0.2
#: So is what is lighter than this share of strand that is darker than the tray, up to this area, square diameters (rendered
#: heaps: of seven gaps in shade five are, of nine rests that were parts of pieces none; on a tray darker than strand such
#: gaps are as dark as the tray, and not taken for more of it).
_LIGHTER, _LARGEST_SHADE = 0.9, 0.5
#: Whatever its area, it is tray where it is lighter than this share of the way from strand to tray (of nine gaps on rendered
#: scans all are by 1.1 and more, of fifty rests that were parts of dark pieces none is by 0.2).
_LIKE_TRAY = 0.5
#: An end of which more than this share is another's was not seen, but guessed from what shows beside the other.
_HIDDEN = 0.9


def part_clumps(clumps: Sequence[Clump], prior: StrandPrior | None) -> list[Parting]:
    """Return the pieces of each clump of a photo; `prior` is None where the batch is no strand (regrind).

    What a photo's budget (`part_budget`) does not pay for stays unresolved.
    """
    if not clumps:
        return []
    prior = prior or heap_prior([clump.mask for clump in clumps])
    room = np.array([clump.mask.size for clump in clumps], float)
    if prior is None:
        paid = part_budget.within(room, part_budget.MOST_ROOM_PX)
    else:
        paid = part_budget.within(room / prior.diameter_px**2, part_budget.MOST_ROOM)
    out = [unresolved(clump.mask) for clump in clumps]
    some = np.flatnonzero(paid).tolist()
    parted = _parted([clumps[k] for k in some], prior)
    for k, parting in zip(some, parted, strict=True):
        out[k] = parting
    return out


def _parted(clumps: Sequence[Clump], prior: StrandPrior | None) -> list[Parting]:
    """Return the pieces of each of the clumps that are to be parted."""
    if prior is None or not clumps:
        return [part_flakes.at_necks(clump.mask, None) for clump in clumps]
    field = field_of(clumps, prior.diameter_px)
    found = explained(field, prior)
    field = found.field
    own = field.owner_at(found.rods[:, 0], found.rods[:, 1])
    stack = part_judge.stacked(found.rods, found.said, own, field.diameter)
    rods, bulge = part_polish.polished(field, found.rods, stack.hidden)
    state = part_judge.states(field, rods, bulge, stack, found.usual)
    tilt = part_tilt.tilts(field, found.rods, stack.hidden)
    confidence = part_judge.confidences(found.said, stack)
    among_flakes = prior.flakes > SOME_FLAKES
    out = []
    for k, clump in enumerate(clumps):
        mine = stack.order[own[stack.order] == k]
        crop = field.in_crop(rods[mine], own[mine])
        words = [state[m] for m in mine]
        diameter = field.diameter / field.scale
        if not found.paid[k]:
            out.append(unresolved(clump.mask))
            continue
        if not among_flakes and not _explains(clump.mask, crop, confidence[mine]):
            out.append(part_flakes.at_necks(clump.mask, diameter))
            continue
        strand = _as_parting(clump, crop, tilt[mine], words, confidence[mine], diameter)
        out.append(part_flakes.best_of_flakes(clump.mask, strand, diameter) if among_flakes else strand)
    return out


def _explains(mask: BoolArray, rods: FloatArray, confidence: FloatArray) -> bool:
    """Return whether rods (n, 6) are a better explanation than that the clump is no strand."""
    good = confidence >= part_judge.POOR
    if not good.any():
        return False
    area = np.minimum(rods[:, 4] * (rods[:, 3] + np.pi / 2 * rods[:, 5]), float(mask.sum()))
    share = float((confidence * area).sum()) / float(mask.sum())
    return share > _EXPLAINED or part_necks.solidity(mask) < _CONVEX


def _as_parting(
    clump: Clump,
    rods: FloatArray,
    tilt: FloatArray,
    state: list[str],
    confidence: FloatArray,
    diameter: float,
) -> Parting:
    """Return a clump parted after its rods (n, 6), lowest first, that rest at some tilts (n,); what they leave is covered or unresolved."""
    mask = clump.mask
    labels, left = part_label.labelled(mask, rods, 0.08 * diameter)
    rest = part_label.blobs(left, diameter)
    labels[rest > 0] = rest[rest > 0] + len(rods)
    labels = part_label.spread(labels, mask)
    of_rest, sure, gap = _left_over(labels, rest, len(rods), diameter)
    poor = np.flatnonzero(confidence < part_judge.POOR)
    doubtful = np.concatenate([poor, len(rods) + np.arange(len(sure))]) + 1
    gap |= _in_shade(labels, doubtful, len(rods), clump, diameter)
    hidden = part_label.ends_hidden(labels, rods).max(1) > _HIDDEN
    rod_px = np.full((len(rods) + len(sure), 6), np.nan)
    rod_px[: len(rods)] = np.concatenate([rods[:, :5], tilt[:, None]], 1)
    rod_px[:, 2] %= np.pi
    rod_px[poor] = np.nan
    words = [
        "covered" if gone and word == "parted" else word for gone, word in zip(hidden, state, strict=True)
    ]
    words = ["unresolved" if k in poor else word for k, word in enumerate(words)]
    labels[gap] = GAP
    words += of_rest
    return compacted(labels, words, np.concatenate([confidence, sure]), rod_px)


def _left_over(
    labels: npt.NDArray[np.int32], rest: npt.NDArray[np.int32], rods: int, diameter: float
) -> tuple[list[str], FloatArray, BoolArray]:
    """Return states and confidences of what rods leave over (`rest`, labelled from their number on), and pixels of gaps."""
    areas = np.bincount(rest.ravel())[1:] / diameter**2
    numbers = np.arange(rods + 1, rods + 1 + len(areas))
    shown = np.array([part_label.shows(labels, int(k)) for k in numbers]).reshape(-1, 3) / diameter
    contact, open_, radius = shown.T
    narrow = np.maximum(1.0 - contact, 0.0)
    alone = narrow > 1.0 - _NARROW
    words = np.where(alone, "parted", np.where(areas < _LARGEST_COVERED, "covered", "unresolved"))
    gap = (radius < _SLIVER) & (contact > _ALONG) | (open_ < _ENCLOSED)
    return [str(w) for w in words], np.where(alone, narrow, _LEFT_OVER), np.isin(labels, numbers[gap])


def _in_shade(
    labels: npt.NDArray[np.int32], doubtful: npt.NDArray[np.intp], rods: int, clump: Clump, diameter: float
) -> BoolArray:
    """Return the pixels of doubtful parts, poor rods and what rods leave over, that are tray in shade by their light."""
    firm = (labels > 0) & (labels <= rods) & ~np.isin(labels, doubtful)
    body = eroded(firm.astype(np.uint8), square(1)) > 0  # edges are mixed light
    if not len(doubtful) or not body.any() or clump.mask.all():
        return np.zeros(labels.shape, bool)
    light = LINEAR_OF_CODE[clump.rgb]
    strand, tray = (np.median(light[some], 0) for some in (body, ~clump.mask))
    if strand.sum() > tray.sum():
        return np.zeros(labels.shape, bool)
    towards_tray = (light - strand) @ (tray - strand)
    most = np.quantile(towards_tray[body], _LIGHTER)
    half = _LIKE_TRAY * float((tray - strand) @ (tray - strand))
    out = np.zeros(labels.shape, bool)
    for k in doubtful:
        own = labels == k
        lightness = float(np.median(towards_tray[own])) if own.any() else 0.0
        small = k > rods and own.sum() < _LARGEST_SHADE * diameter**2
        if lightness > half or (small and lightness > most):
            out |= own
    return out
