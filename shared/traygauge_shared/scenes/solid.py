"""From a thing on the tray to its meshes in place, with the figures of its truth row."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.mesh import STRING, WEB, Mesh, hull, lowest, tube
from traygauge_shared.scenes.strand import SILHOUETTE_MM, StrandShape, burr_mesh, pose, tail_line, tail_mesh
from traygauge_shared.scenes.things import Crumb, Double, Flake, Rgb, StrandPiece, Surface, Thing, colour_rgb

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Solid:
    """One thing in place.

    Parameters
    ----------
    meshes : body or bodies first, then webs, tails, burrs, in sheet mm with heights up.
    bodies : ndarray (k, 3), middles of the centrelines (flakes, crumbs: of the points).
    axis : unit vector (3,) of the strand at its middle.
    capsules : ndarray (k, 7), each body as start (3), end (3) and radius: what throws shade on neighbours.
    truth : the columns of the truth table that follow from the thing alone.
    rgb, material : linear R, G, B, and how it takes the light.
    """

    meshes: tuple[Mesh, ...]
    bodies: FloatArray
    axis: FloatArray
    capsules: FloatArray
    truth: dict[str, Any]
    rgb: Rgb
    material: Surface


def solid_of(thing: Thing, fine_mm: float = SILHOUETTE_MM) -> Solid:
    """Return a thing's meshes and truth, silhouettes within `fine_mm` of the exact shape."""
    if isinstance(thing, StrandPiece):
        return _strand(thing, fine_mm)
    if isinstance(thing, Double):
        return _double(thing, fine_mm)
    return _lump(thing)


def _blank_truth(kind: str) -> dict[str, Any]:
    zero = (
        "length_mm diameter_mm diameter_min_mm diameter_max_mm width_seen_mm tail_length_mm"
        " tail_length_plan_mm tail_width_mm burr_mm cut_deg_a cut_deg_b bend_radius_mm pinch"
        " string_length_mm string_width_mm"
    )
    return {
        "kind": kind,
        **dict.fromkeys(zero.split(), 0.0),
        "tail_count": 0,
        "part_lengths_mm": "",
        "parts_xy_mm": "",
    }


def _placed_body(piece: StrandPiece, fine_mm: float) -> tuple[Mesh, FloatArray, FloatArray]:
    """Return a strand piece's body in place, the rotation and the shift that took it there."""
    body = StrandShape(piece, fine_mm).body()
    turn = pose(piece)
    low = float((body.points @ turn[2]).min())
    shift = np.array([piece.x_mm, piece.y_mm, piece.lift_mm - low])
    return body.moved(turn, shift), turn, shift


def _capsule(piece: StrandPiece, turn: FloatArray, shift: FloatArray) -> FloatArray:
    radius = piece.diameter_mm / 2
    half = max(piece.length_mm / 2 - 0.3 * radius, 0.0) * turn[:, 0]
    return np.concatenate([shift - half, shift + half, [radius]])


def _strand(piece: StrandPiece, fine_mm: float) -> Solid:
    shape = StrandShape(piece)
    body, turn, shift = _placed_body(piece, fine_mm)
    lines = [tail_line(tail, shape, turn, shift) for tail in piece.tails]
    tails = [tail_mesh(tail, line) for tail, line in zip(piece.tails, lines, strict=True)]
    burrs = [burr_mesh(burr, shape).moved(turn, shift) for burr in piece.burrs]
    small = 2 * piece.diameter_mm / (1 + piece.oval)
    truth = _blank_truth(piece.kind) | {
        "length_mm": piece.length_mm,
        "diameter_mm": piece.diameter_mm,
        "diameter_min_mm": small,
        "diameter_max_mm": small * piece.oval,
        "width_seen_mm": shape.width_seen_mm() if abs(turn[2, 0]) < 0.5 else piece.diameter_mm,
        "burr_mm": max((burr.height_mm for burr in piece.burrs), default=0.0),
        "cut_deg_a": piece.cut_deg[0],
        "cut_deg_b": piece.cut_deg[1],
        "bend_radius_mm": abs(piece.bend_radius_mm),
        "pinch": max(piece.pinch),
    }
    if piece.tails:
        longest = max(piece.tails, key=lambda tail: tail.length_mm)
        truth |= {
            "tail_count": len(piece.tails),
            "tail_length_mm": longest.length_mm,
            "tail_width_mm": longest.width_mm,
            "tail_length_plan_mm": max(_arc_mm(line[1:, :2]) for line in lines),
        }
    return Solid(
        (body, *tails, *burrs),
        shift[None],
        turn[:, 0],
        _capsule(piece, turn, shift)[None],
        truth,
        colour_rgb(piece.colour),
        piece.surface,
    )


def _double(double: Double, fine_mm: float) -> Solid:
    pieces = (double.first, double.second)
    placed = [_placed_body(piece, fine_mm) for piece in pieces]
    ends = []
    for piece, (_, turn, shift), end in zip(pieces, placed, (1, 0), strict=True):
        centre, _, out = StrandShape(piece).cut_plane(end)
        ends.append((turn @ centre + shift, turn @ out, turn[:, 1]))
    (a, out_a, side_a), (b, out_b, side_b) = ends
    web = double.join == "web"
    joint = _web(double, a, out_a, b, out_b) if web else _string(double, a, out_a, side_a, b, out_b, side_b)
    gap = float(np.linalg.norm(b - a))
    lengths = [piece.length_mm for piece in pieces]
    middles = np.stack([shift for _, _, shift in placed])
    diameter = (pieces[0].diameter_mm + pieces[1].diameter_mm) / 2
    truth = _blank_truth(f"double_{double.join}") | {
        "length_mm": sum(lengths) + (gap if web else 0.0),
        "diameter_mm": diameter,
        "diameter_min_mm": diameter,
        "diameter_max_mm": diameter,
        "width_seen_mm": diameter,
        "cut_deg_a": pieces[0].cut_deg[0],
        "cut_deg_b": pieces[1].cut_deg[1],
        "string_length_mm": 0.0 if web else _arc_mm(joint[1][1:-1]),
        "string_width_mm": 0.0 if web else double.width_mm,
        "part_lengths_mm": ";".join(f"{length:.4f}" for length in lengths),
        "parts_xy_mm": ";".join(f"{x:.3f}:{y:.3f}" for x, y, _ in middles),
    }
    return Solid(
        (*(mesh for mesh, _, _ in placed), joint[0]),
        middles,
        placed[0][1][:, 0],
        np.stack([_capsule(p, turn, shift) for p, (_, turn, shift) in zip(pieces, placed, strict=True)]),
        truth,
        colour_rgb(double.first.colour),
        double.first.surface,
    )


def _web(
    double: Double, a: FloatArray, out_a: FloatArray, b: FloatArray, out_b: FloatArray
) -> tuple[Mesh, FloatArray]:
    """Return the uncut rest between two facing ends, hanging at the height that lets it lie inside both."""
    line = np.stack([a - 0.35 * out_a, a, (a + b) / 2, b, b - 0.35 * out_b])
    return tube(line, np.full(len(line), double.width_mm), around=28, part=WEB), line


def _string(
    double: Double,
    a: FloatArray,
    out_a: FloatArray,
    side_a: FloatArray,
    b: FloatArray,
    out_b: FloatArray,
    side_b: FloatArray,
) -> tuple[Mesh, FloatArray]:
    """Return a thread from rim to rim, thinner in its middle, sagging but kept above the floor."""
    rng = np.random.default_rng(double.seed)
    a = a + 0.4 * double.first.diameter_mm * side_a
    b = b + 0.4 * double.second.diameter_mm * side_b * rng.choice([-1, 1])
    gap = np.linalg.norm(b - a)
    c1 = a + 0.5 * gap * out_a + rng.normal(0, 0.12 * gap, 3)
    c2 = b + 0.5 * gap * out_b + rng.normal(0, 0.12 * gap, 3)
    t = np.linspace(0, 1, 33)[:, None]
    line = (1 - t) ** 3 * a + 3 * t * (1 - t) ** 2 * c1 + 3 * t**2 * (1 - t) * c2 + t**3 * b
    line[:, 2] = np.maximum(line[:, 2] - 0.6 * np.sin(np.pi * t[:, 0]), double.width_mm / 2)
    line = np.concatenate([[a - 0.1 * out_a], line, [b - 0.1 * out_b]])
    u = np.linspace(-1, 1, len(line))
    return tube(line, double.width_mm * (0.9 + 0.4 * np.abs(u) ** 3), part=STRING), line


def _lump(thing: Flake | Crumb) -> Solid:
    """Return a flake (a faceted plate) or a crumb (a faceted grain)."""
    rng = np.random.default_rng([thing.seed, 17])
    points = _plate(rng, thing.thickness_mm) if isinstance(thing, Flake) else _grain(rng)
    spread = np.linalg.norm(points[:, None, :2] - points[None, :, :2], axis=-1).max()
    points[:, :2] *= thing.size_mm / spread
    if isinstance(thing, Crumb):
        points[:, 2] *= thing.size_mm / spread
    a = np.radians(thing.axis_deg)
    yaw = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    body = hull(points)
    middle = (body.points.max(0) + body.points.min(0)) / 2
    body = body.moved(yaw, -yaw @ middle)
    body = body.moved(np.eye(3), [thing.x_mm, thing.y_mm, thing.lift_mm - lowest([body])])
    high = float(body.points[:, 2].max())
    centre = np.array([thing.x_mm, thing.y_mm, high / 2])
    radius = thing.size_mm * 0.35
    truth = _blank_truth("flake" if isinstance(thing, Flake) else "crumb")
    return Solid(
        (body,),
        centre[None],
        yaw[:, 0],
        np.concatenate([centre, centre, [min(radius, high / 2 + 0.2)]])[None],
        truth,
        colour_rgb(thing.colour),
        thing.surface,
    )


def _plate(rng: np.random.Generator, thickness_mm: float) -> FloatArray:
    count = int(rng.integers(5, 9))
    angle = (np.arange(count) + rng.uniform(0, 0.7, count)) / count * 2 * np.pi
    radius = rng.uniform(0.65, 1.0, count)
    outline = np.stack([np.cos(angle) * radius, np.sin(angle) * radius * rng.uniform(0.5, 1.0)], -1)
    top = outline * rng.uniform(0.75, 1.0) + rng.normal(0, 0.05, 2)
    height = thickness_mm * (1 + rng.normal(0, 0.1, count))
    return np.concatenate([np.c_[outline, np.zeros(count)], np.c_[top, height]])


def _grain(rng: np.random.Generator) -> FloatArray:
    points = rng.normal(size=(14, 3))
    points *= rng.uniform(0.75, 1.0, (14, 1)) / np.linalg.norm(points, axis=1, keepdims=True)
    return np.asarray(points * np.array([1.0, rng.uniform(0.5, 1.0), rng.uniform(0.35, 0.9)]))


def _arc_mm(line: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def seen_from_below(solid: Solid) -> Solid:
    """Return a solid as a scanner sees it: mirrored in h, the glass still at 0."""
    flip = np.array([1.0, 1.0, -1.0])
    capsules = solid.capsules * np.concatenate([flip, flip, [1.0]])
    return replace(solid, meshes=tuple(m.seen_from_below() for m in solid.meshes), capsules=capsules)
