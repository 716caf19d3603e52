"""Lips on cut edges: rows of an end whose edge lies further out than the plane that the other rows lie in.

A lip, a feather or a collar only adds to an end, on a part of its edge. Fitted with the rest it passes for an oblique
cut, or for a rim seen from its side, and moves the end outwards. Which rows a lip may cover is found from where the
light of each row ends: of all runs of neighbouring rows the one without which the others lie best on one cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.measure.end_light import ROWS, EndLight
from traygauge.measure.solving import solved
from traygauge.measure.usual_cuts import Usual

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

#: What a lip costs beside the misfit of an end, in squares of standard deviations: that of 20 ends one carries a lip
#: (common practice) makes 6. And each row that it covers.
LIP_COST, _ROW_COST = 6.0, 1.0
_ROW_SD_MM = 0.015  # how far rows stray from their cut: no face is quite even (common practice)
_LEAST_MM = 0.05  # lower lips are roughness
_MOST_ROWS = 6  # of nine: what covers more cannot be told from a longer piece
_ROW = np.arange(len(ROWS))
#: The runs of rows (k, r) that a lip may cover.
_RUNS = np.stack(
    [(a <= _ROW) & (a + n > _ROW) for n in range(1, _MOST_ROWS + 1) for a in range(len(_ROW) - n + 1)]
)


@dataclass(frozen=True, eq=False)
class Lips:
    """Lips of e ends.

    Parameters
    ----------
    height_mm : ndarray (e,): how far they stand out of the end's outline; 0 where there is none.
    doubt_mm : ndarray (e,): standard uncertainty of where the end lies by there being a lip or none.
    view : ndarray (e,): t of a rim that would look as round as the end with its lip; NaN where there is none.
    """

    height_mm: FloatArray
    doubt_mm: FloatArray
    view: FloatArray

    @classmethod
    def none(cls, n: int) -> Lips:
        """Return n ends without lips."""
        return cls(np.zeros(n), np.zeros(n), np.full(n, np.nan))


def likely_lips(light: EndLight, beside: FloatArray, usual: Usual) -> tuple[IntArray, BoolArray, FloatArray]:
    """Return which ends likely carry a lip, the rows (r, e) that it covers, and out, m and t (3, e) of the others' cut.

    Parameters
    ----------
    beside : ndarray (r, e), the light beside each row.
    """
    edge, depth = edges(light, beside, usual)
    q = np.sqrt(np.maximum(light.radius**2 - light.v**2, 0))
    basis = np.stack([np.ones_like(q), light.v, q]).astype(float)
    none = np.zeros((1, len(_ROW)), bool)
    cost = _cuts_beside(none, edge, basis, depth, usual.slope_sd)[1][0]
    # beside a neighbour its shade and its own bits look like lips: of parted pieces fewer lengths would hold
    some = np.flatnonzero((cost > LIP_COST + _ROW_COST) & ~np.isfinite(light.known))
    cut, with_lip = _cuts_beside(_RUNS, edge[:, some], basis[..., some], depth[some], usual.slope_sd)
    best = with_lip.argmin(0)
    each = np.arange(len(some))
    found = with_lip[best, each] < cost[some]
    some, best, each = some[found], best[found], each[found]
    out, m, depth = cut[:, best, each]
    t = np.where(light.lean[some] < 0, -1, 1) * np.abs(depth)
    return some, _RUNS[best].T, np.stack([out, m, t])


def edges(light: EndLight, beside: FloatArray, usual: Usual) -> tuple[FloatArray, FloatArray]:
    """Return where each row's light ends (r, e), mm, NaN where it does not, and how deep the arc there is expected (e,).

    Of a face darker than half the flank it is the inner arc that is read, half-way between the two, else the outer one.
    """
    face = np.clip(usual.face, 0.0, 1.0)
    seen = ~light.dark & (light.lean < 0)
    inner = seen & (face < 0.5)
    level = np.where(inner, (1 + face) / 2, np.where(seen, face / 2, 0.5))
    level = np.where(light.dark, (1 + np.maximum(beside, 0)) / 2, level)
    above = (light.share > level.astype(np.float32)[:, None]) & (light.weight > 0)
    m = above.shape[1]
    last = m - 1 - above[:, ::-1].argmax(1)
    at, after = (
        np.take_along_axis(light.share, i[:, None], 1)[:, 0] for i in (last, np.minimum(last + 1, m - 1))
    )
    # what comes after may be a neighbour's, brighter even: no edge lies beyond it
    fall = np.clip((at - level) / np.maximum(at - after, 1e-6), 0.0, 1.0) * (light.s[1] - light.s[0])
    edge = np.take_along_axis(light.s, last, 0) + fall
    ends = above.any(1) & (last < m - 1)
    return np.where(ends, edge, np.nan), np.where(inner, light.lean, np.abs(light.lean)).astype(float)


def _cuts_beside(
    runs: BoolArray, edge: FloatArray, basis: FloatArray, depth: FloatArray, slope_sd: float
) -> tuple[FloatArray, FloatArray]:
    """Return the cuts (3, k, e) that fit edges (r, e) best beside each run of rows (k, r), and what they cost (k, e).

    `basis` (3, r, e) is what out, m and the arc's depth do; a lip whose rows do not stick out costs infinitely much.
    """
    seen = np.isfinite(edge)
    weight = (seen & ~runs[:, :, None]) / _ROW_SD_MM**2
    value = np.where(seen, edge, 0.0)
    held = np.array([1e-3, slope_sd**-2, slope_sd**-2])
    normal = np.einsum("ire,jre,kre->ijke", basis, basis, weight, optimize=True)
    normal += np.diag(held)[:, :, None, None]
    right = np.einsum("ire,kre->ike", basis * value, weight)
    right[2] += depth * held[2]
    cut = solved(normal.reshape(3, 3, -1), right.reshape(3, -1)).reshape(right.shape)
    off = value - np.einsum("ire,ike->kre", basis, cut)
    cost = (off**2 * weight).sum(1) + held[1] * (cut[1] ** 2 + (cut[2] - depth) ** 2)
    if runs.any():
        under = seen & runs[:, :, None]
        sticks_out = under.any(1) & (np.where(under, off, np.inf).min(1) > _LEAST_MM)
        cost = np.where(sticks_out, cost + LIP_COST + _ROW_COST * runs.sum(1)[:, None], np.inf)
    return cut, cost
