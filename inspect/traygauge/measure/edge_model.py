"""How the flank of a lying cylinder looks across its axis, blurred by the camera.

The light of a flank falls towards its limb, because the surface turns away; half contrast therefore puts the edge of
a bright piece 0.3 to 0.5 px too far in. The model keeps what the surface does apart from what the lens does::

    inside   a sky(u) + b limb(u)    u = distance from the axis / half width; limb = sqrt(1 - u²) by Lambert's law alone
    outside  c                       the tray, or the shadow the piece throws on it

blurred by a Gaussian, with the overshoot that a camera's sharpening leaves. a, b, c are free for each profile; blur
and overshoot belong to the photo and are found from all profiles together.

How light falls towards a limb, under lamps at one side and under a flash too, `limb` says. A flash is told by shadows that stay
out of sight: its limb is as dark as blur makes one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from traygauge.measure.limb import (
    ACROSS,
    Limb,
    blurring,
    flank_light,
    turns,
    unevenness,
    usual_limb,
)
from traygauge.measure.medians import medians

FloatArray = npt.NDArray[np.float64]

SHARPEN_PX = 1.4  # width of the unsharp mask that leaves the overshoot; common practice in cameras, no source
#: Overshoot taken for all photos: cameras sharpen by 0 to 0.5 (common practice, no source), and the difference moves a
#: width by 0.01 mm at 16 px/mm, which the shared uncertainty of edges holds.
SHARPEN = 0.15
_HOLD_LIMB, _HOLD_LIMB_MOST = 0.05, 0.1  # how firmly, where the blur is 4.5 % of the half width, and at most
_HOLD = 0.6  # weight of the blur expected: highlights near the limb look like blur
_STEP_SIGMA = 0.14  # of the logarithm of the blur, over which its cost is close to a parabola
#: Under a flash limbs have this share of the light at least, and flanks are as bright on both sides but for so much of their
#: light. Shadows lie behind what throws them: beside three of four pieces the tray keeps more of its light than the last (drawn,
#: rendered and test photos: 0.85 and more under a flash, 0.74 and less in other light).
_ALL_LIMB, _EVEN, _UNSHADED, _MOST_PIECES = 0.8, 0.08, 0.8, 0.75
#: Where less of the light than this falls towards the limb, half of it and more comes from within: of an even sky's 0.53 falls
#: by Lambert's law, of half and half 0.29 (drawn and rendered see-through strand up to 0.28, and up to 0.45 on green, all other
#: 0.56 and more). From there to the second the edges decide: an even sky's model leaves 1.6 to 1.8 times as much of those of
#: see-through strand unexplained, of other 1.1 to 1.2 times.
_FROM_WITHIN, _OR_SKY = 0.4, 0.5
_WORSE = 1.35
_SHIFTS = np.round(np.arange(-0.2, 0.2001, 0.02), 3)
#: Thickness (log) and turn are rounded so: 4 % more or less of the blur moves an edge by 0.01 px, the turn by 0.03 px.
#: A photo's blur needs the turn no closer than to the last figure.
_SAME_SIZE, _SAME_TURN, _TURN_FOR_BLUR = 0.08, 0.25, 1.0
_LOCAL = 0.5, 2.5  # blur of one place over the usual one, at the most
_STEP = 0.005  # of the grid that the light of a flank is blurred on, in half widths
_GRID = np.arange(-1.2, 2.9, _STEP) + _STEP / 2  # as far as any blur reaches
#: Profiles multiplied at once: what comes of them stays in a core's own memory, and so few wake none of the threads of
#: NumPy's linear algebra, which wait for each other longer than they work.
_AT_ONCE = 128
_FINE = np.round(np.arange(-0.24, 0.2401, 0.01), 3)


@dataclass(frozen=True)
class Optics:
    """Blur and overshoot of the edges in one photo's signal.

    Parameters
    ----------
    sigma_px : standard deviation of the blur, px.
    sharpen : strength of the overshoot: the signal plus this times (signal - signal blurred by `SHARPEN_PX`).
    ring_px : blur of the ring's edges where pieces usually lie, px; 0 where it is not known.
    """

    sigma_px: float
    sharpen: float
    ring_px: float = 0.0

    def local_px(self, ring_px: FloatArray) -> FloatArray:
        """Return the blur, px, where that of the ring's edges is another (...): a lens held askew is not sharp all over."""
        if not self.ring_px:
            return np.full_like(ring_px, self.sigma_px)
        return np.asarray(self.sigma_px * np.clip(ring_px / self.ring_px, *_LOCAL), float)


@lru_cache(maxsize=512)
def _limb_table(sigma: float, limb: Limb, turn: float) -> FloatArray:
    """Return the blurred light of the sky, of the lamps, and disc 1[|u| < 1], (3, ...), at the places `_GRID`; sigma in u."""
    _, lamps = flank_light(_GRID, limb, turn)
    sky, disc = _even_table(sigma, limb)
    return np.stack([sky, _smeared(lamps, sigma), disc])


@lru_cache(maxsize=64)
def _even_table(sigma: float, limb: Limb) -> tuple[FloatArray, FloatArray]:
    """Return what no turn of the lamps changes of `_limb_table`: sky and disc."""
    return _smeared(flank_light(_GRID, limb)[0], sigma), _smeared((np.abs(_GRID) < 1.0).astype(float), sigma)


def _smeared(light: FloatArray, sigma: float) -> FloatArray:
    far = min(int(4 * sigma / _STEP) + 1, (len(_GRID) - 1) // 2)
    reach = _STEP * np.arange(-far, far + 1)
    kernel = np.exp(-0.5 * (reach / sigma) ** 2)
    return np.convolve(light, kernel / kernel.sum(), "same")


def _basis(
    u: FloatArray, shift: FloatArray, optics: Optics, half_px: float, limb: Limb, turn: float
) -> FloatArray:
    """Return (len(shift), len(u), 3): the blurred sky, limb and outside, edge at 1 + shift."""
    place = np.clip((u / (1.0 + shift[:, None]) - _GRID[0]) / _STEP, 0.0, len(_GRID) - 1.001)
    left = place.astype(np.intp)
    part = place - left

    def blurred(sigma_px: float) -> FloatArray:
        table = _limb_table(round(sigma_px / half_px, 4), limb, turn)
        low = table.take(left, 1)
        return np.moveaxis(low + part * (table.take(left + 1, 1) - low), 0, -1)

    inside = blurred(optics.sigma_px)
    if optics.sharpen:
        wide = blurred(float(np.hypot(optics.sigma_px, SHARPEN_PX)))
        inside = inside + optics.sharpen * (inside - wide)
    return np.concatenate([inside[..., :2], 1.0 - inside[..., 2:]], -1)


def _costs(
    profiles: FloatArray,
    u: FloatArray,
    shifts: FloatArray,
    optics: Optics,
    half_px: float,
    limb: Limb,
    turn: float,
) -> FloatArray:
    """Return (n, len(shifts)): weighted squared residual of each normal profile for each place of the edge."""
    root = np.sqrt(edge_weight(u))
    basis = _basis(u, shifts, optics, half_px, limb, turn) * root[:, None]
    # one more row holds the limb's share of the light near the photo's usual one: where the blur is wide, edge and
    # limb cannot be told apart
    strength = limb.hold * min(_HOLD_LIMB * (optics.sigma_px / (0.045 * half_px)) ** 2, _HOLD_LIMB_MOST)
    row = np.broadcast_to(strength * np.array([-limb.share, 1.0 - limb.share, 0.0]), (len(shifts), 1, 3))
    q, _ = np.linalg.qr(np.concatenate([basis, row], 1))
    axes = np.ascontiguousarray(q[:, :-1].transpose(2, 1, 0))
    rest = np.empty((len(profiles), len(shifts)))
    for first in range(0, len(profiles), _AT_ONCE):
        p = profiles[first : first + _AT_ONCE] * root
        rest[first : first + _AT_ONCE] = (p**2).sum(1)[:, None] - ((p @ axes) ** 2).sum(0)
    return np.maximum(rest, 0.0, out=rest)


def _normal(profiles: FloatArray, u: FloatArray, limb: Limb) -> FloatArray:
    """Return the profiles with the tray beside them at 0 and the body's light at 1.

    Where their own light is read it keeps its zero: how it falls towards the limb is of all of it.
    """
    tray = medians(profiles[:, u > 1.2])[:, None]
    step = medians(profiles[:, (u > 0.5) & (u < 0.8)])[:, None] - tray
    light = profiles if limb.own_light or limb.frontal else profiles - tray
    return np.asarray(light / np.where(np.abs(step) > 1e-9, step, 1.0), float)


def usual_limb_share(profiles: FloatArray, u: FloatArray, sigma: float) -> float:
    """Return the limb's usual share b / (a + b) of a photo's light, from inside the bodies, seen through a blur, in half widths."""
    inside = (u > 0.4) & (u < 0.78)
    near = blurring(u[inside], sigma)
    even, limb = (light @ near for light in flank_light(ACROSS, Limb(1.0)))
    fit = np.linalg.lstsq(
        np.stack([even, limb], 1), _normal(profiles, u, Limb(1.0))[:, inside].T, rcond=None
    )[0]
    total = fit.sum(0)
    good = np.abs(total) > 0.2
    return float(np.clip(np.median(fit[1, good] / total[good]), 0.0, 1.0)) if good.any() else 0.5


def edge_weight(u: FloatArray) -> FloatArray:
    """Return the weight of each place of a profile: the edge's surroundings count, far body and far tray little."""
    return np.exp(-0.5 * ((u - 1.0) / np.where(u > 1.0, 0.11, 0.16)) ** 2) + 0.004


def find_optics(
    profiles: FloatArray,
    u: FloatArray,
    half_px: float,
    sigma_guess_px: float,
    limb: Limb,
    turn: FloatArray | float = 0.0,
    least_px: float = 0.0,
) -> Optics:
    """Return the blur that explains the profiles of one photo best, with the usual overshoot.

    Parameters
    ----------
    profiles : ndarray (n, m), signal at `u`, the edge near u = 1.
    u : ndarray (m,), distance from the axis over half width.
    half_px : half width in px.
    sigma_guess_px : blur to start from, as the ring's edges show it.
    limb : what the light does towards it.
    turn : ndarray (n,): how far it comes from each profile's side.
    least_px : no less blur is possible.
    """
    alike = list(_alike(1.0, turn, len(profiles), _TURN_FOR_BLUR))
    p = _normal(profiles, u, limb)

    def cost(sigma_px: float) -> float:
        optics = Optics(sigma_px, SHARPEN)
        least = [_costs(p[some], u, _SHIFTS, optics, half_px, limb, of).min(1) for some, _, of in alike]
        misfit = np.median(np.concatenate(least))
        return float(misfit * (1.0 + _HOLD * np.log(sigma_px / sigma_guess_px) ** 2))

    places = np.maximum(sigma_guess_px * np.array([0.55, 0.72, 1.0, 1.35, 1.8, 2.4]), least_px)
    coarse = _lowest(cost, places)
    low, mid, high = (cost(coarse * np.exp(step)) for step in (-_STEP_SIGMA, 0.0, _STEP_SIGMA))
    curve = low - 2 * mid + high
    step = 0.5 * (low - high) / curve if curve > 0 else np.sign(low - high)
    return Optics(float(coarse * np.exp(_STEP_SIGMA * np.clip(step, -1.0, 1.0))), SHARPEN)


def find_light(
    profiles: FloatArray,
    u: FloatArray,
    half_px: float,
    sigma_guess_px: float,
    even: Limb,
    own_light: bool,
    least_px: float = 0.0,
) -> tuple[Limb, Optics]:
    """Return how one photo's light falls towards the limb, and its blur.

    Bright pieces are lit by sky and lamps. Even where these leave both flanks alike, a limb by Lambert's law alone puts the
    edges up to 0.02 mm too far in, and the more so the more a piece is seen from the side: one flank then turns up, to the
    light, and the other one down.

    Parameters
    ----------
    profiles : ndarray (n, 2, m), signal at `u` on both sides of n bodies.
    even : the limb as it would be if its light were the same on both sides.
    own_light : whether it is the light of bright pieces.
    least_px : no less blur is possible.
    """
    sides = profiles.reshape(-1, len(u))
    sigma = sigma_guess_px / half_px
    limb = usual_limb(profiles, u, sigma, even) if own_light and even.share >= _FROM_WITHIN else even
    if not limb.own_light:
        return even, find_optics(sides, u, half_px, sigma_guess_px, even, least_px=least_px)
    turn = turns(profiles, u, limb, sigma).ravel()
    optics = find_optics(sides, u, half_px, sigma_guess_px, limb, turn, least_px)
    if even.share < _OR_SKY:
        within = find_optics(sides, u, half_px, sigma_guess_px, even, least_px=least_px)
        of_sky = float(np.nanmedian(place_edges(sides, u, half_px, optics, limb, turn=turn)[1]))
        if of_sky > _WORSE * float(np.nanmedian(place_edges(sides, u, half_px, within, even)[1])):
            return even, within
    return limb, optics


def flash_lit(profiles: FloatArray, u: FloatArray, beside: FloatArray, limb: Limb) -> bool:
    """Return whether the light comes from beside the camera: limbs are dark on both sides, and no shadow lies in view.

    Parameters
    ----------
    profiles : ndarray (n, 2, m), signal at `u` on both sides of n bodies.
    beside : ndarray (n,): light of the tray beside the bodies, on the darker side, over that further away.
    limb : of even light from elsewhere.
    """
    if limb.share < _ALL_LIMB or np.quantile(beside, 1 - _MOST_PIECES) < _UNSHADED:
        return False
    return bool(np.median(np.abs(unevenness(profiles, u))) < _EVEN)


def _lowest(cost: Callable[[float], float], candidates: FloatArray) -> float:
    return float(min(candidates, key=lambda c: cost(float(c))))


def place_edges(
    profiles: FloatArray,
    u: FloatArray,
    half_px: float,
    optics: Optics,
    limb: Limb,
    thickness: FloatArray | float = 1.0,
    turn: FloatArray | float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Return where each profile's edge lies, in u (1 + shift), and the residual's standard deviation over contrast.

    `thickness` (n,): each half width over `half_px`, and the photo's blur over the local one. The blur is as wide in px on
    thick pieces as on thin ones, and on those that the camera sees from the side, which look thicker. `turn` (n,): how far the light comes from each side.
    An edge that ends at the bounds of the search (u from 0.76 to 1.24) is NaN.
    """
    normal, cost = _normal(profiles, u, limb), np.empty((len(profiles), len(_FINE)))
    for some, size, of in _alike(thickness, turn, len(profiles)):
        cost[some] = _costs(normal[some], u, _FINE, optics, half_px * size, limb, of)
    k = np.clip(cost.argmin(1), 1, len(_FINE) - 2)
    i = np.arange(len(profiles))
    low, mid, high = cost[i, k - 1], cost[i, k], cost[i, k + 1]
    curve = low - 2 * mid + high
    step = np.where(curve > 0, 0.5 * (low - high) / np.where(curve > 0, curve, 1.0), 0.0)
    edge = 1.0 + _FINE[k] + (_FINE[1] - _FINE[0]) * np.clip(step, -1, 1)
    edge[(cost.argmin(1) == 0) | (cost.argmin(1) == len(_FINE) - 1)] = np.nan
    return edge, np.sqrt(mid / edge_weight(u).sum())


def _alike(
    thickness: FloatArray | float, turn: FloatArray | float, n: int, same_turn: float = _SAME_TURN
) -> Iterator[tuple[npt.NDArray[np.intp], float, float]]:
    """Yield the profiles, of n, that are about as thick and as much turned as others, with both."""
    size, of = (
        np.rint(np.broadcast_to(step, n)).astype(int)
        for step in (np.log(thickness) / _SAME_SIZE, np.asarray(turn) / same_turn)
    )
    # one number for both: rows of two are told apart twenty times slower
    _, first, which = np.unique(size * 2**20 + of, return_index=True, return_inverse=True)
    for k, one in enumerate(first):
        yield (
            np.flatnonzero(which == k),
            float(np.exp(_SAME_SIZE * size[one])),
            round(float(same_turn * of[one]), 2),
        )
