"""What the camera sees of which surface in which pixel.

Each surface that faces the camera becomes *fragments*, one per pixel it touches: the exact area it covers of the
pixel, the sixteen samples of the pixel it hits (for who hides whom), its mean normal and height there. Where one
piece alone lies in a pixel the exact areas count, so outlines are as sharp as the meshes; where pieces meet or
cross, the samples decide, front to back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.coverage import edge_areas
from traygauge_shared.scenes.mesh import Mesh

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_SUB = 4  # sample rows per pixel, and samples per such row; each row is shifted by a quarter sample
_SHIFT = (np.arange(_SUB) + 0.5) / _SUB
_BATCH_FACES = 60_000


class Projecting(Protocol):
    """A camera, as far as drawing needs it."""

    def project(self, points: npt.ArrayLike) -> FloatArray:
        """Return pixels of world points."""
        ...


@dataclass(frozen=True, eq=False)
class Fragments:
    """Surfaces in pixels, columns of equal length.

    `column`, `row`: the pixel; `piece` (from 0), `part`, `surface` (numbered over the piece); `cover`: exact area
    covered, 0..1, as if alone; `mask`: uint16 of samples hit; `normal` (n, 3); `height` mm; `seen`: area left
    visible, set by `resolve`.
    """

    column: IntArray
    row: IntArray
    piece: IntArray
    part: IntArray
    surface: IntArray
    cover: FloatArray
    mask: npt.NDArray[np.uint16]
    normal: FloatArray
    height: FloatArray
    seen: FloatArray

    def take(self, which: npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> Fragments:
        """Return the chosen fragments."""
        return Fragments(*(getattr(self, name)[which] for name in self.__dataclass_fields__))


@dataclass(frozen=True, eq=False)
class _Batch:
    """Meshes joined to single arrays, projected; `owner` numbers (mesh, surface) pairs."""

    pixels: FloatArray  # (V, 2) in pixel-edge coordinates
    value: FloatArray  # (V, 4): normal and height
    faces: IntArray
    edges: IntArray
    owner: IntArray  # (F,)
    owner_key: IntArray  # (owners, 3): piece, part, surface


def _join(meshes: Sequence[tuple[int, int, Mesh]], camera: Projecting) -> _Batch:
    points, normals, faces, edges, owner, keys = [], [], [], [], [], []
    v0 = f0 = o0 = 0
    for piece, number, mesh in meshes:
        points.append(mesh.points)
        normals.append(mesh.normals)
        faces.append(mesh.faces + v0)
        beyond = mesh.edges[:, 3]
        edges.append(
            np.stack(
                [mesh.edges[:, 0] + v0, mesh.edges[:, 1] + v0, mesh.edges[:, 2] + f0,
                 np.where(beyond < 0, -1, beyond + f0)],
                -1,
            )
        )  # fmt: skip
        count = int(mesh.surface.max()) + 1
        owner.append(mesh.surface + o0)
        keys.append(
            np.stack([np.full(count, piece), np.full(count, mesh.part), np.arange(count) + 1000 * number], -1)
        )
        v0, f0, o0 = v0 + len(mesh.points), f0 + len(mesh.faces), o0 + count
    world = np.concatenate(points)
    return _Batch(
        camera.project(world) + 0.5,
        np.concatenate([np.concatenate(normals), world[:, 2:]], 1),
        np.concatenate(faces),
        np.concatenate(edges),
        np.concatenate(owner),
        np.concatenate(keys),
    )


@dataclass(frozen=True, eq=False)
class _Atlas:
    """A small window of pixels for each owner, laid one after another in flat arrays."""

    x0: IntArray
    y0: IntArray
    width: IntArray
    start: IntArray
    size: int

    def at(self, owner: IntArray, column: IntArray, row: IntArray) -> IntArray:
        """Return the flat place of each owner's pixel."""
        return np.asarray(
            self.start[owner] + (row - self.y0[owner]) * self.width[owner] + column - self.x0[owner]
        )


def _atlas(batch: _Batch, front: npt.NDArray[np.bool_]) -> _Atlas:
    owners = len(batch.owner_key)
    corners = batch.pixels[batch.faces[front]]  # (F, 3, 2)
    owner = batch.owner[front]
    low = np.full((owners, 2), np.inf)
    high = np.full((owners, 2), -np.inf)
    np.minimum.at(low, owner, corners.min(1))
    np.maximum.at(high, owner, corners.max(1))
    none = ~np.isfinite(low[:, 0])
    low[none], high[none] = 0, -1
    first = np.floor(low).astype(np.intp) - 1
    last = np.floor(high).astype(np.intp) + 2
    width, height = np.where(none, 0, last[:, 0] - first[:, 0] + 1), last[:, 1] - first[:, 1] + 1
    area = np.where(none, 0, width * height)
    start = np.cumsum(area) - area
    return _Atlas(first[:, 0], first[:, 1], width, start, int(area.sum()))


def _front(batch: _Batch) -> npt.NDArray[np.bool_]:
    a, b, c = (batch.pixels[batch.faces[:, k]] for k in range(3))
    return np.asarray(
        (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]) > 0
    )


def _exact_cover(batch: _Batch, front: npt.NDArray[np.bool_], atlas: _Atlas) -> FloatArray:
    """Return the exact area covered in each atlas pixel."""
    start, end, along, beyond = batch.edges.T
    lit_along, lit_beyond = front[along], front[beyond] & (beyond >= 0)
    same = lit_along & lit_beyond & (batch.owner[along] == batch.owner[beyond])
    one, two = lit_along & ~same, lit_beyond & ~same
    p = batch.pixels
    edges = np.concatenate([np.c_[p[start[one]], p[end[one]]], np.c_[p[end[two]], p[start[two]]]])
    owner = np.concatenate([batch.owner[along[one]], batch.owner[beyond[two]]])
    column, row, here, right, origin = edge_areas(edges)
    at = atlas.at(owner[origin], column, row)
    total = np.bincount(at, here, atlas.size) + np.bincount(at + 1, right, atlas.size)
    return np.clip(np.cumsum(total), 0.0, 1.0)


def _spans(tri: FloatArray) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Return the sample spans of triangles (F, 3, 2): triangle, sample row, first sample, count."""
    y = tri[..., 1]
    first = np.ceil(y.min(1) * _SUB - 0.5).astype(np.intp)
    rows = np.maximum(np.ceil(y.max(1) * _SUB - 0.5).astype(np.intp) - first, 0)
    who = np.repeat(np.arange(len(tri)), rows)
    row = first[who] + np.arange(len(who)) - np.repeat(np.cumsum(rows) - rows, rows)
    level = (row + 0.5) / _SUB
    left, right = np.full(len(who), -np.inf), np.full(len(who), np.inf)
    for i in range(3):
        a, b = tri[:, i], tri[:, (i + 1) % 3]
        down = b[:, 1] - a[:, 1]
        swap = (down < 0)[:, None]  # both triangles of an edge compute it from the same end
        top, bottom = np.where(swap, b, a), np.where(swap, a, b)
        rise = np.where(down == 0, 1.0, bottom[:, 1] - top[:, 1])
        slope = (bottom[:, 0] - top[:, 0]) / rise
        x = top[who, 0] + slope[who] * (level - top[who, 1])
        left = np.where(down[who] < 0, np.maximum(left, x), left)
        right = np.where(down[who] > 0, np.minimum(right, x), right)
    shift = _SHIFT[row % _SUB]
    begin = np.ceil(left * _SUB - shift).astype(np.intp)
    count = np.maximum(np.ceil(right * _SUB - shift).astype(np.intp) - begin, 0)
    return who, row, begin, count


def _sampled(
    batch: _Batch, front: npt.NDArray[np.bool_], atlas: _Atlas
) -> tuple[npt.NDArray[np.uint16], FloatArray]:
    """Return the sample mask of each atlas pixel and the mean normal and height, ndarray (size, 4), there."""
    faces = batch.faces[front]
    owner = batch.owner[front]
    tri = batch.pixels[faces]
    who, row, begin, count = _spans(tri)
    # values are affine over a triangle: value = base + gx x + gy y
    e1, e2 = tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0]
    det = e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0]
    value = batch.value[faces]
    v1, v2 = value[:, 1] - value[:, 0], value[:, 2] - value[:, 0]
    gx = (v1 * e2[:, 1:] - v2 * e1[:, 1:]) / det[:, None]
    gy = (v2 * e1[:, :1] - v1 * e2[:, :1]) / det[:, None]
    base = value[:, 0] - gx * tri[:, 0, :1] - gy * tri[:, 0, 1:]
    # a span is cut at pixel borders into cells: so many samples of one row of one pixel
    some = np.nonzero(count)[0]
    first = begin[some] // _SUB
    pixels = (begin[some] + count[some] - 1) // _SUB - first + 1
    span = np.repeat(some, pixels)
    column = np.arange(len(span)) + np.repeat(first - (np.cumsum(pixels) - pixels), pixels)
    low = np.maximum(begin[span] - column * _SUB, 0)
    high = np.minimum(begin[span] + count[span] - column * _SUB, _SUB)
    face, line = who[span], row[span]
    at = atlas.at(owner[face], column, line // _SUB)
    hit = np.zeros((atlas.size, _SUB * _SUB), bool)
    for k in range(_SUB):
        has = (low <= k) & (k < high)
        hit[at[has], (line[has] % _SUB) * _SUB + k] = True
    mask = np.packbits(hit, axis=1, bitorder="little").view(np.uint16).ravel()
    x = column + ((low + high - 1) / 2 + _SHIFT[line % _SUB]) / _SUB
    y = (line + 0.5) / _SUB
    number = (high - low).astype(float)
    total = np.bincount(at, number, atlas.size)
    mean = np.empty((atlas.size, 4))
    for c in range(4):
        mean[:, c] = np.bincount(at, number * (base[face, c] + gx[face, c] * x + gy[face, c] * y), atlas.size)
    return mask, mean / np.maximum(total, 1)[:, None]


def _fragments(batch: _Batch) -> Fragments:
    front = _front(batch)
    atlas = _atlas(batch, front)
    cover = _exact_cover(batch, front, atlas)
    mask, mean = _sampled(batch, front, atlas)
    at = np.nonzero((mask != 0) | (cover > 1e-3))[0]
    owner = np.searchsorted(atlas.start, at, side="right") - 1
    thin = mask[at] == 0  # slivers that no sample hits borrow from a neighbour
    for step in (np.ones_like(owner), -np.ones_like(owner), atlas.width[owner], -atlas.width[owner]):
        near = np.clip(at + step, 0, atlas.size - 1)
        lend = thin & (mask[near] != 0)
        mean[at[lend]] = mean[near[lend]]
        thin &= ~lend
    at, owner = at[~thin], owner[~thin]
    local = at - atlas.start[owner]
    width = atlas.width[owner]
    normal = mean[at, :3]
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    piece, part, surface = batch.owner_key[owner].T
    return Fragments(
        atlas.x0[owner] + local % width,
        atlas.y0[owner] + local // width,
        piece,
        part,
        surface,
        cover[at],
        mask[at],
        normal,
        mean[at, 3],
        cover[at],
    )


def rasterise(pieces: Sequence[Sequence[Mesh]], camera: Projecting, width: int, height: int) -> Fragments:
    """Return the fragments of all pieces inside a frame, `resolve`d.

    Parameters
    ----------
    pieces : the meshes of each piece, in world coordinates.
    """
    batches: list[list[tuple[int, int, Mesh]]] = [[]]
    load = 0
    for i, meshes in enumerate(pieces):
        for number, mesh in enumerate(meshes):
            batches[-1].append((i, number, mesh))
            load += len(mesh.faces)
        if load > _BATCH_FACES:
            batches.append([])
            load = 0
    found = [_fragments(_join(batch, camera)) for batch in batches if batch]
    if not found:
        return _none()
    all_of = Fragments(
        *(np.concatenate([getattr(f, name) for f in found]) for name in Fragments.__dataclass_fields__)
    )
    inside = (all_of.column >= 0) & (all_of.row >= 0) & (all_of.column < width) & (all_of.row < height)
    return resolve(all_of.take(inside), width)


def _none() -> Fragments:
    i, f = np.zeros(0, np.intp), np.zeros(0)
    return Fragments(i, i, i, i, i, f, np.zeros(0, np.uint16), np.zeros((0, 3)), f, f)


def resolve(fragments: Fragments, width: int) -> Fragments:
    """Return the fragments with `seen` set, ordered by pixel: who hides whom.

    Rays run nearly straight down, so along one of them the higher surface is the nearer.
    """
    pixel = fragments.row * width + fragments.column
    order = np.lexsort((-fragments.height, pixel))
    f, pixel = fragments.take(order), pixel[order]
    if len(pixel) == 0:
        return f
    new = np.append(True, pixel[1:] != pixel[:-1])
    group = np.cumsum(new) - 1
    first = np.nonzero(new)[0]
    thing = f.piece * 8 + f.part
    shared = np.bincount(group, thing != thing[first][group]) > 0
    rank = np.arange(len(pixel)) - first[group]
    mixed = shared[group]
    seen = f.cover.copy()
    taken = np.zeros(len(first), np.uint16)
    for r in range(int(rank[mixed].max()) + 1 if mixed.any() else 0):
        now = np.nonzero(mixed & (rank == r))[0]
        free = f.mask[now] & ~taken[group[now]]
        seen[now] = np.bitwise_count(free) / 16
        taken[group[now]] |= f.mask[now]
    return Fragments(f.column, f.row, f.piece, f.part, f.surface, f.cover, f.mask, f.normal, f.height, seen)
