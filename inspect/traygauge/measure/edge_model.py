"""How the flank of a lying cylinder looks across its axis, blurred by the camera.

The light of a flank falls towards its limb, because the surface turns away; half contrast therefore puts the edge of
a bright piece 0.3 to 0.5 px too far in. The model keeps what the surface does apart from what the lens does::

    inside   a + b sqrt(1 - u²)      u = distance from the axis / half width
    outside  c                       the tray, or the shadow the piece throws on it

blurred by a Gaussian, with the overshoot that a camera's sharpening leaves. a, b, c are free for each profile; blur
and overshoot belong to the photo and are found from all profiles together.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SHARPEN_PX = 1.4  # width of the unsharp mask that leaves the overshoot; common practice in cameras, no source
#: Overshoot taken for all photos: cameras sharpen by 0 to 0.5 (common practice, no source), and the difference moves a
#: width by 0.01 mm at 16 px/mm, which the shared uncertainty of edges holds.
SHARPEN = 0.15
_HOLD_LIMB, _HOLD_LIMB_MOST = 0.05, 0.1  # how firmly, where the blur is 4.5 % of the half width, and at most
_HOLD = 0.6  # weight of the blur expected: highlights near the limb look like blur
_STEP_SIGMA = 0.14  # of the logarithm of the blur, over which its cost is close to a parabola
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


@lru_cache(maxsize=256)
def _limb_table(sigma: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a grid of u, the blurred disc 1[|u| < 1] and the blurred limb sqrt(1 - u²) on it; sigma in u."""
    u = np.linspace(-0.4, 2.6, 601)
    nodes = np.linspace(-4.0, 4.0, 81)
    weights = np.exp(-0.5 * nodes**2)
    weights /= weights.sum()
    x = u[:, None] - sigma * nodes
    # the piece is 2 wide: its far side lies at u = -1, outside of every profile's reach
    limb = np.sqrt(np.clip(1.0 - x * x, 0.0, None))
    return u, np.asarray((x < 1.0) @ weights, float), np.asarray(limb @ weights, float)


def _basis(u: FloatArray, shift: FloatArray, optics: Optics, half_px: float) -> FloatArray:
    """Return (len(shift), len(u), 3): the blurred inside constant, limb and outside, edge at 1 + shift."""
    at = u / (1.0 + shift[:, None])

    def blurred(sigma_px: float) -> FloatArray:
        grid, disc, limb = _limb_table(round(sigma_px / half_px, 4))
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
    limb_share: float,
    hold: float,
) -> FloatArray:
    """Return (n, len(shifts)): weighted squared residual of each normal profile for each place of the edge."""
    root = np.sqrt(edge_weight(u))
    basis = _basis(u, shifts, optics, half_px) * root[:, None]
    # one more row holds the limb's share of the light near the photo's usual one: where the blur is wide, edge and
    # limb cannot be told apart
    strength = hold * min(_HOLD_LIMB * (optics.sigma_px / (0.045 * half_px)) ** 2, _HOLD_LIMB_MOST)
    row = np.broadcast_to(strength * np.array([-limb_share, 1.0 - limb_share, 0.0]), (len(shifts), 1, 3))
    q, _ = np.linalg.qr(np.concatenate([basis, row], 1))
    p = profiles * root
    explained = p @ q[:, :-1].transpose(2, 1, 0)
    return np.asarray(np.maximum((p**2).sum(1)[:, None] - (explained**2).sum(0), 0.0), float)


def _normal(profiles: FloatArray, u: FloatArray) -> FloatArray:
    """Return the profiles with the tray beside them at 0 and the body's light at 1."""
    tray = np.median(profiles[:, u > 1.2], 1, keepdims=True)
    body = np.median(profiles[:, (u > 0.5) & (u < 0.8)], 1, keepdims=True)
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
    limb_share: float,
    hold: float = 1.0,
) -> Optics:
    """Return the blur that explains the profiles of one photo best, with the usual overshoot.

    Parameters
    ----------
    profiles : ndarray (n, m), signal at `u`, the edge near u = 1.
    u : ndarray (m,), distance from the axis over half width.
    half_px : half width in px.
    sigma_guess_px : blur to start from, as the ring's edges show it.
    limb_share : as `usual_limb_share` returns it; hold : how firmly it is held to, against the usual.
    """
    p = _normal(profiles, u)

    def cost(sigma_px: float) -> float:
        misfit = np.median(_costs(p, u, _SHIFTS, Optics(sigma_px, SHARPEN), half_px, limb_share, hold).min(1))
        return float(misfit * (1.0 + _HOLD * np.log(sigma_px / sigma_guess_px) ** 2))

    coarse = _lowest(cost, sigma_guess_px * np.array([0.55, 0.72, 1.0, 1.35, 1.8, 2.4]))
    low, mid, high = (cost(coarse * np.exp(step)) for step in (-_STEP_SIGMA, 0.0, _STEP_SIGMA))
    curve = low - 2 * mid + high
    step = 0.5 * (low - high) / curve if curve > 0 else np.sign(low - high)
    return Optics(float(coarse * np.exp(_STEP_SIGMA * np.clip(step, -1.0, 1.0))), SHARPEN)


def _lowest(cost: Callable[[float], float], candidates: FloatArray) -> float:
    return float(min(candidates, key=lambda c: cost(float(c))))


def place_edges(
    profiles: FloatArray,
    u: FloatArray,
    half_px: float,
    optics: Optics,
    limb_share: float,
    hold: float = 1.0,
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
        cost[alike] = _costs(normal[alike], u, _FINE, optics, about_px, limb_share, hold)
    k = np.clip(cost.argmin(1), 1, len(_FINE) - 2)
    i = np.arange(len(profiles))
    low, mid, high = cost[i, k - 1], cost[i, k], cost[i, k + 1]
    curve = low - 2 * mid + high
    step = np.where(curve > 0, 0.5 * (low - high) / np.where(curve > 0, curve, 1.0), 0.0)
    edge = 1.0 + _FINE[k] + (_FINE[1] - _FINE[0]) * np.clip(step, -1, 1)
    edge[(cost.argmin(1) == 0) | (cost.argmin(1) == len(_FINE) - 1)] = np.nan
    return edge, np.sqrt(mid / edge_weight(u).sum())
