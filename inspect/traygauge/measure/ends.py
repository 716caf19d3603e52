"""Cut faces: where along the axis the body ends, seen from the side.

A camera above the tray sees a piece near the window's rim from the side: the end that points at it shows its cut
face below the flank, the other end shows the top of its rim. In the plane of the axis the rim of a cut face at
station s, with slope m across and t along the line of sight, projects onto two arcs::

    s + m v ± t q(v),   q(v) = sqrt(R² - v²)

The outer arc ends the outline; the inner one, at an end that points at the camera, is the edge between flank and
face. The arcs' mean is the cut plane: that is what is fitted, to the light along the axis, with the face's own
brightness f between tray (0) and flank (1) free and t held by the known camera.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, fields, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from traygauge.measure.edge_model import Optics
from traygauge.measure.frame import Frames
from traygauge.measure.signal import Signal, local_maps, look_up, on_lines
from traygauge.measure.threads import blocks, in_threads
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]
SingleArray = npt.NDArray[np.float32]  # profiles: half the memory, and noise far above its rounding

ROWS = np.linspace(-0.8, 0.8, 9)  # places across the axis, in half widths, where the blur is small
ROUNDING_MM = 0.05  # radius of a cut edge, ± 0.02: smear and wear in the shop (common practice, no source)
SLOPE_SD = 0.09  # tangent of a cut's angle from square: common practice, no source
_STEP_PX = 0.8
_FIRST, _ROUNDS = (
    3,
    12,
)  # rounds before slopes and rows are weighed, and at most; most ends stand still after six
_STILL = np.array([0.003, 0.003, 0.004])  # mm, and slopes
#: Misfit per sample, in shares of contrast, at which the priors are weighed: samples of one edge err together
#: (shading, tone curve), so that hundreds of them say little more than a few.
_NOISE = 0.2
_FROM_KNOWN = 2.5  # standard deviations that an end may lie from where parting found it
_LARGEST_STEP = np.array([0.25, 0.2, 0.15, 0.5, 0.3])


@dataclass(frozen=True, eq=False)
class Ends:
    """The two ends of n pieces; column 0 lies against the axis's direction, column 1 along it.

    Parameters
    ----------
    out_mm : ndarray (n, 2): arc length from the frame's middle to the cut face's centre, positive outwards.
    slope : ndarray (n, 2): in-plane slope m of the cut (tangent of its angle from square, across the axis).
    view : ndarray (n, 2): fitted slope t of the rim against the line of sight.
    view_expected : ndarray (n, 2): what the camera alone would make of it, signed: negative shows the face.
    face : ndarray (n, 2): the face's brightness between tray (0) and flank (1); 1 where no face is seen.
    residual : ndarray (n, 2): standard deviation of the fit over contrast.
    u_fit_mm : ndarray (n, 2): standard error of `out_mm` from the fit's own covariance.
    """

    out_mm: FloatArray
    slope: FloatArray
    view: FloatArray
    view_expected: FloatArray
    face: FloatArray
    residual: FloatArray
    u_fit_mm: FloatArray


@dataclass(frozen=True, eq=False)
class Apart:
    """What is known of pieces beside others: which pixels are their own or the tray's, and where parting ended them.

    Parameters
    ----------
    labels : ndarray (h, w), int32: 0 tray, k + 1 the body of piece k, -1 a tail.
    origin_px : photo pixel (x, y) of `labels[0, 0]`.
    label : ndarray (n,): the label of each measured piece.
    tray_level : ndarray (n,): signal of the tray beside each piece.
    end_mm : ndarray (n,): how far each end may lie from the first frame's, as a standard deviation; infinite where the
        frame is but a first guess from the outline.
    """

    labels: npt.NDArray[np.int32]
    origin_px: tuple[int, int]
    label: npt.NDArray[np.int64]
    tray_level: FloatArray
    end_mm: FloatArray

    def own(self, xy_px: SingleArray, who: IntArray) -> BoolArray:
        """Return whether points (2, e, ...) show the tray or the body of the piece `who` (e,) names."""
        found = look_up(self.labels, xy_px, self.origin_px, cv2.INTER_NEAREST)
        return np.asarray((found == 0) | (found == self.label[who].reshape(-1, *([1] * (found.ndim - 1)))))


@dataclass(frozen=True, eq=False)
class _Light:
    """Light along the axis at e ends, on r rows of m places each; the ends come last, so that inner loops are long.

    Parameters
    ----------
    share : ndarray (r, m, e): light between tray (0) and flank (1); `weight` (r, m, e) what each counts.
    s : ndarray (m, e): mm outwards of the anchor; `v` (r, e): mm across.
    blur, radius, known : ndarray (e,), mm; `known` is how far the end may lie from s = 0, a standard deviation.
    lean : ndarray (e,), of the line of sight outwards; dark : ndarray (e,), bool.
    """

    share: SingleArray
    weight: SingleArray
    s: SingleArray
    v: SingleArray
    blur: SingleArray
    radius: SingleArray
    known: SingleArray
    lean: SingleArray
    dark: BoolArray

    def of(self, some: BoolArray | IntArray) -> _Light:
        """Return the light of some ends."""
        return _Light(*(np.ascontiguousarray(getattr(self, f.name)[..., some]) for f in fields(self)))


def fit_ends(
    signal: Signal, tray: TrayView, frames: Frames, optics: Optics, apart: Apart, likely: int
) -> Ends:
    """Return the cut faces of n pieces whose flanks are known.

    Parameters
    ----------
    frames : as `fit_flanks` returns them; their length needs to be good to about 0.6 mm.
    optics : blur of the photo's signal.
    apart : what in the photo belongs to a tail or to another piece, and is left out.
    likely : so many of the first pieces show what cuts are usual; the others are axes tried besides.
    """
    rims = _rims(tray, frames)
    scale = float(np.median(tray.px_per_mm(frames.centre_mm, frames.height_mm)[:likely]))
    usual = slice(2 * likely)
    m = int(np.ceil((np.median(rims.inner[usual]) + np.median(rims.outer[usual])) * scale / _STEP_PX))

    def begun(some: IntArray) -> tuple[_Light, _Fit]:
        part = rims.of(some)
        light = _read(signal.rows(part.who), tray, part, m, optics, apart)
        return light, _improved(light, _Fit.start(_search(light), len(ROWS)), SLOPE_SD, range(_FIRST))

    def ended(light: _Light, fit: _Fit) -> _Fit:
        return _improved(light, fit, slope_sd, range(_FIRST, _ROUNDS))

    lights, fits = zip(*in_threads(begun, blocks(len(rims.who))), strict=True)
    # cuts lean up and down as much as they lean sideways, and sideways is seen
    slopes = np.abs(np.concatenate([fit.p[1] for fit in fits]))[usual]
    slope_sd = float(np.clip(1.4826 * np.median(slopes), SLOPE_SD, 0.6))
    return _as_ends(in_threads(ended, lights, fits), rims.lean, frames)


@dataclass(frozen=True, eq=False)
class _Rims:
    """Where e ends are looked for.

    Parameters
    ----------
    who : ndarray (e,), of which piece; anchor, outward : ndarray (e, 2), on the axis, mm and unit direction.
    height, radius : ndarray (e,), mm; lean : ndarray (e,), of the line of sight outwards.
    inner, outer : ndarray (e,): how far inwards and outwards of the anchor the light is read, mm.
    """

    who: IntArray
    anchor: FloatArray
    outward: FloatArray
    height: FloatArray
    radius: FloatArray
    lean: FloatArray
    inner: FloatArray
    outer: FloatArray

    def of(self, some: IntArray) -> _Rims:
        """Return some of the rims."""
        return _Rims(*(getattr(self, f.name)[some] for f in fields(self)))


def _rims(tray: TrayView, frames: Frames) -> _Rims:
    n = len(frames)
    who, side = np.repeat(np.arange(n), 2), np.array([-1.0, 1.0])
    s = side * frames.length_mm[:, None] / 2
    anchor = frames.point(s).reshape(-1, 2)
    outward = (frames.along(s) * side[:, None]).reshape(-1, 2)
    height, radius = frames.height_mm[who], frames.diameter_mm[who] / 2
    lean = (tray.lean(anchor, height) * outward).sum(-1)
    inner = np.minimum(2 * radius * np.abs(lean).clip(0.1) + 0.5, 0.62 * frames.length_mm[who])
    return _Rims(who, anchor, outward, height, radius, lean, inner, 0.35 + 0.4 * radius)


def _read(signal: Signal, tray: TrayView, rims: _Rims, m: int, optics: Optics, apart: Apart) -> _Light:
    """Return the light of some ends (a signal of as many rows), at m places each."""
    blur = optics.sigma_px / tray.px_per_mm(rims.anchor, rims.height)
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
    k = max(4, m // 6)
    tray_row = _median_of(raw[..., -k:], own[..., -k:], apart.tray_level[rims.who])
    flank_row = np.median(raw[..., :k], -1)
    contrast = flank_row - tray_row
    usual = np.median(contrast, 1, keepdims=True)
    good = contrast > 0.25 * usual
    step = np.where(good, contrast, np.maximum(usual, 1e-6))
    share = (raw - _single(tray_row)[..., None]) / _single(step)[..., None]
    trust = good * np.clip(contrast / np.maximum(usual, 1e-9), 0.2, 1.5)
    weight = own * _single(trust)[..., None]
    return _Light(
        share=_single(share.transpose(1, 2, 0)),
        weight=_single(weight.transpose(1, 2, 0)),
        s=_single(s.T),
        v=_single(v.T),
        blur=_single(blur),
        radius=_single(rims.radius),
        known=_single(apart.end_mm[rims.who]),
        lean=_single(rims.lean),
        dark=signal.sense < 0,
    )


def _single(values: npt.ArrayLike) -> SingleArray:
    return np.ascontiguousarray(values, np.float32)


def _median_of(values: SingleArray, valid: BoolArray, otherwise: FloatArray) -> FloatArray:
    """Return the median (e, r) over the last axis of valid values (e, r, k), `otherwise` (e,) where fewer than half."""
    middle = np.median(values, -1).astype(float)
    spoilt = ~valid.all(-1)
    if spoilt.any():
        some = np.where(valid[spoilt], values[spoilt], np.nan)
        some[valid[spoilt].mean(-1) < 0.5] = np.nan
        fallback = np.broadcast_to(otherwise[:, None], middle.shape)[spoilt]
        some = np.where(np.isnan(some).all(-1, keepdims=True), fallback[:, None], some)
        middle[spoilt] = np.nanmedian(some, -1)
    return middle


@dataclass(frozen=True, eq=False)
class _Fit:
    """Cut faces fitted to e ends.

    Parameters
    ----------
    p : ndarray (5, e): out, m, t, f, g; robust : ndarray (r, e), what each row counts.
    normal : ndarray (e, 5, 5), inverse of the parameters' covariance; residual : ndarray (e,).
    """

    p: FloatArray
    robust: SingleArray
    normal: FloatArray
    residual: FloatArray

    @classmethod
    def start(cls, p: FloatArray, rows: int) -> _Fit:
        """Return what is known before the first round."""
        n = p.shape[1]
        return cls(p, np.ones((rows, n), np.float32), np.zeros((n, 5, 5)), np.zeros(n))


def _arcs(p: FloatArray, light: _Light) -> tuple[SingleArray, SingleArray, SingleArray]:
    """Return the outer and inner arc and q (r, e) for parameters (5, e): out, m, t, f, g."""
    out, m, t = p[:3].astype(np.float32)
    q = np.sqrt(np.maximum((light.radius - np.float32(ROUNDING_MM)) ** 2 - light.v**2, 0))
    line = out + m * light.v
    return line + t * q, line - t * q, q


#: Brightness of the face and of the surroundings, between tray (0) and flank (1), that a search starts from. Bright
#: pieces have faces of any brightness; dark ones have dark faces, and shadows beside them on a light tray.
_BRIGHT_STARTS = ((0.0, 0.0), (0.5, 0.0), (1.0, 0.0))
_DARK_STARTS = ((1.0, 0.0), (0.9, 0.0), (1.0, 0.3), (1.0, 0.6), (1.0, 0.75))


def _search(light: _Light) -> FloatArray:
    """Return starting parameters (5, e): the best of a line of places and of a few brightnesses."""
    start = np.zeros((5, len(light.lean)))
    for kind, starts in ((light.dark, _DARK_STARTS), (~light.dark, _BRIGHT_STARTS)):
        if kind.any():
            start[:, kind] = _best_start(light if kind.all() else light.of(kind), starts)
    return start


def _best_start(light: _Light, starts: tuple[tuple[float, float], ...]) -> FloatArray:
    """Return the best starting parameters (5, e) for ends that are all dark or all bright."""
    t = np.abs(light.lean)
    middle = slice(len(ROWS) // 2 - 2, len(ROWS) // 2 + 3, 2)
    few = replace(
        light,
        share=light.share[middle, ::2],
        weight=light.weight[middle, ::2],
        s=light.s[::2],
        v=light.v[middle],
    )
    best, start = np.full(len(t), np.inf), np.zeros((5, len(t)))
    for out in np.arange(-0.6, 0.46, 0.1):
        p = np.stack([out - t * light.radius * 0.5, 0 * t, t, 0 * t, 0 * t])
        outer, inner, _ = _arcs(p, few)
        ci, co = (_of(_STEP_TABLE, _edge_index(arc, few)) for arc in (inner, outer))
        weight, change = few.weight, np.ones(len(t))
        # the outline ends near s = 0, and what parting found ends there
        off = 1.0 + 0.25 * np.minimum((outer[1] / 0.25) ** 2, 4.0)
        off = np.where(np.isfinite(few.known), 1.0 + 0.25 * (out / few.known) ** 2, off)
        if light.dark.all():
            # a face is nearly as dark as its flank and a shadow may end soon: what happens around the arcs decides,
            # measured by what there is to explain there
            weight = weight * ((few.s < outer[:, None] + 0.2) & (few.s > inner[:, None] - 0.2))
            total = weight.sum((0, 1)) + 1e-6
            mean = (weight * few.share).sum((0, 1)) / total
            change = (weight * np.abs(few.share - mean)).sum((0, 1)) + 0.05 * total
        rest, face_step, tray = ci - few.share, co - ci, 1 - co
        for face, beside in starts:
            f = np.where(light.lean > 0.05, 1.0, face).astype(np.float32)
            gap = rest + f * face_step
            gap = np.abs(gap + np.float32(beside) * tray if beside else gap)
            cost = np.einsum("rme,rme->e", weight, gap) / change * off
            better = cost < best
            best[better] = cost[better]
            start[:, better] = p[:, better]
            start[3, better], start[4, better] = f[better], beside
    return start


def _improved(light: _Light, fit: _Fit, slope_sd: float, rounds: range) -> _Fit:
    """Return a fit after some rounds of weighted Gauss-Newton, in which each end goes its own way.

    Priors: t near what the camera makes of a square cut; m near square; f fixed at 1 where the face looks away and
    near 1 for dark pieces, whose faces are as dark as their flanks; g, the surroundings against the tray further out
    (a shadow is darker than its tray), near 0 for bright pieces.
    """
    zero, dark = np.zeros(len(light.lean)), light.dark
    prior = np.stack([zero, zero, np.abs(light.lean), np.where(dark, 1.0, 0.5), zero])
    sd = np.stack(
        [
            np.minimum(light.known, 1e3),
            zero + 0.35,
            zero + slope_sd,
            np.where(dark, 0.15, 1.0),
            np.where(dark, 0.6, 0.1),
        ]
    )
    hidden = light.lean > 0.12
    p, robust, normal, residual = fit.p.copy(), fit.robust.copy(), fit.normal.copy(), fit.residual.copy()
    left = np.arange(len(zero))  # ends still on the move; the others are done with
    for step in rounds:
        some = light if len(left) == len(zero) else light.of(left)
        functions, weight = _functions(p[:, left], some, robust[:, left])
        gram, misfit = _products(functions, weight)
        gram[3, :, hidden[left]] = gram[:, 3, hidden[left]] = 0.0
        normal[left] = gram[:5, :5].T / _NOISE**2 + np.eye(5) / sd.T[left, None] ** 2
        right = gram[5, :5] / _NOISE**2 + (prior - p)[:, left] / sd[:, left] ** 2
        move = np.linalg.solve(normal[left], right.T[..., None])[..., 0].T
        move = np.clip(move, -_LARGEST_STEP[:, None], _LARGEST_STEP[:, None])
        residual[left] = np.sqrt(gram[5, 5] / np.maximum(weight.sum((0, 1)), 1e-9))
        p[:, left] = _within_bounds(p[:, left] + move, hidden[left], light.known[left])
        if step >= _FIRST - 1:
            row = np.sqrt(misfit / (robust[:, left] * len(light.s)))
            robust[:, left] = 1 / (
                1 + (row / (2.0 * np.partition(row, len(row) // 2, axis=0)[len(row) // 2] + 0.02)) ** 2
            )
        if step > _FIRST:
            left = left[(np.abs(move[:3]) > _STILL[:, None]).any(0)]
            if not len(left):
                break
    return _Fit(p, robust, normal, residual)


def _within_bounds(p: FloatArray, hidden: BoolArray, known: FloatArray | SingleArray) -> FloatArray:
    """Return parameters with the end near where it is known, t not negative, and brightnesses that are possible."""
    p[0] = np.clip(p[0], -_FROM_KNOWN * known, _FROM_KNOWN * known)
    p[2] = np.abs(p[2])
    p[3] = np.where(hidden, 1.0, np.clip(p[3], -0.3, 2.5))
    p[4] = np.clip(p[4], -0.4, 0.9)
    return p


def _functions(p: FloatArray, light: _Light, robust: SingleArray) -> tuple[list[SingleArray], SingleArray]:
    """Return the model's derivatives after out, m, t, f, g and what is left unexplained, and the weights, (r, m, e)."""
    outer, inner, q = _arcs(p, light)
    f, g = p[3:].astype(np.float32)
    index = _edge_index(inner, light)
    ci, with_inner = _of(_STEP_TABLE, index), _of(_BELL_TABLE, index) * ((1 - f) / light.blur)
    index = _edge_index(outer, light)
    co, with_outer = _of(_STEP_TABLE, index), _of(_BELL_TABLE, index) * ((f - g) / light.blur)
    face, tray = co - ci, 1 - co
    with_out = with_inner + with_outer
    with_view = (with_outer - with_inner) * q[:, None]
    rest = light.share - ci - f * face - g * tray
    # the surroundings count only as far as they can be taken for even
    near = np.clip(((outer + 4 * light.blur + 0.2)[:, None] - light.s) / np.float32(0.15), 0, 1)
    weight = light.weight * robust[:, None] * near
    return [with_out, with_out * light.v[:, None], with_view, face, tray, rest], weight


def _products(functions: list[SingleArray], weight: SingleArray) -> tuple[FloatArray, SingleArray]:
    """Return the weighted products of all pairs of functions (6, 6, e), and of the last with itself by rows (r, e)."""
    gram = np.empty((len(functions), len(functions), weight.shape[2]))
    weighted = [one * weight for one in functions]
    for i, j in itertools.combinations_with_replacement(range(len(functions)), 2):
        gram[i, j] = gram[j, i] = np.einsum("rme,rme->e", weighted[i], functions[j])
    return gram, np.einsum("rme,rme->re", weighted[-1], functions[-1])


_TABLE = np.arange(-600, 601) / 100.0
_STEP_TABLE, _BELL_TABLE = (
    ndtr(_TABLE).astype(np.float32),
    (np.exp(-0.5 * _TABLE**2) / np.sqrt(2 * np.pi)).astype(np.float32),
)


def _edge_index(arc: SingleArray, light: _Light) -> IntArray:
    """Return where in the tables of the normal distribution (error below 0.002) each place (r, m, e) lies from an arc.

    Beyond the tables their ends hold (`_of`); places that are no numbers count as far below.
    """
    scale = np.float32(100.0) / light.blur
    with np.errstate(invalid="ignore"):
        return ((arc * scale + np.float32(600.5))[:, None] - light.s * scale).astype(np.intp)


def _of(table: SingleArray, index: IntArray) -> SingleArray:
    return np.asarray(table.take(index, mode="clip"))


def _as_ends(fits: list[_Fit], lean: FloatArray, frames: Frames) -> Ends:
    p = np.concatenate([fit.p for fit in fits], 1)
    out, slope, view, face = p[:4]
    residual = np.concatenate([fit.residual for fit in fits])
    u_fit = np.sqrt(np.linalg.inv(np.concatenate([fit.normal for fit in fits]))[:, 0, 0])
    columns = (out + frames.length_mm.repeat(2) / 2, slope, view, lean, face, residual, u_fit)
    return Ends(*(x.reshape(len(frames), 2) for x in columns))
