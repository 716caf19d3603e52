"""How the flank of a lying cylinder looks across its axis, blurred by the camera.

The light of a flank falls towards its limb, because the surface turns away; half contrast therefore puts the edge of
a bright piece 0.3 to 0.5 px too far in. The model keeps what the surface does apart from what the lens does::

    inside   a + b limb(u)           u = distance from the axis / half width; limb = sqrt(1 - u²), Lambert's law
    outside  c                       the tray, or the shadow the piece throws on it

blurred by a Gaussian, with the overshoot that a camera's sharpening leaves. a, b, c are free for each profile; blur
and overshoot belong to the photo and are found from all profiles together.

A flash is another case: its light meets the surface at the slant at which it is seen, there is no other to speak of, and
the limb is darker than by Lambert's law, because Fresnel's reflection takes its part going in and coming out. A limb so
dark is easily taken for tray, and edges lie 0.4 px too far in if nothing says how dark it must be. Half of the
difference stays in the uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from traygauge.measure.medians import medians

FloatArray = npt.NDArray[np.float64]

SHARPEN_PX = 1.4  # width of the unsharp mask that leaves the overshoot; common practice in cameras, no source
#: Overshoot taken for all photos: cameras sharpen by 0 to 0.5 (common practice, no source), and the difference moves a
#: width by 0.01 mm at 16 px/mm, which the shared uncertainty of edges holds.
SHARPEN = 0.15
_HOLD_LIMB, _HOLD_LIMB_MOST = 0.05, 0.1  # how firmly, where the blur is 4.5 % of the half width, and at most
_HOLD = 0.6  # weight of the blur expected: highlights near the limb look like blur
_STEP_SIGMA = 0.14  # of the logarithm of the blur, over which its cost is close to a parabola
_INDEX = 1.5  # refraction of polymers, 1.35 to 1.6 (common practice)
#: A flash lights both flanks alike, but for so much of their light in four of five pieces; its limb has this share of
#: the light at least; and held to, in the ring's own blur, it explains the profiles as well as one that is free (misfits,
#: at the most). Other light takes a limb as dark for blur.
_EVEN, _ALL_LIMB, _AS_WELL = 0.16, 0.8, 1.1
_LIMB_SEEN = 0.08  # blur, in half widths, up to which the limb is seen apart from it
_SHIFTS = np.round(np.arange(-0.2, 0.2001, 0.02), 3)
_SAME_SIZE = 0.04  # thickness (log) is rounded so: 2 % more or less of the blur moves an edge by 0.005 px
_FINE = np.round(np.arange(-0.24, 0.2401, 0.01), 3)


@dataclass(frozen=True)
class Optics:
    """Blur and overshoot of the edges in one photo's signal.

    Parameters
    ----------
    sigma_px : standard deviation of the blur, px.
    sharpen : strength of the overshoot: the signal plus this times (signal - signal blurred by `SHARPEN_PX`).
    """

    sigma_px: float
    sharpen: float


@dataclass(frozen=True)
class Limb:
    """How the light of one photo's flanks falls towards the limb.

    Parameters
    ----------
    share : the limb's usual share b / (a + b) of the light.
    hold : how firmly profiles are held to that, against the usual.
    frontal : whether the light comes from beside the camera.
    """

    share: float
    hold: float = 1.0
    frontal: bool = False


#: A flash leaves no light but the limb's own.
FLASH = Limb(1.0, 30.0, True)


def limb_light(u: FloatArray, frontal: bool) -> FloatArray:
    """Return the limb's light (...) at places u (...), 1 on the axis, 0 from the edge on."""
    lambert = np.sqrt(np.clip(1.0 - u * u, 0.0, None))
    if not frontal:
        return lambert
    # Fresnel's equations for light that is not polarised (Born and Wolf, Principles of Optics, from memory)
    slanted = np.sqrt(_INDEX**2 - np.minimum(u * u, 1.0))
    across = (lambert - slanted) / (lambert + slanted)
    along = (_INDEX**2 * lambert - slanted) / (_INDEX**2 * lambert + slanted)
    straight = ((_INDEX - 1) / (_INDEX + 1)) ** 2
    return np.asarray(lambert * ((1 - (across**2 + along**2) / 2) / (1 - straight)) ** 2, float)


@lru_cache(maxsize=256)
def _limb_table(sigma: float, frontal: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a grid of u, the blurred disc 1[|u| < 1] and the blurred limb on it; sigma in u."""
    u = np.linspace(-0.4, 2.6, 601)
    nodes = np.linspace(-4.0, 4.0, 81)
    weights = np.exp(-0.5 * nodes**2)
    weights /= weights.sum()
    x = u[:, None] - sigma * nodes
    # the piece is 2 wide: its far side lies at u = -1, outside of every profile's reach
    limb = limb_light(x, frontal)
    return u, np.asarray((x < 1.0) @ weights, float), np.asarray(limb @ weights, float)


def _basis(u: FloatArray, shift: FloatArray, optics: Optics, half_px: float, frontal: bool) -> FloatArray:
    """Return (len(shift), len(u), 3): the blurred inside constant, limb and outside, edge at 1 + shift."""
    at = u / (1.0 + shift[:, None])

    def blurred(sigma_px: float) -> FloatArray:
        grid, disc, limb = _limb_table(round(sigma_px / half_px, 4), frontal)
        return np.stack([np.interp(at, grid, disc), np.interp(at, grid, limb)], -1)

    inside = blurred(optics.sigma_px)
    if optics.sharpen:
        wide = blurred(float(np.hypot(optics.sigma_px, SHARPEN_PX)))
        inside = inside + optics.sharpen * (inside - wide)
    return np.concatenate([inside, 1.0 - inside[..., :1]], -1)


def _costs(
    profiles: FloatArray,
    u: FloatArray,
    shifts: FloatArray,
    optics: Optics,
    half_px: float,
    limb: Limb,
) -> FloatArray:
    """Return (n, len(shifts)): weighted squared residual of each normal profile for each place of the edge."""
    root = np.sqrt(edge_weight(u))
    basis = _basis(u, shifts, optics, half_px, limb.frontal) * root[:, None]
    # one more row holds the limb's share of the light near the photo's usual one: where the blur is wide, edge and
    # limb cannot be told apart
    strength = limb.hold * min(_HOLD_LIMB * (optics.sigma_px / (0.045 * half_px)) ** 2, _HOLD_LIMB_MOST)
    row = np.broadcast_to(strength * np.array([-limb.share, 1.0 - limb.share, 0.0]), (len(shifts), 1, 3))
    q, _ = np.linalg.qr(np.concatenate([basis, row], 1))
    p = profiles * root
    explained = p @ q[:, :-1].transpose(2, 1, 0)
    return np.asarray(np.maximum((p**2).sum(1)[:, None] - (explained**2).sum(0), 0.0), float)


def _normal(profiles: FloatArray, u: FloatArray) -> FloatArray:
    """Return the profiles with the tray beside them at 0 and the body's light at 1."""
    tray = medians(profiles[:, u > 1.2])[:, None]
    body = medians(profiles[:, (u > 0.5) & (u < 0.8)])[:, None]
    return np.asarray((profiles - tray) / np.where(np.abs(body - tray) > 1e-9, body - tray, 1.0), float)


def usual_limb_share(profiles: FloatArray, u: FloatArray) -> float:
    """Return the limb's usual share b / (a + b) of a photo's light, from inside the bodies, where no blur reaches."""
    inside = (u > 0.4) & (u < 0.78)
    limb = np.sqrt(1.0 - u[inside] ** 2)
    fit = np.linalg.lstsq(
        np.stack([np.ones_like(limb), limb], 1), _normal(profiles, u)[:, inside].T, rcond=None
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
) -> Optics:
    """Return the blur that explains the profiles of one photo best, with the usual overshoot.

    Parameters
    ----------
    profiles : ndarray (n, m), signal at `u`, the edge near u = 1.
    u : ndarray (m,), distance from the axis over half width.
    half_px : half width in px.
    sigma_guess_px : blur to start from, as the ring's edges show it.
    limb : what the light does towards it.
    """
    p = _normal(profiles, u)

    def cost(sigma_px: float) -> float:
        misfit = np.median(_costs(p, u, _SHIFTS, Optics(sigma_px, SHARPEN), half_px, limb).min(1))
        return float(misfit * (1.0 + _HOLD * np.log(sigma_px / sigma_guess_px) ** 2))

    coarse = _lowest(cost, sigma_guess_px * np.array([0.55, 0.72, 1.0, 1.35, 1.8, 2.4]))
    low, mid, high = (cost(coarse * np.exp(step)) for step in (-_STEP_SIGMA, 0.0, _STEP_SIGMA))
    curve = low - 2 * mid + high
    step = 0.5 * (low - high) / curve if curve > 0 else np.sign(low - high)
    return Optics(float(coarse * np.exp(_STEP_SIGMA * np.clip(step, -1.0, 1.0))), SHARPEN)


def flash_lit(profiles: FloatArray, u: FloatArray, half_px: float, optics: Optics, limb: Limb) -> bool:
    """Return whether the light comes from beside the camera.

    Parameters
    ----------
    profiles : ndarray (n, 2, m), signal at `u` on both sides of n bodies.
    optics : with the blur of the ring's edges, which lie on the tray.
    limb : of the light as it would be from elsewhere.
    """
    if limb.share < _ALL_LIMB or optics.sigma_px > _LIMB_SEEN * half_px:
        return False
    tray = np.median(profiles[..., u > 1.2], -1).mean(1, keepdims=True)
    flank = np.median(profiles[..., (u > 0.6) & (u < 0.8)], -1) - tray
    uneven = np.abs(np.diff(flank)[:, 0]) / np.maximum(np.abs(flank.mean(1)), 1e-9)
    if np.median(uneven) > _EVEN:
        return False
    sides = profiles.reshape(-1, len(u))
    free, held = (place_edges(sides, u, half_px, optics, one)[1].reshape(-1, 2) for one in (limb, FLASH))
    rods = free.max(1) <= np.median(free.max(1))  # flakes have no such flanks
    as_well = np.median(held[rods]) < _AS_WELL * np.median(free[rods])
    return bool(as_well and np.quantile(uneven[rods], 0.8) < _EVEN)


def _lowest(cost: Callable[[float], float], candidates: FloatArray) -> float:
    return float(min(candidates, key=lambda c: cost(float(c))))


def place_edges(
    profiles: FloatArray,
    u: FloatArray,
    half_px: float,
    optics: Optics,
    limb: Limb,
    thickness: FloatArray | float = 1.0,
) -> tuple[FloatArray, FloatArray]:
    """Return where each profile's edge lies, in u (1 + shift), and the residual's standard deviation over contrast.

    `thickness` (n,): each half width over `half_px`. The blur is as wide in px on thick pieces as on thin ones, and on
    those that the camera sees from the side, which look thicker.
    An edge that ends at the bounds of the search (u from 0.76 to 1.24) is NaN.
    """
    normal, cost = _normal(profiles, u), np.empty((len(profiles), len(_FINE)))
    of_size = np.rint(np.log(np.broadcast_to(thickness, len(profiles))) / _SAME_SIZE)
    for size in np.unique(of_size):
        alike, about_px = of_size == size, half_px * float(np.exp(_SAME_SIZE * size))
        cost[alike] = _costs(normal[alike], u, _FINE, optics, about_px, limb)
    k = np.clip(cost.argmin(1), 1, len(_FINE) - 2)
    i = np.arange(len(profiles))
    low, mid, high = cost[i, k - 1], cost[i, k], cost[i, k + 1]
    curve = low - 2 * mid + high
    step = np.where(curve > 0, 0.5 * (low - high) / np.where(curve > 0, curve, 1.0), 0.0)
    edge = 1.0 + _FINE[k] + (_FINE[1] - _FINE[0]) * np.clip(step, -1, 1)
    edge[(cost.argmin(1) == 0) | (cost.argmin(1) == len(_FINE) - 1)] = np.nan
    return edge, np.sqrt(mid / edge_weight(u).sum())
