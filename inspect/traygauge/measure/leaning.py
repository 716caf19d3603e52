"""How long pieces are that rest at an angle, one end up on a neighbour or on a step of the tray.

Seen from above such a piece shows its raised face, and its flank up to the lower rim. With the axis rising by t towards
an end, and the line of sight leaning outwards along the axis by l, the rims project onto arcs
(`traygauge.measure.ends`) of the slope::

    l cos t - sin t   at the raised end,   l cos t + sin t   at the lower one

whose middles are those of the faces, each at its own height: R cos t the lower one, L sin t more the raised one. The
length is the distance of the two. From straight above, L cos t + 2 R sin t shows along the axis, so that a length read
off what shows changes with t by L tan t - 2 R: at the usual tilt of a piece that lies across another, 30 degrees,
hardly at all. Each of a row of tilts is tried on the light at both ends; how well it explains it says how likely it is.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import minimum_filter1d

from traygauge.measure.body import Bodies, rows_of
from traygauge.measure.edge_model import Optics
from traygauge.measure.end_fit import EndFit, begin, cost, ended
from traygauge.measure.end_light import STEP_PX, Apart, EndLight, Rims, read_ends
from traygauge.measure.end_model import ROUNDING_MM
from traygauge.measure.ends import Ends
from traygauge.measure.forms import Tried
from traygauge.measure.frame import Frames
from traygauge.measure.outlines import Outlines, past_faces
from traygauge.measure.signal import Signal
from traygauge.measure.solving import solved
from traygauge.measure.usual_cuts import SLOPE_SD, Usual
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

#: Tilts tried, radians, positive where the end along the axis is raised; steeper ones are rarer (a normal
#: distribution's standard deviation, common practice).
TILTS, _TILT_SD = np.radians(np.arange(-55.0, 56.0, 5.0)), np.radians(25.0)
#: How far the tilt that parting found by its edges may be off, radians, and how likely it is that it found another edge
#: (swept on drawn and rendered heaps).
_FOUND_SD, _MISTAKEN = np.radians(6.0), 0.2
#: How bright a raised face of a bright piece is, between tray and flank, and how far it strays: it looks up to the light.
_RAISED_FACE = 0.6, 0.4
#: How far an outer rim may lie from the outline's end, in diameters, as a standard deviation, and how far from another
#: piece's outline, in mm, light is not taken for the piece's own: parting guesses where the one below it begins.
_FROM_OUTLINE, _DOUBTFUL_MM = 0.1, 0.2
#: Deepest rims that are looked for, radii, and how near to the axis the outline's end is, radii.
_DEEPEST, _NEAR_AXIS = 1.3, 0.5
#: Cost of an end that is explained plainly; where the least cost is more, odds are held back by as much.
_PLAIN = 20.0
_SIDES = np.array([-1.0, 1.0])  # an end against the axis, and one along it


@dataclass(frozen=True, eq=False)
class Leaning:
    """What is known of those of some bodies that rest at an angle.

    Parameters
    ----------
    rows : ndarray (k,), of the bodies tried.
    bodies : all that were tried, those of `rows` with the cut length and the ends that the tilts make likely.
    u_tilt_mm : ndarray (k,): standard uncertainty of the lengths of `rows` that comes from the tilt.
    """

    rows: IntArray
    bodies: Bodies
    u_tilt_mm: FloatArray


def leaning(tray: TrayView, tried: Tried, leans: BoolArray, tilt: FloatArray) -> Leaning:
    """Return the lengths of bodies as they are if those of a mask (n,) rest at an angle.

    `tilt` (n,) is what parting found of it, radians; 0 or NaN where it found nothing.
    """
    rows, bodies = np.flatnonzero(leans), tried.bodies
    if not len(rows):
        return Leaning(rows, bodies, np.zeros(0))
    frames, usual = bodies.frames.rows(rows), float(np.median(bodies.ends.residual))
    own = replace(bodies, frames=frames, ends=rows_of(bodies.ends, rows))
    rims = _rims(tray, frames, _outline_ends(tray, tried.outlines.rows(rows), own))
    slope = rim_slopes(rims.lean)
    flanks = bodies.flanks
    light = _read(
        tried.signal.rows(rows), tray, rims, flanks.light.optics, flanks.softer[rows], tried.apart.rows(rows)
    )
    light = _at_slopes(light, slope)
    expected = _expected(light.dark, usual)
    fit = ended(light, begin(light), expected)
    each = cost(light, fit.p, fit.misfit, np.full(len(light.lean), usual**2), expected)
    chance = _chances(each.reshape(len(TILTS), -1, 2), tilt[rows])
    length = lengths_between(tray, frames, rims, slope, fit.p[0].reshape(slope.shape))
    mean = (chance * length).sum(0)
    spread = np.sqrt((chance * (length - mean) ** 2).sum(0))
    ends = _ends_of(fit, slope, chance.argmax(0), mean)
    return Leaning(rows, _with(bodies, rows, mean, ends), spread)


def _outline_ends(tray: TrayView, outlines: Outlines, bodies: Bodies) -> FloatArray:
    """Return how far from the middle of each body (k, 2) its outline ends along the axis, mm.

    A face as dark as the tray is no more of the piece to the light along the axis, but it is to the outline.
    """
    frames, ends = bodies.frames, bodies.ends
    lying = outlines.raised(tray, frames.height_mm)
    v, past = past_faces(lying.points, lying.every, bodies)
    near = np.abs(v) < lying.every(_NEAR_AXIS * frames.diameter_mm / 2)
    beyond = np.maximum.reduceat(np.where(near, past, -np.inf), lying.start, axis=1).T
    rim = frames.length_mm[:, None] / 2 + ends.view * (frames.diameter_mm[:, None] / 2 - ROUNDING_MM)
    return np.asarray(rim + np.where(np.isfinite(beyond), beyond, 0.0))


def _rims(tray: TrayView, frames: Frames, found: FloatArray) -> Rims:
    """Return the outer rims (2 k) of k frames that end so far from their middles (k, 2), a frame's one after the other."""
    who = np.repeat(np.arange(len(frames)), 2)
    radius, height = frames.diameter_mm[who] / 2, frames.height_mm[who]
    s = found * _SIDES
    anchor, outward = frames.point(s).reshape(-1, 2), (frames.along(s) * _SIDES[:, None]).reshape(-1, 2)
    inner = np.minimum(_DEEPEST * radius + 0.5, 0.62 * found.sum(1)[who])
    lean = (tray.lean(anchor, height) * outward).sum(-1)
    return Rims(who, anchor, outward, height, radius, np.ones_like(radius), lean, inner, 0.35 + 0.4 * radius)


def _read(
    signal: Signal, tray: TrayView, rims: Rims, optics: Optics, softer: FloatArray, apart: Apart
) -> EndLight:
    scale = float(np.median(tray.px_per_mm(rims.anchor, rims.height)))
    places = int(np.ceil((np.median(rims.inner) + np.median(rims.outer)) * scale / STEP_PX))
    apart = replace(apart, end_mm=np.repeat(_FROM_OUTLINE * 2 * rims.radius.reshape(-1, 2)[:, :1], 2, 1))
    light = read_ends(signal.rows(rims.who), tray, rims, places, optics, softer, apart)
    doubtful = 1 + 2 * round(_DOUBTFUL_MM * scale / STEP_PX)
    return replace(light, weight=minimum_filter1d(light.weight, doubtful, axis=1))


def _at_slopes(light: EndLight, slope: FloatArray) -> EndLight:
    """Return the light of ends (e,) once for each of their rims' slopes (m, e), from where the faces' middles are then."""
    many = light.of(np.tile(np.arange(slope.shape[1]), len(slope)))
    deep = np.abs(slope.ravel()) * (many.radius - ROUNDING_MM)
    return replace(many, s=many.s + deep.astype(np.float32), lean=slope.ravel().astype(np.float32))


def _expected(dark: BoolArray, residual: float) -> Usual:
    (bright, strays), known = _RAISED_FACE, Usual.unknown(dark)
    return Usual(
        SLOPE_SD, np.where(dark, known.face, bright), np.where(dark, known.face_sd, strays), residual
    )


def _chances(each: FloatArray, tilt: FloatArray) -> FloatArray:
    """Return how likely each tilt of each piece is, (m, k), from what it costs at both ends (m, k, 2) and by parting (k,).

    Where something lies at an end that no tilt explains, that end says less.
    """
    least = each.min(0)
    total = ((each - least) / np.maximum(least / _PLAIN, 1.0)).sum(2) + _rarity(tilt)
    chance = np.exp((total.min(0) - total) / 2)
    return np.asarray(chance / chance.sum(0))


def _rarity(tilt: FloatArray) -> FloatArray:
    """Return what each of `TILTS` costs before the light at the ends is looked at, (m, k): parting may have found one (k,)."""
    any_ = np.exp(-((TILTS[:, None] / _TILT_SD) ** 2) / 2)
    near = np.exp(-(((np.abs(TILTS[:, None]) - tilt) / _FOUND_SD) ** 2) / 2)
    return np.asarray(-2 * np.log(np.where(tilt > 0, near + _MISTAKEN * any_, any_)))


def rim_slopes(lean: FloatArray) -> FloatArray:
    """Return the slopes (m, e) of rims at each of `TILTS`, where the line of sight leans outwards by some (e,)."""
    return np.asarray(
        lean * np.cos(TILTS)[:, None] - np.sin(TILTS)[:, None] * np.tile(_SIDES, len(lean) // 2)
    )


def lengths_between(
    tray: TrayView, frames: Frames, rims: Rims, slope: FloatArray, out: FloatArray
) -> FloatArray:
    """Return the lengths (m, k) of pieces at each of `TILTS`, mm.

    Parameters
    ----------
    rims : outer rims, as seen in the plane at half the piece's height, both ends of a piece one after the other.
    slope : ndarray (m, e) of the rims; out : ndarray (m, e), how far outwards the faces' middles lie of where rims and
        slopes put them, mm.
    """
    shift = out - np.abs(slope) * (rims.radius - ROUNDING_MM)
    place = rims.anchor + shift[..., None] * rims.outward
    px = tray.to_px(place, np.broadcast_to(rims.height, slope.shape)).reshape(len(TILTS), -1, 2, 2)
    rise, flat = np.sin(TILTS)[:, None, None] * _SIDES, np.cos(TILTS)[:, None, None]
    radius = rims.radius.reshape(-1, 2)
    length = np.repeat(frames.length_mm[None], len(TILTS), 0)
    for _ in range(3):  # the heights follow from the length, and the scale from the heights
        height = radius * flat + length[..., None] * np.maximum(rise, 0.0)
        at = tray.to_mm(px, height)
        length = np.linalg.norm(at[..., 1, :] - at[..., 0, :], axis=-1) / flat[..., 0]
    return length


def _ends_of(fit: EndFit, slope: FloatArray, best: IntArray, length_mm: FloatArray) -> Ends:
    """Return both ends of k pieces at their likeliest tilts `best`, at half their lengths from the middle."""
    k = len(best)
    each = (2 * k * best[:, None] + 2 * np.arange(k)[:, None] + np.arange(2)).ravel()
    some = fit.of(each)
    first = np.zeros(some.normal.shape[1:])
    first[0] = 1.0
    u_fit = np.sqrt(solved(some.normal, first)[0])
    out, none = np.repeat(length_mm / 2, 2), np.zeros(2 * k)
    _, m, t, face = some.p
    view = np.abs(t)
    face = np.where(t >= 0, 1.0, face)
    columns = out, m, view, slope.ravel()[each], face, some.residual, u_fit, view, none, none
    return Ends(*(column.reshape(k, 2) for column in columns))


def _with(bodies: Bodies, rows: IntArray, length_mm: FloatArray, ends: Ends) -> Bodies:
    """Return the bodies with the lengths and ends of some rows replaced."""
    length = bodies.frames.length_mm.copy()
    length[rows] = length_mm
    columns = {f.name: getattr(bodies.ends, f.name).copy() for f in fields(Ends)}
    for name, column in columns.items():
        column[rows] = getattr(ends, name)
    return replace(bodies, frames=replace(bodies.frames, length_mm=length), ends=Ends(**columns))
