"""What segmenting returns: the things found on the tray, still in pixels of the photo."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
Labels = npt.NDArray[np.signedinteger[Any]]


def label_type(count: int) -> type[np.int16 | np.int32]:
    """Return the type of a label image that holds numbers up to `count`.

    An image half as large is filled and copied sooner, and has the system clear fewer new pages.
    """
    return np.int16 if count < 2**15 else np.int32


@dataclass(frozen=True, eq=False)
class Regions:
    """Things found on one tray, in reading order. All arrays are over the n regions unless said otherwise.

    Parameters
    ----------
    tray : the tray view they were found in.
    origin_px : photo pixel (x, y) of `labels[0, 0]`.
    labels : ndarray (h, w), int16 or int32: 0 tray, k + 1 for region k (its pixels, threads included, holes filled).
    outlines_px : tuple of n ndarrays (k, 2): closed sub-pixel outline at the region's own half contrast, photo
        pixels, last point not repeated, counter-clockwise as seen in the photo or clockwise alike.
    state : tuple of n words of `traygauge.words.STATES`; segmenting gives whole, parted, covered, cut off, unresolved.
    contrast : ndarray (3,): weights of linear R, G, B (in 0..1) whose sum is the signal in which tray and
        pieces differ most in this photo; pieces lie above the tray in it (positive sense).
    own_contrast : ndarray (n, 3): the same weights for each region: `contrast`, but for pieces of a foreign colour that
        are too faint in it.
    level_tray, level_piece : ndarray (n,): local levels of that signal beside and inside the region.
    colour_lab : ndarray (n, 3): CIELAB (D65) of the region's inside, the tray's light corrected.
    confidence : ndarray (n,), 0..1: how well a parted region is explained; 1 for whole ones.
    heap : ndarray (n,), int: regions of one connected clump share a number; -1 for what lies free.
    extent_px : ndarray (n,): largest extent that the thing can have (of the whole heap where it is unresolved, along
        the axis where a piece is covered).
    contrast_to_noise : level difference over noise, the photo's median; 0 where what lies there is not seen itself.
    told_from_shadows : 1 where pieces can be told from shadows, 0 where those are as dark; NaN for an empty tray.
    rod_px : ndarray (n, 6): middle x, y, axis direction (radians, x towards y), length and diameter of the strand
        piece that explains a parted region, photo pixels, and the tilt at which it rests (radians, 0: it lies); NaN rows
        where none was fitted.
    light : ndarray like `labels`, float32: the photo's linear light weighted by `contrast`; None where nothing lies.
    flakes : share of flakes among what lies free, by outline (`part_prior.StrandPrior`); 0 where no strand is told.
    """

    tray: TrayView
    origin_px: tuple[int, int]
    labels: Labels
    outlines_px: tuple[FloatArray, ...]
    state: tuple[str, ...]
    contrast: FloatArray
    own_contrast: FloatArray
    level_tray: FloatArray
    level_piece: FloatArray
    colour_lab: FloatArray
    confidence: FloatArray
    heap: npt.NDArray[np.int64]
    extent_px: FloatArray
    contrast_to_noise: float
    told_from_shadows: float
    rod_px: FloatArray
    light: npt.NDArray[np.float32] | None
    flakes: float

    def __len__(self) -> int:
        return len(self.outlines_px)
