"""Parting of touching pieces: which pixels of a clump belong to which piece, and which rod explains it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment import part_cover, part_fit, part_label, part_polish, part_seeds
from traygauge.segment.part_field import BoolArray, Clump, Field, FloatArray, IntArray, field_of
from traygauge.segment.part_fit import Witness
from traygauge.segment.part_prior import StrandPrior, looks_single, strand_prior

__all__ = ["Clump", "Parting", "StrandPrior", "looks_single", "part_clump", "part_clumps", "strand_prior"]


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
    camera_height_mm: float = float("inf"),
) -> Parting:
    """Return the pieces of one clump: `part_clumps` for a single one.

    `signal`, ndarray (h, w), 0 tray .. 1 piece, is not needed so far; the others are described in `Clump`.
    """
    return part_clumps([Clump(mask, rgb, px_per_mm, lean, camera_height_mm)], prior)[0]


def part_clumps(clumps: Sequence[Clump], prior: StrandPrior | None) -> list[Parting]:
    """Return the pieces of each clump of a photo; `prior` is None where the batch is no strand (regrind)."""
    if not clumps:
        return []
    if prior is None:
        return [_blobs_only(clump.mask) for clump in clumps]
    field = field_of(clumps, prior.diameter_px)
    rods, said = _explained(field, prior)
    order, hidden = _stacked(rods, said, field.diameter)
    rods, said, hidden = rods[order], said.take(order), hidden[order]
    rods, bulge = part_polish.polished(field, rods, hidden)
    own = field.owner_at(rods[:, 0], rods[:, 1])
    state, confidence = _judged(field, rods, bulge, said, hidden)
    out = []
    for k, clump in enumerate(clumps):
        mine = np.flatnonzero(own == k)
        crop = field.in_crop(rods[mine], own[mine])
        words = [state[m] for m in mine]
        out.append(_as_parting(clump.mask, crop, words, confidence[mine], prior.diameter_px))
    return out


def _explained(field: Field, prior: StrandPrior) -> tuple[FloatArray, Witness]:
    """Return the rods (n, 6) in work pixels that explain the clumps best, and their witness."""
    coarse = field.reduced(part_seeds.COARSE_DIAMETER)
    seed = part_seeds.seeds(coarse)
    reach = min(6 * coarse.diameter, float(np.hypot(*coarse.inside.shape)))
    rods = part_seeds.rods_from(coarse, seed.axis, reach)
    flat = part_fit.lying(field, field.from_coarse(coarse, rods))
    discs = field.from_coarse(coarse, part_seeds.discs_from(coarse, seed.disc))
    usual = (prior.length_px + 2.5 * prior.length_sd_px) * field.scale
    spread = max(prior.diameter_sd_px / prior.diameter_px, 0.03)
    rods = part_fit.refined(field, np.concatenate([flat, discs]), part_fit.ROUGH, spread)
    rods, _, gain = _worth(field, rods, usual)
    rods = part_fit.refined(field, rods, part_fit.FINE, spread)
    flat = rods[~part_fit.at_an_angle(field, rods)]
    rods, said, gain = _worth(field, np.concatenate([rods, part_polish.reread(field, flat)]), usual)
    i, j, cost, _, _ = part_cover.pair_costs(rods, said, field.diameter)
    taken = np.flatnonzero(part_cover.chosen(gain, i, j, cost))
    return rods[taken], said.take(taken)


def _worth(field: Field, rods: FloatArray, usual: float) -> tuple[FloatArray, Witness, FloatArray]:
    """Return the rods worth weighing up, their witness and what each gains alone.

    Two pieces in line look like one long one, so a length beyond the `usual` (px) needs better evidence.
    """
    said = part_fit.witness(field, rods)
    tilt = np.where(part_fit.at_an_angle(field, rods), 2 * rods[:, 5] / rods[:, 4], 0)
    unusual = rods[:, 3] / np.sqrt(np.maximum(1 - tilt**2, 0.2)) - usual
    gain = said.value.sum(1) - part_cover.ROD_COST
    gain -= part_cover.LONG_COST * np.clip(unusual / (0.5 * usual), 0, 1)
    keep = part_cover.distinct(rods, said, gain, field.diameter)
    return rods[keep], said.take(keep), gain[keep]


def _stacked(rods: FloatArray, said: Witness, diameter: float) -> tuple[IntArray, BoolArray]:
    """Return the rods' order from lowest to highest, and which of their points others hide (n, 95)."""
    n = len(rods)
    hidden = np.zeros((n, part_fit.SAMPLES), bool)
    above = np.zeros(n)
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
    mask: BoolArray, rods: FloatArray, state: list[str], confidence: FloatArray, diameter: float
) -> Parting:
    labels, left = part_label.labelled(mask, rods, 0.12 * diameter)
    rest = part_label.blobs(left, 0.2 * diameter, 0.06 * diameter**2)
    labels[rest > 0] = rest[rest > 0] + len(rods)
    labels = part_label.spread(labels, mask)
    extra = int(rest.max())
    areas = np.bincount(rest.ravel(), minlength=extra + 1)[1:]
    state = state + ["covered" if a < 1.2 * diameter**2 else "unresolved" for a in areas]
    rod_px = np.full((len(rods) + extra, 5), np.nan)
    rod_px[: len(rods)] = rods[:, :5]
    rod_px[:, 2] %= np.pi
    return _compact(labels, state, np.concatenate([confidence, np.full(extra, 0.2)]), rod_px)


def _judged(
    field: Field, rods: FloatArray, bulge: FloatArray, said: Witness, hidden: BoolArray
) -> tuple[list[str], FloatArray]:
    """Return a state and a confidence for each rod."""
    ends = np.stack([hidden[:, 24:31].mean(1), hidden[:, 31:38].mean(1)], 1)
    flanks = np.stack([hidden[:, :12].mean(1), hidden[:, 12:24].mean(1)], 1)
    inside = hidden[:, part_fit.INSIDE].mean(1)
    covered = (ends.max(1) > 0.5) | (flanks.min(1) > 0.5) | (inside > 0.35)
    upright = rods[:, 5] > 0.42 * rods[:, 4]
    leaning = bulge.mean(1) > np.abs(part_fit.lean_along(field, rods)) + 0.25
    state = np.where(upright, "upright", np.where(covered, "covered", np.where(leaning, "leaning", "parted")))
    weight = ~hidden
    means = np.stack(
        [
            (said.seen[:, part] * weight[:, part]).sum(1) / np.maximum(weight[:, part].sum(1), 1)
            for part in (slice(0, 12), slice(12, 24), slice(24, 31), slice(31, 38))
        ],
        1,
    )
    there = np.stack(
        [weight[:, :12].any(1), weight[:, 12:24].any(1), weight[:, 24:31].any(1), weight[:, 31:38].any(1)], 1
    )
    mean = (means * there).sum(1) / np.maximum(there.sum(1), 1)
    worst = np.where(there, means, 1.0).min(1)
    confidence = np.clip((mean - 0.3) / 0.45, 0, 1) * np.clip(worst / 0.4, 0.1, 1)
    return [str(word) for word in state], confidence


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
