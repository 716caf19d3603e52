"""The light along the axis at the ends of bodies, which cut faces are fitted to."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.edge_model import Optics
from traygauge.measure.frame import Frames
from traygauge.measure.limb import Limb, flank_light
from traygauge.measure.medians import medians
from traygauge.measure.signal import Signal, local_maps, look_up, on_lines
from traygauge.segment.regions import Labels
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]
SingleArray = npt.NDArray[np.float32]  # profiles: half the memory, and noise far above its rounding

ROWS = np.linspace(-0.8, 0.8, 9)  # places across the axis, in half widths, where the blur is small
#: How high a section is at an end over how wide it looks, where it keeps the strand's area: within what cuts squeeze.
_FLAT = 0.6, 1.3
STEP_PX = 1.0  # along the axis
#: What light strays from the model by (shade, texture) is a share of itself, and this share of the tray's light: places
#: beside a dark piece count by the inverse of its square. Swept on drawn trays (0.05 to 0.3); that of bright pieces, whose
#: own light strays most, gains nothing by it.
_STRAYS = 0.1
#: A gap is darker than this, and what lies beyond it brighter than it by this, between tray (0) and flank (1).
_GAP = 0.8, 0.15
MET = 0.3  # radii beyond an end within which what lies there is met by it


@dataclass(frozen=True, eq=False)
class Apart:
    """What is known of pieces beside others: which pixels are their own or the tray's, and where parting ended them.

    Parameters
    ----------
    labels : ndarray (h, w), whole numbers: 0 tray, k + 1 the body of piece k, -1 a tail.
    origin_px : photo pixel (x, y) of `labels[0, 0]`.
    label : ndarray (n,): the label of each measured piece.
    tray_level : ndarray (n,): signal of the tray beside each piece.
    end_mm : ndarray (n, 2): how far a free end, and one that meets another piece, may lie from the first frame's, as a
        standard deviation; infinite where the frame is but a first guess from the outline.
    outlines_px : of the bodies of all the photo's pieces, photo pixels.
    """

    labels: Labels
    origin_px: tuple[int, int]
    label: npt.NDArray[np.int64]
    tray_level: FloatArray
    end_mm: FloatArray
    outlines_px: tuple[FloatArray, ...] = ()

    def rows(self, index: IntArray) -> Apart:
        """Return what is known of some pieces."""
        label, level, end = self.label[index], self.tray_level[index], self.end_mm[index]
        return replace(self, label=label, tray_level=level, end_mm=end)

    def own(self, xy_px: SingleArray, who: IntArray) -> BoolArray:
        """Return whether points (2, e, ...) show the tray or the body of the piece `who` (e,) names."""
        found = look_up(self.labels, xy_px, self.origin_px, cv2.INTER_NEAREST)
        return np.asarray((found == 0) | (found == self.label[who].reshape(-1, *([1] * (found.ndim - 1)))))


@dataclass(frozen=True, eq=False)
class EndLight:
    """Light along the axis at e ends, on r rows of m places each; the ends come last, so that inner loops are long.

    Parameters
    ----------
    share : ndarray (r, m, e): light between tray (0) and flank (1); `weight` (r, m, e) what each counts.
    s : ndarray (m, e): mm outwards of the anchor; `v` (r, e): mm across.
    blur, radius, known : ndarray (e,), mm; `radius` is half the width, `known` how far the end may lie from s = 0, a standard deviation.
    flat : ndarray (e,): how high the section is over how wide: cuts squeeze ends.
    tray_at : ndarray (e,), mm: about where along s the tray's light was read.
    even : ndarray (r, e): an evenly lit face's light, in the row's units, where its light is 1 in the middle row.
    lean : ndarray (e,), of the line of sight outwards; dark : ndarray (e,), bool.
    lip : ndarray (r, e), bool: whether what lies beyond the cut is a lip.
    """

    share: SingleArray
    weight: SingleArray
    s: SingleArray
    v: SingleArray
    blur: SingleArray
    radius: SingleArray
    flat: SingleArray
    known: SingleArray
    tray_at: SingleArray
    even: SingleArray
    lean: SingleArray
    dark: BoolArray
    lip: BoolArray
    optics: Optics

    def coarser(self) -> EndLight:
        """Return the light on every second row, which counts twice."""
        share, weight, v = (np.ascontiguousarray(x[::2]) for x in (self.share, 2 * self.weight, self.v))
        return replace(self, share=share, weight=weight, v=v, even=self.even[::2], lip=self.lip[::2])

    def of(self, some: BoolArray | IntArray) -> EndLight:
        """Return the light of some ends."""
        index = np.flatnonzero(some) if some.dtype == bool else some
        arrays = (f.name for f in fields(self) if f.name != "optics")
        some_of: Any = {name: getattr(self, name).take(index, -1) for name in arrays}
        return replace(self, **some_of)


@dataclass(frozen=True, eq=False)
class Rims:
    """Where e ends are looked for.

    Parameters
    ----------
    who : ndarray (e,), of which piece; anchor, outward : ndarray (e, 2), on the axis, mm and unit direction.
    height, radius : ndarray (e,), mm; flat : ndarray (e,): how high the section is over how wide it looks.
    lean : ndarray (e,), of the line of sight outwards.
    inner, outer : ndarray (e,): how far inwards and outwards of the anchor the light is read, mm.
    """

    who: IntArray
    anchor: FloatArray
    outward: FloatArray
    height: FloatArray
    radius: FloatArray
    flat: FloatArray
    lean: FloatArray
    inner: FloatArray
    outer: FloatArray

    def of(self, some: IntArray) -> Rims:
        """Return some of the rims."""
        return Rims(*(getattr(self, f.name)[some] for f in fields(self)))


def rims_of(tray: TrayView, frames: Frames, width_mm: FloatArray) -> Rims:
    """Return where the ends of n frames as wide as `width_mm` (n, 2) are looked for, both ends of a frame one after the other."""
    n = len(frames)
    who, side = np.repeat(np.arange(n), 2), np.array([-1.0, 1.0])
    s = side * frames.length_mm[:, None] / 2
    anchor = frames.point(s).reshape(-1, 2)
    outward = (frames.along(s) * side[:, None]).reshape(-1, 2)
    height, radius = frames.height_mm[who], width_mm.ravel() / 2
    lean = (tray.lean(anchor, height) * outward).sum(-1)
    inner = np.minimum(2 * radius * np.abs(lean).clip(0.1) + 0.5, 0.62 * frames.length_mm[who])
    flat = np.clip((frames.diameter_mm[who] / width_mm.ravel()) ** 2, *_FLAT)
    return Rims(who, anchor, outward, height, radius, flat, lean, inner, 0.35 + 0.4 * radius)


def read_ends(
    signal: Signal, tray: TrayView, rims: Rims, m: int, optics: Optics, softer: FloatArray, apart: Apart
) -> EndLight:
    """Return the light of some ends (a signal of as many rows), at m places each.

    `softer` (n,) says how much wider than the optics' the bodies' blur is.
    """
    blur = optics.local_px(tray.blur_px.at(rims.anchor)) / tray.px_per_mm(rims.anchor, rims.height)
    blur *= softer[rims.who]
    s = np.linspace(-1, 0, m)[None] * (rims.inner + rims.outer)[:, None] + rims.outer[:, None]
    # rows keep off the sides as far as the blur carries their darkness inwards
    room = np.clip(1.0 - 1.8 * blur / rims.radius, 0.35, ROWS[-1]) / ROWS[-1]
    v = ROWS[None] * (room * rims.radius)[:, None]
    base, jac = local_maps(tray, rims.anchor, rims.height)
    across = np.stack([-rims.outward[:, 1], rims.outward[:, 0]], -1)
    ds, dv = (np.einsum("eij,ej->ei", jac, way) for way in (rims.outward, across))
    px = on_lines(base[:, None] + v[..., None] * dv[:, None], ds[:, None], s[:, None])
    raw = signal.at(px)
    own = apart.own(px, rims.who)
    beyond = (s > 0) & (s < MET * rims.radius[:, None])
    meets = (beyond[:, None] & ~own).any((1, 2))
    k = max(4, m // 6)
    tray_row = _median_of(raw[..., -k:], own[..., -k:], apart.tray_level[rims.who])
    flank_row = medians(raw[..., :k])
    contrast = flank_row - tray_row
    usual = medians(contrast)[:, None]
    good = contrast > np.maximum(0.25 * usual, 1e-6)
    step = np.where(good, contrast, np.maximum(usual, 1e-6))
    share = (raw - _single(tray_row)[..., None]) / _single(step)[..., None]
    trust = good * np.clip(contrast / np.maximum(usual, 1e-9), 0.2, 1.5)
    weight = own * _single(trust)[..., None]
    dark = signal.sense < 0
    if dark.any() and not signal.of_colour:  # a colour keeps the same in the shade
        weight[dark] *= _trust_in_the_dark(share[dark], (usual / np.minimum(tray_row, -1e-6))[dark, :, None])
    return EndLight(
        share=_single(share.transpose(1, 2, 0)),
        weight=_single(weight.transpose(1, 2, 0)),
        s=_single(s.T),
        v=_single(v.T),
        blur=_single(blur),
        radius=_single(rims.radius),
        flat=_single(rims.flat),
        known=_single(apart.end_mm[rims.who, meets.astype(int)]),
        tray_at=_single(s[:, -k:].mean(1)),
        even=_single(np.where(dark[:, None], 1.0, np.clip(usual / step, 0.6, 1.6)).T),
        lean=_single(rims.lean),
        dark=dark,
        lip=np.zeros(v.T.shape, bool),
        optics=optics,
    )


def seen_at_ends(light: EndLight, limb: Limb) -> EndLight:
    """Return the light over what rows of bright bodies have at their ends, rather than inwards, where it was read.

    A squeezed end is flatter than the body: light falls less towards its sides, so that its outer rows are brighter. Half of a
    squeeze is reached where the rows' light was read (pinched drawn ends: 0.01 mm too far out without it).
    """
    wide, flat = np.asarray(light.v / light.radius, float), np.asarray(light.flat, float)
    height = np.sqrt(flat)  # of a section that keeps its area: half way between a round one and the end's
    inwards = 2 / (1 + height)  # width of the end over that half way
    at_end, read = (_row_light(x, of, limb) for x, of in ((wide, flat), (wide * inwards, height)))
    gain = np.where(light.dark, np.float32(1), at_end / read)
    even = light.even * np.median(gain, 0) / gain
    return replace(light, share=light.share / _single(gain)[:, None], even=_single(even))


def _row_light(u: FloatArray, flat: FloatArray, limb: Limb) -> FloatArray:
    """Return the light (r, e) at u (r, e) half widths from the axis of sections so high over wide (e,)."""
    u = np.clip(u, -0.98, 0.98)
    sine = flat * u / np.sqrt(1 - u**2 + (flat * u) ** 2)
    sky, lamps = flank_light(sine, limb)
    return np.asarray((1 - limb.share) * sky + limb.share * lamps)


def past_gaps(light: EndLight) -> BoolArray:
    """Return which places (r, m, e) lie beyond a dark gap: light that rises again after a fall is a lip's below the face."""
    share, seen = light.share, light.weight > 0
    even = share.copy()
    even[:, 1:-1] = (share[:, :-2] + share[:, 1:-1] + share[:, 2:]) / 3
    lowest = np.minimum.accumulate(np.where(seen, even, np.inf), 1)
    past = seen & (lowest < _GAP[0]) & (even > lowest + _GAP[1])
    rises: BoolArray = np.asarray(past.any(1))
    beside = np.zeros_like(rises)
    beside[1:] |= rises[:-1]
    beside[:-1] |= rises[1:]
    rises &= beside  # one row alone is noise
    dip = np.take_along_axis(lowest, past.argmax(1)[:, None], 1)
    return rises[:, None] & np.logical_or.accumulate(even <= dip, 1)


def _trust_in_the_dark(share: npt.NDArray[Any], contrast: npt.NDArray[Any]) -> SingleArray:
    """Return what places count by their light, 1 half way between tray and flank.

    Without it the slope of a shadow, which is most of the light there, outweighs the step from shadow to piece.

    Parameters
    ----------
    share : between tray (0) and flank (1).
    contrast : by how much darker than the tray a flank is, in shares of the tray's light, signed as dark pieces are read.
    """
    darker = np.clip(-contrast, 0.0, 1.0)
    return _single(((1 - darker / 2 + _STRAYS) / (np.clip(1 - darker * share, 0.0, 1.2) + _STRAYS)) ** 2)


def _single(values: npt.ArrayLike) -> SingleArray:
    return np.ascontiguousarray(values, np.float32)


def _median_of(values: SingleArray, valid: BoolArray, otherwise: FloatArray) -> FloatArray:
    """Return the median (e, r) over the last axis of valid values (e, r, k), `otherwise` (e,) where fewer than half."""
    middle = medians(values).astype(float)
    spoilt = ~valid.all(-1)
    if spoilt.any():
        some = np.where(valid[spoilt], values[spoilt], np.nan)
        some[valid[spoilt].mean(-1) < 0.5] = np.nan
        fallback = np.broadcast_to(otherwise[:, None], middle.shape)[spoilt]
        some = np.where(np.isnan(some).all(-1, keepdims=True), fallback[:, None], some)
        middle[spoilt] = np.nanmedian(some, -1)
    return middle
