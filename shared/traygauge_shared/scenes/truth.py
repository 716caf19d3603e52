"""The truth table of a drawn scene: same columns and meaning as the test photos' `*.truth.csv`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.camera import SceneCamera
from traygauge_shared.scenes.mesh import TAIL, Mesh
from traygauge_shared.scenes.raster import Fragments, rasterise
from traygauge_shared.scenes.solid import Solid
from traygauge_shared.scenes.things import Thing

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

COLUMNS = (
    *("id", "kind", "x_mm", "y_mm", "z_mm", "length_mm", "width_seen_mm"),
    *("diameter_mm", "diameter_min_mm", "diameter_max_mm"),
    *("tail_count", "tail_length_mm", "tail_length_plan_mm", "tail_width_mm", "burr_mm"),
    *("cut_deg_a", "cut_deg_b", "bend_radius_mm", "pinch", "axis_deg", "tilt_deg", "upright"),
    *("touching", "overlapped", "visible_fraction", "plan_visible_fraction", "on_border"),
    *("colour", "material", "foreign", "visible_px", "tail_visible_px", "x_vis_mm", "y_vis_mm"),
    *("plan_area_mm2", "plan_feret_max_mm", "plan_feret_min_mm", "volume_mm3"),
    *("string_length_mm", "string_width_mm", "part_lengths_mm", "parts_xy_mm", "touching_image"),
)

TOUCH_MM = 0.05
_BORDER_MM = 0.1
_PLAN_PX_PER_MM = 10.0


class _FromAbove:
    """A view from straight above, `_PLAN_PX_PER_MM` fine, seen as a camera."""

    def __init__(self, origin_mm: FloatArray) -> None:
        self.origin = origin_mm

    def project(self, points: npt.ArrayLike) -> FloatArray:
        p = np.asarray(points, float)
        return np.asarray((p[..., :2] - self.origin) * _PLAN_PX_PER_MM - 0.5)


@dataclass(frozen=True, eq=False)
class _Plan:
    """Each piece seen from straight above: area, part of it not covered by others, middle of that part."""

    area_mm2: FloatArray
    seen: FloatArray
    centre_mm: FloatArray


def truth_rows(
    things: Sequence[Thing],
    solids: Sequence[Solid],
    fragments: Fragments,
    labels: npt.NDArray[np.uint16],
    camera: SceneCamera,
    limits_mm: tuple[float, float, float, float] | None,
) -> list[dict[str, Any]]:
    """Return one row per piece, in the order of the pieces; ids count from 1.

    Parameters
    ----------
    fragments : of the camera's view, resolved; `labels` the picture of piece ids made from them.
    limits_mm : window (x0, y0, x1, y1) whose border counts, or None.
    """
    if not solids:
        return []
    count = len(solids)
    outlines = [_plan_outline(solid.meshes) for solid in solids]
    touching = _touching(outlines)
    plan = _plan_view(solids, touching)
    in_picture, seen = _union_area(fragments, count), _sum_by(fragments.piece, fragments.seen, count)
    label_px = np.bincount(labels.ravel(), minlength=count + 1)[1 : count + 1]
    tail_px = _sum_by(fragments.piece, fragments.seen * (fragments.part == TAIL), count)
    met = _touching_image(labels, TOUCH_MM * camera.px_per_mm, count)
    rows = []
    for i, (thing, solid, outline) in enumerate(zip(things, solids, outlines, strict=True)):
        feret_max, feret_min = _feret(outline)
        row = dict(solid.truth)
        if row["kind"] in ("crumb", "flake"):
            row |= {"length_mm": feret_max} | dict.fromkeys(
                ("diameter_mm", "diameter_min_mm", "diameter_max_mm", "width_seen_mm"), feret_min
            )
        middle = solid.bodies.mean(0)
        tilt = float(np.degrees(np.arcsin(min(1.0, abs(solid.axis[2])))))
        visible = float(seen[i] / in_picture[i]) if in_picture[i] > 0 else 0.0
        heights = np.concatenate([m.points[:, 2] for m in solid.meshes])
        rows.append(
            row
            | {
                "id": i + 1,
                "x_mm": middle[0],
                "y_mm": middle[1],
                "z_mm": float(heights.min() + heights.max()) / 2,
                "axis_deg": float(np.degrees(np.arctan2(solid.axis[1], solid.axis[0])) % 180),
                "tilt_deg": tilt,
                "upright": int(tilt > 60 and row["kind"] in ("strand", "long", "short")),
                "touching": int(touching[i]),
                "touching_image": int(met[i]),
                "visible_fraction": min(visible, 1.0),
                "overlapped": int(visible < 0.98),
                "plan_visible_fraction": plan.seen[i],
                "on_border": int(limits_mm is not None and _past(outline, limits_mm)),
                "colour": thing_colour(thing),
                "material": solid.material,
                "foreign": int(getattr(thing, "foreign", False)),
                "visible_px": int(label_px[i]),
                "tail_visible_px": round(float(tail_px[i])),
                "x_vis_mm": plan.centre_mm[i, 0],
                "y_vis_mm": plan.centre_mm[i, 1],
                "plan_area_mm2": plan.area_mm2[i],
                "plan_feret_max_mm": feret_max,
                "plan_feret_min_mm": feret_min,
                "volume_mm3": sum(m.volume_mm3 for m in solid.meshes),
            }
        )
    return [{name: row[name] for name in COLUMNS} for row in rows]


def thing_colour(thing: Thing) -> str:
    """Return the name of a thing's colour, or its hex code where it has none."""
    colour = thing.first.colour if hasattr(thing, "first") else thing.colour
    if isinstance(colour, str):
        return colour
    return "#" + "".join(f"{round(255 * c):02x}" for c in colour)


def _outline_edges(mesh: Mesh) -> FloatArray:
    """Return the edges (n, 4) around a mesh seen from straight above, clockwise in the picture."""
    p = mesh.points[:, :2]
    a, b, c = (p[mesh.faces[:, k]] for k in range(3))
    turn = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    front = turn > 0
    start, end, along, beyond = mesh.edges.T
    behind = front[beyond] & (beyond >= 0)
    one, two = front[along] & ~behind, behind & ~front[along]
    return np.concatenate([np.c_[p[start[one]], p[end[one]]], np.c_[p[end[two]], p[start[two]]]])


def _plan_outline(meshes: Sequence[Mesh]) -> FloatArray:
    """Return points (n, 2) at most 0.03 mm apart on the outlines of all parts, seen from straight above.

    Between surfaces of one mesh that both face up (a flank and an oblique cut) their border is among them.
    """
    edges = np.concatenate([_outline_edges(mesh) for mesh in meshes])
    start, step = edges[:, :2], edges[:, 2:] - edges[:, :2]
    parts = np.maximum(np.ceil(np.linalg.norm(step, axis=1) / 0.03).astype(np.intp), 1)
    who = np.repeat(np.arange(len(start)), parts)
    t = (np.arange(len(who)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[who]
    return np.asarray(start[who] + t[:, None] * step[who])


def _plan_view(solids: Sequence[Solid], touching: npt.NDArray[np.bool_]) -> _Plan:
    """Return the view from above: exact for a plain piece apart from others, else by a fine raster."""
    count = len(solids)
    area, centre, seen = np.zeros(count), np.zeros((count, 2)), np.ones(count)
    fine = [i for i, s in enumerate(solids) if touching[i] or len(s.meshes) > 1]
    for i in set(range(count)) - set(fine):
        area[i], centre[i] = _area_and_centre(_outline_edges(solids[i].meshes[0]))
    if not fine:
        return _Plan(area, seen, centre)
    points = np.concatenate([m.points[:, :2] for i in fine for m in solids[i].meshes])
    low, high = points.min(0) - 1, points.max(0) + 1
    width, height = np.ceil((high - low) * _PLAN_PX_PER_MM).astype(int)
    f = rasterise([solids[i].meshes for i in fine], _FromAbove(low), int(width), int(height))
    pixels = np.maximum(_union_area(f, len(fine)), 1e-9)
    clear = _sum_by(f.piece, f.seen, len(fine))
    area[fine] = pixels / _PLAN_PX_PER_MM**2
    seen[fine] = np.minimum(clear / pixels, 1.0)
    place = np.stack([f.column + 0.5, f.row + 0.5], -1) / _PLAN_PX_PER_MM + low
    for k in range(2):
        centre[fine, k] = _sum_by(f.piece, f.seen * place[:, k], len(fine)) / np.maximum(clear, 1e-9)
    return _Plan(area, seen, centre)


def _area_and_centre(edges: FloatArray) -> tuple[float, FloatArray]:
    """Return area and centroid of closed contours (the shoelace formulas)."""
    a, b = edges[:, :2], edges[:, 2:]
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    area = float(cross.sum() / 2)
    return area, np.asarray(((a + b) * cross[:, None]).sum(0) / (6 * area))


def _touching(outlines: Sequence[FloatArray]) -> npt.NDArray[np.bool_]:
    """Return which pieces come within TOUCH_MM of another, seen from straight above."""
    from scipy.spatial import cKDTree

    owner = np.repeat(np.arange(len(outlines)), [len(o) for o in outlines])
    pairs = cKDTree(np.concatenate(outlines)).query_pairs(TOUCH_MM, output_type="ndarray")
    apart = owner[pairs[:, 0]] != owner[pairs[:, 1]]
    out = np.zeros(len(outlines), bool)
    out[owner[pairs[apart]].ravel()] = True
    return out


def _sum_by(piece: IntArray, value: FloatArray, count: int) -> FloatArray:
    return np.bincount(piece, value, count)[:count].astype(float)


def _union_area(fragments: Fragments, count: int) -> FloatArray:
    """Return the pixels each piece covers, its own parts not counted twice."""
    if len(fragments.piece) == 0:
        return np.zeros(count)
    width = int(fragments.column.max()) + 1
    key = (fragments.piece * (int(fragments.row.max()) + 1) + fragments.row) * width + fragments.column
    order = np.argsort(key, kind="stable")
    starts = np.nonzero(np.append(True, np.diff(key[order]) != 0))[0]
    cover = np.minimum(np.add.reduceat(fragments.cover[order], starts), 1.0)
    return _sum_by(fragments.piece[order][starts], cover, count)


def _feret(outline: FloatArray) -> tuple[float, float]:
    import cv2

    hull = cv2.convexHull(outline.astype(np.float32))[:, 0].astype(float)
    longest = float(np.linalg.norm(hull[:, None] - hull[None], axis=-1).max())
    edge = np.roll(hull, -1, 0) - hull
    edge = edge[np.linalg.norm(edge, axis=1) > 1e-6]
    normal = np.stack([-edge[:, 1], edge[:, 0]], -1) / np.linalg.norm(edge, axis=1, keepdims=True)
    return longest, float(np.ptp(hull @ normal.T, axis=0).min())


def _past(outline: FloatArray, limits: tuple[float, float, float, float]) -> bool:
    low, high = np.array(limits[:2]) + _BORDER_MM, np.array(limits[2:]) - _BORDER_MM
    return bool(((outline < low) | (outline > high)).any())


def _touching_image(labels: npt.NDArray[np.uint16], gap_px: float, count: int) -> npt.NDArray[np.bool_]:
    """Return which pieces have a pixel of another with at most `gap_px` of floor between."""
    met = np.zeros(count + 1, bool)
    rows, columns = np.nonzero(labels)
    if len(rows) == 0:
        return met[1:]
    reach = 1 + int(gap_px)
    box = labels[
        max(rows.min() - reach, 0) : rows.max() + reach + 1,
        max(columns.min() - reach, 0) : columns.max() + reach + 1,
    ]
    height, width = box.shape
    for dy in range(reach + 1):
        for dx in range(-reach, reach + 1):
            if (dy, dx) <= (0, 0) or np.hypot(dx, dy) - 1 > max(gap_px, 0.42):  # 0.42: diagonal neighbours
                continue
            a = box[: height - dy, max(0, -dx) : width - max(0, dx)]
            b = box[dy:, max(0, dx) : width + min(0, dx)]
            both = (a != b) & (a > 0) & (b > 0)
            met[a[both]] = met[b[both]] = True
    return met[1:]
