"""From the figures of a strand piece to its exact shape.

The piece's own frame: s along the centreline from cut face 0, n sideways in the plane of the bend, b up;
its origin is the middle of the centreline, its x axis the strand's direction there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.mesh import BURR, TAIL, Mesh, barrel, tube
from traygauge_shared.scenes.things import Burr, StrandPiece, Tail

FloatArray = npt.NDArray[np.float64]

#: How far, mm, a mesh's silhouette may lie from the true surface where nothing else is asked for.
SILHOUETTE_MM = 2.5e-4
_PINCH_REACH = 0.45  # a pinch fades over this part of the diameter along the strand
_PINCH_WIDENS = 0.55  # squeezed by w one way, the section grows by this part of w the other way


@dataclass(frozen=True, eq=False)
class StrandShape:
    """The surface of a strand piece as functions of station and direction, in its own frame."""

    piece: StrandPiece
    fine_mm: float = SILHOUETTE_MM

    @property
    def curvature(self) -> float:
        """Return 1 / bend radius, signed, 0 for straight, 1/mm."""
        return 1 / self.piece.bend_radius_mm if self.piece.bend_radius_mm else 0.0

    def centreline(self, s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return centre, tangent and sideways vectors, each (..., 3), at stations s (...), mm."""
        u, k, zero = s - self.piece.length_mm / 2, self.curvature, np.zeros_like(s)
        if k == 0:
            return (
                np.stack([u, zero, zero], -1),
                np.stack([zero + 1, zero, zero], -1),
                np.stack([zero, zero + 1, zero], -1),
            )
        a = u * k
        return (
            np.stack([np.sin(a) / k, (1 - np.cos(a)) / k, zero], -1),
            np.stack([np.cos(a), np.sin(a), zero], -1),
            np.stack([-np.sin(a), np.cos(a), zero], -1),
        )

    def section(self, s: FloatArray) -> FloatArray:
        """Return the matrix (..., 2, 2) that takes a unit circle to the section's (n, b) outline at stations s."""
        p = self.piece
        small = p.diameter_mm / (1 + p.oval)
        oval = _turn(p.oval_deg) @ np.diag([p.oval * small, small])
        if max(p.pinch) == 0:
            return np.broadcast_to(np.asarray(oval), (*s.shape, 2, 2))
        reach = _PINCH_REACH * p.diameter_mm
        w = sum(
            amount * np.exp(-((np.maximum(d, 0) / reach) ** 2))
            for amount, d in zip(p.pinch, (s, p.length_mm - s), strict=True)
        )
        way = _turn(p.pinch_deg)
        narrow = way[:, :1] @ way[:, :1].T @ oval
        wide = way[:, 1:] @ way[:, 1:].T @ oval
        w = np.asarray(w)[..., None, None]
        return np.asarray((1 - w) * narrow + (1 + _PINCH_WIDENS * w) * wide)

    def surface(self, rho: npt.ArrayLike, s: FloatArray, angle: FloatArray) -> FloatArray:
        """Return points (..., 3) at a part `rho` of the way from centre to flank, stations and directions."""
        centre, _, side = self.centreline(s)
        m = self.section(s)
        cos, sin = np.asarray(rho) * np.cos(angle), np.asarray(rho) * np.sin(angle)
        n = m[..., 0, 0] * cos + m[..., 0, 1] * sin
        b = m[..., 1, 0] * cos + m[..., 1, 1] * sin
        point: FloatArray = centre + n[..., None] * side
        point[..., 2] += b
        return point

    def cut_plane(self, end: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return centre, unit normal (along +s) and outward strand direction of a cut face."""
        s = np.array(0.0 if end == 0 else self.piece.length_mm)
        centre, along, side = self.centreline(s)
        cut, way = np.radians([self.piece.cut_deg[end], self.piece.cut_side_deg[end]])
        across = np.cos(way) * side + np.sin(way) * np.array([0, 0, 1.0])
        return centre, np.cos(cut) * along + np.sin(cut) * across, along if end else -along

    def cut_station(self, end: int, rho: npt.ArrayLike, angle: FloatArray) -> FloatArray:
        """Return the station (...) where each surface line (`rho` and `angle` broadcast) meets a cut plane."""
        centre, normal, _ = self.cut_plane(end)
        s = np.full(np.broadcast_shapes(np.shape(rho), angle.shape), end * self.piece.length_mm)
        for _ in range(9):
            miss = (self.surface(rho, s, angle) - centre) @ normal
            if np.abs(miss).max() < 1e-6:
                break
            s = s - miss / np.maximum(self.centreline(s)[1] @ normal, 0.3)
        return s

    def directions(self) -> FloatArray:
        """Return so many directions around the section that chords stay within `fine_mm` of the circle."""
        radius = self.piece.diameter_mm * self.piece.oval / (1 + self.piece.oval)
        count = int(np.ceil(np.pi / np.sqrt(4 * self.fine_mm / radius)))
        return np.arange(count) * 2 * np.pi / count

    def rim(self, end: int, angle: FloatArray) -> FloatArray:
        """Return points (n, 3) of the sharp edge that flank and cut plane would have without rounding."""
        return self.surface(1.0, self.cut_station(end, 1.0, angle), angle)

    def body(self) -> Mesh:
        """Return the mesh of flank, rounded edges and cut faces."""
        p, angle = self.piece, self.directions()
        grow = 1 + (np.pi / len(angle)) ** 2 / 4  # chords cut inside: half of that is given back
        bevel = min(p.rounding_mm, 0.2 * p.length_mm)
        steps = 4 if self.fine_mm < 1e-3 else 2
        phi = np.linspace(0, np.pi / 2, steps + 1)[:, None]
        # corners between the ends are pushed out until the polygon has the quarter circle's area
        out = 1 + (np.pi / 2 / np.sin(np.pi / 2 / steps) - steps) / (2 * steps - 2)
        out = np.where((phi > 0) & (phi < np.pi / 2 - 1e-9), out, 1.0)
        rho = 1 - bevel / (p.diameter_mm / 2) * (1 - out * np.sin(phi))
        inset = bevel * (1 - out * np.cos(phi))
        near, far = self.cut_station(0, rho, angle) + inset, self.cut_station(1, rho, angle) - inset
        # Straight flanks need rings for the lens's distortion only; bends and pinches need more.
        step = 0.35 if max(p.pinch) > 0.01 else 0.5 if p.bend_radius_mm else 1.2
        count = max(2, int(np.ceil(p.length_mm / step)))
        between = near[-1] + (np.arange(1, count) / count)[:, None] * (far[-1] - near[-1])
        stations = np.concatenate([near, between, far[::-1]])
        rhos = np.concatenate([rho, np.ones((count - 1, 1)), rho[::-1]])
        return barrel(self.surface(rhos * grow, stations, angle))

    def width_seen_mm(self) -> float:
        """Return the mean width across the bend plane (seen from above) over the middle half, mm."""
        s = self.piece.length_mm * (0.25 + 0.5 * (np.arange(64) + 0.5) / 64)
        return float(2 * np.linalg.norm(self.section(s)[:, 0, :], axis=-1).mean())


def _turn(degrees: float) -> FloatArray:
    """Return the 2 x 2 rotation by an angle."""
    a = np.radians(degrees)
    return np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])


def pose(piece: StrandPiece) -> FloatArray:
    """Return the rotation (3, 3) from the piece's own frame to (x, y, h)."""
    tilt, axis = np.radians([piece.tilt_deg, piece.axis_deg])
    lean = np.array([[np.cos(tilt), 0, -np.sin(tilt)], [0, 1, 0], [np.sin(tilt), 0, np.cos(tilt)]])
    yaw = np.array([[np.cos(axis), -np.sin(axis), 0], [np.sin(axis), np.cos(axis), 0], [0, 0, 1.0]])
    return np.asarray(yaw @ lean)


def tail_line(tail: Tail, shape: StrandShape, turn: FloatArray, shift: FloatArray) -> FloatArray:
    """Return a tail's centreline (n, 3) on the tray: it curls, sinks and slides along the floor.

    The first point lies inside the body; from the second on it is `length_mm` long.
    """
    rng = np.random.default_rng(tail.seed)
    rim = shape.rim(tail.end, np.radians([tail.rim_deg]))[0]
    centre, _, out = shape.cut_plane(tail.end)
    start, middle, out = turn @ rim + shift, turn @ centre + shift, turn @ out
    outwards = (start - middle) / np.linalg.norm(start - middle)
    splay = np.radians(tail.splay_deg)
    way = np.cos(splay) * out + np.sin(splay) * outwards
    steps = 28
    step = tail.length_mm / steps
    curl = np.radians(tail.turn_deg) / steps
    floor = tail.width_mm / 2
    line = [start]
    for _ in range(steps):
        way = way + curl * np.array([-way[1], way[0], 0.0]) + rng.normal(0, 0.02, 3)
        way[2] -= 0.03 * min(1.0, tail.length_mm / 2)
        way /= np.linalg.norm(way)
        there, way = _above_floor(line[-1], way, step, floor)
        line.append(there)
    return np.stack([start - 0.12 * out - 0.05 * outwards, *line])


def _above_floor(
    here: FloatArray, way: FloatArray, step: float, floor: float
) -> tuple[FloatArray, FloatArray]:
    """Return the next point of a thread, one step on and above the floor without losing length, and its way from there.

    What meets the floor lies down on it: lifted onto it from a rim below, it would else rise on end.
    """
    there = here + step * way
    if there[2] >= floor:
        return there, way
    drop = np.clip(floor - here[2], -step, step)
    level = way[:2] / (np.linalg.norm(way[:2]) + 1e-12)
    there = np.append(here[:2] + level * np.sqrt(step**2 - drop**2), here[2] + drop)
    return there, np.append(level, 0.0)


def tail_mesh(tail: Tail, line: FloatArray) -> Mesh:
    """Return a tail's mesh: tapering to a third along the thread, of the stated mean width."""
    taper = np.linspace(1.0, 1 / 3, len(line) - 1) * 1.5 * tail.width_mm
    return tube(line, np.append(taper[0], taper), part=TAIL)


def burr_mesh(burr: Burr, shape: StrandShape) -> Mesh:
    """Return a burr's mesh, in the piece's own frame: a lip that tapers off to both sides."""
    t = np.linspace(-1, 1, 25)
    angle = np.radians(burr.rim_deg + burr.arc_deg * t)
    rim = shape.rim(burr.end, angle)
    centre, _, out = shape.cut_plane(burr.end)
    radial = rim - centre
    radial = radial - (radial @ out)[:, None] * out
    radial /= np.linalg.norm(radial, axis=1, keepdims=True)
    lean = np.radians(burr.lean_deg)
    lip = burr.height_mm * np.sqrt(np.clip(1 - t**2, 1e-4, None))[:, None]
    outer = rim + lip * (np.cos(lean) * out + np.sin(lean) * radial)
    root = rim - 0.06 * out - 0.02 * radial
    thick = 0.08 * radial
    return barrel(np.stack([root, root - thick, outer - 0.4 * thick, outer], 1), BURR)
