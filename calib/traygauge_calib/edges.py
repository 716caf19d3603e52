"""Edge profiles from a photo's own pixels, and the blurred step that explains each.

Nothing is resampled, which would widen the edges: every pixel near an edge goes in with its own distance from
the edge's line. The light is linear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]

_RUNS = np.linspace(-1.0, 1.0, 33, dtype=np.float32)  # sampling along an edge ...
_ONE_SIDE = np.array([0.05, 0.1, 0.15, 0.2, 0.26, 0.33, 0.42, 0.55, 0.75, 1.0])
_STEPS = np.concatenate([-_ONE_SIDE[::-1], [0.0], _ONE_SIDE]).astype(
    np.float32
)  # ... and across it, in half lengths
#: The strongest sharpening believed.
MOST_SHARPENING = 2.0
_AT_ONCE = 40  # so many edges' pixels fit into a processor core's own memory with all that is made of them
_BINS = 64  # of a profile, from -reach to +reach
_POOL_PX, _POOL_REACH_PX = 0.15, 8.0  # cells that several steps are laid over each other in, and how far out
_PEAK = 1.0 / math.sqrt(2.0 * math.pi)  # of the normal density


@dataclass(frozen=True)
class Sharpening:
    """What a camera's sharpening does to an edge: amount times the difference to a copy blurred by radius px."""

    amount: float = 0.0
    radius_px: float = 1.4

    def response(self, distance_px: FloatArray, spread_px: FloatArray) -> FloatArray:
        """Return the light across an edge blurred by `spread_px`, 0 on the dark side, 1 on the bright."""
        return self._with_slopes(distance_px, spread_px)[0]

    def _with_slopes(
        self, distance_px: FloatArray, spread_px: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the response and its derivatives by distance and by spread."""
        t = distance_px / spread_px
        sharp, bell = _normal(t)
        bell /= spread_px
        if not self.amount:
            return sharp, bell, -bell * t
        wide = np.sqrt(spread_px**2 + self.radius_px**2)
        w = distance_px / wide
        soft, soft_bell = _normal(w)
        bell *= 1.0 + self.amount
        soft_bell *= self.amount / wide
        value = (1.0 + self.amount) * sharp - self.amount * soft
        return value, bell - soft_bell, soft_bell * w * (spread_px / wide) - bell * t


@dataclass(frozen=True, eq=False)
class Profiles:
    """Light across N edges, from the dark side to the bright.

    Parameters
    ----------
    here_px, normal_px : ndarray (N, 2): the edges' middles and unit vectors towards the bright side.
    distance_px, light, weight : ndarray (N, B): mean distance from the edge's line and mean linear light of the
        pixels in each bin, and their number (0: empty).
    reach_px : ndarray (N,): how far the profiles go.
    margin_px : ndarray (N,): where the bright side ends in another edge, dark beyond (infinite: nowhere near).
    """

    here_px: FloatArray
    normal_px: FloatArray
    distance_px: FloatArray
    light: FloatArray
    weight: FloatArray
    reach_px: FloatArray
    margin_px: FloatArray


@dataclass(frozen=True, eq=False)
class Steps:
    """Blurred steps fitted to N profiles: light = level + height x response(distance - place, spread).

    `good` marks those that are steps: high enough, well fitted, placed near where they were expected.
    """

    level: FloatArray
    height: FloatArray
    place_px: FloatArray
    spread_px: FloatArray
    good: npt.NDArray[np.bool_]


def profile_edges(
    grey: npt.NDArray[np.uint8],
    here_px: FloatArray,
    along_px: FloatArray,
    across_px: FloatArray,
    *,
    margin: float = np.inf,
) -> Profiles:
    """Return the profiles of straight edges.

    Parameters
    ----------
    grey : ndarray (H, W), uint8, sRGB code values.
    here_px : ndarray (N, 2), middles of the edges.
    along_px : ndarray (N, 2), from a middle to an end of the piece of edge to use.
    across_px : ndarray (N, 2), from a middle to the far end of the profile on the bright side.
    margin : where the bright side ends in another edge, in lengths of `across_px`.
    """
    normal = np.stack([-along_px[:, 1], along_px[:, 0]], 1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    normal *= np.sign((normal * across_px).sum(1, keepdims=True))
    reach = (normal * across_px).sum(1)
    each = here_px, along_px, across_px, normal, reach
    parts = [slice(k, k + _AT_ONCE) for k in range(0, len(here_px), _AT_ONCE)]
    found = [_pixels_near(grey, *(values[part] for values in each)) for part in parts]
    away, light, number = map(np.concatenate, zip(*found, strict=True))
    return Profiles(here_px, normal, away, light, number, reach, margin * reach)


def _pixels_near(
    grey: npt.NDArray[np.uint8],
    here_px: FloatArray,
    along_px: FloatArray,
    across_px: FloatArray,
    normal: FloatArray,
    reach: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return distances, light and numbers of the pixels near edges, ndarray (N, B) each, as in `Profiles`."""
    base = np.rint(here_px)
    near = here_px - base
    # relative to the pixel at the edge's middle, so that single precision is exact enough
    run, step = near[:, None] + _RUNS[:, None] * along_px[:, None], _STEPS[:, None] * across_px[:, None]
    run, step = _single(run[:, :, None], step[:, None])
    x, y = (np.rint(run[..., axis] + step[..., axis]) for axis in (0, 1))
    to_bins = _BINS / 2.0 / reach
    turn, start = normal * to_bins[:, None], _BINS / 2.0 - (near * normal).sum(1) * to_bins
    turn, start, corner = _single(turn[..., None, None], start[:, None, None], base[..., None, None])
    beyond = x * turn[:, 0] + y * turn[:, 1] + start  # the profile's dark end, in bins
    height, width = grey.shape
    use = (beyond >= 0) & (beyond < _BINS) & (x >= -corner[:, 0]) & (y >= -corner[:, 1])
    use &= (x < width - corner[:, 0]) & (y < height - corner[:, 1])
    size = len(base) * _BINS
    first = np.arange(0, size, _BINS)[:, None, None]
    key = np.where(use, beyond.astype(np.intp) + first, size).ravel()
    middle = (base[:, 1] * width + base[:, 0]).astype(np.intp)[:, None, None]
    pixel = (y * np.float32(width) + x).astype(np.intp) + middle
    light = LINEAR_OF_CODE.take(grey.ravel().take(pixel.ravel(), mode="clip"))
    number, light_sum, sum_beyond = (
        np.bincount(key, values, size + 1)[:-1].reshape(-1, _BINS) for values in (None, light, beyond.ravel())
    )
    count = np.maximum(number, 1.0)
    away = (sum_beyond / count - _BINS / 2.0) / to_bins[:, None]
    return np.where(number > 0, away, 0.0), light_sum / count, number.astype(float)


def fit_steps(
    profiles: Profiles,
    sharpening: Sharpening = Sharpening(),
    *,
    start: Steps | None = None,
    rounds: int = 4,
) -> Steps:
    """Return the blurred step that fits each profile best (Gauss-Newton on all of them at once).

    Parameters
    ----------
    start : steps to begin from; None: from the light at the profiles' ends.

    Notes
    -----
    Single precision, which leaves a place uncertain by 1e-5 px; a round leaves a tenth or less of the error.
    """
    distance, light, weight = _single(profiles.distance_px, profiles.light, profiles.weight)
    reach, margin = _single(profiles.reach_px, profiles.margin_px)
    if start is None:
        far = weight * (np.abs(distance) > 0.7 * reach[:, None])
        level = _mean(light, far * (distance < 0))
        height = _mean(light, far * (distance > 0)) - level
        place, spread = np.zeros_like(reach), np.minimum(1.0, 0.3 * reach)
    else:
        level, height, place, spread = _single(start.level, start.height, start.place_px, start.spread_px)
    near_end = np.isfinite(margin).any()
    rows = np.ones((len(light), 4, light.shape[1]), np.float32)
    for _ in range(rounds):
        away = distance - place[:, None]
        shape, slope, widening = sharpening._with_slopes(away, spread[:, None])
        if near_end:
            end = sharpening._with_slopes(away - margin[:, None], spread[:, None])
            shape, slope, widening = shape - end[0], slope - end[1], widening - end[2]
        high = np.where(np.abs(height) < 1e-3, 1e-3, height)[:, None]
        rows[:, 1], rows[:, 2], rows[:, 3] = shape, -high * slope, high * widening
        rest = light - level[:, None] - high * shape
        weighted = rows * weight[:, None]
        normal = (weighted @ rows.transpose(0, 2, 1)).astype(float) + 1e-9 * np.eye(4)
        (step,) = _single(np.linalg.solve(normal, weighted @ rest[..., None])[..., 0])
        level, height = level + step[:, 0], high[:, 0] + step[:, 1]
        place = np.clip(place + np.clip(step[:, 2], -0.2 * reach, 0.2 * reach), -0.6 * reach, 0.6 * reach)
        spread = np.clip(spread + np.clip(step[:, 3], -0.4 * spread, spread), 0.15, reach)
    misfit = np.sqrt(_mean(rest**2, weight))
    good = (height > 0.3 * np.median(height)) & (height > 0.01) & (misfit < 0.12 * np.abs(height))
    good &= (np.abs(place) < 0.35 * reach) & ((weight > 0).sum(1) >= 8)
    return Steps(level.astype(float), height.astype(float), place.astype(float), spread.astype(float), good)


def find_sharpening(profiles: Profiles, steps: Steps) -> Sharpening:
    """Return the sharpening that explains the halo beside the sharper half of the steps best.

    Amount, level and height follow for each radius and spread of a grid from a linear fit to all those steps laid
    over each other.
    """
    if np.count_nonzero(steps.good) < 8:
        return Sharpening()
    use = steps.good & (steps.spread_px <= np.median(steps.spread_px[steps.good]))
    away, share, weight = _pooled(profiles, steps, use)
    # ink is nearly black: on its side cameras cut the halo off, so that only the paper's side is believed
    weight = np.where((away < -0.4) & (away > -5.0), 0.05 * weight, weight)
    margin = float(np.median(profiles.margin_px[use]))
    spread = float(np.median(steps.spread_px[use])) * np.geomspace(0.8, 2.4, 30)[:, None]
    radius = np.array([1.0, 1.4, 2.0, 2.8])[:, None, None]
    sharp = normal_integral(away / spread) - normal_integral((away - margin) / spread)
    wide = np.hypot(spread, radius)
    halo = sharp - normal_integral(away / wide) + normal_integral((away - margin) / wide)
    parts = np.stack(np.broadcast_arrays(1.0, sharp, halo, share), -2)
    # sums of products over the steps' light (..., 4, 4): all that least squares needs to know
    products = (parts * weight) @ parts.swapaxes(-1, -2)
    solution, _ = _linear_fit(products)
    amount = np.clip(solution[..., 2] / solution[..., 1], 0.0, MOST_SHARPENING)
    mixed = np.zeros((*amount.shape, 3, 4))
    mixed[..., 0, 0] = mixed[..., 1, 1] = mixed[..., 2, 3] = 1.0
    mixed[..., 1, 2] = amount
    _, misfit = _linear_fit(mixed @ products @ mixed.swapaxes(-1, -2))
    best = np.unravel_index(int(misfit.argmin()), misfit.shape)
    return Sharpening(float(amount[best]), float(radius[best[0], 0, 0]))


def _linear_fit(products: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return least-squares solutions (..., p) and their sums of squares (...).

    Parameters
    ----------
    products : ndarray (..., p + 1, p + 1), weighted sums of products of the p rows and, last, the values.
    """
    normal = products[..., :-1, :-1] + 1e-9 * np.eye(products.shape[-1] - 1)
    right = products[..., :-1, -1]
    solution = np.linalg.solve(normal, right[..., None])[..., 0]
    return np.asarray(solution, float), products[..., -1, -1] - (solution * right).sum(-1)


def _pooled(
    profiles: Profiles, steps: Steps, use: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return distance (k,), mean response (k,) and weight (k,) of several steps laid over each other."""
    away = (profiles.distance_px[use] - steps.place_px[use, None]).ravel()
    share = ((profiles.light[use] - steps.level[use, None]) / steps.height[use, None]).ravel()
    weight = profiles.weight[use].ravel()
    cell = np.rint((away + _POOL_REACH_PX) / _POOL_PX).astype(np.int64)
    near = (weight > 0) & (np.abs(away) < _POOL_REACH_PX)
    total = np.asarray(np.bincount(cell[near], weight[near]), float)
    filled = total > 0
    means = [np.bincount(cell[near], (weight * q)[near])[filled] / total[filled] for q in (away, share)]
    return means[0], means[1], total[filled]


def _single(*parts: FloatArray) -> tuple[Any, ...]:
    """Return the arrays in single precision."""
    return tuple(part.astype(np.float32) for part in parts)


def _mean(values: FloatArray, weight: FloatArray) -> FloatArray:
    total: FloatArray = (values * weight).sum(1) / np.maximum(weight.sum(1), 1e-9)
    return total


def normal_integral(t: FloatArray) -> FloatArray:
    """Return the normal distribution function (Abramowitz and Stegun 26.2.17, error below 7.5e-8)."""
    return _normal(t)[0]


def _normal(t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the normal distribution function and its density, in the precision of `t`."""
    x = np.abs(t)
    bell = np.exp(-0.5 * x * x) * _PEAK
    k = 1.0 / (1.0 + 0.2316419 * x)
    series = k * (0.319381530 + k * (-0.356563782 + k * (1.781477937 + k * (-1.821255978 + k * 1.330274429))))
    tail = bell * series
    return np.where(t > 0, 1.0 - tail, tail), bell
