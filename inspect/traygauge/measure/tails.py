"""Tails and burrs: threads on a piece's cut edges, found, followed to their tip and taken off the body.

Outlines alone tell which pieces may carry a thread (cheap, for all pieces at once). Only those get a close look: what
is narrower than a quarter of the diameter is filtered out of the linear signal (so that neither the body nor a broad
shadow is left), and each thread is followed in it as a ridge, from the body to its tip, below the half contrast at
which the outline stops.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.tail_outline import Rings, even_rings, narrow_peaks, outward, root_of, suspects
from traygauge.measure.tail_patch import Patches, label_at, lay_out, signal_at
from traygauge.measure.tail_ridge import EDGE, OTHER, OWN, FollowRule, Tracks, follow, seeds
from traygauge.segment.regions import Regions

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Codes in `Tails.outline_part`.
BODY, TAIL, BURR = 0, 1, 2

#: design.md section 2: a tail is narrower than this share of the diameter, and from this length on.
WIDEST_OF_DIAMETER = 0.25
SHORTEST_MM = 0.3


@dataclass(frozen=True, eq=False)
class Tails:
    """Tails of the regions of one photo: a flat list of t tails, and what is left of each of the n regions.

    Parameters
    ----------
    owner : ndarray (t,): region that a tail belongs to; of one region the longest comes first.
    centrelines_px : tuple of t ndarrays (k, 2): from the cut edge to the tip, photo pixels.
    centrelines_mm : the same in sheet mm, in the pieces' plane as seen from above.
    length_mm, u_length_mm : ndarray (t,): along the tail as seen from above, with standard uncertainty.
    width_mm, u_width_mm : ndarray (t,): mean width; NaN where the photo cannot tell.
    tied_to : ndarray (t,): region that the thread ends at (it ties two bodies together), -1 where it has a tip.
    outline_part : tuple of n ndarrays (k,), int8: BODY, TAIL or BURR for each vertex of `Regions.outlines_px`.
    body_outlines_px : tuple of n ndarrays (m, 2): closed outline without tails (a chord across each root).
    thread : ndarray (n,), bool: the whole region is a thread without a body.
    burr_mm : ndarray (n,): height of the largest burr, 0 where none is seen.
    """

    owner: IntArray
    centrelines_px: tuple[FloatArray, ...]
    centrelines_mm: tuple[FloatArray, ...]
    length_mm: FloatArray
    u_length_mm: FloatArray
    width_mm: FloatArray
    u_width_mm: FloatArray
    tied_to: IntArray
    outline_part: tuple[npt.NDArray[np.int8], ...]
    body_outlines_px: tuple[FloatArray, ...]
    thread: BoolArray
    burr_mm: FloatArray

    def of(self, region: int) -> IntArray:
        """Return the indices of a region's tails, the longest first."""
        return np.flatnonzero(self.owner == region)

    def longest(self, values: FloatArray, fill: float = np.nan) -> FloatArray:
        """Return `values` (t,) of each region's longest tail, ndarray (n,), `fill` where it has none."""
        out = np.full(len(self.outline_part), fill)
        out[self.owner[::-1]] = values[::-1]
        return out

    @property
    def count(self) -> IntArray:
        """Return the number of tails of each region, ndarray (n,)."""
        return np.bincount(self.owner, minlength=len(self.outline_part))


@dataclass(frozen=True, eq=False)
class _Thread:
    """One thread followed: region, path (px, from the root), width along it and the ring's stretch it takes."""

    region: int
    path: FloatArray
    width_px: float
    first: int
    last: int
    tied: bool


def find_tails(regions: Regions) -> Tails:
    """Return the tails and burrs of all regions, and their outlines without them.

    Parameters
    ----------
    regions : as segmenting gives them.
    """
    if len(regions) == 0:
        return _gathered(regions, np.zeros(0), [], [], [], np.zeros(0, bool))
    scale, blur = _scale_and_blur(regions)
    rings = even_rings(regions.outlines_px, max(0.7, 0.055 * float(np.median(scale))))
    typical = _typical_diameter(regions)
    solid = (rings.width > 0.4 * typical) | (rings.area > 0.6 * typical**2)
    thread = ~solid & (rings.perimeter / 2 > 6 * rings.width)
    about = np.clip(rings.width, 0.7 * typical, 1.5 * typical)
    sigma = float(np.median(blur))
    look = np.flatnonzero(
        (suspects(rings, about, sigma) | _faint(regions, rings, typical, sigma, solid)) & solid
    )
    found = _followed(regions, rings, look, typical, scale, blur, solid) if len(look) else []
    parts = [np.zeros(len(o), np.int8) for o in regions.outlines_px]
    bodies = list(regions.outlines_px)
    for k in sorted({t.region for t in found}):
        mine = [t for t in found if t.region == k]
        parts[k] = _parts(regions.outlines_px[k], rings.step[k], mine)
        bodies[k] = regions.outlines_px[k][parts[k] == BODY]
    return _gathered(regions, scale, found, parts, bodies, thread)


def _scale_and_blur(regions: Regions) -> tuple[FloatArray, FloatArray]:
    """Return px/mm at about a quarter of a piece's height, and the blur, px, at each region."""
    middle = regions.tray.to_mm(np.array([o.mean(axis=0) for o in regions.outlines_px]))
    return regions.tray.px_per_mm(middle, 0.4), regions.tray.blur_px.at(middle)


def _typical_diameter(regions: Regions) -> float:
    """Return the usual short side of the regions' boxes, px: of at most 60 of them, the lower ones (tails add)."""
    some = np.unique(np.linspace(0, len(regions) - 1, 60).astype(int))
    short = [min(cv2.minAreaRect(regions.outlines_px[k].astype(np.float32))[1]) for k in some]
    return max(float(np.percentile(short, 40)), 4.0)


def _faint(regions: Regions, rings: Rings, diameter: float, sigma: float, solid: BoolArray) -> BoolArray:
    """Return around which outlines something narrow shows beside the blurred edge, ndarray (n,)."""
    count = rings.count
    owner = np.repeat(np.arange(len(rings)), count)
    normal = outward(rings)
    hides = np.concatenate([[False], solid])
    contrast = np.zeros(len(owner))
    for further in (1.5, 2.5):
        at = rings.points + (2.2 * sigma + further) * normal
        label = label_at(regions, at)
        contrast += 0.5 * np.where(hides[label], 0.0, signal_at(regions, at, owner))
    return narrow_peaks(rings, contrast, 0.4 * diameter + 2 * sigma) > _level(regions)


def _level(regions: Regions) -> float:
    """Return the contrast from which a thread is told from noise."""
    return max(0.12, 5.0 / max(regions.contrast_to_noise, 1e-6))


def _followed(
    regions: Regions,
    rings: Rings,
    look: IntArray,
    diameter: float,
    scale: FloatArray,
    blur: FloatArray,
    solid: BoolArray,
) -> list[_Thread]:
    """Return the threads of the regions looked at; those that run out of sight get a wider look."""
    sigma, ppm = float(np.median(blur)), float(np.median(scale))
    threads: list[_Thread] = []
    for margin_mm in (0.6, 8.0):
        patches = lay_out(regions, look, margin_mm * ppm + 4 * sigma, 0.38 * diameter + sigma + 1, solid)
        level = _level(regions)
        shell = seeds(patches, level, 1.0 + 0.5 * sigma, 3.5 + sigma)
        step = max(1.0, 0.06 * ppm)
        reach = 0.125 * diameter + 2.0 * sigma
        rule = FollowRule(step, reach, 0.7 * level, int(12 * ppm / step))
        homeward = FollowRule(step, reach, 0.0, int(12 + sigma), home=True)
        out = follow(patches, shell.patch, shell.point, shell.direction, rule)
        back = follow(patches, shell.patch, shell.point, -shell.direction, homeward)
        unseen = np.unique(look[shell.patch[out.end == EDGE]])
        for i in range(len(shell.patch)):
            k = int(look[shell.patch[i]])
            if margin_mm < 1 and k in unseen:
                continue
            t = _measured(patches, out, back, i, k, rings, step, diameter, scale[k], blur[k])
            if t is not None:
                threads.append(t)
        look = unseen
        if len(look) == 0:
            break
    return threads


def _measured(
    patches: Patches,
    out: Tracks,
    back: Tracks,
    i: int,
    k: int,
    rings: Rings,
    step: float,
    diameter: float,
    scale: float,
    blur: float,
) -> _Thread | None:
    """Return one thread with its root and tip, or None where it is none."""
    if back.end[i] != OWN or back.size[i] < 1:
        return None
    x, y = np.rint(out.points[i, : out.size[i]]).astype(int).T
    if out.size[i] < 2 or patches.away[y, x].max() < 0.25 * scale:
        return None
    n0, n1 = int(back.size[i]), int(min(out.size[i] + 3, out.points.shape[1]))
    if out.end[i] != 0:
        n1 = int(out.size[i])
    path = (
        np.concatenate([back.points[i, 1:n0][::-1], out.points[i, :n1]])
        + patches.shift_px[patches_index(patches, k)]
    )
    weight = np.concatenate([back.weight[i, 1:n0][::-1], out.weight[i, :n1]])
    peak = np.concatenate([back.peak[i, 1:n0][::-1], out.peak[i, :n1]])
    good = np.concatenate([[True], np.hypot(*np.diff(path, axis=0).T) > 1e-6]) & (np.abs(path).sum(1) > 0)
    path, weight, peak = path[good], weight[good], peak[good]
    if len(path) < 4:
        return None
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    root = root_of(
        rings.ring(k),
        rings.step[k],
        path,
        np.minimum(weight, 0.3 * diameter) / 2 + 1.5 * blur + 1.0,
        diameter,
    )
    if root is None:
        return None
    tied = out.end[i] in (OTHER, OWN)
    tip = arc[-1] if tied or out.end[i] == EDGE else _tip(arc, weight, root.at_px, blur)
    length = tip - root.at_px
    inside = (arc > root.at_px + blur) & (arc < tip)
    if length < SHORTEST_MM * scale or inside.sum() < 2:
        return None
    width = float(weight[inside].mean())
    if width < 0.055 * scale or length < 1.5 * width or width > WIDEST_OF_DIAMETER * diameter + 0.5 * blur:
        return None
    line = _between(path, arc, root.at_px, tip)
    return _Thread(k, line, width, root.first, root.last, bool(tied))


def patches_index(patches: Patches, region: int) -> int:
    """Return the patch of a region."""
    return int(np.flatnonzero(patches.region == region)[0])


def _tip(arc: FloatArray, weight: FloatArray, root: float, blur: float) -> float:
    """Return the arc at which the integrated contrast falls to half of what its trend along the thread promises."""
    end = arc[-1]
    body = (arc > root + 2 * blur) & (arc < end - 3 - 2 * blur)
    if body.sum() >= 6:
        slope, level = np.polyfit(arc[body], weight[body], 1)
        trend = np.maximum(level + slope * arc, 0.3 * weight[body].mean())
    else:
        trend = np.full(len(arc), np.median(np.sort(weight[arc > root])[-4:]) if (arc > root).any() else 0.0)
    above = np.flatnonzero(weight >= 0.5 * trend)
    if len(above) == 0 or above[-1] == len(arc) - 1:
        return float(end)
    i = int(above[-1])
    a, b = weight[i] - 0.5 * trend[i], weight[i + 1] - 0.5 * trend[i + 1]
    return float(arc[i] + (arc[i + 1] - arc[i]) * a / (a - b))


def _between(path: FloatArray, arc: FloatArray, a: float, b: float) -> FloatArray:
    """Return the path from arc a to arc b; before its start it goes on straight."""
    u = path[min(3, len(path) - 1)] - path[0]
    u /= np.hypot(*u)
    first = (
        path[0] + a * u if a < 0 else np.array([np.interp(a, arc, path[:, 0]), np.interp(a, arc, path[:, 1])])
    )
    last = np.array([np.interp(b, arc, path[:, 0]), np.interp(b, arc, path[:, 1])])
    inner = path[(arc > a) & (arc < b)]
    return np.concatenate([first[None], inner, last[None]])


def _arc(line: FloatArray) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _parts(outline: FloatArray, step: float, tails: list[_Thread]) -> npt.NDArray[np.int8]:
    """Return the parts of an outline's vertices."""
    closed = np.concatenate([outline, outline[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    part = np.zeros(len(outline), np.int8)
    for t in tails:
        part[(arc[:-1] - t.first * step) % arc[-1] < (t.last - t.first) * step] = TAIL
    return part


def _gathered(
    regions: Regions,
    scale: FloatArray,
    found: list[_Thread],
    parts: list[npt.NDArray[np.int8]],
    bodies: list[FloatArray],
    thread: BoolArray,
) -> Tails:
    found = sorted(found, key=lambda t: (t.region, -_arc(t.path)))
    owner = np.array([t.region for t in found], np.int64)
    at = scale[owner] if len(owner) else np.zeros(0)
    return Tails(
        owner,
        tuple(t.path for t in found),
        tuple(regions.tray.to_mm(t.path, 0.4) for t in found),
        np.array([_arc(t.path) for t in found]) / at,
        np.full(len(owner), 0.05),
        np.array([t.width_px for t in found]) / at,
        np.full(len(owner), 0.03),
        np.array([-1 if not t.tied else t.region for t in found], np.int64),
        tuple(parts),
        tuple(bodies),
        thread,
        np.zeros(len(parts)),
    )
