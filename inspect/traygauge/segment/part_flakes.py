"""Clumps that may hold flakes: cut at their necks, or in part explained by rods, whichever explains more."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.segment import part_label, part_necks
from traygauge.segment.part_field import BoolArray, FloatArray
from traygauge.segment.part_result import Parting, compacted

#: A piece that is no strand has at least this solidity.
_HOLLOW = 0.7
#: Nothing smaller is cut off at a neck: square diameters, or px where no strand is known.
_SPLINTER, _SPECK = 0.1, 12.0
#: From this solidity on nothing speaks against one piece.
_SOLID = 0.92
#: A flake may have any form, which says so much less than that a rod of the strand's diameter fits.
_ANY_FORM = 0.6
#: Strand among flakes is taken from this confidence on.
_SURE = 0.4
#: A rod and a part between necks are the same piece where they share so much of what both cover.
_ALIKE = 0.8


def best_of_flakes(mask: BoolArray, strand: Parting, diameter: float) -> Parting:
    """Return the best of three partings of a clump that may hold flakes: strand, strand and flakes, or cut at its necks."""
    notched = at_necks(mask, diameter)
    return max(strand, _among_flakes(mask, strand, diameter), _with_rods(notched, strand), key=_worth)


def _worth(parting: Parting) -> float:
    """Return how well a parting explains its clump: the share of it that is pieces seen whole, as sure as they are."""
    area = np.bincount(np.maximum(parting.labels, 0).ravel(), minlength=len(parting) + 1)[1:]
    state = np.array(parting.state)
    rods = np.isfinite(parting.rod_px).all(1) & (state != "upright")
    sure = parting.confidence * np.where(rods, 1.0, _ANY_FORM) * ~np.isin(state, ("covered", "unresolved"))
    return float((area * sure).sum()) / max(float(area.sum()), 1.0)


def _with_rods(notched: Parting, strand: Parting) -> Parting:
    """Return a parting at necks where parts that are surely seen strand are explained by its rods."""
    n, m = len(notched), len(strand)
    pair = np.maximum(notched.labels, 0) * (m + 1) + np.maximum(strand.labels, 0)
    both = np.bincount(pair.ravel(), minlength=(n + 1) * (m + 1)).reshape(n + 1, m + 1)
    alike = both / np.maximum(both.sum(1)[:, None] + both.sum(0) - both, 1)
    state, sure, rod_px = list(notched.state), notched.confidence.copy(), notched.rod_px.copy()
    for k in _seen_strand(strand).tolist():
        part = int(alike[1:, k + 1].argmax())
        if alike[part + 1, k + 1] > _ALIKE:
            state[part], sure[part], rod_px[part] = strand.state[k], strand.confidence[k], strand.rod_px[k]
    return Parting(notched.labels, tuple(state), sure, rod_px)


def _seen_strand(strand: Parting) -> npt.NDArray[np.intp]:
    """Return which pieces of a parting are strand that is surely seen."""
    rods = np.isfinite(strand.rod_px).all(1) & (strand.confidence > _SURE)
    return np.flatnonzero(rods & (np.array(strand.state) != "covered"))


def _among_flakes(mask: BoolArray, strand: Parting, diameter: float) -> Parting:
    """Return a clump's parting with what its surely seen strand leaves over parted at its necks, as flakes."""
    keep = _seen_strand(strand)
    number = np.zeros(len(strand) + 2, np.int32)  # the last stands for gaps
    number[keep + 1] = np.arange(1, len(keep) + 1)
    labels = number[strand.labels]
    rest = part_label.blobs(mask & (labels == 0), diameter)
    necks = part_necks.parted_at_necks(rest > 0, _SPLINTER * diameter**2)
    flakes = np.where(necks.labels > 0, necks.labels + len(keep), 0)
    labels = part_label.spread(np.where(labels > 0, labels, flakes).astype(np.int32), mask)
    words = [strand.state[k] for k in keep] + _of_flakes(necks.solidity, "parted")
    confidence = np.concatenate([strand.confidence[keep], _sure_of(necks)])
    rod_px = np.full((len(words), 6), np.nan)
    rod_px[: len(keep)] = strand.rod_px[keep]
    return compacted(labels, words, confidence, rod_px)


def at_necks(mask: BoolArray, diameter: float | None) -> Parting:
    """Return a clump that is no strand, parted by its notches; what stays far from convex is unresolved.

    `diameter` is that of the batch's strand, px, where there is one.
    """
    necks = part_necks.parted_at_necks(mask, _SPECK if diameter is None else _SPLINTER * diameter**2)
    n = len(necks.confidence)
    words = tuple(_of_flakes(necks.solidity, "whole" if n == 1 else "parted"))
    return Parting(part_label.spread(necks.labels, mask), words, _sure_of(necks), np.full((n, 6), np.nan))


def _of_flakes(solidity: FloatArray, word: str) -> list[str]:
    """Return the states of what may be flakes: what stays far from convex is unresolved."""
    return [word if solid > _HOLLOW else "unresolved" for solid in solidity]


def _sure_of(necks: part_necks.Necks) -> FloatArray:
    """Return how sure the parts between necks are single pieces: surely cut off, and convex."""
    return necks.confidence * np.clip((necks.solidity - _HOLLOW) / (_SOLID - _HOLLOW), 0.0, 1.0)
