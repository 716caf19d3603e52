"""Parting of touching pieces: which pixels of a clump belong to which piece, and which rod explains it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment import part_judge, part_label, part_polish
from traygauge.segment.part_explain import explained
from traygauge.segment.part_field import BoolArray, Clump, FloatArray, field_of
from traygauge.segment.part_prior import StrandPrior, heap_prior, looks_single, strand_prior

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
    prior = prior or heap_prior([clump.mask for clump in clumps])
    if prior is None:
        return [_blobs_only(clump.mask) for clump in clumps]
    field = field_of(clumps, prior.diameter_px)
    found = explained(field, prior)
    field = found.field
    stack = part_judge.stacked(found.rods, found.said, field.diameter)
    rods, bulge = part_polish.polished(field, found.rods, stack.hidden)
    state = part_judge.states(field, rods, bulge, stack, found.usual)
    confidence = part_judge.confidences(found.said, stack.hidden)
    own = field.owner_at(rods[:, 0], rods[:, 1])
    out = []
    for k, clump in enumerate(clumps):
        mine = stack.order[own[stack.order] == k]
        crop = field.in_crop(rods[mine], own[mine])
        words = [state[m] for m in mine]
        out.append(_as_parting(clump.mask, crop, words, confidence[mine], field.diameter / field.scale))
    return out


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
