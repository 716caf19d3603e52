"""Putting things down: apart, loosely touching, or in heaps, without one cutting into another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.mesh import BODY, WEB
from traygauge_shared.scenes.solid import solid_of
from traygauge_shared.scenes.things import Double, StrandPiece, Thing

FloatArray = npt.NDArray[np.float64]
Area: TypeAlias = tuple[float, float, float, float]

_FAR_MM = 5.0  # farther than this nothing slides
_CONTACT_MM = 0.002  # gap that is left where things lie against each other
_FOOTPRINT_MM = 0.002  # how closely footprints follow the exact outlines


def turned(thing: Thing, degrees: float) -> Thing:
    """Return a thing turned about the sheet's origin, from +x towards +y."""
    if isinstance(thing, Double):
        first, second = (_turned_piece(p, degrees) for p in (thing.first, thing.second))
        return replace(thing, first=first, second=second)
    x, y = _rotated(thing.x_mm, thing.y_mm, degrees)
    return replace(thing, x_mm=x, y_mm=y, axis_deg=thing.axis_deg + degrees)


def _turned_piece(piece: StrandPiece, degrees: float) -> StrandPiece:
    x, y = _rotated(piece.x_mm, piece.y_mm, degrees)
    return replace(piece, x_mm=x, y_mm=y, axis_deg=piece.axis_deg + degrees)


def _rotated(x: float, y: float, degrees: float) -> tuple[float, float]:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return float(c * x - s * y), float(s * x + c * y)


def shifted(thing: Thing, dx_mm: float, dy_mm: float) -> Thing:
    """Return a thing moved by a vector."""
    if isinstance(thing, Double):
        first, second = (
            replace(p, x_mm=p.x_mm + dx_mm, y_mm=p.y_mm + dy_mm) for p in (thing.first, thing.second)
        )
        return replace(thing, first=first, second=second)
    return replace(thing, x_mm=float(thing.x_mm + dx_mm), y_mm=float(thing.y_mm + dy_mm))


def middle_of(thing: Thing) -> tuple[float, float]:
    """Return where a thing's middle lies."""
    if isinstance(thing, Double):
        a, b = thing.first, thing.second
        return (a.x_mm + b.x_mm) / 2, (a.y_mm + b.y_mm) / 2
    return thing.x_mm, thing.y_mm


def moved_to(thing: Thing, x_mm: float, y_mm: float) -> Thing:
    """Return a thing with its middle at a place."""
    x, y = middle_of(thing)
    return shifted(thing, x_mm - x, y_mm - y)


def reach_mm(thing: Thing) -> float:
    """Return the radius of a circle around the middle that holds the thing, tails and all."""
    if isinstance(thing, StrandPiece):
        half = float(np.hypot(thing.length_mm, 1.3 * thing.diameter_mm)) / 2
        tail = max((tail.length_mm for tail in thing.tails), default=0.0)
        burr = max((burr.height_mm for burr in thing.burrs), default=0.0)
        slant = 0.3 * thing.diameter_mm * float(np.tan(np.radians(max(thing.cut_deg))))
        return half + max(tail, burr) + slant
    if isinstance(thing, Double):
        x, y = middle_of(thing)
        parts = (thing.first, thing.second)
        return max(float(np.hypot(p.x_mm - x, p.y_mm - y)) + reach_mm(p) for p in parts)
    return thing.size_mm / 2 * 1.05


def scatter(
    things: Sequence[Thing], rng: np.random.Generator, *, area_mm: Area, gap_mm: float = 0.6
) -> list[Thing]:
    """Return things thrown apart, circles around them at least `gap_mm` from each other where that can be had."""
    return [group[0] for group in scatter_groups([[t] for t in things], rng, area_mm=area_mm, gap_mm=gap_mm)]


def scatter_groups(
    groups: Sequence[Sequence[Thing]], rng: np.random.Generator, *, area_mm: Area, gap_mm: float = 0.6
) -> list[list[Thing]]:
    """Return groups of things, each moved as one, thrown apart over an area.

    A group that finds no place `gap_mm` from the others keeps the best of many tries.
    """
    centres = [np.mean([middle_of(t) for t in group], axis=0) for group in groups]
    radius = np.array(
        [
            max(float(np.hypot(*(np.array(middle_of(t)) - centre))) + reach_mm(t) for t in group)
            for group, centre in zip(groups, centres, strict=True)
        ]
    )
    place = np.zeros((len(groups), 2))
    low, high = np.array(area_mm[:2]), np.array(area_mm[2:])
    done: list[int] = []
    for i in np.argsort(-radius, kind="stable"):
        room = np.minimum(radius[i], (high - low) / 2)
        tries = rng.uniform(low + room, high - room, (200, 2))
        best = 0
        if done:
            away = np.linalg.norm(tries[:, None] - place[done], axis=2) - radius[done] - radius[i]
            nearest = away.min(1)
            good = np.nonzero(nearest > gap_mm)[0]
            best = int(good[0] if len(good) else nearest.argmax())
        place[i] = tries[best]
        done.append(int(i))
    return [
        [shifted(t, *(to - centre)) for t in group]
        for group, centre, to in zip(groups, centres, place, strict=True)
    ]


# ---------------------------------------------------------------- touching


@dataclass(frozen=True, eq=False)
class _Put:
    """A thing lying somewhere: its convex footprints (k, 2), and the heights between which it lies."""

    thing: Thing
    footprints: tuple[FloatArray, ...]
    centre: FloatArray
    radius: float
    low_mm: float
    high_mm: float

    def moved(self, step: FloatArray) -> _Put:
        """Return it shifted in the plane."""
        return replace(
            self,
            thing=shifted(self.thing, *step),
            footprints=tuple(f + step for f in self.footprints),
            centre=self.centre + step,
        )


def _put(thing: Thing) -> _Put:
    meshes = [m for m in solid_of(thing, _FOOTPRINT_MM).meshes if m.part in (BODY, WEB)]
    prints = []
    for mesh in meshes:
        hull = cv2.convexHull(mesh.points[:, :2].astype(np.float32))
        prints.append(cv2.approxPolyDP(hull, _FOOTPRINT_MM, True)[:, 0].astype(float))
    corners = np.concatenate(prints)
    centre = (corners.min(0) + corners.max(0)) / 2
    heights = np.concatenate([m.points[:, 2] for m in meshes])
    radius = float(np.linalg.norm(corners - centre, axis=1).max())
    return _Put(thing, tuple(prints), centre, radius, float(heights.min()), float(heights.max()))


def polygons_overlap(a: FloatArray, b: FloatArray) -> bool:
    """Return whether two convex polygons (n, 2), (m, 2) share area (separating axes)."""
    for p in (a, b):
        edge = np.roll(p, -1, 0) - p
        normal = np.stack([edge[:, 1], -edge[:, 0]], -1)
        one, two = a @ normal.T, b @ normal.T
        if ((one.max(0) <= two.min(0)) | (two.max(0) <= one.min(0))).any():
            return False
    return True


def _near(one: _Put, others: Sequence[_Put], reach_mm: float) -> list[_Put]:
    """Return those of others at one's heights whose circle comes within reach of one's."""
    return [
        other
        for other in others
        if np.hypot(*(other.centre - one.centre)) < one.radius + other.radius + reach_mm
        and one.low_mm < other.high_mm - 1e-3
        and other.low_mm < one.high_mm - 1e-3
    ]


def _hits(one: _Put, others: Sequence[_Put]) -> list[_Put]:
    """Return those of others whose footprint and heights overlap with one's."""
    return [
        other
        for other in _near(one, others, 0.0)
        if any(polygons_overlap(a, b) for a in one.footprints for b in other.footprints)
    ]


def overlap_while_moving(a: FloatArray, b: FloatArray, ways: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return from where to where a convex polygon moved along each way overlaps another.

    On every separating axis the two overlap for an interval of the way; they overlap where all intervals do.

    Parameters
    ----------
    a, b : ndarray (n, 2), (m, 2), the moving and the resting polygon.
    ways : ndarray (d, 2), unit vectors.

    Returns
    -------
    Two ndarrays (d,), mm along the way; the first is not below the second where they never overlap.
    """
    edge = np.concatenate([np.roll(p, -1, 0) - p for p in (a, b)])
    normal = np.stack([edge[:, 1], -edge[:, 0]], -1)
    one, two = a @ normal.T, b @ normal.T
    first, last = two.min(0) - one.max(0), two.max(0) - one.min(0)  # of the shift along each normal
    speed = normal @ ways.T  # (axes, d)
    still = np.abs(speed) < 1e-9
    safe = np.where(still, 1.0, speed)
    t0, t1 = first[:, None] / safe, last[:, None] / safe
    begin, end = np.minimum(t0, t1), np.maximum(t0, t1)
    inside = ((first < 0) & (last > 0))[:, None]
    begin = np.where(still, np.where(inside, -np.inf, np.inf), begin)
    end = np.where(still, np.where(inside, np.inf, -np.inf), end)
    return begin.max(0), end.min(0)


def _way_out(one: _Put, ways: FloatArray, put: Sequence[_Put]) -> FloatArray:
    """Return how far, ndarray (d,), a thing has to move along each way until it overlaps nothing."""
    spans = [
        overlap_while_moving(a, b, ways) for other in put for a in one.footprints for b in other.footprints
    ]
    begin, end = (np.array([span[k] for span in spans]) for k in (0, 1))
    free = np.zeros(len(ways))
    for _ in range(len(spans)):
        inside = (begin < free) & (end > free)
        if not inside.any():
            break
        free = np.maximum(free, np.where(inside, end, 0.0).max(0))
    return free + _CONTACT_MM


def _slid_off(one: _Put, put: Sequence[_Put], rng: np.random.Generator) -> _Put | None:
    """Return a thing moved the shortest way off what it lies in, so that it touches it; None if that is far."""
    turn = rng.uniform(0, 2 * np.pi) + np.arange(12) * np.pi / 6
    ways = np.stack([np.cos(turn), np.sin(turn)], -1)
    free = _way_out(one, ways, _near(one, put, _FAR_MM))
    best = int(free.argmin())
    return one.moved(free[best] * ways[best]) if free[best] < _FAR_MM else None


def loose(
    things: Sequence[Thing],
    rng: np.random.Generator,
    *,
    area_mm: Area,
    crossing: float = 0.0,
    pile: bool = False,
) -> list[Thing]:
    """Return things thrown on an area one after another: what lands on others slides off and lies against them.

    Parameters
    ----------
    crossing : chance that a strand piece that lands on others stays there: level across two or more (or balanced
        on one), else with one end on the floor, leaning on the one it met.
    pile : thrown at the middle (normal distribution) instead of evenly.
    """
    low, high = np.array(area_mm[:2]), np.array(area_mm[2:])
    put: list[_Put] = []
    for thing in things:
        one = _put(moved_to(thing, 0.0, 0.0))
        for _ in range(60):
            place = _throw(rng, low, high, pile)
            here = one.moved(place)
            hit = _hits(here, put)
            found: _Put | None = here
            if hit and rng.random() < crossing:
                found = _stacked(here, hit, put)
            elif hit:
                found = _slid_off(here, put, rng)
            if found is not None and (found.centre > low).all() and (found.centre < high).all():
                put.append(found)
                break
        else:
            put.append(_at_the_rim(one, put, rng, low, high))
    return [p.thing for p in put]


def _throw(rng: np.random.Generator, low: FloatArray, high: FloatArray, pile: bool) -> FloatArray:
    if pile:
        return np.clip(rng.normal((low + high) / 2, (high - low) / 4), low, high)
    return np.asarray(rng.uniform(low, high))


def _at_the_rim(
    one: _Put, put: Sequence[_Put], rng: np.random.Generator, low: FloatArray, high: FloatArray
) -> _Put:
    """Return a place beside the heap for what found none in it: out from the middle until it lies free."""
    here = one.moved((low + high) / 2)
    turn = rng.uniform(0, 2 * np.pi)
    way = np.array([[np.cos(turn), np.sin(turn)]])
    return here.moved(_way_out(here, way, _near(here, put, np.inf))[0] * way[0])


def _stacked(here: _Put, hit: Sequence[_Put], put: Sequence[_Put]) -> _Put | None:
    """Return a strand piece resting on what it landed on, or None where it cannot rest there."""
    piece = here.thing
    if not isinstance(piece, StrandPiece) or piece.tilt_deg > 1:
        return None
    axis = np.array([np.cos(np.radians(piece.axis_deg)), np.sin(np.radians(piece.axis_deg))])
    sides = [float((p.centre - here.centre) @ axis) for p in hit]
    balanced = abs(min(sides, key=abs)) < 0.12 * piece.length_mm
    top = max(p.high_mm for p in hit)
    if (min(sides) < 0 < max(sides) or balanced) and top < 4 * piece.diameter_mm:
        found = _put(replace(piece, lift_mm=top))
    else:
        leaning = _leaning(piece, hit, axis)
        if leaning is None:
            return None
        found = _put(leaning)
        if _hits(found, [p for p in put if p is not hit[0]]):
            return None
        return found
    return None if _hits(found, put) else found


def _leaning(piece: StrandPiece, hit: Sequence[_Put], axis: FloatArray) -> StrandPiece | None:
    """Return the piece with end 0 on the floor and its flank on the single lying strand piece that it met.

    It touches the other at the station where it came down on it, and is shifted a little to do so.
    """
    lower = hit[0].thing
    if len(hit) > 1 or not isinstance(lower, StrandPiece) or lower.tilt_deg or lower.lift_mm:
        return None
    turn = np.radians(lower.axis_deg)
    along, normal = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    if abs(axis @ normal) < 0.35:
        return None
    here = np.array([piece.x_mm, piece.y_mm])
    offset = float((hit[0].centre - here) @ normal) / float(axis @ normal)
    if offset < 0:  # the resting end is the one farther from the other piece
        piece, axis, offset = replace(piece, axis_deg=piece.axis_deg + 180.0), -axis, -offset
    station = float(np.clip(offset, 0.12 * piece.length_mm, 0.42 * piece.length_mm))
    room = max(lower.length_mm / 2 - 0.4 * lower.diameter_mm, 0.0)
    met = hit[0].centre + float(np.clip((here + offset * axis - hit[0].centre) @ along, -room, room)) * along
    found = _rest_on(piece, lower, axis, along, station)
    if found is None:
        return None
    tilt, step = found
    x, y = met - step
    return replace(piece, x_mm=float(x), y_mm=float(y), tilt_deg=float(np.degrees(tilt)), tails=(), burrs=())


def _rest_on(
    upper: StrandPiece, lower: StrandPiece, axis: FloatArray, along: FloatArray, station: float
) -> tuple[float, FloatArray] | None:
    """Return the tilt, radians, at which a piece with end 0 on the floor touches a lying one, and where that is.

    Two cylinders touch where the common perpendicular of their axes is as long as both radii. Its height fixes
    the tilt: middle of the upper + station x sin(tilt) - (R + r) x its upright part = r.

    Returns
    -------
    tilt, and the plan step (2,) from the upper one's middle to the point of the lower one's axis.
    """
    tilt = np.radians(np.arange(1.0, 60.0, 0.02))[:, None]
    u = np.concatenate([np.cos(tilt) * axis, np.sin(tilt)], 1)
    normal = np.cross(u, np.append(along, 0.0))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    normal *= np.sign(normal[:, 2:])
    both = (upper.diameter_mm + lower.diameter_mm) / 2
    middle = upper.length_mm / 2 * u[:, 2] + upper.diameter_mm / 2 * np.cos(tilt[:, 0])
    height = middle + station * u[:, 2] - both * normal[:, 2]
    high = np.nonzero(height >= lower.diameter_mm / 2)[0]
    if len(high) == 0:
        return None
    k = high[0]
    return float(tilt[k, 0]), np.asarray(station * u[k, :2] - both * normal[k, :2])
