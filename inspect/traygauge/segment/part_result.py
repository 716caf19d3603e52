"""A clump in pieces: what parting returns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.segment.part_field import BoolArray, FloatArray

#: The label of tray between pieces that passed for more of them.
GAP = -1


@dataclass(frozen=True, eq=False)
class Parting:
    """A clump in pieces.

    Parameters
    ----------
    labels : ndarray (h, w), int32: 0 tray, k + 1 for piece k, `GAP` for tray between pieces that passed for more of them.
    state : tuple of k words: parted, covered, upright, unresolved, or whole where the clump turned out to be one.
    confidence : ndarray (k,), 0..1: how well the piece is explained.
    rod_px : ndarray (k, 6): middle x, y, axis angle (rad, x towards y, 0..pi), length, diameter, crop pixels, and the
        tilt at which it rests (rad, 0: it lies); NaN where no rod explains the piece.
    """

    labels: npt.NDArray[np.int32]
    state: tuple[str, ...]
    confidence: FloatArray
    rod_px: FloatArray

    def __len__(self) -> int:
        return len(self.state)


def unresolved(mask: BoolArray) -> Parting:
    """Return a clump that is left as it is."""
    return Parting(mask.astype(np.int32), ("unresolved",), np.zeros(1), np.full((1, 6), np.nan))


def compacted(
    labels: npt.NDArray[np.int32], state: list[str], confidence: FloatArray, rod_px: FloatArray
) -> Parting:
    """Return the parting without pieces that got no pixel."""
    count = np.bincount(np.maximum(labels, 0).ravel(), minlength=len(state) + 1)[1:]
    keep = np.flatnonzero(count > 0)
    number = np.zeros(len(state) + 1, np.int32)
    number[keep + 1] = np.arange(1, len(keep) + 1)
    words = tuple("whole" if len(keep) == 1 and state[k] == "parted" else state[k] for k in keep)
    return Parting(np.where(labels < 0, GAP, number[labels]), words, confidence[keep], rod_px[keep])
