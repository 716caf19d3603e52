"""What the pieces of one photo share in error although it is stated for each alone: they lie under one light."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.judge.findings import FloatArray
from traygauge.measure.pieces import Pieces
from traygauge.words import MEASURED_STATES

#: Part of the usual own uncertainty of a photo's lengths that its pieces have in common. The bias of a photo's lengths
#: was .34 of it (root of mean square over 25 path-traced photos, their usual own uncertainty 0.03 to 0.5 mm), rounded up.
COMMON = 0.4
#: Diameters of one strand scatter by this much at the most where they are read well, a fraction (0.010 to 0.031 on 36
#: path-traced and drawn photos). Where shadows are taken for pieces they scatter more, and diameters, and lengths with
#: them, are off by some twice the excess (root of mean square 2.0 on 8 such photos). Strand that is itself as uneven is
#: judged with the same caution: a photo cannot tell.
USUAL_SCATTER, OFF_PER_SCATTER = 0.032, 2.2
#: The densest part of the diameters that is looked at, so that a second strand in the bag is no scatter, and how wide
#: it is for a normal distribution, in standard deviations.
DENSEST, WIDTH = 0.4, 1.0488
#: Fewer strand pieces say nothing about scatter.
FEWEST = 8


def common_error_mm(pieces: Pieces, photo: npt.NDArray[np.intp], own_mm: FloatArray) -> FloatArray:
    """Return what each piece's photo adds to the standard uncertainty that its pieces share, mm (n,).

    Parameters
    ----------
    photo : ndarray (n,), number of each piece's photo.
    own_mm : ndarray (n,), own uncertainty of the length as stated; NaN where none was measured.
    """
    added = np.zeros(len(pieces))
    diameter = strand_diameters_mm(pieces)
    for number in range(int(photo.max(initial=-1)) + 1):
        here = photo == number
        own = own_mm[here][np.isfinite(own_mm[here])]
        usual = COMMON * float(np.median(own)) if len(own) else 0.0
        added[here] = np.hypot(usual, _off_mm(diameter[here]))
    return added


def strand_diameters_mm(pieces: Pieces) -> FloatArray:
    """Return the measured diameter of each strand piece, mm (n,); NaN for the rest."""
    measured = (pieces["form"] == "strand") & np.isin(pieces["state"].astype(str), sorted(MEASURED_STATES))
    return np.where(measured, pieces["diameter_mm"].astype(float), np.nan)


def scatter(diameter_mm: FloatArray) -> float:
    """Return the relative standard deviation of the densest part of diameters; NaN where there are too few of them."""
    known = np.sort(diameter_mm[np.isfinite(diameter_mm)])
    if len(known) < FEWEST:
        return float("nan")
    inside = int(np.ceil(DENSEST * len(known)))
    narrowest = float((known[inside - 1 :] - known[: len(known) - inside + 1]).min())
    return narrowest / WIDTH / max(float(np.median(known)), 1e-9)


def _off_mm(diameter_mm: FloatArray) -> float:
    found = scatter(diameter_mm)
    if not found > USUAL_SCATTER:
        return 0.0
    return OFF_PER_SCATTER * float(np.sqrt(found**2 - USUAL_SCATTER**2) * np.nanmedian(diameter_mm))
