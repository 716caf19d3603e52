"""Tails: threads on a piece's cut edges, found, followed to their tip and taken off the body.

Outlines alone tell which pieces may carry a thread (cheap, for all pieces at once). Only those get a close look: what
is narrower than a quarter of the diameter is filtered out of the linear signal (so that neither the body nor a broad
shadow is left), and each thread is followed in it as a ridge, from the body to its tip, below the half contrast at
which the outline stops.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy import special

from traygauge.measure.tail_outline import Rings, arcs, even_rings, narrow_peaks, outward, suspects
from traygauge.measure.tail_patch import Patches, label_at, lay_out, signal_at
from traygauge.measure.tail_ridge import EDGE, OTHER, OWN, TIP, FollowRule, Tracks, follow, fullness, seeds
from traygauge.measure.tail_thread import GLOW, ROOT_MM, TAPERS_BELOW, Ridge, Sight, Thread, thread_of, widths
from traygauge.measure.tail_view import view_correction
from traygauge.segment.regions import Regions
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Codes in `Tails.outline_part`.
BODY, TAIL = 0, 1

#: What is narrower all along is a thread, even where nothing thicker lies on the tray.
HAIR_MM = 0.4
#: A thread lies on the tray: across another piece for less than this share of it, or with so much of it beside.
ON_OTHERS, BESIDE_MM = 0.25, 1.0
#: Vertices that make an outline.
LEAST_BODY = 3

#: How far around a piece its threads are followed at first; those that run out of the picture get the next distance.
LOOK_AROUND_MM = (0.6, 2.5, 10.0)

#: Standard uncertainty of a way followed, as a share of it.
_WINDS = 0.02

#: Widest disc that bodies are opened with, px: its cost grows with its area, and what fills a picture has no tails.
MOST_DISC_PX = 64.0

#: A region with more threads than this is texture or a picture of something else, not a piece with tails.
MOST_THREADS = 40


@dataclass(frozen=True, eq=False)
class Scene:
    """What a close look needs to know of the n regions of one photo.

    Parameters
    ----------
    regions, rings : the regions, and their outlines at even spacing.
    solid : ndarray (n,), bool: which are bodies, rather than threads, bits and dust.
    sight : how large and how sharp their bodies are.
    """

    regions: Regions
    rings: Rings
    solid: BoolArray
    sight: Sight


@dataclass(frozen=True, eq=False)
class Tails:
    """Tails of the regions of one photo: a flat list of t tails, and what is left of each of the n regions.

    Parameters
    ----------
    owner : ndarray (t,): region that a tail belongs to.
    centrelines_px : tuple of t ndarrays (k, 2): from the cut edge to the tip, photo pixels.
    centrelines_mm : the same in sheet mm, in the pieces' plane as seen from above.
    length_mm, u_length_mm : ndarray (t,): along the tail as seen from above, with standard uncertainty; `u_root_mm` is the
        part of it that comes from where it begins.
    width_mm, u_width_mm : ndarray (t,): mean width; NaN where the photo cannot tell.
    tied_to : ndarray (t,): region that the thread ends at (it ties two bodies together), -1 where it has a tip.
    kinks : ndarray (t,): at how many of its sides the outline turns inwards where the body begins (0 to 2).
    outline_part : tuple of n ndarrays (k,), int8: BODY or TAIL for each vertex of `Regions.outlines_px`.
    body_outlines_px : tuple of n ndarrays (m, 2): closed outline without tails (a chord across each root), burrs kept.
    thread : ndarray (n,), bool: the whole region is a thread without a body.
    part_of : ndarray (n,): region whose tail a small region is a bit of (a thread that fades in between), else -1.
    scene : what was looked at.
    """

    owner: IntArray
    centrelines_px: tuple[FloatArray, ...]
    centrelines_mm: tuple[FloatArray, ...]
    length_mm: FloatArray
    u_length_mm: FloatArray
    u_root_mm: FloatArray
    width_mm: FloatArray
    u_width_mm: FloatArray
    tied_to: IntArray
    kinks: IntArray
    outline_part: tuple[npt.NDArray[np.int8], ...]
    body_outlines_px: tuple[FloatArray, ...]
    thread: BoolArray
    part_of: IntArray
    scene: Scene

    def without_corners(self, flake: BoolArray) -> Tails:
        """Return the tails without the sharp corners of those regions (n,) that are flakes.

        The outline turns inwards at both sides of a thread on a flake's edge; round a corner it never does, but for noise.
        """
        keep = np.flatnonzero(~flake[self.owner] | (self.kinks > 1) | (self.tied_to >= 0))
        kept: dict[str, Any] = {name: getattr(self, name)[keep] for name in _OF_TAILS}
        kept |= {name: tuple(getattr(self, name)[k] for k in keep) for name in _LINES}
        return replace(self, **kept)

    def each(self, lines: tuple[FloatArray, ...]) -> tuple[tuple[FloatArray, ...], ...]:
        """Return the lines (t) of each region's tails, the longest first, tuple of n tuples."""
        own: list[list[FloatArray]] = [[] for _ in self.outline_part]
        for k in np.argsort(-self.length_mm, kind="stable"):
            own[self.owner[k]].append(lines[k])
        return tuple(map(tuple, own))

    def longest(self, values: FloatArray, fill: float = np.nan) -> FloatArray:
        """Return `values` (t,) of each region's longest tail, ndarray (n,), `fill` where it has none."""
        out = np.full(len(self.outline_part), fill)
        rising = np.argsort(self.length_mm)
        out[self.owner[rising]] = values[rising]
        return out

    @property
    def count(self) -> IntArray:
        """Return the number of tails of each region, ndarray (n,)."""
        return np.bincount(self.owner, minlength=len(self.outline_part))


#: What `Tails` holds of each tail, values and lines.
_OF_TAILS = ("owner", "length_mm", "u_length_mm", "u_root_mm", "width_mm", "u_width_mm", "tied_to", "kinks")
_LINES = ("centrelines_px", "centrelines_mm")


@dataclass(frozen=True, eq=False)
class _Found:
    """A thread, the region it grows on, the one it ties it to, and the one that it reaches at all (-1: none)."""

    region: int
    ends_at: int
    reaches: int
    thread: Thread


def find_tails(regions: Regions) -> Tails:
    """Return the tails of all regions, and their outlines without them.

    Parameters
    ----------
    regions : as segmenting gives them.
    """
    n = len(regions)
    if n == 0:
        nothing = Scene(regions, even_rings((), 1.0), np.zeros(0, bool), Sight(1.0, 1.0, 1.0))
        return _gathered(nothing, {}, [], np.zeros(0, bool))
    diameter = _typical_diameter(regions)
    somewhere = regions.tray.to_mm(np.array([o[0] for o in regions.outlines_px]))
    px_per_mm = float(np.median(regions.tray.px_per_mm(somewhere, 0.4)))
    rings = even_rings(regions.outlines_px, max(1.2, 0.1 * px_per_mm))
    normal = outward(rings)
    sight = Sight(diameter, px_per_mm, _edge_blur(regions, rings, normal, diameter))
    long = rings.perimeter / 2 > 6 * rings.width
    hair = (
        long & (rings.width < HAIR_MM * px_per_mm) & (rings.area < rings.perimeter / 2 * HAIR_MM * px_per_mm)
    )
    solid = ((rings.width > 0.4 * diameter) | (rings.area > 0.6 * diameter**2)) & ~hair
    scene = Scene(regions, rings, solid, sight)
    about = np.minimum(diameter, np.sqrt(rings.area))
    look = np.flatnonzero((suspects(rings, about, sight.blur_px) | _faint(scene, normal)) & solid)
    fine = even_rings(tuple(regions.outlines_px[k] for k in look), max(0.7, 0.055 * px_per_mm))
    found = _without_twins(_on_the_tray(_followed(scene, look, fine), scene)) if len(look) else []
    thread = ~solid & long
    steps = dict(zip(look.tolist(), fine.step.tolist(), strict=True))
    tails = _gathered(scene, steps, found, thread)
    return replace(tails, part_of=np.where(solid, -1, tails.part_of))  # no body is a bit of a thread


def _typical_diameter(regions: Regions) -> float:
    """Return the median diameter of the largest circles inside the regions, px: of at most 40 of them."""
    widest = []
    for k in np.unique(np.linspace(0, len(regions) - 1, 40).astype(int)):
        low = np.floor(regions.outlines_px[k].min(axis=0)).astype(int) - regions.origin_px - 1
        high = np.ceil(regions.outlines_px[k].max(axis=0)).astype(int) - regions.origin_px + 2
        (x0, y0), (x1, y1) = np.maximum(low, 0), np.maximum(high, 0)
        own = (regions.labels[y0:y1, x0:x1] == k + 1).astype(np.uint8)
        own = cv2.copyMakeBorder(own, 1, 1, 1, 1, cv2.BORDER_CONSTANT)
        # from the middle of a pixel to the middle of the first one outside: half a pixel more than to the edge
        widest.append(2.0 * float(cv2.distanceTransform(own, cv2.DIST_L2, cv2.DIST_MASK_5).max()) - 1.0)
    return max(float(np.median(widest)), 4.0)


def _edge_blur(regions: Regions, rings: Rings, normal: FloatArray, diameter: float) -> float:
    """Return the blur of the pieces' own edges in the signal, px (standard deviation).

    The ring's edges say how sharp black on white is. Where pieces and tray differ in colour rather than brightness,
    theirs are softer, because JPEG stores colour at half size. From the rise within a pixel of the half contrast.
    """
    every = max(1, len(rings.points) // 1500)
    points, normal, owner = rings.points[::every], normal[::every], rings.owner[::every]
    far = min(3.5, 0.2 * diameter)
    out, off, on, inside = (signal_at(regions, points + d * normal, owner) for d in (far, 1.0, -1.0, -far))
    step = inside - out
    rise = (
        np.median(((on - off) / np.where(step > 0.2, step, np.nan))[step > 0.2])
        if (step > 0.2).any()
        else 0.68
    )
    # pixels are taken whole, which adds 1/12 px² of their own; two pixels' rise is erf(1 / (sqrt 2 blur))
    blur = 1.0 / (np.sqrt(2) * special.erfinv(float(np.clip(rise, 0.15, 0.97))))
    return float(np.sqrt(max(blur**2 - 1 / 12, 0.16)))


def _faint(scene: Scene, normal: FloatArray) -> BoolArray:
    """Return around which outlines something narrow shows beside the blurred edge, ndarray (n,)."""
    rings, blur = scene.rings, scene.sight.blur_px
    owner = rings.owner
    hides = np.concatenate([[False], scene.solid])
    contrast = np.zeros(len(owner))
    for further in (1.5, 2.5):
        contrast += 0.5 * signal_at(scene.regions, rings.points + (2.2 * blur + further) * normal, owner)
    # a neighbour, or its blurred edge
    hidden = hides.take(label_at(scene.regions, rings.points + (2.2 * blur + 4.0) * normal))
    level = max(GLOW, 5.0 / max(scene.regions.contrast_to_noise, 1e-6))
    return narrow_peaks(rings, contrast, hidden, 0.4 * scene.sight.diameter_px + 2 * blur) > level


def _followed(scene: Scene, look: IntArray, fine: Rings) -> list[_Found]:
    """Return the threads of the regions looked at; those that run out of sight get a wider look."""
    sight = scene.sight
    found: list[_Found] = []
    ring_of = {int(k): (fine.ring(i), float(fine.step[i])) for i, k in enumerate(look)}
    for margin_mm in LOOK_AROUND_MM:
        margin = margin_mm * sight.px_per_mm + 4 * sight.blur_px
        disc = min(0.38 * sight.diameter_px + sight.blur_px + 1, MOST_DISC_PX)
        patches = lay_out(scene.regions, look, scene.rings.box, margin, disc, scene.solid)
        level = max(GLOW, patches.noise)
        shell = seeds(patches, level, 1.0 + 0.5 * sight.blur_px, 3.5 + sight.blur_px)
        step = max(1.0, 0.06 * sight.px_per_mm)
        outwards = FollowRule(step, sight.reach_px, 0.7 * level, int(12 * sight.px_per_mm / step))
        homewards = FollowRule(step, sight.reach_px, 0.0, int(12 + sight.blur_px), home=True)
        out = follow(patches, shell.patch, shell.point, shell.direction, outwards)
        back = follow(patches, shell.patch, shell.point, -shell.direction, homewards)
        last = margin_mm == LOOK_AROUND_MM[-1]
        unseen = np.zeros(0, np.int64) if last else np.unique(shell.patch[out.end == EDGE])
        wanted = _may_be_tails(out, patches, 1.5 * level, sight.px_per_mm)
        wanted &= (back.end == OWN) & ~np.isin(shell.patch, unseen)
        wanted &= np.bincount(shell.patch[wanted], minlength=len(look))[shell.patch] <= MOST_THREADS
        for i in np.flatnonzero(wanted):
            p = int(shell.patch[i])
            one = _one(scene, patches, p, out, back, int(i), *ring_of[int(patches.region[p])])
            if one is not None:
                found.append(one)
        look = look[unseen]
        if len(look) == 0:
            break
    return found


def _may_be_tails(tracks: Tracks, patches: Patches, level: float, px_per_mm: float) -> BoolArray:
    """Return which tracks are bright enough and lead away from the body, ndarray (t,)."""
    on = np.arange(tracks.peak.shape[1]) < tracks.size[:, None]
    count = np.maximum(tracks.size, 1)
    bright = (tracks.peak * on).sum(axis=1) / count > level
    x, y = np.rint(tracks.points).astype(np.int64).transpose(2, 0, 1)
    furthest = np.max(patches.away[y, x] * on, axis=1, initial=0.0)
    # a corner or a rim stays near the body; so does a strip of the body beside a highlight
    leaves = furthest > np.maximum(0.25 * px_per_mm, 0.2 * tracks.size * tracks.step_px)
    strip = (patches.whole[y, x] * on).sum(axis=1) / count > 0.6
    return np.asarray(bright & leaves & ~strip & (tracks.size > 1))


def _one(
    scene: Scene, patches: Patches, p: int, out: Tracks, back: Tracks, i: int, ring: FloatArray, step: float
) -> _Found | None:
    """Return what track i is, None where it is no thread on a cut edge."""
    k, sight = int(patches.region[p]), scene.sight
    ridge = _ridge(scene, patches, p, out, back, i)
    thread = thread_of(ridge, ring, step, sight)
    if thread is None:
        return None
    ends_at = reaches = -1
    if out.end[i] == OTHER:
        ahead = ridge.points[-1] + 2.0 * (ridge.points[-1] - ridge.points[-2])
        ends_at = reaches = int(label_at(scene.regions, np.stack([ridge.points[-1], ahead])).max()) - 1
        if thread.taper > 1 / TAPERS_BELOW:
            return None  # the other's tail, touching this piece
        if not thread.taper > TAPERS_BELOW:
            ends_at = -1
    elif out.end[i] == OWN and _bodies_apart(
        patches, p, out.points[i, 0], ridge.points[-1] - patches.shift_px[p]
    ):
        ends_at = k
    return _Found(k, ends_at, reaches, thread)


def _ridge(scene: Scene, patches: Patches, p: int, out: Tracks, back: Tracks, i: int) -> Ridge:
    """Return the way from the body to the tip, the track back to the body turned round."""
    regions, k = scene.regions, int(patches.region[p])
    beyond = 3 if out.end[i] == TIP else 0  # what fades belongs to the profile of the tip
    n0, n1 = int(back.size[i]), int(min(out.size[i] + beyond, out.points.shape[1]))
    joined = [
        np.concatenate([b[i, 1:n0][::-1], o[i, :n1]])
        for b, o in ((back.points, out.points), (back.weight, out.weight), (back.peak, out.peak))
    ]
    used = np.concatenate([np.ones(max(n0 - 1, 0), bool), np.arange(n1) < out.used[i]])
    points = joined[0][used]
    apart = np.concatenate([[True], np.hypot(*np.diff(points, axis=0).T) > 1e-6])
    full = fullness(patches, points[apart], scene.sight.reach_px)
    points = points[apart] + patches.shift_px[p]
    own = label_at(regions, points) == k + 1
    shade = abs(float(regions.level_tray[k])) / max(
        float(regions.level_piece[k] - regions.level_tray[k]), 1e-9
    )
    weight, peak = (along[used][apart] for along in joined[1:])
    return Ridge(points, weight, full, peak, own, shade, bool(out.end[i] == TIP))


def _bodies_apart(patches: Patches, p: int, a: FloatArray, b: FloatArray) -> bool:
    """Return whether two ends of a thread sit on bodies that only the thread connects."""
    x0, y0, x1, y1 = patches.box[p]
    count, comp = cv2.connectedComponents(patches.body[y0:y1, x0:x1], connectivity=8)
    if count < 3:
        return False
    ys, xs = np.nonzero(comp)
    which = [
        comp[ys[j], xs[j]] for e in (a, b) for j in [np.argmin((xs + x0 - e[0]) ** 2 + (ys + y0 - e[1]) ** 2)]
    ]
    return bool(which[0] != which[1])


def _on_the_tray(found: list[_Found], scene: Scene) -> list[_Found]:
    """Return the threads without those that run over another piece's body: edges and shine of a neighbour."""
    body = np.append(scene.solid, False)
    kept = []
    for f in found:
        under = label_at(scene.regions, f.thread.line) - 1
        # where a thread meets another piece, parting may have given that one some of it
        other = body[under] & (under != f.region) & (under != f.reaches)
        beside = (1.0 - other.mean()) * f.thread.length_px / scene.sight.px_per_mm
        if other.mean() < ON_OTHERS or beside > BESIDE_MM:
            kept.append(f)
    return kept


def _without_twins(found: list[_Found]) -> list[_Found]:
    """Return the threads without those followed twice (a loop, from both its ends), the longest of each kept."""
    kept: list[_Found] = []
    for f in sorted(found, key=lambda f: (f.region, -f.thread.length_px)):
        middle = f.thread.line[len(f.thread.line) // 4 : -1]
        same = [g for g in kept if g.region == f.region]
        near = [np.hypot(*(middle[:, None] - g.thread.line[None]).T).min(axis=0) for g in same]
        if not any(
            np.median(d) < max(2.0, 0.6 * g.thread.weight_px) for d, g in zip(near, same, strict=True)
        ):
            kept.append(f)
    return kept


def _parts(outline: FloatArray, step: float, threads: list[Thread]) -> npt.NDArray[np.int8]:
    """Return the parts of an outline's vertices."""
    arc = arcs(outline)
    part = np.zeros(len(outline), np.int8)
    for t in threads:
        part[(arc[:-1] - t.first * step) % arc[-1] < (t.last - t.first) * step] = TAIL
    return part


def _gathered(scene: Scene, steps: dict[int, float], found: list[_Found], thread: BoolArray) -> Tails:
    """Return everything in millimetres, and the outlines without the threads."""
    regions, sight = scene.regions, scene.sight
    tray, diameter_mm = regions.tray, sight.diameter_px / sight.px_per_mm
    parts = [np.zeros(len(o), np.int8) for o in regions.outlines_px]
    bodies = list(regions.outlines_px)
    for k in {f.region for f in found}:
        parts[k] = _parts(regions.outlines_px[k], steps[k], [f.thread for f in found if f.region == k])
        if np.count_nonzero(parts[k] == BODY) < LEAST_BODY:
            parts[k][:] = BODY  # threads that take all of an outline leave nothing that they could hang on
        bodies[k] = regions.outlines_px[k][parts[k] == BODY]
    lines = _to_mm(tray, [f.thread.line for f in found], diameter_mm / 4)
    seen = np.array([float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines])
    length_px = np.array([f.thread.length_px for f in found])
    scale = length_px / np.maximum(seen, 1e-9)
    hidden, u_hidden, u_tip = view_correction(
        tray, [f.thread.line for f in found], lines, [bodies[f.region] for f in found], diameter_mm
    )
    u_root = np.hypot(ROOT_MM, u_hidden)
    width, u_width = widths([f.thread for f in found], sight.blur_px)
    tied = np.array([f.ends_at >= 0 for f in found], bool)
    owner = np.array([f.region for f in found], np.int64)
    return Tails(
        owner,
        tuple(f.thread.line for f in found),
        tuple(lines),
        seen + np.where(tied, 0.0, hidden),
        np.sqrt(u_root**2 + u_tip**2 + (sight.u_tip_px / scale) ** 2 + (_WINDS * seen) ** 2),
        u_root,
        width / scale,
        u_width / scale,
        np.array([f.ends_at for f in found], np.int64),
        np.array([f.thread.kinks for f in found], np.int64),
        tuple(parts),
        tuple(bodies),
        thread,
        _bits(regions, found),
        scene,
    )


def _to_mm(tray: TrayView, lines: list[FloatArray], height_mm: float) -> list[FloatArray]:
    """Return lines on the tray, all taken there at once."""
    if not lines:
        return []
    return np.split(tray.to_mm(np.concatenate(lines), height_mm), np.cumsum([len(x) for x in lines])[:-1])


def _bits(regions: Regions, found: list[_Found]) -> IntArray:
    """Return for each region the region whose tail runs over it, -1 where none does."""
    owner = np.full(len(regions), -1)
    for f in found:
        under = label_at(regions, f.thread.line) - 1
        for k in np.unique(under[(under >= 0) & (under != f.region) & (under != f.ends_at)]):
            owner[k] = f.region
    return owner
