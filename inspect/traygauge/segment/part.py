"""Parting of touching pieces: which pixels of a clump belong to which piece, and which rod explains it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment import part_cover, part_fit, part_label, part_seeds
from traygauge.segment.part_field import Field, field_of
from traygauge.segment.part_prior import StrandPrior, looks_single, strand_prior

__all__ = ["Parting", "StrandPrior", "looks_single", "part_clump", "strand_prior"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Parting:
    """A clump in pieces.

    Parameters
    ----------
    labels : ndarray (h, w), int32: 0 tray, k + 1 for piece k.
    state : tuple of k words: parted, covered, upright, unresolved, or whole where the clump turned out to be one.
    confidence : ndarray (k,), 0..1: how well the piece is explained.
    rod_px : ndarray (k, 5): middle x, y, axis angle (rad, x towards y, 0..pi), length, diameter, crop pixels; NaN
        where no rod explains the piece.
    """

    labels: npt.NDArray[np.int32]
    state: tuple[str, ...]
    confidence: FloatArray
    rod_px: FloatArray

    def __len__(self) -> int:
        return len(self.state)


def part_clump(
    mask: BoolArray,
    signal: npt.NDArray[np.float32],
    rgb: npt.NDArray[np.uint8],
    px_per_mm: float,
    lean: tuple[float, float],
    prior: StrandPrior | None,
) -> Parting:
    """Return the pieces of one clump.

    Parameters
    ----------
    mask : ndarray (h, w): the clump, nothing else.
    signal : ndarray (h, w): 0 tray .. 1 piece.
    rgb : ndarray (h, w, 3): the photo's crop.
    px_per_mm : local scale at half the pieces' height.
    lean : apparent shift in mm per mm of height, along the crop's x and y.
    prior : what is known of the strand; None where the batch is none (regrind).
    """
    if prior is None:
        return _blobs_only(mask)
    field = field_of(mask, rgb, prior.diameter_px, lean)
    rods, said = _explained(field, prior)
    order, hidden = _stacked(rods, said, field.diameter)
    rods, said = rods[order], said.take(order)
    return _as_parting(mask, field, rods, said, hidden[order])


def _explained(field: Field, prior: StrandPrior) -> tuple[FloatArray, part_fit.Witness]:
    """Return the rods (n, 6) in work pixels that explain a clump best, and their witness."""
    coarse = field.reduced(part_seeds.COARSE_DIAMETER)
    seed = part_seeds.seeds(coarse)
    reach = min(6 * coarse.diameter, float(np.hypot(*coarse.inside.shape)))
    rods, first = part_seeds.rods_from(coarse, seed, reach)
    rods = rods[first > -0.35 * coarse.diameter]
    zoom = field.scale / coarse.scale
    rods[:, :2] = (rods[:, :2] + 0.5) * zoom - 0.5
    rods[:, 3:] *= zoom
    spread = max(prior.diameter_sd_px / prior.diameter_px, 0.03)
    rods = part_fit.refined(field, part_fit.lying(rods, field.lean), spread)
    said = part_fit.witness(field, rods)
    gain = said.value.sum(1) - part_cover.ROD_COST
    keep = part_cover.distinct(rods, gain, field.diameter)
    rods, said, gain = rods[keep], said.take(keep), gain[keep]
    if not len(rods):
        return rods, said
    i, j, cost, _, _ = part_cover.pair_costs(rods, said, field.diameter)
    taken = np.flatnonzero(part_cover.chosen(gain, i, j, cost))
    return rods[taken], said.take(taken)


def _stacked(
    rods: FloatArray, said: part_fit.Witness, diameter: float
) -> tuple[npt.NDArray[np.int64], BoolArray]:
    """Return the rods' order from lowest to highest, and which of their points others hide (n, 88)."""
    n = len(rods)
    hidden = np.zeros((n, part_fit.SAMPLES), bool)
    above = np.zeros(n)
    if n > 1:
        i, j, _, lost_i, lost_j = part_cover.pair_costs(rods, said, diameter)
        # who loses more by being hidden lies above
        upper = np.where(lost_i > lost_j, i, j)
        lower = np.where(lost_i > lost_j, j, i)
        covers = part_fit.hidden_by(said.points[lower], rods[upper], diameter)
        np.logical_or.at(hidden, lower, covers)
        for _ in range(4):  # heights settle from the pairs: above what it covers
            np.maximum.at(above, upper, np.where(covers.any(1), above[lower] + 1, 0))
    return np.argsort(above, kind="stable"), hidden


def _as_parting(
    mask: BoolArray, field: Field, rods: FloatArray, said: part_fit.Witness, hidden: BoolArray
) -> Parting:
    crop = rods.copy()
    crop[:, :2] = (crop[:, :2] + 0.5) / field.scale - 0.5
    crop[:, 3:] /= field.scale
    diameter = field.diameter / field.scale
    labels, left = part_label.labelled(mask, crop, 0.12 * diameter)
    rest = part_label.blobs(left, 0.2 * diameter, 0.06 * diameter**2)
    labels[rest > 0] = rest[rest > 0] + len(crop)
    labels = part_label.spread(labels, mask)
    extra = int(rest.max())
    state, confidence = _judged(said, hidden)
    areas = np.bincount(rest.ravel(), minlength=extra + 1)[1:]
    state += ["covered" if a < 1.2 * diameter**2 else "unresolved" for a in areas]
    rod_px = np.full((len(crop) + extra, 5), np.nan)
    rod_px[: len(crop)] = crop[:, :5]
    rod_px[:, 2] %= np.pi
    confidence = np.concatenate([confidence, np.full(extra, 0.2)])
    return _compact(labels, state, confidence, rod_px)


def _judged(said: part_fit.Witness, hidden: BoolArray) -> tuple[list[str], FloatArray]:
    """Return a state and a confidence for each rod."""
    seen = np.where(hidden, np.nan, said.seen)
    state = []
    confidence = np.zeros(len(seen))
    for k in range(len(seen)):
        gone = hidden[k]
        ends = [gone[24:31].mean(), gone[31:38].mean()]
        flanks = [gone[0:12].mean(), gone[12:24].mean()]
        covered = max(ends) > 0.5 or min(flanks) > 0.5 or gone[part_fit.INSIDE].mean() > 0.35
        state.append("covered" if covered else "parted")
        parts = [seen[k, a:b] for a, b in ((0, 12), (12, 24), (24, 31), (31, 38))]
        means = [float(np.nanmean(p)) for p in parts if np.isfinite(p).any()]
        confidence[k] = np.clip((np.mean(means) - 0.3) / 0.45, 0, 1) * np.clip(min(means) / 0.4, 0.1, 1)
    return state, confidence


def _compact(
    labels: npt.NDArray[np.int32], state: list[str], confidence: FloatArray, rod_px: FloatArray
) -> Parting:
    """Return the parting without pieces that got no pixel."""
    count = np.bincount(labels.ravel(), minlength=len(state) + 1)[1:]
    keep = np.flatnonzero(count > 0)
    number = np.zeros(len(state) + 1, np.int32)
    number[keep + 1] = np.arange(1, len(keep) + 1)
    words = tuple("whole" if len(keep) == 1 and state[k] == "parted" else state[k] for k in keep)
    return Parting(number[labels], words, confidence[keep], rod_px[keep])


def _blobs_only(mask: BoolArray) -> Parting:
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    n = count - 1
    return Parting(labels.astype(np.int32), ("whole",) * n, np.ones(n), np.full((n, 5), np.nan))
