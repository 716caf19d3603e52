"""The exact area that polygons cover of each pixel.

Every oriented edge adds, to the pixel it crosses and all pixels right of it, the area between itself and them;
summed along a row that is the coverage, with no sampling at all. (The idea is that of outline-font rasterisers.)
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


def split_at_integers(edges: FloatArray, axis: int) -> tuple[FloatArray, IntArray]:
    """Return edges (n, 4: x0, y0, x1, y1) cut wherever coordinate `axis` (0 x, 1 y) is whole, and their origins."""
    start, end = edges[:, axis], edges[:, axis + 2]
    lo, hi = np.floor(start), np.floor(end)
    count = np.abs(hi - lo).astype(np.intp) + 1
    origin = np.repeat(np.arange(len(edges)), count)
    turn = np.cumsum(count) - count
    j = np.arange(len(origin)) - turn[origin]
    way = np.where(hi >= lo, 1.0, -1.0)[origin]
    # the j-th border met: lo + 1, lo + 2, ... going up; lo, lo - 1, ... going down
    border = lo[origin] + np.where(way > 0, j, 1 - j)
    span = (end - start)[origin]
    span = np.where(span == 0, 1.0, span)
    t0 = np.where(j == 0, 0.0, (border - start[origin]) / span)
    t1 = np.where(j == count[origin] - 1, 1.0, (border + way - start[origin]) / span)
    p, d = edges[origin, :2], (edges[:, 2:] - edges[:, :2])[origin]
    return np.concatenate([p + t0[:, None] * d, p + t1[:, None] * d], 1), origin


def edge_areas(edges: FloatArray) -> tuple[IntArray, IntArray, FloatArray, FloatArray, IntArray]:
    """Return what each edge adds where: column, row, to that pixel, to the next one, and the edge it came from.

    Parameters
    ----------
    edges : ndarray (n, 4), x0, y0, x1, y1 in pixel-edge coordinates (a pixel spans whole numbers). Contours that
        run clockwise in the picture (y down) cover positively.
    """
    rows, origin_rows = split_at_integers(edges, 1)
    cells, origin_cells = split_at_integers(rows, 0)
    x = (cells[:, 0] + cells[:, 2]) / 2
    y = (cells[:, 1] + cells[:, 3]) / 2
    drop = cells[:, 1] - cells[:, 3]
    keep = drop != 0
    column, row = np.floor(x[keep]).astype(np.intp), np.floor(y[keep]).astype(np.intp)
    right = x[keep] - column
    return column, row, drop[keep] * (1 - right), drop[keep] * right, origin_rows[origin_cells[keep]]


def polygon_coverage(
    edges: FloatArray, width: int, height: int, weight: FloatArray | None = None
) -> npt.NDArray[np.float32]:
    """Return the covered part of each pixel of a picture, ndarray (height, width), float32.

    Parameters
    ----------
    edges : ndarray (n, 4) of closed contours in pixel-edge coordinates (pixel centres plus one half); contours
        that overlap add up.
    weight : ndarray (n,), what each edge's contour counts for, 1 by default.
    """
    edges, kept = _between_rows(edges, 0.0, float(height))
    column, row, here, beyond, origin = edge_areas(edges)
    if weight is not None:
        counts = weight[kept][origin]
        here, beyond = here * counts, beyond * counts
    row = np.minimum(row, height - 1)
    left = np.clip(column, 0, width + 1)  # left of the picture: all of it is to the right
    here, beyond = np.where(column < 0, here + beyond, here), np.where(column < 0, 0.0, beyond)
    size = (width + 3) * height
    at = row * (width + 3) + left
    total = np.bincount(np.concatenate([at, at + 1]), np.concatenate([here, beyond]), size)
    # closed contours leave nothing over at a row's end, so the rows may be summed in one go
    return np.cumsum(total, out=total).reshape(height, width + 3)[:, :width].astype(np.float32)


def _between_rows(edges: FloatArray, low: float, high: float) -> tuple[FloatArray, IntArray]:
    """Return the parts of edges between two heights of the picture, and which edges they are of.

    What lies above or below covers nothing.
    """
    start, end = edges[:, 1], edges[:, 3]
    kept = np.nonzero((np.maximum(start, end) > low) & (np.minimum(start, end) < high))[0]
    edges = edges[kept]
    rise = edges[:, 3] - edges[:, 1]
    safe = np.where(rise == 0, 1.0, rise)
    ends = np.clip((np.clip(edges[:, 1::2], low, high) - edges[:, 1:2]) / safe[:, None], 0, 1)
    step = edges[:, 2:] - edges[:, :2]
    parts = [edges[:, :2] + ends[:, k : k + 1] * step for k in (0, 1)]
    return np.concatenate([np.stack([p[:, 0], np.clip(p[:, 1], low, high)], 1) for p in parts], axis=1), kept


def loop_edges(corners: FloatArray) -> FloatArray:
    """Return the edges (n, 4) of closed loops of corners, ndarray (..., k, 2)."""
    return np.concatenate([corners, np.roll(corners, -1, axis=-2)], -1).reshape(-1, 4)
