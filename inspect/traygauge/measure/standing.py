"""Pieces that stand on a cut face: a disc drawn out along the line of sight.

The foot is a disc, the top the same disc moved outwards from the camera's foot point, and a squeezed cut makes both of
them oval. Outlines are fitted by that shape, with a shadow's or a neighbour's part of them left aside.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from traygauge.measure.medians import medians
from traygauge.measure.outlines import Outlines
from traygauge.measure.solving import solved
from traygauge_calib.tray_view import TrayView
from traygauge_shared.threads import blocks, in_threads

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]

_VERTICES, _ROUNDS = 32, 8
#: A fit is given up where its misfit before each round (the last holds from then on) is so many times what standing
#: allows; of the standing pieces on the test photos none was above half of that.
_GIVEN_UP = (16.0, 8.0, 4.0)
_STILL = 2e-3  # in diameters and shares: a parameter that moves less stands still
#: Standard deviations, in diameters, of an outline's place, and of the disc's size and ovality (common practice).
_OUTLINE_SD, _SIZE_SD, _OVAL_SD = 0.02, 0.12, 0.10
#: And of how far the top lies aside of the line of sight: oblique cuts let pieces stand a few degrees off.
_ASLANT_SD = 0.2
#: Things further from the batch's diameter than this, or higher than such a piece stays standing, are not tried.
_WIDEST, _HIGHEST = 1.6, 2.6
#: Weights of a logistic regression of standing against lying pieces and flakes on drawn scenes (the test photos had no
#: part in it): constant, then ln(misfit + 0.003), grain, by how much (log) the disc is smaller than usual, ln(oval),
#: height beyond 2.6 diameters, ln(distance from the lying rod + 0.004), how far the top is seen from the foot; lengths
#: in diameters.
_WEIGHTS = np.array([-18.2, -6.0, -1.2, -7.8, -7.5, -2.0, 0.9, -1.3])


@dataclass(frozen=True, eq=False)
class Standing:
    """Outlines explained as cylinders standing on the tray; what cannot stand has NaN, its odds are minus infinity.

    Parameters
    ----------
    odds : ndarray (n,): log odds of standing, from the fit and from the light.
    diameter_mm : ndarray (n,): of the disc, mean of its axes.
    foot_mm : ndarray (n, 2): middle of the foot.
    """

    odds: FloatArray
    diameter_mm: FloatArray
    foot_mm: FloatArray


def standing(
    outlines_tray: Outlines, grain: FloatArray, gap: FloatArray, usual_mm: float, tray: TrayView
) -> Standing:
    """Return how well a standing cylinder explains each outline.

    Parameters
    ----------
    outlines_tray : outlines of n bodies, seen in the tray's own plane.
    grain : ndarray (n,): how much more the light varies across the body's axis than along it; little on a cut face.
    gap : ndarray (n,): mean distance of the outline from the lying rod that explains it best, in diameters.
    usual_mm : the batch's diameter.
    """
    n = len(outlines_tray.size)
    odds, diameter, foot = np.full(n, -np.inf), np.full(n, np.nan), np.full((n, 2), np.nan)
    if not n or not usual_mm > 0:
        return Standing(odds, diameter, foot)
    points = outlines_tray.some(np.arange(n), _VERTICES)
    middle = points.mean(1)
    lean = tray.lean(middle)
    slant = np.linalg.norm(lean, axis=1)
    ray = np.where(slant[:, None] > 1e-6, lean / np.maximum(slant, 1e-6)[:, None], [1.0, 0.0])
    aside = np.stack([-ray[:, 1], ray[:, 0]], -1)
    # coordinates apart: arrays with a last axis of two are reckoned with several times slower
    x, y = np.moveaxis(points - middle[:, None], -1, 0)
    (rx, ry), (ax, ay) = ray.T[..., None], aside.T[..., None]
    seen = np.stack([x * rx + y * ry, x * ax + y * ay]) / usual_mm
    extent = np.ptp(seen, axis=2)
    able = (extent.min(0) > 1 / _WIDEST) & (extent[1] < _WIDEST)
    able &= extent[0] < _WIDEST + _HIGHEST * slant
    # whatever size, oval and height a fit finds, they only lower the odds
    rest = _WEIGHTS[0] + _WEIGHTS[2] * grain + _WEIGHTS[6] * np.log(gap + 0.004)
    most = np.exp(-rest / _WEIGHTS[1]) - 0.003
    k = np.flatnonzero(able)
    parts = [k[some] for some in blocks(len(k))]
    discs = in_threads(_fit, [seen[:, part] for part in parts], [most[part] for part in parts])
    disc = _Disc(*(np.concatenate([getattr(part, f.name) for part in discs]) for f in fields(_Disc)))
    fits = np.isfinite(disc.misfit)
    k, disc = k[fits], _Disc(*(getattr(disc, f.name)[fits] for f in fields(_Disc)))
    drawn = np.maximum(disc.drawn[:, 0], 0.0)
    features = [
        np.log(disc.misfit + 0.003),
        grain[k],
        np.clip(-np.log(disc.size), 0.0, 0.4),
        np.minimum(np.log(disc.oval), 0.7),
        np.clip(drawn / np.maximum(slant[k], 1e-3) - _HIGHEST, 0.0, 1.5),
        np.log(gap[k] + 0.004),
        np.minimum(drawn, 2.0),
    ]
    odds[k] = _WEIGHTS[0] + np.stack(features, -1) @ _WEIGHTS[1:]
    diameter[k] = disc.size * usual_mm
    foot[k] = middle[k] + usual_mm * (disc.foot[:, :1] * ray[k] + disc.foot[:, 1:] * aside[k])
    return Standing(odds, diameter, foot)


@dataclass(frozen=True, eq=False)
class _Disc:
    """Drawn-out discs in units of the usual diameter, axes along and across the line of sight.

    Parameters
    ----------
    foot : ndarray (n, 2); drawn : ndarray (n, 2), where the top lies from it; misfit : ndarray (n,), median distance of
        the outline.
    shape : ndarray (n, 3): symmetric matrix (xx, yy, xy) that makes the disc a circle of radius 1.
    """

    foot: FloatArray
    drawn: FloatArray
    misfit: FloatArray
    shape: FloatArray

    @property
    def size(self) -> FloatArray:
        """Return the disc's diameter, the geometric mean of its axes."""
        return np.asarray(2 / np.sqrt(self.shape[:, 0] * self.shape[:, 1] - self.shape[:, 2] ** 2))

    @property
    def oval(self) -> FloatArray:
        """Return the longer axis over the shorter one."""
        mean, half = (self.shape[:, 0] + self.shape[:, 1]) / 2, (self.shape[:, 0] - self.shape[:, 1]) / 2
        away = np.hypot(half, self.shape[:, 2])
        return np.asarray((mean + away) / (mean - away))


def _fit(points: FloatArray, most: FloatArray) -> _Disc:
    """Return the drawn-out discs nearest to outlines (2, n, m); infinite misfits where they stay far above `most` (n,).

    Tried twice: drawn out to all that is seen, and as a mere disc at the far end, because the flank below a lit face may
    be lost in the dark or seen in part.
    """
    n = points.shape[1]
    low, high = points.min(2), points.max(2)
    radius = np.minimum(high - low, 1.3).min(0) / 2
    drawn = np.maximum(high[0] - low[0] - 2 * radius, 0.02)
    zero, aside = np.zeros(n), (low[1] + high[1]) / 2
    round_ = [1 / radius, 1 / radius, zero]
    whole = np.stack([low[0] + radius, aside, *round_, drawn, zero], -1)
    face = np.stack([high[0] - radius, aside, *round_, zero + 1e-6, zero], -1)
    slack = np.repeat([[9.0, _ASLANT_SD], [1e-3, 1e-3]], n, axis=0)
    p, misfit = nearest_discs(
        np.concatenate([points, points], 1), np.concatenate([whole, face]), slack, np.tile(most, 2)
    )
    best = np.where(misfit[n:] < misfit[:n], n, 0) + np.arange(n)
    return _Disc(p[best, :2], p[best, 5:], misfit[best], p[best, 2:5])


def nearest_discs(
    points: FloatArray,
    p: FloatArray,
    slack: FloatArray,
    most: FloatArray,
    size_sd: float = _SIZE_SD,
    oval_sd: float = _OVAL_SD,
) -> tuple[FloatArray, FloatArray]:
    """Return the parameters (n, 7) of the discs nearest to outlines (2, n, m) and their misfits (n,), by Gauss-Newton.

    The parameters: the foot's middle x, y; the shape xx, yy, xy; where the top lies, x, y, which may change by about
    `slack` (n, 2); discs are one usual diameter wide and round, by the standard deviations given. Points that lie far
    off count less. Those that stay far above `most` (n,) are given up.
    """
    zero = np.zeros(len(p))
    # half the memory, and what is left of a fit is far above its rounding
    outlines = points.astype(np.float32)
    prior = np.column_stack([p[:, :2], zero + 2, zero + 2, zero, p[:, 5:]])
    size, oval = zero + 2 * size_sd, zero + 2 * oval_sd
    hold = 1 / np.column_stack([zero + 9.0, zero + 9.0, size, size, oval, slack]) ** 2
    p, misfit, left = p.copy(), np.full(len(p), np.inf), np.arange(len(p))
    for step in range(_ROUNDS + 1):
        functions = _distances(outlines.take(left, 1), p[left].T.astype(np.float32))
        middle = medians(np.abs(functions[:, 7]))
        stays = middle < most[left] * _GIVEN_UP[min(step, len(_GIVEN_UP) - 1)]
        left, functions, middle = left[stays], functions[stays], middle[stays]
        if step == _ROUNDS or not len(left):
            misfit[left] = middle
            break
        scale = np.maximum(1.4826 * middle[:, None, None], 0.01)
        weight = 1 / (1 + (functions[:, 7:] / (2 * scale)) ** 2) / _OUTLINE_SD**2
        gram = (functions * weight) @ functions.swapaxes(1, 2)
        normal = gram[:, :7, :7] + hold[left, None] * np.eye(7)
        right = (prior[left] - p[left]) * hold[left] - gram[:, 7, :7]
        move = np.clip(solved(normal.transpose(1, 2, 0), right.T).T, -0.3, 0.3)
        p[left] = _within_bounds(p[left] + move)
        still = (np.abs(move) < _STILL).all(1)
        misfit[left[still]] = middle[still]
        left = left[~still]
    return p, misfit


def _within_bounds(p: FloatArray) -> FloatArray:
    """Return parameters (n, 7) whose shape is an ellipse of some size and whose top is not nearer than the foot."""
    p[:, 2:4] = np.clip(p[:, 2:4], 0.8, 5.0)
    most = 0.7 * np.sqrt(p[:, 2] * p[:, 3])
    p[:, 4] = np.clip(p[:, 4], -most, most)
    p[:, 5] = np.maximum(p[:, 5], 1e-6)
    return p


def _distances(points: SingleArray, p: SingleArray) -> SingleArray:
    """Return the distances of points (2, n, m) behind their derivatives after the parameters (7, n), (n, 8, m), diameters.

    A point's distance is |S r| - 1, in radii, with r the way to it from the nearest place of the line from foot to top,
    and S the shape. As that place is the nearest, its own move along the line changes nothing.
    """
    (x, y), (xx, yy, xy, dx, dy) = points - p[:2, :, None], p[2:, :, None]
    ax, ay = xx * dx + xy * dy, xy * dx + yy * dy
    along = (ax * (xx * x + xy * y) + ay * (xy * x + yy * y)) / (ax**2 + ay**2)
    at = np.clip(along, 0.0, 1.0)
    x, y = x - at * dx, y - at * dy
    sx, sy = xx * x + xy * y, xy * x + yy * y
    far = np.sqrt(np.maximum(sx**2 + sy**2, np.float32(1e-18)))
    nx, ny = sx / far, sy / far
    tx, ty = xx * nx + xy * ny, xy * nx + yy * ny
    radius = 1 / np.sqrt(xx * yy - xy**2)
    functions = np.empty((len(x), 8, x.shape[1]), np.float32)
    for i, one in enumerate((-tx, -ty, nx * x, ny * y, nx * y + ny * x, -tx * at, -ty * at, far - 1)):
        np.multiply(one, radius, out=functions[:, i])
    return functions
