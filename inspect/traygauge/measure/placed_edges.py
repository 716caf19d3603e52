"""Where the edges of bodies lie in the light across them, once what a photo's light does is known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from traygauge.measure.across import half_px, inner, middle_profiles, side_profiles, steps
from traygauge.measure.edge_model import (
    SHARPEN,
    Optics,
    find_light,
    find_optics,
    flash_lit,
    place_edges,
    usual_limb_share,
)
from traygauge.measure.end_light import Apart
from traygauge.measure.frame import Frames
from traygauge.measure.half_widths import HalfWidths
from traygauge.measure.limb import (
    BARE,
    CLEAR,
    COAT,
    Limb,
    clear,
    flash_over,
    from_tray,
    lit_from_one_side,
    turns,
)
from traygauge.measure.met_flanks import met_stations
from traygauge.measure.rim_light import PLACES, RimLight, rim_light
from traygauge.measure.signal import Signal
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]

#: A body's colour falls towards its limb as the photo's usual body's does, and more surely than its light.
_COLOUR_HOLD = 5.0
#: Standard uncertainty of an edge under lamps at one side, px, beside `uncertainty`'s part for all light, which holds most of
#: it: on drawn trays under one lamp medians of white strand stray by 0.04 px an edge, and 97 % of diameters are inside; it grows
#: with the square of a blur wider than the second.
_LAMP_PX, _SHARP_PX = 0.03, 0.8
#: The same under a flash: white strand strays by 0.1 px an edge, coloured one, whose dim limbs a tone curve darkens, by 0.3 px.
_FLASH_PX = 0.15
#: Blur that storing colour at half size leaves at the least, px, however sharp the ring is: means over two pixels each way,
#: spread out again (closed form: two boxes of two pixels).
_COLOUR_PX = 0.82
_FEWEST = 8  # likely pieces of a colour that tell their own light
_SHOW_OPTICS = 150  # pieces whose profiles tell the photo's blur: chance leaves 1 to 2 µm of a diameter
#: Where the tray beside a body shows its shadow, in half widths: neither blur nor a halo of sharpening reaches there.
_SHADED = np.array([1.4, 1.5, 1.6])


@dataclass(frozen=True, eq=False)
class PhotoLight:
    """The light of one photo's pieces.

    Parameters
    ----------
    flash, one_sided : whether it comes from beside the camera, or from one side more than from the other.
    limb : how it falls towards the limb.
    rims : what rounded rims lack of it.
    optics : what the camera makes of it.
    """

    flash: bool
    one_sided: bool
    limb: Limb
    rims: RimLight
    optics: Optics


@dataclass(frozen=True, eq=False)
class Placed:
    """Where the edges of n pieces lie in their light.

    Parameters
    ----------
    edge, residual : ndarray (n, 2): place in half widths, and what is left unexplained, over contrast.
    u_mm : ndarray (n,): what their kind of light leaves uncertain of a diameter.
    softer : ndarray (n,): how much wider than the photo's their blur is: colour is stored at half size.
    light : of the photo.
    """

    edge: FloatArray
    residual: FloatArray
    u_mm: FloatArray
    softer: FloatArray
    light: PhotoLight

    @classmethod
    def joined(cls, parts: list[tuple[IndexArray, Placed]]) -> Placed:
        """Return the places of all bodies from those of some rows each; the light is the first part's."""
        order = np.argsort(np.concatenate([rows for rows, _ in parts]))
        light = parts[0][1].light
        softer = [np.full(len(rows), p.light.optics.sigma_px / light.optics.sigma_px) for rows, p in parts]
        edge, residual, u_mm = (
            np.concatenate([getattr(part, name) for _, part in parts])[order]
            for name in ("edge", "residual", "u_mm")
        )
        return cls(edge, residual, u_mm, np.concatenate(softer)[order], light)


def read_edges(
    signal: Signal, tray: TrayView, frames: Frames, width: HalfWidths, apart: Apart, likely: int
) -> tuple[FloatArray, BoolArray, Placed]:
    """Return half widths (n, 7) of n bodies, mm, which of their sides are met (n, 2, 7), and where their edges lie."""
    half = width.at(frames, inner(frames))
    u = np.arange(0.4, 1.4, steps(tray, frames, likely))
    met = met_stations(tray, frames, inner(frames), half, apart)
    profiles = middle_profiles(signal, tray, frames, half, u, met).astype(float)
    parts = []
    for rows in _read_alike(signal, likely):
        own, mine, shown = signal.rows(rows), frames.rows(rows), rows[rows < likely]
        if own.odd.all():
            own = replace(own, softness=float(own.each_softness[0]), of_colour=False)
        coarse = _coarse_light(own, tray, mine, half[shown], apart.rows(rows))
        light = _photo_light(own, tray, mine, profiles[shown], u, coarse)
        placed = _placed(own, tray, mine, profiles[rows], half[rows].mean(1), u, light, len(shown))
        parts.append((rows, placed))
    return half, met, Placed.joined(parts)


def _read_alike(signal: Signal, likely: int) -> list[IndexArray]:
    """Return the rows of bodies that are read in the same light: first those of all, without foreign colours that tell their own.

    Of another colour that enough likely bodies have, the first ones, limbs and blur are others: colour is stored at half
    size, and what it lacks in the shade is not what white lacks.
    """
    if not signal.foreign.any():
        return [np.arange(len(signal.foreign))]
    _, kind = np.unique(signal.weights, axis=0, return_inverse=True)
    kind = np.where(signal.foreign, kind.ravel(), -1)
    many = [k for k in np.unique(kind[:likely]) if k >= 0 and (kind[:likely] == k).sum() >= _FEWEST]
    alike = ~np.isin(kind, many)
    if not alike[:likely].any():  # the commonest of foreign ones stand for all
        commonest = max(many, key=lambda k: int((kind[:likely] == k).sum()))
        many.remove(commonest)
        alike |= kind == commonest
    return [np.flatnonzero(alike), *(np.flatnonzero(kind == k) for k in many)]


def _photo_light(
    signal: Signal, tray: TrayView, frames: Frames, profiles: FloatArray, u: FloatArray, coarse: _Coarse
) -> PhotoLight:
    """Return the light of a photo by half profiles (k, 2, m) at `u` (m,) of its likely pieces, the first ones."""
    likely = len(profiles)
    usual_px = half_px(tray, frames, likely)
    ring_px = float(np.median(tray.blur_px.at(frames.centre_mm[:likely])))
    # both sides of some pieces: a lamp's shadows lie on one
    show = slice(0, likely, -(-likely // _SHOW_OPTICS))
    some = profiles[show]
    sides, sense = some.reshape(-1, len(u)), sense_of(signal, likely)
    hold, least = (_COLOUR_HOLD, _COLOUR_PX) if signal.of_colour else (1.0, 0.0)
    bright, expected_px = sense > 0, signal.softness * ring_px
    # of colours and dark pieces it is not the blur alone that softens edges
    seen_through = expected_px / usual_px if bright else 0.0
    share, coat = usual_limb_share(sides, u, seen_through), BARE if tray.is_scan else COAT
    even = Limb(share, hold, tray=from_tray(coarse.tray), coat=coat)
    mirrored = sense >= 0 and clear(sides, u)
    flash = not mirrored and bright and flash_lit(some, u, coarse.beside[show], even)
    if flash:  # its limb is that dark that no fit tells it from blur
        limb, optics = flash_over(coarse.tray), Optics(ring_px, SHARPEN)
    elif mirrored:
        limb, optics = CLEAR, find_optics(sides, u, usual_px, expected_px, CLEAR, least_px=least)
    else:
        limb, optics = find_light(some, u, usual_px, expected_px, even, bright, least)
    one_sided = limb.own_light and lit_from_one_side(some, u)
    if tray.is_scan:
        rims = RimLight.even(0.0)
    else:
        rims = rim_light(coarse.flank.reshape(-1, len(PLACES)), _looks(frames)[:likely].ravel(), limb)
    return PhotoLight(flash, one_sided, limb, rims, replace(optics, ring_px=ring_px))


def _placed(
    signal: Signal,
    tray: TrayView,
    frames: Frames,
    profiles: FloatArray,
    half_mm: FloatArray,
    u: FloatArray,
    light: PhotoLight,
    likely: int,
) -> Placed:
    """Return where the edges lie in half profiles (n, 2, m) at `u` (m,) of pieces of some half width (n,)."""
    usual_px, optics = half_px(tray, frames, likely), light.optics
    turn = turns(profiles, u, light.limb, optics.sigma_px / usual_px) * (signal.sense > 0)[:, None]
    own_px = (tray.px_per_mm(frames.centre_mm, frames.height_mm) * half_mm).repeat(2)
    local_px = optics.local_px(tray.blur_px.at(frames.centre_mm)).repeat(2)
    thickness = own_px / usual_px * optics.sigma_px / local_px
    sides = profiles.reshape(-1, len(u))
    edge, residual = (
        found.reshape(-1, 2)
        for found in place_edges(sides, u, usual_px, optics, light.limb, thickness, turn.ravel())
    )
    # where a neighbour or a shadow's edge spoils the model, the photo's usual step from the first guess serves
    spoilt = ~np.isfinite(edge) | (residual > 3 * np.median(residual[:likely]))
    usual = edge[:likely][~spoilt[:likely]]
    edge = np.where(spoilt, np.median(usual) if len(usual) else 1.0, edge)
    more_px = _FLASH_PX if light.flash else light.one_sided * _LAMP_PX
    u_edge = more_px * np.maximum(1.0, local_px / _SHARP_PX) ** 2 / own_px
    return Placed(edge, residual, half_mm * u_edge.reshape(-1, 2).sum(1), np.ones(len(edge)), light)


@dataclass(frozen=True, eq=False)
class _Coarse:
    """Light of k bodies and beside them.

    Parameters
    ----------
    flank : ndarray (k, 2, m): of each flank, at `rim_light.PLACES`, over that on the axis.
    beside : ndarray (k,): of the tray beside them, on the darker side, over that further away.
    tray : usual light of the tray over that on the axis.
    """

    flank: FloatArray
    beside: FloatArray
    tray: float


def _coarse_light(signal: Signal, tray: TrayView, frames: Frames, half: FloatArray, apart: Apart) -> _Coarse:
    """Return the light of the first k bodies, half (k, 7), mm."""
    some = np.arange(len(half))
    rows = frames.rows(some)
    at = np.concatenate([PLACES, _SHADED])
    light = side_profiles(signal.rows(some), tray, rows, inner(rows), half, at).astype(float).mean(2)
    flank, shaded = light[..., : len(PLACES)], light[..., len(PLACES) :].mean(-1)
    axis, tray_level = np.maximum(flank[..., 0].mean(1), 1e-9), apart.tray_level[some]
    beside = shaded.min(1) / np.maximum(tray_level, 1e-9)
    return _Coarse(flank / axis[:, None, None], beside, float(np.nanmedian(tray_level / axis)))


def _looks(frames: Frames) -> FloatArray:
    """Return which way the flanks of n bodies look, ndarray (n, 2), radians."""
    across = frames.across()
    way = np.arctan2(across[:, 1], across[:, 0])
    return np.stack([way, way + np.pi], -1)


def sense_of(signal: Signal, likely: int) -> float:
    """Return 1 where the own light of mostly bright pieces is read, -1 of dark ones, 0 where colour is."""
    return 0.0 if signal.of_colour else float(np.sign(np.median(signal.sense[:likely])))
