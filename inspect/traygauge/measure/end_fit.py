"""The model of a cut face seen from the side (`traygauge.measure.ends`), fitted to the light at many ends at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from traygauge.measure.end_light import EndLight

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]
SingleArray = npt.NDArray[np.float32]  # profiles: half the memory, and noise far above its rounding

ROUNDING_MM = 0.05  # radius of a cut edge, ± 0.02: smear and wear in the shop (common practice, no source)
SLOPE_SD = 0.09  # tangent of a cut's angle from square: common practice, no source
_FIRST, _MOST = 3, 16  # rounds before slopes and rows are weighed, and after; most ends stand still after two
_HIDDEN = 0.12  # lean from which a face is out of sight
_STILL = np.array([0.003, 0.003, 0.004])  # mm, and slopes
#: Misfit per sample, in shares of contrast, at which the priors are weighed: samples of one edge err together
#: (shading, tone curve), so that hundreds of them say little more than a few.
_NOISE = 0.2
_FROM_KNOWN = 2.5  # standard deviations that an end may lie from where parting found it
_LARGEST_STEP = np.array([0.25, 0.2, 0.15, 0.5, 0.3])


@dataclass(frozen=True, eq=False)
class EndFit:
    """Cut faces fitted to e ends.

    Parameters
    ----------
    p : ndarray (5, e): out, m, t, f, g.
    normal : ndarray (e, 5, 5), inverse of the parameters' covariance; residual : ndarray (e,).
    """

    p: FloatArray
    normal: FloatArray
    residual: FloatArray


def begin(light: EndLight) -> EndFit:
    """Return faces from a search and a few rounds on every second row, all counting alike."""
    light = light.coarser()
    return _improved(light, _search(light), SLOPE_SD, _FIRST, lambda misfit: np.ones_like(misfit))


def finish(light: EndLight, fit: EndFit, slope_sd: float) -> EndFit:
    """Return begun faces fitted until they stand still, rows that disagree with the others counting less.

    Parameters
    ----------
    slope_sd : of the tangents of the batch's cut angles.
    """
    return _improved(light, fit.p, slope_sd, _MOST, _row_weights)


def _arcs(p: FloatArray, light: EndLight) -> tuple[SingleArray, SingleArray, SingleArray]:
    """Return the outer and inner arc and q (r, e) for parameters (5, e): out, m, t, f, g."""
    out, m, t = p[:3].astype(np.float32)
    q = np.sqrt(np.maximum((light.radius - np.float32(ROUNDING_MM)) ** 2 - light.v**2, 0))
    line = out + m * light.v
    return line + t * q, line - t * q, q


#: Brightness of the face and of the surroundings, between tray (0) and flank (1), that a search starts from. Bright
#: pieces have faces of any brightness; dark ones have dark faces, and shadows beside them on a light tray.
_BRIGHT_STARTS = ((0.0, 0.0), (0.5, 0.0), (1.0, 0.0))
_DARK_STARTS = ((1.0, 0.0), (0.9, 0.0), (1.0, 0.3), (1.0, 0.6), (1.0, 0.75))


def _search(light: EndLight) -> FloatArray:
    """Return starting parameters (5, e): the best of a line of places and of a few brightnesses."""
    start = np.zeros((5, len(light.lean)))
    for kind, starts in ((light.dark, _DARK_STARTS), (~light.dark, _BRIGHT_STARTS)):
        if kind.any():
            start[:, kind] = _best_start(light if kind.all() else light.of(kind), starts)
    return start


def _best_start(light: EndLight, starts: tuple[tuple[float, float], ...]) -> FloatArray:
    """Return the best starting parameters (5, e) for ends that are all dark or all bright."""
    t = np.abs(light.lean)
    share, weight, v = (x[1:-1] for x in (light.share[:, ::2], light.weight[:, ::2], light.v))
    few = replace(light, share=share, weight=weight, s=light.s[::2], v=v)
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


def _improved(
    light: EndLight, p: FloatArray, slope_sd: float, most: int, weigh: Callable[[SingleArray], SingleArray]
) -> EndFit:
    """Return the fit after at most some rounds of weighted Gauss-Newton, in which each end goes its own way.

    Parameters
    ----------
    weigh : from the mean squares of what rows leave unexplained (r, e) to what each counts.
    """
    p, n = p.copy(), p.shape[1]
    normal, residual = np.zeros((n, 5, 5)), np.zeros(n)
    prior, sd = _priors(light, slope_sd)
    left = np.arange(n)  # ends still on the move; the others are done with
    pace, last = np.ones(n), np.zeros((3, n))
    for _ in range(most):
        functions, weight = _functions(p[:, left], light)
        products = _products(functions, weight)
        counts = weigh(products[5, 5] / len(light.s))
        gram = np.einsum("ijre,re->ije", products, counts).astype(float)
        residual[left] = np.sqrt(gram[5, 5] / np.maximum((weight.sum(1) * counts).sum(0), 1e-9))
        hidden = light.lean > _HIDDEN
        gram[3, :, hidden] = gram[:, 3, hidden] = 0.0
        normal[left] = gram[:5, :5].T / _NOISE**2 + np.eye(5) / sd.T[left, None] ** 2
        right = gram[5, :5] / _NOISE**2 + (prior - p)[:, left] / sd[:, left] ** 2
        move = np.linalg.solve(normal[left], right.T[..., None])[..., 0].T
        move = np.clip(move, -_LARGEST_STEP[:, None], _LARGEST_STEP[:, None])
        way = move[:3] / _STILL[:, None]
        pace[left] *= np.where((way * last[:, left]).sum(0) < 0, 0.5, 1.0)  # who hops to and fro goes slower
        last[:, left] = way
        p[:, left] = _within_bounds(p[:, left] + pace[left] * move, hidden, light.known)
        moves = (np.abs(pace[left] * way) > 1.0).any(0)
        if not moves.any():
            break
        left, light = left[moves], light if moves.all() else light.of(moves)
    return EndFit(p, normal, residual)


def _priors(light: EndLight, slope_sd: float) -> tuple[FloatArray, FloatArray]:
    """Return what the parameters (5, e) are expected to be, and its standard deviations.

    t is near what the camera makes of a square cut; m near square; f fixed at 1 where the face looks away and near 1 for
    dark pieces, whose faces are as dark as their flanks; g, the surroundings against the tray further out (a shadow is
    darker than its tray), near 0 for bright pieces.
    """
    zero, dark = np.zeros(len(light.lean)), light.dark
    prior = [zero, zero, np.abs(light.lean), np.where(dark, 1.0, 0.5), zero]
    sd = [
        np.minimum(light.known, 1e3),
        zero + 0.35,
        zero + slope_sd,
        np.where(dark, 0.15, 1.0),
        np.where(dark, 0.6, 0.1),
    ]
    return np.stack(prior), np.stack(sd)


def _row_weights(misfit: SingleArray) -> SingleArray:
    """Return what rows (r, e) count: little where they are explained worse than the end's usual one."""
    row = np.sqrt(misfit)
    usual = np.partition(row, len(row) // 2, axis=0)[len(row) // 2]
    return np.asarray(1 / (1 + (row / (2 * usual + np.float32(0.02))) ** 2))


def _within_bounds(p: FloatArray, hidden: BoolArray, known: SingleArray) -> FloatArray:
    """Return parameters with the end near where it is known, t not negative, and brightnesses that are possible."""
    p[0] = np.clip(p[0], -_FROM_KNOWN * known, _FROM_KNOWN * known)
    p[2] = np.abs(p[2])
    p[3] = np.where(hidden, 1.0, np.clip(p[3], -0.3, 2.5))
    p[4] = np.clip(p[4], -0.4, 0.9)
    return p


def _functions(p: FloatArray, light: EndLight) -> tuple[list[SingleArray], SingleArray]:
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
    weight = light.weight * near
    return [with_out, with_out * light.v[:, None], with_view, face, tray, rest], weight


def _products(functions: list[SingleArray], weight: SingleArray) -> SingleArray:
    """Return the weighted products of all pairs of functions by rows, (6, 6, r, e)."""
    products = np.empty((len(functions), len(functions), len(weight), weight.shape[2]), np.float32)
    for i, one in enumerate(functions):
        weighted = one * weight  # still at hand in the core's own memory while it is multiplied
        for j, other in enumerate(functions[: i + 1]):
            products[i, j] = products[j, i] = np.einsum("rme,rme->re", weighted, other)
    return products


_TABLE = np.arange(-600, 601) / 100.0
_STEP_TABLE, _BELL_TABLE = (
    ndtr(_TABLE).astype(np.float32),
    (np.exp(-0.5 * _TABLE**2) / np.sqrt(2 * np.pi)).astype(np.float32),
)


def _edge_index(arc: SingleArray, light: EndLight) -> IntArray:
    """Return where in the tables of the normal distribution (error below 0.002) each place (r, m, e) lies from an arc.

    Beyond the tables their ends hold (`_of`); places that are no numbers count as far below.
    """
    scale = np.float32(100.0) / light.blur
    with np.errstate(invalid="ignore"):
        return ((arc * scale + np.float32(600.5))[:, None] - light.s * scale).astype(np.intp)


def _of(table: SingleArray, index: IntArray) -> SingleArray:
    return np.asarray(table.take(index, mode="clip"))
