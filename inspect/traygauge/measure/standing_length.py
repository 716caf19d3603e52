"""How long a piece is that stands on a cut face, by how far its top is seen from its foot.

The camera sees the top L a / (H - L) further from the point below it than the foot, at a distance a from that point and
a height H. That tells a short piece from a usual one, and little more: a foot cut off square by a few degrees moves the
top as well.

Between the two shows the flank. It is lit less than the face, often less than the tray, so that light does not say where
it ends. But a shadow only takes light off the tray: what is left of a colour beside some part of the tray's is the piece's.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.channel import softness
from traygauge.measure.end_light import Apart
from traygauge.measure.medians import known_medians, usual
from traygauge.measure.outlines import Outlines
from traygauge.measure.signal import look_up
from traygauge.measure.standing import nearest_discs
from traygauge_calib.tray_view import TrayView
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_VERTICES = 32
#: Standard deviations of a disc's size and ovality, of how far the top is seen from the foot, all in diameters, and of
#: the lean of pieces that stand, as a tangent (common practice).
_SHAPE_SD, _SEEN_SD, LEAN_SD = 0.02, 0.035, 0.06
#: Fewer cuts than this say nothing of leans, and these are the least (burrs and dust tip square ones; common practice) and the
#: most believed.
_CUTS, _LEANS = 16, (0.045, 0.2)
#: Flanks are read over these angles of the top's rim, from a little inside it outwards, in diameters; the outermost places
#: show the tray, and so does a ring this far from the top's middle; a smaller one shows the face.
_TURN, _STEP = np.linspace(-0.7, 0.7, 9), 0.02
_BEYOND = np.arange(-0.12, 1.3, _STEP)
_OUTSIDE, _RING, _WITHIN = 0.9, 1.4, 0.25
#: What has more than this share of the face's colour is flank. Nothing is told where the tray shows a third of that, or
#: where a flank would not show that is lit by a tenth of the face's light, because the tray is brighter.
_LEAST, _LIT = 0.03, 0.1
#: A flank seen over this many diameters, of this share, is one. A piece without is short, or turned away from the light: it
#: is told where most others show one that face the same way to this angle, of those seen from the side by as much for each
#: diameter of their length (judgement).
_WIDE, _SHOWS, _ALIKE = 0.12, 0.1, np.radians(45.0)
#: What would be higher than this, in diameters, does not stay standing: what shows there is no flank of it.
_HIGHEST = 2.6
#: Where the view moves tops by less of their height than this, flanks are lost in the blur of the rim (drawn ones narrower
#: than a tenth of a diameter are read as half as wide): nothing is told there, nor where it is less certain than this many
#: diameters.
_LEAST_SLANT, _MOST_U = 0.08, 2.0


def lean_of_cuts(off_square: npt.ArrayLike) -> float:
    """Return by how much pieces lean that stand on such cuts: the standard deviation of a tangent, in one direction.

    A piece stands on its cut face, which leans as much one way as the other (26 path-traced photos: those that stand lean by
    0.95 of that, and by 0.02 to 0.11). `off_square` are tangents of cut angles; NaN where one is not known.
    """
    known = np.asarray(off_square, float)
    known = known[np.isfinite(known)]
    return float(np.clip(np.sqrt((known**2).mean() / 2), *_LEANS)) if len(known) >= _CUTS else LEAN_SD


def u_standing_mm(
    length_mm: npt.ArrayLike, slant: npt.ArrayLike, diameter_mm: npt.ArrayLike, lean_sd: float = LEAN_SD
) -> FloatArray:
    """Return the standard uncertainty of such a length, mm, for a view that moves the top by `slant` a mm of height."""
    read = np.hypot(_SEEN_SD * np.asarray(diameter_mm, float), lean_sd * np.asarray(length_mm, float))
    return np.asarray(read / np.maximum(slant, 1e-6))


def standing_lengths(
    tray: TrayView, outlines_tray: Outlines, apart: Apart, usual_mm: float, lean_sd: float, flash: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the lengths, mm, of n pieces that stand, and their standard uncertainties; NaN where nothing tells.

    Parameters
    ----------
    outlines_tray : of the n pieces, seen in the tray's own plane.
    apart : which pixels are theirs.
    usual_mm : the batch's diameter.
    lean_sd : by how much pieces lean that stand (`lean_of_cuts`).
    flash : whether the light comes from beside the lens: flanks are the darker then the less of them is seen.
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
    top = middle + usual_mm * np.einsum("nj,nji->ni", discs[:, :2] + discs[:, 5:], way)
    share, soft = _colour_beyond(tray, apart, top, way * usual_mm)
    moved = _foot(share, soft * tray.blur_px.at(middle) / tray.px_per_mm(middle) / usual_mm)
    told = _flank_would_show(share, moved, _lit_no_better(ray, slant, flash)) & (
        moved < _HIGHEST * (slant + 2 * lean_sd)
    )
    moved = moved * usual_mm
    length = moved / np.maximum(slant + moved / tray.camera_height_mm, 1e-6)
    u = u_standing_mm(length, slant, usual_mm, lean_sd)
    known = (soft > 0) & told & (slant > _LEAST_SLANT) & (u < _MOST_U * usual_mm)
    return np.where(known, length, np.nan), np.where(known, u, np.nan)


def _colour_beyond(
    tray: TrayView, apart: Apart, top_mm: FloatArray, way_mm: FloatArray
) -> tuple[FloatArray, float]:
    """Return what share of the face's colour shows at places beyond each top's near rim (n, m), and how soft it is.

    Parameters
    ----------
    top_mm, way_mm : ndarrays (n, 2) and (n, 2, 2): the top's middle, and how far one diameter along the line of sight and
        across it leads.

    Notes
    -----
    NaN where other pieces are. How much wider its edges are than the ring's (`channel.softness`); 0 where flanks cannot
    show in it.
    """
    turn = np.linspace(-np.pi, np.pi, 32)[:, None]
    where = tray, apart, top_mm, way_mm
    around, face = (
        _usual_colour(*_light(*where, r * np.cos(turn), r * np.sin(turn))) for r in (_RING, _WITHIN)
    )
    around = np.maximum(np.nan_to_num(around), 1e-4)
    own = np.median(_beside(face, around), 0)
    own = own / max(float(np.linalg.norm(own)), 1e-9)
    whole = np.maximum(_beside(face, around) @ own, 1e-6)
    rim = np.cos(_TURN) / 2 + _BEYOND[:, None]
    light, free = _light(*where, -rim, np.broadcast_to(np.sin(_TURN) / 2, rim.shape))
    share = _beside(light, around[:, None, None]) @ own / whole[:, None, None]
    share = known_medians(share, free)
    clean = usual(np.abs(share[:, _BEYOND > _OUTSIDE])) < _LEAST / 3
    shows = np.median(_beside(_LIT * face, around) @ own / whole) > _LEAST
    return share, softness(own) if clean and shows else 0.0


def _light(
    tray: TrayView,
    apart: Apart,
    top_mm: FloatArray,
    way_mm: FloatArray,
    along: FloatArray,
    across: FloatArray,
) -> tuple[FloatArray, BoolArray]:
    """Return the linear light at places (m, r) around each top, (n, m, r, 3), and where no other piece is (n, m, r)."""
    at = top_mm[:, None, None] + np.stack([along, across], -1) @ way_mm[:, None]
    xy = np.moveaxis(tray.to_px(at), -1, 0).astype(np.float32)
    codes = look_up(tray.photo.pixels, xy, (0, 0), cv2.INTER_LINEAR)
    return LINEAR_OF_CODE[codes].astype(float), apart.own(xy, np.arange(len(at)))


def _usual_colour(light: FloatArray, free: BoolArray) -> FloatArray:
    """Return the median colour (n, 3) of free places (n, m, 1)."""
    return known_medians(np.moveaxis(light[:, :, 0], -1, 1), np.moveaxis(free, -1, 1))


def _beside(light: FloatArray, tray: FloatArray) -> FloatArray:
    """Return what is left of light (..., 3) once as much as can be of the tray's, in shadow or out of it, is taken out."""
    shadow = np.clip((light * tray).sum(-1) / (tray * tray).sum(-1), 0.0, 1.0)
    return np.asarray(light - shadow[..., None] * tray)


def _foot(share: FloatArray, blur: FloatArray) -> FloatArray:
    """Return how far beyond the top's rim flanks end, diameters (n,), NaN where another piece is met before.

    They end where half of the light is left that they have a little inside of that.
    """
    rows = np.arange(len(share))
    end = (~(share > _LEAST)).argmax(1)
    inside = np.maximum(end - np.maximum(np.round(3.0 * blur / _STEP).astype(int), 1), 0)
    half = np.fmax(share[rows, inside] / 2, _LEAST)
    at = ((share <= half[:, None]) & (np.arange(share.shape[1]) > inside[:, None])).argmax(1)
    before, after = share[rows, at - 1], share[rows, at]
    past = np.clip((before - half) / np.maximum(before - after, 1e-6), 0.0, 1.0)
    found = _BEYOND[at - 1] + _STEP * past
    return np.where((end > 0) & (at > 0) & np.isfinite(share[rows, end]), np.maximum(found, 0.0), np.nan)


def _lit_no_better(ray: FloatArray, slant: FloatArray, flash: bool) -> BoolArray:
    """Return which other pieces' flanks (n, n) are lit like those of each, or less, and wide enough to be seen.

    Like it are those that face the same way. A flash beside the lens lights flanks the less the less of them is seen.
    """
    alike = slant < slant[:, None] if flash else ray @ ray.T > np.cos(_ALIKE)
    return np.asarray(alike & (slant > _WIDE) & ~np.eye(len(ray), dtype=bool))


def _flank_would_show(share: FloatArray, moved: FloatArray, lit_no_better: BoolArray) -> BoolArray:
    """Return of which pieces (n,) a flank is seen, or would be: most others show theirs that are lit no better (n, n)."""
    # nearer to the rim its blur looks like a flank
    inner = (_BEYOND > 0.08) & (moved[:, None] - 0.04 > _BEYOND)
    shows = (moved > _WIDE) & (known_medians(share, inner & np.isfinite(share)) > _SHOWS)
    return np.asarray(shows | (2 * (lit_no_better & shows).sum(1) > lit_no_better.sum(1)))
