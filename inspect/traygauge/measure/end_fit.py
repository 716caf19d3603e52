"""The model of a cut face seen from the side (`traygauge.measure.ends`), fitted to the light at many ends at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from traygauge.measure.end_light import EndLight
from traygauge.measure.end_model import Model, arcs, looked_up, model, tables
from traygauge.measure.solving import solved
from traygauge.measure.usual_cuts import Usual

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]
SingleArray = npt.NDArray[np.float32]  # profiles: half the memory, and noise far above its rounding
Real = TypeVar("Real", np.float32, np.float64)

_ACROSS_SD = 0.35  # of the slope across, which the light shows well
_FIRST, MOST = 3, 10  # rounds before slopes and rows are weighed, and after; most ends stand still after two
_CALM = 5  # rounds after which steps are shortened
_STILL = np.array([0.003, 0.003, 0.004])  # mm, and slopes
#: The misfit at which priors are weighed (`Usual.noise`) grows where an end is explained worse than so many usual ones:
#: something else lies there, a burr or a neighbour, and what is expected counts for more.
_WORSE = 2.0
_TAIL = 3.0  # standard deviations from which views and brightnesses stray more often than by a normal distribution
#: Outlines end this near their cut faces, mm, a standard deviation: hardly anything beside what light tells, and all there is
#: where a fit has stepped off into the tray, whose even light calls none back.
_OUTLINE_SD = 1.0
_FROM_KNOWN = 2.5  # standard deviations that an end may lie from where parting found it
_FACE = -0.3, 2.5  # brightnesses that a face may have
_LARGEST_STEP = np.array([0.25, 0.2, 0.15, 0.5])
#: How far the light beside a row may lie from the tray's further out, for dark pieces (their shadows) and bright ones.
_BESIDE_SD, _BESIDE_STEP, _BESIDE = (0.6, 0.03), 0.3, (-0.4, 0.9)
#: The same for lips, which are about as bright as the flank.
_LIP_SD, _BRIGHTEST_LIP = 0.3, 2.0


@dataclass(frozen=True, eq=False)
class EndFit:
    """Cut faces fitted to e ends on r rows.

    Parameters
    ----------
    p : ndarray (4, e): out, m, t, f. Signed as the line of sight's lean, t is negative where the face is seen.
    beside : ndarray (r, e): g, the light beside each row.
    misfit : ndarray (r, e): mean squares of what is left unexplained; residual : ndarray (e,), its root over all rows.
    normal : ndarray (4, 4, e), inverse of the parameters' covariance.
    """

    p: FloatArray
    beside: FloatArray
    misfit: FloatArray
    residual: FloatArray
    normal: FloatArray

    @classmethod
    def start(cls, p: FloatArray, beside: FloatArray) -> EndFit:
        """Return a fit to start from."""
        n = p.shape[1]
        return cls(p.copy(), beside.copy(), np.zeros_like(beside), np.zeros(n), np.zeros((4, 4, n)))

    def of(self, some: IntArray) -> EndFit:
        """Return the fits of some ends."""
        # `take` keeps ends last in memory too, `[..., some]` does not
        return EndFit(*(getattr(self, f.name).take(some, -1) for f in fields(self)))

    def put(self, some: IntArray, other: EndFit) -> None:
        """Put other fits in the place of those of some ends."""
        self.p[:, some], self.beside[:, some], self.misfit[:, some] = other.p, other.beside, other.misfit
        self.residual[some], self.normal[..., some] = other.residual, other.normal


def begin(light: EndLight) -> EndFit:
    """Return faces from a search and a few rounds on every second row, all counting alike."""
    light = light.coarser()
    found = _search(light)
    start = EndFit.start(found[:4], np.repeat(found[4:], len(light.v), 0))
    return improved(light, start, Usual.unknown(light.dark), _FIRST, np.ones_like)


def ended(light: EndLight, begun: EndFit, usual: Usual) -> EndFit:
    """Return begun faces fitted until they stand still, rows that disagree with the others counting less."""
    start = EndFit.start(begun.p, np.repeat(np.median(begun.beside, 0)[None], len(light.v), 0))
    return improved(light, start, usual, MOST, row_weights)


def cost(light: EndLight, p: FloatArray, misfit: FloatArray, usually: FloatArray, usual: Usual) -> FloatArray:
    """Return what an explanation costs (e,): rows beyond the usual misfit (e,) count little more than those at it."""
    prior, sd = priors(light, usual)
    scale = (2 * np.sqrt(usually) + 0.02) ** 2
    far = ((p - prior) / sd) ** 2
    far[2:] = _TAIL**2 * np.log1p(far[2:] / _TAIL**2)
    rows = (scale * np.log1p(misfit / scale)).sum(0)
    return np.asarray(rows * len(light.s) / usual.noise**2 + far.sum(0), float)


_AWAY = 0.05  # lean from which a search expects to see no face
#: Brightness of the face and of the surroundings, between tray (0) and flank (1), that a search starts from. Bright
#: pieces have faces of any brightness; dark ones have dark faces, and shadows beside them on a light tray.
_BRIGHT_STARTS = ((0.0, 0.0), (0.5, 0.0), (1.0, 0.0))
_DARK_STARTS = ((1.0, 0.0), (0.9, 0.0), (1.0, 0.3), (1.0, 0.6), (1.0, 0.75))
#: What the best of them usually leaves unexplained, in shares of contrast, and beside dark pieces of what there is to explain
#: (drawn trays). What is expected counts by that, and not by what is left: in noise much is, and ends are where they were.
_LEFT, _LEFT_IN_THE_DARK = 0.035, 0.25


def _search(light: EndLight) -> FloatArray:
    """Return starting parameters (5, e): the best of a line of places and of a few brightnesses."""
    start = np.zeros((5, len(light.lean)))
    for kind, starts in ((light.dark, _DARK_STARTS), (~light.dark, _BRIGHT_STARTS)):
        if kind.any():
            start[:, kind] = _best_start(light if kind.all() else light.of(kind), starts)
    return start


def _best_start(light: EndLight, starts: tuple[tuple[float, float], ...]) -> FloatArray:
    """Return the best starting parameters (5, e) for ends that are all dark or all bright."""
    t = light.lean
    few = replace(light, share=light.share[:, ::2], weight=light.weight[:, ::2], s=light.s[::2])
    away = t > _AWAY
    even = np.where(away, np.float32(1), light.even)
    brightness = [np.where(away, np.float32(1), np.float32(face)) * even for face, _ in starts]
    places, zero, costs = np.arange(-0.6, 0.46, 0.1), np.zeros_like(t), []
    inwards = np.abs(t) * light.radius * light.flat * 0.5
    for out in places:
        outer, inner, _ = arcs(np.stack([out - inwards, zero, t]), few)
        (ci,), (co,) = (looked_up(arc, few, tables(few.optics)[0]) for arc in (inner, outer))
        weight, change = few.weight, 1.0
        usually = _LEFT * weight.sum((0, 1))
        # an outline ends before a face that is as dark as the tray
        off_inner, off_outer = (_off(arc[2], out, few.known) for arc in (inner, outer))
        if light.dark.all():
            # a face is nearly as dark as its flank and a shadow may end soon: what happens around the arcs decides,
            # measured by what there is to explain there
            weight = weight * ((few.s < outer[:, None] + 0.2) & (few.s > inner[:, None] - 0.2))
            total = weight.sum((0, 1)) + 1e-6
            mean = (weight * few.share).sum((0, 1)) / total
            change = (weight * np.abs(few.share - mean)).sum((0, 1)) + 0.05 * total
            usually = _LEFT_IN_THE_DARK
        rest, face_step = ci - few.share, co - ci
        for f, (face, beside) in zip(brightness, starts, strict=True):
            off = np.where(away | (face >= 0.5), off_outer, off_inner)
            gap = face_step * f[:, None]
            gap += rest
            if beside:
                gap += np.float32(beside) * (1 - co)
            costs.append(np.einsum("rme,rme->e", weight, np.abs(gap, out=gap)) / change + usually * off)
    place, which = np.divmod(np.nan_to_num(costs, nan=np.inf).argmin(0), len(starts))
    face, beside = np.array(starts)[which].T
    return np.stack([places[place] - inwards, zero, t, np.where(away, 1.0, face), beside])


def _off(plain: FloatArray, out: float, known: SingleArray) -> FloatArray:
    """Return what it costs that ends lie `out`, their plain edge at `plain` (e,), mm, in what is usually left unexplained.

    Outlines end near s = 0, and what parting found ends there.
    """
    outline = 0.25 * np.minimum((plain / 0.25) ** 2, 4.0)
    return np.asarray(np.where(np.isfinite(known), 0.25 * (out / known) ** 2, outline), float)


def improved(
    light: EndLight,
    start: EndFit,
    usual: Usual,
    most: int,
    weigh: Callable[[SingleArray], SingleArray],
    across: tuple[FloatArray, float] | None = None,
) -> EndFit:
    """Return the fit after at most some rounds of weighted Gauss-Newton, in which each end goes its own way.

    The light beside a row is that row's own, and is solved for within it: a shadow lies beside some rows only.

    Parameters
    ----------
    weigh : from the mean squares of what rows leave unexplained (r, e) to what each counts.
    across : what slopes across (e,) are expected, and how far they may stray; else they are square, as far as the light shows.
    """
    fit, p, beside = start, start.p, start.beside
    prior, sd = priors(light, usual)
    if across is not None:
        prior[1], sd[1] = across
    beside_sd = np.where(light.lip, _LIP_SD, np.where(light.dark, *_BESIDE_SD))
    noise = np.broadcast_to(usual.noise, len(prior[0]))
    hold = (noise / beside_sd).astype(np.float32) ** 2
    most_beside = np.where(light.lip, _BRIGHTEST_LIP, _BESIDE[1])
    left = np.arange(p.shape[1])  # ends still on the move; the others are done with
    pace, last = np.ones(len(left)), np.zeros((3, len(left)))
    for turn in range(most):
        now = model(p, beside, light)
        products = _products(now)
        misfit = products[4, 4] / len(light.s)
        counts = weigh(misfit)
        total = (now.weight.sum(1) * counts).sum(0)
        residual = np.sqrt((products[4, 4] * counts).sum(0) / np.maximum(total, 1e-9))
        gram, share = _without_beside(products, hold, beside - light.lip)
        gram = np.einsum("ijre,re->ije", gram, counts).astype(float)
        hidden = p[2] >= 0
        gram[3, :, hidden] = gram[:, 3, hidden] = 0.0
        worse = 1 + (residual / (_WORSE * usual.residual)) ** 2
        held = 1 / sd**2
        held[2:] /= 1 + ((p - prior)[2:] / sd[2:] / _TAIL) ** 2
        normal = gram[:4, :4] / (noise**2 * worse) + np.eye(4)[..., None] * held
        right = gram[4, :4] / (noise**2 * worse) + (prior - p) * held
        move = np.clip(solved(normal, right), -_LARGEST_STEP[:, None], _LARGEST_STEP[:, None])
        way = move[:3] / _STILL[:, None]
        # who hops to and fro goes slower, and in the end everybody does
        pace = pace * np.where((way * last).sum(0) < 0, 0.5, 1.0 if turn < _CALM else 0.6)
        step, last = pace * move, way
        p = _within_bounds(p + step, light)
        aside = np.clip(share[4] - np.einsum("ire,ie->re", share[:4], step), -_BESIDE_STEP, _BESIDE_STEP)
        beside = np.clip(beside + pace * aside, _BESIDE[0], most_beside)
        fit.put(left, EndFit(p, beside, misfit, residual, normal))
        moves = np.flatnonzero((np.abs(pace * way) > 1.0).any(0))
        if not len(moves):
            break
        if len(moves) < len(left):
            light = light.of(moves)
            left, pace, noise = left[moves], pace[moves], noise[moves]
            p, beside, prior, sd, last = (x.take(moves, 1) for x in (p, beside, prior, sd, last))
            hold, most_beside = hold.take(moves, 1), most_beside.take(moves, 1)
    return fit


def _without_beside(
    products: SingleArray, hold: SingleArray, off: FloatArray
) -> tuple[SingleArray, SingleArray]:
    """Return the products (5, 5, r, e) of out, m, t, f and the rest once g is solved for, and g's shares (5, r, e)."""
    own = products[5, :5].copy()
    own[4] -= hold * off.astype(np.float32)
    share = own / (products[5, 5] + hold)
    return products[:5, :5] - share[:, None] * own, share


def priors(light: EndLight, usual: Usual) -> tuple[FloatArray, FloatArray]:
    """Return what the parameters (4, e) are expected to be, and its standard deviations.

    t is near what the camera makes of a square cut; m near square; f near the usual face's.
    """
    zero = np.zeros(len(light.lean))
    prior = zero, zero, light.lean, usual.face
    sd = (
        np.where(np.isfinite(light.known), light.known, _OUTLINE_SD),
        zero + _ACROSS_SD,
        zero + usual.slope_sd,
        usual.face_sd,
    )
    return np.stack(prior), np.stack(sd)


def row_weights(misfit: SingleArray) -> SingleArray:
    """Return what rows (r, e) count: little where they are explained worse than the end's usual one."""
    row = np.sqrt(misfit)
    return np.asarray(1 / (1 + (row / (np.float32(1.5) * _median_of_seen(row) + np.float32(0.02))) ** 2))


def _median_of_seen(values: npt.NDArray[Real]) -> npt.NDArray[Real]:
    """Return the median (e,) over those rows (r, e) that are not zero: rows without light leave nothing unexplained."""
    half = len(values) // 2
    if (values > 0).all():
        return np.asarray(np.partition(values, half, axis=0)[half])
    hidden = (values <= 0).sum(0)
    middle = np.minimum(hidden + (len(values) - hidden) // 2, len(values) - 1)
    return np.asarray(np.take_along_axis(np.sort(values, 0), middle[None], 0)[0])


def _within_bounds(p: FloatArray, light: EndLight) -> FloatArray:
    """Return parameters with the end where light was read and near where it is known, and a brightness that is possible.

    Beyond that light nothing would call a step back that went too far.
    """
    near = _FROM_KNOWN * light.known
    p[0] = np.clip(p[0], np.maximum(light.s[0], -near), np.minimum(light.s[-1], near))
    p[3] = np.clip(p[3], *_FACE)
    return p


def _products(now: Model) -> SingleArray:
    """Return the weighted products by rows (6, 6, r, e) of the derivatives after out, m, t, f, the rest, and that after g.

    Those of what the derivatives are made of come first: they are fewer, and what is made of them is even along a row.
    """
    made = np.empty((5, 5, *now.even.shape), np.float32)
    for i, one in enumerate(now.functions):
        weighted = one * now.weight  # still at hand in the core's own memory while it is multiplied
        for j, other in enumerate(now.functions[: i + 1]):
            made[i, j] = made[j, i] = np.einsum("rme,rme->re", weighted, other)
    return _derived(_derived(made, now).swapaxes(0, 1), now)


def _derived(made: SingleArray, now: Model) -> SingleArray:
    """Return what the model's six derivatives are (6, ...) from what its five functions are (5, ...)."""
    derived = np.empty((6, *made.shape[1:]), np.float32)
    inner, outer = now.at_inner * made[0], now.at_outer * made[1]
    np.add(inner, outer, out=derived[0])
    np.multiply(now.across, derived[0], out=derived[1])
    np.multiply(now.along, np.subtract(outer, inner, out=outer), out=derived[2])
    np.multiply(now.even, made[2], out=derived[3])
    derived[4:] = made[3:]
    return derived
