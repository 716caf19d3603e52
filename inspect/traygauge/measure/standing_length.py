"""How long a piece is that stands on a cut face, by how far its top is seen from its foot.

The camera sees the top L a / (H - L) further from the point below it than the foot, at a distance a from that point and
a height H. That tells a short piece from a usual one, and little more: a foot cut off square by a few degrees moves the
top as well.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from traygauge.measure.end_light import Apart
from traygauge.measure.outlines import Outlines
from traygauge.measure.signal import Signal
from traygauge.measure.standing import nearest_discs
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]

_VERTICES = 32
#: Standard deviations of a disc's size and ovality, of how far the top is seen from the foot, all in diameters, and of
#: the lean of pieces that stand, as a tangent (common practice).
_SHAPE_SD, _SEEN_SD, _LEAN_SD = 0.02, 0.04, 0.06
#: The flanks of at least so many pieces, whose tops are seen so many diameters from their feet, must show this share of the
#: face's light over the tray, none less than a fourth of what another shows (judgement): else light comes from one side,
#: and a piece seems short because its flank is in the dark.
_FLANKS, _SEEN, _FLANK, _ALIKE = 3, 0.12, 0.1, 0.25
#: Light beside the near rim is read at these places, diameters from the foot's rim inwards, and over these angles of it;
#: the outermost ones show the tray. What is brighter than it by more than this share of the face is flank.
_PLACES, _TURN, _OUTSIDE, _LEAST = np.linspace(-0.5, 0.15, 53), np.linspace(-0.7, 0.7, 9), 6, 0.035
#: What would be higher than this, in diameters, does not stay standing: what is bright there is no flank of it.
_HIGHEST = 2.6
#: Pieces of which the least is seen are less certain than this many diameters: their length is not told.
_MOST_U = 2.0


def u_standing_mm(length_mm: npt.ArrayLike, slant: npt.ArrayLike, diameter_mm: npt.ArrayLike) -> FloatArray:
    """Return the standard uncertainty of such a length, mm, for a view that moves the top by `slant` a mm of height."""
    read = np.hypot(_SEEN_SD * np.asarray(diameter_mm, float), _LEAN_SD * np.asarray(length_mm, float))
    return np.asarray(read / np.maximum(slant, 1e-6))


def standing_lengths(
    tray: TrayView, outlines_tray: Outlines, signal: Signal, apart: Apart, usual_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Return the lengths, mm, of n pieces that stand, and their standard uncertainties; NaN where nothing tells.

    Parameters
    ----------
    outlines_tray : of the n pieces, seen in the tray's own plane.
    signal, apart : theirs.
    usual_mm : the batch's diameter.
    """
    n = len(outlines_tray.size)
    points = outlines_tray.some(np.arange(n), _VERTICES)
    middle = points.mean(1)
    lean = tray.lean(middle)
    slant = np.linalg.norm(lean, axis=1)
    ray = lean / np.maximum(slant, 1e-6)[:, None]
    way = np.stack([ray, np.stack([-ray[:, 1], ray[:, 0]], -1)], 1)
    seen = np.einsum("nmi,nji->jnm", points - middle[:, None], way) / usual_mm
    low, extent = seen.min(2), np.ptp(seen, axis=2)
    zero = np.zeros(n)
    drawn = np.maximum(extent[0] - 1.0, 0.02)
    start = [low[0] + 0.5, low[1] + extent[1] / 2, zero + 2, zero + 2, zero, drawn, zero]
    discs, _ = nearest_discs(
        seen,
        np.stack(start, -1),
        np.tile([9.0, 0.2], (n, 1)),
        np.full(n, np.inf),
        _SHAPE_SD,
        _SHAPE_SD,
    )
    further, told = _flanks_beyond(tray, signal, apart, middle, way * usual_mm, discs)
    moved = discs[:, 5] + np.where(discs[:, 5] + further < _HIGHEST * slant, further, 0.0)
    moved = moved * usual_mm
    length = moved / np.maximum(slant + moved / tray.camera_height_mm, 1e-6)
    u = u_standing_mm(length, slant, usual_mm)
    # beside dark pieces shadow passes for more of them, or hides a lit flank
    known = told & (signal.sense > 0) & (slant > 1e-6) & (u < _MOST_U * usual_mm)
    return np.where(known, length, np.nan), np.where(known, u, np.nan)


def _flanks_beyond(
    tray: TrayView, signal: Signal, apart: Apart, middle_mm: FloatArray, way_mm: FloatArray, discs: FloatArray
) -> tuple[FloatArray, bool]:
    """Return how much further the foot is seen from the top than outlines say, diameters (n,), and if flanks show.

    An outline lies at half the light of a bright face, and a narrow flank is darker than that. It ends where the light is
    the tray's but for the little that blur carries there.

    Parameters
    ----------
    middle_mm, way_mm : ndarrays (n, 2) and (n, 2, 2): where the discs (n, 7) are counted from, and how far one diameter
        along the line of sight and across it leads.
    """
    rim = np.stack([-np.cos(_TURN), np.sin(_TURN)], -1) / 2

    def light(along: FloatArray, across: FloatArray) -> FloatArray:
        points = middle_mm[:, None, None] + along[..., None] * way_mm[:, None, None, 0]
        points = points + across[..., None] * way_mm[:, None, None, 1]
        return np.asarray(np.median(signal.at(np.moveaxis(tray.to_px(points), -1, 0).astype(np.float32)), -1))

    foot, top = discs[:, None, None, :2], discs[:, None, None, :2] + discs[:, None, None, 5:]
    places = np.broadcast_to(_PLACES[:, None], (len(discs), len(_PLACES), 1))
    beside = light(foot[..., 0] + rim[:, 0] + places, foot[..., 1] + rim[:, 1] + 0 * places)
    face = light(top[..., 0] + rim[:, 1] / 2, top[..., 1] + 0 * rim[:, 1])[:, 0]
    flank = light(foot[..., 0] + rim[:, 0] + discs[:, None, None, 5] / 2, foot[..., 1] + rim[:, 1])[:, 0]
    level = np.median(beside[:, :_OUTSIDE], 1)
    above = np.where(face == level, np.inf, face - level)
    shows = ((flank - level) / above)[discs[:, 5] > _SEEN]
    if len(shows) < _FLANKS or shows.min() < max(_FLANK, _ALIKE * shows.max()):
        return np.zeros(len(discs)), False
    share = (beside - level[:, None]) / above[:, None]
    first = (share > _LEAST).argmax(1)
    blur = tray.blur_px.at(middle_mm) / tray.px_per_mm(middle_mm) / np.hypot(*way_mm[0, 0])
    step = np.maximum(_PLACES[1] - _PLACES[0], 1e-6)
    behind = np.minimum(first + np.round(2.5 * blur / step).astype(int), len(_PLACES) - 1)
    tail = -blur * ndtri(np.clip(_LEAST / np.maximum(share[np.arange(len(discs)), behind], 1e-6), 1e-3, 0.5))
    found = np.where(share.max(1) > _LEAST, -(_PLACES[first] + tail), 0.0)
    return np.maximum(found, 0.0), True  # a flank as dark as the tray may have been seen by its colour
