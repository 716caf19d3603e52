"""Closed triangle meshes, fine enough that their silhouettes are those of the exact shapes.

A mesh is a set of *surfaces* (flank with its rounded edge, cut face 0, cut face 1): shading differs across their
borders and nowhere else. Triangles are wound so that (b - a) x (c - a), computed on (x, y, h) as if that were a
right-handed frame, points outwards; seen from above such a triangle runs clockwise in the picture and its
shoelace area is positive.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

#: Codes of the part image.
BODY, TAIL, BURR, STRING, WEB = range(5)


@dataclass(frozen=True, eq=False)
class Mesh:
    """One closed part of a piece.

    Parameters
    ----------
    points : ndarray (V, 3), (x, y, h), mm.
    faces : ndarray (F, 3) of point numbers.
    edges : ndarray (E, 4): from point, to point, the face it runs along with, the face beyond (-1: none).
    surface : ndarray (F,), number of the surface within the mesh.
    normals : ndarray (V, 3), unit, outwards.
    part : code of what this is (BODY, TAIL, ...).
    """

    points: FloatArray
    faces: IntArray
    edges: IntArray
    surface: IntArray
    normals: FloatArray
    part: int = BODY

    def moved(self, turn: FloatArray, shift: npt.ArrayLike) -> Mesh:
        """Return the mesh turned by a proper rotation (3, 3) and then shifted."""
        return replace(
            self, points=self.points @ turn.T + np.asarray(shift, float), normals=self.normals @ turn.T
        )

    def seen_from_below(self) -> Mesh:
        """Return the mesh mirrored in h, as a scanner sees it through the glass, winding kept outwards."""
        flip = np.array([1.0, 1.0, -1.0])
        edges = self.edges[:, [1, 0, 2, 3]]
        return replace(
            self,
            points=self.points * flip,
            normals=self.normals * flip,
            faces=self.faces[:, ::-1],
            edges=edges,
        )

    @property
    def volume_mm3(self) -> float:
        """Return the enclosed volume, positive when wound outwards."""
        a, b, c = (self.points[self.faces[:, k]] for k in range(3))
        return float((a * np.cross(b, c)).sum() / 6)


def edges_of(faces: IntArray) -> IntArray:
    """Return each edge once, ndarray (E, 4): from, to, face along it, face against it (-1 where open)."""
    count = int(faces.max()) + 1
    start = faces.ravel()
    end = faces[:, [1, 2, 0]].ravel()
    face = np.repeat(np.arange(len(faces)), 3)
    key, opposite = start * count + end, end * count + start
    order = np.argsort(key)
    at = np.searchsorted(key[order], opposite)
    at = np.minimum(at, len(key) - 1)
    partner = order[at]
    beyond = np.where(key[partner] == opposite, face[partner], -1)
    keep = (beyond < 0) | (start < end)
    return np.stack([start, end, face, beyond], -1)[keep]


def smooth_normals(points: FloatArray, faces: IntArray) -> FloatArray:
    """Return area-weighted unit normals, ndarray (V, 3)."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    out = np.stack(
        [np.bincount(faces.ravel(), np.repeat(normal[:, k], 3), minlength=len(points)) for k in range(3)],
        -1,
    )
    return np.asarray(out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-300))


def _ring_faces(rings: int, around: int) -> IntArray:
    """Return triangles between consecutive closed rings of `around` points each."""
    i = np.arange(rings - 1)[:, None] * around
    j = np.arange(around)[None, :]
    a, b = i + j, i + (j + 1) % around
    c, d = a + around, b + around
    quads = (np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3))
    return np.concatenate(quads)


@lru_cache(maxsize=256)
def _barrel(rings: int, around: int) -> tuple[IntArray, IntArray, IntArray]:
    """Return faces, edges and surfaces of a barrel: rings (surface 0), then the two lids (1 and 2).

    A lid has points of its own: its centre, then a copy of its end ring, so that the flank's normals end there.
    """
    first = rings * around
    j = np.arange(around)
    near, far = first + 1 + j, first + around + 2 + j
    lids = (
        np.stack([np.full(around, first), near[(j + 1) % around], near], -1),
        np.stack([np.full(around, first + around + 1), far, far[(j + 1) % around]], -1),
    )
    flank = _ring_faces(rings, around)
    faces = np.concatenate([flank, *lids])
    surface = np.repeat([0, 1, 2], [len(flank), around, around])
    return faces, edges_of(faces), surface


def barrel(rings: FloatArray, part: int = BODY) -> Mesh:
    """Return the closed mesh of rings, ndarray (R, N, 3), with flat lids on the first and last.

    Rings must turn so that the sheet's +n towards +h is their sense for a barrel along +s; either is mended.
    """
    count, around, _ = rings.shape
    faces, edges, surface = _barrel(count, around)
    lids = [np.concatenate([ring.mean(0, keepdims=True), ring]) for ring in (rings[0], rings[-1])]
    points = np.concatenate([rings.reshape(-1, 3), *lids])
    mesh = Mesh(points, faces, edges, surface, points, part)
    if mesh.volume_mm3 < 0:
        mesh = replace(mesh, faces=faces[:, ::-1], edges=edges[:, [1, 0, 2, 3]])
    return replace(mesh, normals=smooth_normals(points, mesh.faces))


def tube(line: FloatArray, width: FloatArray, *, around: int = 14, part: int = TAIL) -> Mesh:
    """Return the mesh of a thread: a polyline (n, 3) with a width (n,) at each point."""
    along = np.gradient(line, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True) + 1e-12
    side = np.empty_like(line)
    u = np.cross(along[0], [0, 0, 1.0] if abs(along[0, 2]) < 0.9 else [1.0, 0, 0])
    for i, t in enumerate(along):  # carried along without twist
        u = u - t * (u @ t)
        u = u / (np.linalg.norm(u) + 1e-12)
        side[i] = u
    up = np.cross(along, side)
    angle = np.arange(around) * 2 * np.pi / around
    grow = 1 / np.sqrt(np.sinc(2 / around))  # polygon of the circle's area
    offset = np.cos(angle)[:, None] * side[:, None] + np.sin(angle)[:, None] * up[:, None]
    return barrel(line[:, None] + 0.5 * grow * width[:, None, None] * offset, part)


def hull(points: FloatArray, part: int = BODY) -> Mesh:
    """Return the convex hull of points (n, 3) with every face flat: a surface of its own."""
    from scipy.spatial import ConvexHull

    found: Any = ConvexHull(points)
    corners = points[found.simplices]  # (F, 3, 3): each face gets points of its own
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    inwards = (normal * (corners.mean(1) - points.mean(0))).sum(1) < 0
    corners[inwards] = corners[inwards][:, ::-1]
    normal[inwards] *= -1
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    faces = np.arange(3 * len(corners)).reshape(-1, 3)
    return Mesh(
        corners.reshape(-1, 3),
        faces,
        edges_of(faces),
        np.arange(len(faces)),
        np.repeat(normal, 3, axis=0),
        part,
    )


def lowest(meshes: Sequence[Mesh]) -> float:
    """Return the height of the lowest point of meshes, mm."""
    return min(float(m.points[:, 2].min()) for m in meshes)
