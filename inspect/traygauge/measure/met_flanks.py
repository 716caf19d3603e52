"""Flanks that lie against other pieces: where they do, and what is said of the width of pieces that show one flank or none.

Between two pieces that touch lies no tray, but the shadow of both or the light that they throw on each other, and what is
read there as an edge makes dark pieces too thick and bright ones too thin. So stations at which a flank meets another piece
are left out. Where too few are left of a flank, the piece's width is not known, and no table holds it. Its ends need one
to be fitted: the batch's, or what was read where that is another strand's.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.measure.end_light import Apart
from traygauge.measure.frame import ONE_STRAND, Frames, usual_diameter
from traygauge.measure.signal import on_lines, steps_px
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Where beside a flank another piece is looked for, in half widths from the axis.
_BESIDE = np.array([1.12, 1.25, 1.38])
#: A flank is unseen where this share of its stations meets others.
_MOSTLY = 0.6
#: Standard uncertainties, as shares of the diameter (drawn and rendered heaps): of the batch's taken for a piece's own; of
#: a width read against another piece; and of one read beside it, where the other shades or lights what is left.
_TAKEN, _GUESSED, _BESIDE_OTHERS = 0.025, 0.07, 0.02
_FAR = 3.0  # of the second, from which on a width read against another piece is of another strand


def met_stations(
    tray: TrayView, frames: Frames, stations: FloatArray, half: FloatArray, apart: Apart
) -> BoolArray:
    """Return where flanks meet other pieces, ndarray (n, 2, k): first the side along `across`, then the other.

    Parameters
    ----------
    stations : ndarray (n, k), mm along the axis; half : ndarray (n, k), half widths there, mm.
    apart : what in the photo belongs to other pieces; only pieces that parting found are looked at.
    """
    met = np.zeros((len(frames), 2, stations.shape[1]), bool)
    some = np.flatnonzero(np.isfinite(apart.end_mm).any(1))
    if len(some):
        rows, s = frames.rows(some), stations[some]
        height = np.broadcast_to(rows.height_mm[:, None], s.shape)
        start, side = steps_px(tray, rows.point(s), rows.across(s) * half[some][..., None], height)
        beside = on_lines(start[:, None], np.stack([side, -side], 1), _BESIDE)
        met[some] = (~apart.own(beside, some)).any(-1)
    return met


def held_to_batch(
    width_mm: FloatArray, met: BoolArray, likely: int
) -> tuple[FloatArray, BoolArray, BoolArray, FloatArray]:
    """Return diameters to fit with (n,), which are not known (n,), which flanks are unseen (n, 2), what is unsure (n,).

    Those of pieces with an unseen flank are the batch's. Where the piece is of another strand than the batch it is as it was
    read; where the batch is of several strands that is all there is, and stated as such.

    Parameters
    ----------
    width_mm : ndarray (n,): as read; met : ndarray (n, 2, k), bool: where its flanks meet others.
    likely : so many of the first show what is usual.
    """
    share = met.mean(2)
    unseen = share > _MOSTLY
    taken = unseen.any(1)
    usual, spread = usual_diameter(width_mm[:likely][~taken[:likely]])
    unsure = _BESIDE_OTHERS * np.sqrt(share.max(1)) * width_mm
    one_strand = spread < ONE_STRAND * usual
    alike = taken & one_strand & (np.abs(width_mm - usual) < _FAR * _GUESSED * usual)
    guessed = np.where(alike, np.fmax(spread, _TAKEN * usual), _GUESSED * width_mm)
    return np.where(alike, usual, width_mm), taken & one_strand, unseen, np.where(taken, guessed, unsure)
