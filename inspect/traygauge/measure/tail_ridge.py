"""Following threads as ridges: all of them together, one step at a time."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.tail_patch import Mask, Patches

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Spacing of a profile across a ridge, px.
ACROSS_PX = 0.75

#: Why a track ended.
TIP, OWN, OTHER, EDGE = 0, 1, 2, 3


@dataclass(frozen=True, eq=False)
class Tracks:
    """Threads followed from seeds, on the board.

    Parameters
    ----------
    points : ndarray (t, s, 2): board px; valid up to `used` points.
    weight : ndarray (t, s): contrast integrated across the thread, px of full contrast.
    peak : ndarray (t, s): contrast on the ridge.
    size : ndarray (t,): number of points before it fades.
    used : ndarray (t,): number of valid points.
    step_px : distance from point to point.
    end : ndarray (t,): TIP, OWN (own body reached), OTHER (another body reached), EDGE (left the patch).
    """

    points: FloatArray
    weight: FloatArray
    peak: FloatArray
    size: IntArray
    used: IntArray
    step_px: float
    end: IntArray


@dataclass(frozen=True, eq=False)
class Seeds:
    """Places where something thin crosses a shell around a body: patch, point and outward direction, board px."""

    patch: IntArray
    point: FloatArray
    direction: FloatArray


def seeds(patches: Patches, level: float, inner_px: float, outer_px: float) -> Seeds:
    """Return where thin things of at least some contrast leave the bodies.

    Parameters
    ----------
    patches : the close looks.
    level : contrast from which a thin thing is seen.
    inner_px, outer_px : the shell's distances from the body.
    """
    shell = (
        (patches.thin > level) & (patches.away > inner_px) & (patches.away < outer_px) & (patches.other == 0)
    )
    count, comp = cv2.connectedComponents(shell.view(np.uint8), connectivity=8, ltype=cv2.CV_32S)
    ys, xs = np.nonzero(shell)
    if count <= 1:
        return Seeds(np.zeros(0, np.int64), np.zeros((0, 2)), np.zeros((0, 2)))
    ids = comp[ys, xs] - 1
    w = patches.thin[ys, xs].astype(float)
    total = np.bincount(ids, w)
    point = np.stack([np.bincount(ids, w * xs), np.bincount(ids, w * ys)], -1) / total[:, None]
    patch = patches.patch_at(point)
    big = (np.bincount(ids) >= 3) & (patch >= 0)
    point, patch = point[big], patch[big]
    return Seeds(patch, point, _heading(patches, point, 2.0 * outer_px))


def _heading(patches: Patches, point: FloatArray, reach_px: float) -> FloatArray:
    """Return the direction (t, 2) in which the thin thing goes on from each point, away from the body."""
    if not len(point):  # nothing but specks below the least size
        return np.empty((0, 2))
    angle = np.arange(32) * (2 * np.pi / 32)
    fan = np.stack([np.cos(angle), np.sin(angle)], -1)
    radius = np.arange(2.0, max(reach_px, 4.0), 1.0)
    rays = point[:, None, None, :] + fan[None, :, None, :] * radius[None, None, :, None]
    found = (
        _sample(patches.thin, rays.reshape(len(point), -1, 2)).reshape(len(point), len(angle), -1).mean(-1)
    )
    out = _outward(patches, point[:, 0], point[:, 1])
    forward = np.maximum(out @ fan.T + 0.35, 0.0)  # also well to the side: threads lie down along the cut
    weight = (found * np.minimum(forward, 1.0)) ** 4
    mean = weight @ fan + 1e-9 * out
    return np.asarray(mean / np.hypot(*mean.T)[:, None], float)


def _outward(patches: Patches, x: FloatArray, y: FloatArray) -> FloatArray:
    h, w = patches.away.shape
    xi, yi = np.clip(np.round(x).astype(int), 2, w - 3), np.clip(np.round(y).astype(int), 2, h - 3)
    gx = patches.away[yi, xi + 2] - patches.away[yi, xi - 2]
    gy = patches.away[yi + 2, xi] - patches.away[yi - 2, xi]
    g = np.stack([gx, gy], -1).astype(float)
    return np.asarray(g / np.maximum(np.hypot(gx, gy), 1e-6)[:, None], float)


@dataclass(frozen=True)
class FollowRule:
    """How ridges are followed.

    Parameters
    ----------
    step_px : length of a step.
    reach_px : half width of the profile across.
    level : contrast below which a ridge is lost in noise.
    most : steps at most.
    home : lead the tracks to their own body, however faint they get.
    """

    step_px: float
    reach_px: float
    level: float
    most: int
    home: bool = False


def follow(
    patches: Patches, patch: IntArray, point: FloatArray, direction: FloatArray, rule: FollowRule
) -> Tracks:
    """Return ridges followed from points in given directions until they fade, reach a body or leave the patch.

    Parameters
    ----------
    patches : the close looks.
    patch, point, direction : (t,), (t, 2), (t, 2): where to start, board px.
    rule : how to follow.
    """
    step_px, reach_px, most = rule.step_px, rule.reach_px, rule.most
    t = len(patch)
    half = int(np.ceil(reach_px / ACROSS_PX))
    offset = np.arange(-half, half + 1) * ACROSS_PX
    window = np.exp(-0.5 * (offset / (0.45 * reach_px)) ** 2)
    points, weight, peak = np.zeros((t, most, 2)), np.zeros((t, most)), np.zeros((t, most))
    size, end = np.zeros(t, np.int64), np.full(t, TIP)
    low = np.zeros(t, np.int64)
    typical = np.zeros(t)
    live = np.arange(t)
    here, head = point.copy(), direction.copy()
    box = patches.box[patch]
    for s in range(most):
        if len(live) == 0:
            break
        p, d = here[live], head[live]
        q = p + step_px * d if s else p
        across = np.stack([-d[:, 1], d[:, 0]], -1)
        v = _sample(patches.thin, q[:, None, :] + offset[None, :, None] * across[:, None, :])
        g = v * window
        mass = g.sum(1)
        shift = np.clip(1.3 * (g @ offset) / np.maximum(mass, 1e-9), -0.7 * step_px, 0.7 * step_px)
        q = q + shift[:, None] * across
        if s:
            turn = q - p
            turn /= np.maximum(np.hypot(*turn.T), 1e-9)[:, None]
            d = 0.5 * d + 0.5 * turn
            d /= np.hypot(*d.T)[:, None]
        near = np.abs(offset[None, :] - shift[:, None]) < 0.8
        top = np.where(near, v, 0.0).sum(1) / near.sum(1)
        floor = np.minimum(v[:, :2].mean(1), v[:, -2:].mean(1))
        points[live, s], peak[live, s] = q, top
        weight[live, s] = np.maximum(v - floor[:, None], 0.0).sum(1) * ACROSS_PX
        size[live] = s + 1
        here[live], head[live] = q, d
        typical[live] = np.maximum(typical[live] * 0.97, top)
        # what a thread loses at once is its end; one that turns out of the light is still in the piece's own region
        faint = top < np.where(_on(patches.own, q), rule.level, np.maximum(rule.level, 0.3 * typical[live]))
        if rule.home:
            faint[:] = False
            d = d - 0.5 * _outward(patches, q[:, 0], q[:, 1])
            head[live] = d / np.maximum(np.hypot(*d.T), 1e-9)[:, None]
        low[live] = np.where(faint, low[live] + 1, 0)
        end[live] = _ended(patches, box[live], q, s)
        live = live[(end[live] == TIP) & (low[live] < 3)]
    return Tracks(points, weight, peak, size - np.where(end == TIP, low, 0), size, step_px, end)


def fullness(patches: Patches, points: FloatArray, reach_px: float) -> FloatArray:
    """Return the contrast integrated across a line (k, 2), board px, on whatever tray lies beside it, ndarray (k,)."""
    along = np.gradient(points, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], -1)
    half = int(np.ceil(reach_px / ACROSS_PX))
    offset = np.arange(-half, half + 1) * ACROSS_PX
    v = _sample(patches.contrast, points[:, None] + offset[:, None] * across[:, None])
    beside = 0.5 * (v[:, :2].mean(1) + v[:, -2:].mean(1))
    return np.asarray((v - beside[:, None]).sum(1) * ACROSS_PX)


def _ended(patches: Patches, box: IntArray, q: FloatArray, step: int) -> IntArray:
    """Return why tracks end at points q, TIP where they go on."""
    x, y = np.round(q[:, 0]).astype(int), np.round(q[:, 1]).astype(int)
    gone = (x < box[:, 0] + 1) | (y < box[:, 1] + 1) | (x >= box[:, 2] - 1) | (y >= box[:, 3] - 1)
    x, y = np.where(gone, box[:, 0], x), np.where(gone, box[:, 1], y)
    own = (patches.away[y, x] < 1.0) & (step > 0)
    other = patches.other[y, x] > 0
    return np.where(gone, EDGE, np.where(own, OWN, np.where(other, OTHER, TIP)))


def _on(mask: Mask, points: FloatArray) -> BoolArray:
    """Return whether points (t, 2) lie on a mask; none outside it."""
    h, w = mask.shape
    x, y = np.rint(points).astype(np.int64).T
    inside = (x >= 0) & (y >= 0) & (x < w) & (y < h)
    return np.asarray(inside & (mask[np.where(inside, y, 0), np.where(inside, x, 0)] > 0))


def _sample(image: npt.NDArray[np.float32], points: FloatArray) -> FloatArray:
    """Return the bilinear values of an image at points (t, k, 2)."""
    xy = points.astype(np.float32)
    return cv2.remap(image, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT).astype(
        float
    )
