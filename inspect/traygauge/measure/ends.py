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

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from traygauge.measure.edge_model import Optics
from traygauge.measure.frame import Frames
from traygauge.measure.signal import Signal, local_maps
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]
SingleArray = npt.NDArray[np.float32]  # profiles: half the memory, and noise far above its rounding

ROWS = np.linspace(-0.8, 0.8, 9)  # places across the axis, in half widths, where the blur is small
ROUNDING_MM = 0.05  # radius of a cut edge, ± 0.02: smear and wear in the shop (common practice, no source)
SLOPE_SD = 0.09  # tangent of a cut's angle from square: common practice, no source
_STEP_PX = 0.8
_SHARED_OUT = 200  # ends from which two threads are worth their start
_ROUNDS = 12  # at most; most ends stand still after six
_STILL = np.array([0.003, 0.003, 0.004])  # mm, and slopes
#: Misfit per sample, in shares of contrast, at which the priors are weighed: samples of one edge err together
#: (shading, tone curve), so that hundreds of them say little more than a few.
_NOISE = 0.2
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

    def own(self, points_px: FloatArray, who: IntArray) -> BoolArray:
        """Return whether points (e, ...) show the tray or the body of the piece `who` (e,) names."""
        h, w = self.labels.shape
        x = np.clip(np.rint(points_px[..., 0] - self.origin_px[0]).astype(np.intp), 0, w - 1)
        y = np.clip(np.rint(points_px[..., 1] - self.origin_px[1]).astype(np.intp), 0, h - 1)
        found = self.labels[y, x]
        return np.asarray((found == 0) | (found == self.label[who].reshape(-1, *([1] * (found.ndim - 1)))))


@dataclass(frozen=True, eq=False)
class _Light:
    """Light along the axis at e ends, on r rows of m places each.

    Parameters
    ----------
    share : ndarray (e, r, m): light between tray (0) and flank (1); `weight` (e, r, m) what each counts.
    s : ndarray (e, m): mm outwards of the anchor; `v` (e, r): mm across.
    blur, radius, known : ndarray (e,), mm; `known` is how far the end may lie from s = 0, a standard deviation.
    """

    share: SingleArray
    weight: SingleArray
    s: SingleArray
    v: FloatArray
    blur: FloatArray
    radius: FloatArray
    known: FloatArray

    def rows(self, some: BoolArray | IntArray) -> _Light:
        """Return the light of some ends."""
        return _Light(*(getattr(self, f.name)[some] for f in fields(self)))


def fit_ends(signal: Signal, tray: TrayView, frames: Frames, optics: Optics, apart: Apart) -> Ends:
    """Return the cut faces of n pieces whose flanks are known.

    Parameters
    ----------
    frames : as `fit_flanks` returns them; their length needs to be good to about 0.6 mm.
    optics : blur of the photo's signal.
    apart : what in the photo belongs to a tail or to another piece, and is left out.
    """
    n = len(frames)
    side = np.tile([-1.0, 1.0], n)
    who = np.repeat(np.arange(n), 2)
    anchor_s = side * frames.length_mm[who] / 2
    anchors = frames.point(anchor_s.reshape(n, 2)).reshape(-1, 2)
    outward = frames.along(anchor_s.reshape(n, 2)).reshape(-1, 2) * side[:, None]
    across = np.stack([-outward[:, 1], outward[:, 0]], -1)
    slope = tray.lean(anchors, frames.height_mm[who])
    lean = (slope * outward).sum(-1)
    both = signal.rows(who)
    light = _read(both, tray, frames, who, anchors, outward, across, lean, optics, apart)
    fit = _fitted(light, lean, both.sense < 0)
    return _as_ends(fit, light, lean, frames, n)


def _read(
    signal: Signal,
    tray: TrayView,
    frames: Frames,
    who: IntArray,
    anchors: FloatArray,
    outward: FloatArray,
    across: FloatArray,
    lean: FloatArray,
    optics: Optics,
    apart: Apart,
) -> _Light:
    radius = frames.diameter_mm[who] / 2
    scale = float(np.median(tray.px_per_mm(frames.centre_mm, frames.height_mm)))
    blur = optics.sigma_px / tray.px_per_mm(anchors, frames.height_mm[who])
    inner = np.minimum(2 * radius * np.abs(lean).clip(0.1) + 0.5, 0.62 * frames.length_mm[who])
    outer = 0.35 + 0.4 * radius
    m = int(np.ceil((np.median(inner) + np.median(outer)) * scale / _STEP_PX))
    s = np.linspace(-1, 0, m)[None] * (inner + outer)[:, None] + outer[:, None]
    # rows keep off the sides as far as the blur carries their darkness inwards
    room = np.clip(1.0 - 1.8 * blur / radius, 0.35, ROWS[-1]) / ROWS[-1]
    v = ROWS[None] * (room * radius)[:, None]
    base, jac = local_maps(tray, anchors, frames.height_mm[who])
    ds = np.einsum("eij,ej->ei", jac, outward)
    dv = np.einsum("eij,ej->ei", jac, across)
    px = (
        base[:, None, None]
        + s[:, None, :, None] * ds[:, None, None]
        + v[:, :, None, None] * dv[:, None, None]
    )
    raw = signal.at(px)
    own = apart.own(px, who)
    k = max(4, m // 6)
    tray_row = _median_of(raw[..., -k:], own[..., -k:], apart.tray_level[who])
    flank_row = np.median(raw[..., :k], -1)
    contrast = flank_row - tray_row
    usual = np.median(contrast, 1, keepdims=True)
    good = contrast > 0.25 * usual
    share = (raw - tray_row[..., None]) / np.where(good, contrast, np.maximum(usual, 1e-6))[..., None]
    trust = good * np.clip(contrast / np.maximum(usual, 1e-9), 0.2, 1.5)
    weight = (own * trust[..., None]).astype(np.float32)
    return _Light(share.astype(np.float32), weight, s.astype(np.float32), v, blur, radius, apart.end_mm[who])


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


def _arcs(p: FloatArray, light: _Light) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the outer and inner arc and q (e, r) for parameters (e, 5): out, m, t, f, g."""
    q = np.sqrt(np.clip((light.radius - ROUNDING_MM)[:, None] ** 2 - light.v**2, 0, None))
    line = p[:, :1] + p[:, 1:2] * light.v
    return line + p[:, 2:3] * q, line - p[:, 2:3] * q, q


def _fitted(light: _Light, lean: FloatArray, dark: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what `_gauss_newton` returns; many ends are shared out over two threads (NumPy lets go of the lock)."""

    def part(index: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        some, here, black = light.rows(index), lean[index], dark[index]
        start = np.zeros((len(index), 5))
        for kind in (black, ~black):
            start[kind] = _search(some.rows(kind), here[kind], bool(black[kind].any()))
        return _gauss_newton(some, here, start, black)

    n = len(lean)
    if n < _SHARED_OUT:
        return part(np.arange(n))
    with ThreadPoolExecutor(2) as threads:
        halves = list(threads.map(part, (np.arange(n // 2), np.arange(n // 2, n))))
    p, spread, residual = (np.concatenate(x) for x in zip(*halves, strict=True))
    return p, spread, residual


#: Brightness of the face and of the surroundings, between tray (0) and flank (1), that a search starts from. Bright
#: pieces have faces of any brightness; dark ones have dark faces, and shadows beside them on a light tray.
_BRIGHT_STARTS = ((0.0, 0.0), (0.5, 0.0), (1.0, 0.0))
_DARK_STARTS = ((1.0, 0.0), (0.9, 0.0), (1.0, 0.3), (1.0, 0.6), (1.0, 0.75))


def _search(light: _Light, lean: FloatArray, dark: bool) -> FloatArray:
    """Return starting parameters (e, 5): the best of a line of places and of a few brightnesses."""
    t = np.abs(lean)
    middle = slice(len(ROWS) // 2 - 2, len(ROWS) // 2 + 3, 2)
    few = _Light(
        light.share[:, middle, ::2],
        light.weight[:, middle, ::2],
        light.s[:, ::2],
        light.v[:, middle],
        light.blur,
        light.radius,
        light.known,
    )
    narrow = (1 / light.blur).astype(np.float32)[:, None, None]
    best = np.full(len(t), np.inf)
    start = np.zeros((len(t), 5))
    for out in np.arange(-0.6, 0.46, 0.1):
        p = np.stack([out - t * light.radius * 0.5, 0 * t, t, 0 * t, 0 * t], -1)
        outer, inner, _ = _arcs(p, few)
        ci, co = (
            _edge(narrow * (x[..., None].astype(np.float32) - few.s[:, None]))[0] for x in (inner, outer)
        )
        weight, change = few.weight, np.ones(len(t))
        # the outline ends near s = 0, and what parting found ends there
        off = 1.0 + 0.25 * np.minimum((outer[:, 1] / 0.25) ** 2, 4.0)
        off = np.where(np.isfinite(few.known), 1.0 + 0.25 * (out / few.known) ** 2, off)
        if dark:
            # a face is nearly as dark as its flank and a shadow may end soon: what happens around the arcs decides,
            # measured by what there is to explain there
            weight = weight * (
                (few.s[:, None] < outer[..., None] + 0.2) & (few.s[:, None] > inner[..., None] - 0.2)
            )
            total = weight.sum((1, 2)) + 1e-6
            mean = (weight * few.share).sum((1, 2)) / total
            change = (weight * np.abs(few.share - mean[:, None, None])).sum((1, 2)) + 0.05 * total
        for face, beside in _DARK_STARTS if dark else _BRIGHT_STARTS:
            f = np.where(lean > 0.05, 1.0, face).astype(np.float32)
            rest = ci + f[:, None, None] * (co - ci) + beside * (1 - co) - few.share
            cost = (weight * np.abs(rest)).sum((1, 2)) / change * off
            better = cost < best
            best = np.where(better, cost, best)
            start[better] = p[better]
            start[better, 3], start[better, 4] = f[better], beside
    return start


def _gauss_newton(
    light: _Light, lean: FloatArray, p: FloatArray, dark: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return parameters (e, 5), their covariance's diagonal (e, 5) and residual (e,), by weighted Gauss-Newton.

    Priors: t near what the camera makes of a square cut; m near square; f fixed at 1 where the face looks away and
    near 1 for dark pieces, whose faces are as dark as their flanks; g, the surroundings against the tray further out
    (a shadow is darker than its tray), near 0 for bright pieces.
    """
    n = len(p)
    hidden = lean > 0.12
    zero = np.zeros(n)
    prior = np.stack([zero, zero, np.abs(lean), np.where(dark, 1.0, 0.5), zero], -1)
    sd = np.tile([1e3, 0.35, SLOPE_SD, 1.0, 0.1], (n, 1))
    sd[:, 0] = np.minimum(light.known, 1e3)
    sd[dark, 3:] = 0.15, 0.6
    p, robust = p.copy(), np.ones(light.weight.shape[:2], np.float32)
    spread, residual = np.zeros((n, 5)), np.zeros(n)
    left = np.arange(n)  # ends still on the move; the others are done with
    for step in range(_ROUNDS):
        some = light if len(left) == n else light.rows(left)
        functions, weight = _functions(p[left], some, robust[left])
        gram = np.asarray((functions * weight[..., None, :]) @ functions.swapaxes(-1, -2), np.float32)
        normal, right = _normal_equations(gram, p[left], some, ~hidden[left])
        normal, right = (
            normal + np.eye(5) / sd[left, None] ** 2,
            right + (prior[left] - p[left]) / sd[left] ** 2,
        )
        move = np.clip(np.linalg.solve(normal, right[..., None])[..., 0], -_LARGEST_STEP, _LARGEST_STEP)
        spread[left] = np.sqrt(np.einsum("eii->ei", np.linalg.inv(normal)))
        residual[left] = np.sqrt(gram[..., 4, 4].sum(1) / np.maximum(weight.sum((1, 2)), 1e-9))
        p[left] = _within_bounds(p[left] + move, hidden[left])
        if step >= 2:
            # cuts lean up and down as much as they lean sideways, and sideways is seen
            sd[:, 2] = np.clip(1.4826 * np.median(np.abs(p[:, 1])), SLOPE_SD, 0.6)
            row = np.sqrt(gram[..., 4, 4] / (robust[left] * some.weight.shape[-1]))
            robust[left] = 1 / (1 + (row / (2.0 * np.median(row, 1, keepdims=True) + 0.02)) ** 2)
        if step >= 4:
            left = left[(np.abs(move[:, :3]) > _STILL).any(1)]
            if not len(left):
                break
    return p, spread, residual


def _within_bounds(p: FloatArray, hidden: BoolArray) -> FloatArray:
    """Return parameters with t not negative, and brightnesses a face and its surroundings can have."""
    p[:, 2] = np.abs(p[:, 2])
    p[:, 3] = np.where(hidden, 1.0, np.clip(p[:, 3], -0.3, 2.5))
    p[:, 4] = np.clip(p[:, 4], -0.4, 0.9)
    return p


def _functions(p: FloatArray, light: _Light, robust: SingleArray) -> tuple[SingleArray, SingleArray]:
    """Return the five functions of s on each row (e, r, 5, m) and their weights (e, r, m), single precision.

    The functions: what moves with the inner arc, what moves with the outer arc, what f and what g bring in, and what
    is left unexplained. Every derivative of the model is a row's own multiple of the first four.
    """
    outer, inner, _ = _arcs(p, light)
    narrow = (1 / light.blur).astype(np.float32)[:, None, None]
    f, g = (p[:, k].astype(np.float32)[:, None, None] for k in (3, 4))
    ci, gi = _edge(narrow * (inner[..., None].astype(np.float32) - light.s[:, None]))
    zo = narrow * (outer[..., None].astype(np.float32) - light.s[:, None])
    co, go = _edge(zo)
    both = np.empty((*ci.shape[:2], 5, ci.shape[2]), np.float32)
    both[..., 0, :] = (1 - f) * narrow * gi
    both[..., 1, :] = (f - g) * narrow * go
    both[..., 2, :] = co - ci
    both[..., 3, :] = 1 - co
    both[..., 4, :] = light.share - (g + (1 - f) * ci + (f - g) * co)
    # the surroundings count only as far as they can be taken for even
    near = np.clip(1.0 + (zo / narrow + 4 / narrow + np.float32(0.05)) / np.float32(0.15), 0.0, 1.0)
    return both, np.asarray(light.weight * robust[..., None] * near, np.float32)


def _normal_equations(
    gram: SingleArray, p: FloatArray, light: _Light, face_free: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return the normal matrix (e, 5, 5) and right side (e, 5) from each row's products of functions (e, r, 5, 5)."""
    _, _, q = _arcs(p, light)
    rows = np.zeros((*q.shape, 5, 5))  # parameter, function
    rows[..., 0, :2] = 1.0
    rows[..., 1, :2] = light.v[..., None]
    rows[..., 2, 0], rows[..., 2, 1] = -q, q
    rows[..., 3, 2] = face_free[:, None]
    rows[..., 4, 3] = 1.0
    half = rows @ gram.astype(float)
    normal = (half @ rows.swapaxes(-1, -2)).sum(1) / _NOISE**2
    return normal, half[..., 4].sum(1) / _NOISE**2


_TABLE = np.arange(-600, 601) / 100.0
_STEP_TABLE, _BELL_TABLE = (
    ndtr(_TABLE).astype(np.float32),
    (np.exp(-0.5 * _TABLE**2) / np.sqrt(2 * np.pi)).astype(np.float32),
)


def _edge(z: SingleArray) -> tuple[SingleArray, SingleArray]:
    """Return the normal distribution and density at z, from a table (error below 0.002); at NaN, those far below."""
    index = np.fmin(np.fmax(z * np.float32(100.0) + np.float32(600.5), 0), 1200).astype(np.int32)
    return _STEP_TABLE[index], _BELL_TABLE[index]


def _as_ends(
    fit: tuple[FloatArray, FloatArray, FloatArray], light: _Light, lean: FloatArray, frames: Frames, n: int
) -> Ends:
    p, sd, residual = fit

    def two(x: FloatArray) -> FloatArray:
        return x.reshape(n, 2)

    out = p[:, 0] + frames.length_mm.repeat(2) / 2
    return Ends(two(out), two(p[:, 1]), two(p[:, 2]), two(lean), two(p[:, 3]), two(residual), two(sd[:, 0]))
