"""One thread: where it begins and ends, how wide it is, and whether it is a tail at all."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from traygauge.measure.tail_outline import Root, root_of

FloatArray = npt.NDArray[np.float64]

#: What a tail is: narrower than this share of the diameter, twice as long as wide, from so many mm on.
WIDEST_OF_DIAMETER = 0.25
LONGER_THAN_WIDE = 2.0
SHORTEST_MM = 0.3
#: Standard uncertainty of where a thread begins on a cut edge, by its outline (drawn threads of known root).
ROOT_MM = 0.1
#: A thread's blur over that of the bodies' edges, whose flanks turn away from the light (threads of known width).
THREAD_BLUR = 0.9
#: Contrast that glow beside bright pieces reaches, and halos of compression.
GLOW = 0.12
#: A thread drawn from both its ends keeps its width; a tail that merely touches something tapers towards it.
TAPERS_BELOW = 0.75
#: Points of a thread, a step apart, that tell how it tapers.
LEAST_TAPER = 4


@dataclass(frozen=True, eq=False)
class Ridge:
    """A thread as followed, from inside or beside its body outwards.

    Parameters
    ----------
    points : ndarray (k, 2), photo px.
    weight : ndarray (k,): contrast integrated across, px of full contrast.
    full : ndarray (k,): the same over the tray right beside, however bright that is.
    peak : ndarray (k,): contrast on the ridge.
    own : ndarray (k,), bool: whether the point lies in the piece's own region.
    shade : contrast that a shadow on the tray has at the most, or lit tray between shadows.
    has_tip : whether it fades, rather than reaching a body or leaving the picture.
    """

    points: FloatArray
    weight: FloatArray
    full: FloatArray
    peak: FloatArray
    own: npt.NDArray[np.bool_]
    shade: float
    has_tip: bool


@dataclass(frozen=True, eq=False)
class Thread:
    """A thread measured in the photo.

    Parameters
    ----------
    line : ndarray (k, 2), px, from the cut edge to the tip.
    length_px : along itself.
    profile_px : mean width as the shape of its profiles tells, whatever its contrast.
    weight_px : mean width as its integrated contrast tells, if it is as bright as the body.
    taper : width near the far end / width near the root; NaN where that cannot be told.
    kinks : at how many of its sides the outline turns inwards to the body (0 to 2).
    first, last : the outline ring's stretch that it takes (indices; last may run past the end).
    """

    line: FloatArray
    length_px: float
    profile_px: float
    weight_px: float
    taper: float
    kinks: int
    first: int
    last: int


@dataclass(frozen=True)
class Sight:
    """What decides how well a thread is seen: diameter of the pieces, px/mm, blur (px, standard deviation)."""

    diameter_px: float
    px_per_mm: float
    blur_px: float

    @property
    def reach_px(self) -> float:
        """Return half the width of a profile across a thread."""
        return 0.125 * self.diameter_px + 2.0 * self.blur_px

    @property
    def u_tip_px(self) -> float:
        """Return the standard uncertainty of where a thread ends, or crosses an edge."""
        return 0.3 * self.blur_px


def thread_of(ridge: Ridge, ring: FloatArray, step: float, sight: Sight) -> Thread | None:
    """Return the thread that a ridge is, or None where it is no tail (a corner, a burr, a rim).

    Parameters
    ----------
    ridge : as followed.
    ring : ndarray (m, 2): the piece's outline, evenly spaced by `step`, px.
    step : that spacing.
    sight : how well it is seen.
    """
    if len(ridge.points) < 4:
        return None
    path = _calmed(ridge.points)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    root = root_of(ring, step, path, ridge.weight / 2, sight.blur_px, sight.diameter_px)
    if root is None:
        return None
    root = _at_region_edge(root, ridge.own, arc, sight.diameter_px)
    tip = _tip(arc, ridge.full, root.at_px, sight.blur_px) if ridge.has_tip else float(arc[-1])
    length = tip - root.at_px
    # a corner of the body ends where its two sides meet, a thread goes on from there (no such place: NaN, no objection)
    if min(length, tip - root.edge_px + 0.05 * sight.px_per_mm) < SHORTEST_MM * sight.px_per_mm:
        return None
    if _is_shadow(ridge, (arc > root.at_px) & (arc < tip), sight.blur_px):
        return None
    profile, weight = _width(ridge, arc, root.at_px, tip, THREAD_BLUR * sight.blur_px)
    least = min(profile, weight) - 0.6 * sight.blur_px  # in doubt it is a thread
    if weight < 0.05 * sight.px_per_mm:
        return None
    if least > WIDEST_OF_DIAMETER * sight.diameter_px or length < LONGER_THAN_WIDE * least:
        return None
    line = _between(path, arc, root.at_px, tip)
    taper = _taper(ridge, arc, (root.at_px, tip), sight.reach_px, THREAD_BLUR * sight.blur_px)
    return Thread(line, length, profile, weight, taper, root.kinks, root.first, root.last)


def _at_region_edge(root: Root, own: npt.NDArray[np.bool_], arc: FloatArray, diameter_px: float) -> Root:
    """Return the root where the path leaves the piece's region, if most of the thread lies outside of that.

    Then the thread was too faint for the outline, or was parted from the piece: its region ends at the cut edge.
    """
    if own.mean() > 0.4:
        return root
    out = int(np.argmax(~own)) if own[0] else 0
    leaves = float(arc[out - 1] + arc[out]) / 2 if out else 0.0
    if root.kinks and leaves > 0.2 * diameter_px:
        return root  # a stump of the thread is left on the piece
    return replace(root, at_px=max(root.at_px, leaves))


def _calmed(points: FloatArray) -> FloatArray:
    """Return a path without the tracker's wiggle, which would lengthen it: a local parabola over five points."""
    if len(points) < 7:
        return points
    out = points.copy()
    for k, w in zip((-2, -1, 0, 1, 2), np.array([-3, 12, 17, 12, -3]) / 35, strict=True):
        out[2:-2] += w * points[2 + k : len(points) - 2 + k] if k else (w - 1) * points[2:-2]
    return out


def _tip(arc: FloatArray, weight: FloatArray, root: float, blur: float) -> float:
    """Return the arc at which the integrated contrast falls to half of what its trend along the thread promises."""
    end = float(arc[-1])
    middle = (arc > root + 2 * blur) & (arc < end - 3 - 2 * blur)
    if middle.sum() >= 6:
        s, w = arc[middle] - arc[middle].mean(), weight[middle]
        slope, mean = float(s @ w / (s @ s)), float(w.mean())
        trend = np.maximum(mean + slope * (arc - arc[middle].mean()), 0.3 * mean)
    else:
        beyond = weight[arc > root]
        # too short for a trend: most tails are drawn out, and end at about two thirds of their widest
        trend = np.full(len(arc), 0.67 * np.median(np.sort(beyond)[-4:]) if len(beyond) else 0.0)
    above = np.flatnonzero(weight >= 0.5 * trend)
    if len(above) == 0 or above[-1] == len(arc) - 1:
        return end
    i = int(above[-1])
    a, b = weight[i] - 0.5 * trend[i], weight[i + 1] - 0.5 * trend[i + 1]
    return float(arc[i] + (arc[i + 1] - arc[i]) * a / (a - b))


#: Blurred slab of width w (in blurs): integral over peak, tabled to be read backwards.
_SLAB = np.linspace(0.05, 20.0, 400)
_INTEGRAL_OVER_PEAK = _SLAB / special.erf(_SLAB / (2 * np.sqrt(2)))
_TOO_WIDE = 6.0  # blurs: twice what a thread may be wide whose profile is no broader than blur makes it


def widths(threads: list[Thread], blur_px: float) -> tuple[FloatArray, FloatArray]:
    """Return the mean widths of a photo's threads, (t,), px, and their standard uncertainties.

    From the profiles where they are broader than blur would make them. Narrower ones from their integrated contrast,
    divided by how bright threads are in this photo, which the broader ones tell; without those as bright as the body,
    to 25 %. A shadow beside a dark thread broadens its profile but not much the integral, and none is dimmer than the
    body: so the profile's width is at most the integral's. NaN where a profile is as narrow as blur makes it and its
    integral twice as wide as such a one may be: on a body that hardly differs from its tray a thread can be any brighter.

    Parameters
    ----------
    threads : the threads.
    blur_px : standard deviation of the pieces' edges.
    """
    blur = THREAD_BLUR * blur_px
    profile = np.array([t.profile_px for t in threads])
    weight = np.array([t.weight_px for t in threads])
    clear = profile > 2.0 * blur
    known = clear.sum() >= 3
    bright = max(1.0, float(np.median(weight[clear] / profile[clear]))) if known else 1.0
    share = np.clip(profile / blur - 2.0, 0.0, 1.0)
    told = (share >= 1) | (weight / bright < _TOO_WIDE * blur)
    width = share * np.minimum(profile, weight) + (1 - share) * weight / bright
    width = np.where(told, width, np.nan)
    u = np.hypot(share * 0.3 * blur, (1 - share) * (0.2 if known else 0.25) * width)
    return width, np.hypot(u, 0.05 * width)


def _width(ridge: Ridge, arc: FloatArray, root: float, tip: float, blur: float) -> tuple[float, float]:
    """Return the mean width by the profiles' shape and by their integral, px.

    A slab w wide, blurred by s, has integral / peak = w / erf(w / (2 sqrt 2 s)) whatever its contrast. Below about
    two blurs that ratio says little: it tends to sqrt(2 pi) s.
    """
    inside = (arc > root + 1.5 * blur) & (arc < tip - blur)
    if inside.sum() < 2:
        inside = (arc > root) & (arc < tip)
    if not inside.any():
        return 0.0, 0.0
    weight, peak = float(ridge.weight[inside].mean()), float(ridge.peak[inside].mean())
    ratio = weight / max(peak, 1e-6) / blur
    return float(np.interp(ratio, _INTEGRAL_OVER_PEAK, _SLAB)) * blur, weight


def _is_shadow(ridge: Ridge, inside: npt.NDArray[np.bool_], blur: float) -> bool:
    """Return whether a ridge is faint although it is broader than blur would make a thread look.

    A thread is faint in the picture only where blur spreads it, or in the shade; a shadow is broad and faint, between
    pieces less faint. On a dark tray shadows hardly show, so that what does is none.
    """
    weight, peak = float(ridge.weight[inside].mean()), float(ridge.peak[inside].mean())
    faint = min(0.35 if ridge.has_tip else 0.65, ridge.shade + GLOW)
    return peak < faint and weight / max(peak, 1e-6) > 3.6 * blur


def _taper(ridge: Ridge, arc: FloatArray, ends: tuple[float, float], margin: float, blur: float) -> float:
    """Return the thread's width at its far end over that at its root, by a line through what lies a margin from both.

    From the profiles' integral over peak, because light and shade change its contrast along the way; beside bodies they
    hold some of those. Of widths below a blur they tell nothing. NaN for a thread that is too short.
    """
    inside = (arc > ends[0] + margin) & (arc < ends[1] - margin)
    if inside.sum() < LEAST_TAPER:
        return float("nan")
    broad = ridge.weight[inside] / np.maximum(ridge.peak[inside], 1e-9) / blur
    wide = np.maximum(np.interp(broad, _INTEGRAL_OVER_PEAK, _SLAB), 1.0)
    s = arc[inside] - arc[inside].mean()
    slope, middle = float(s @ wide / (s @ s)), float(wide.mean())
    near, far = (max(middle + slope * (end - arc[inside].mean()), 0.3 * middle) for end in ends)
    return float(far / near)


def _between(path: FloatArray, arc: FloatArray, a: float, b: float) -> FloatArray:
    """Return the path from arc a to arc b; before its start it goes on straight."""
    ahead = path[min(3, len(path) - 1)] - path[0]
    ahead /= np.hypot(*ahead)
    first = path[0] + a * ahead if a < 0 else _at(path, arc, a)
    return np.concatenate(
        [first[None], path[(arc > max(a, 0.0) + 1e-9) & (arc < b)], _at(path, arc, b)[None]]
    )


def _at(path: FloatArray, arc: FloatArray, s: float) -> FloatArray:
    return np.array([np.interp(s, arc, path[:, 0]), np.interp(s, arc, path[:, 1])])
