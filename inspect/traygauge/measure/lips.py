"""Lips on cut edges: rows of an end whose edge lies further out than the plane that the other rows lie in.

A lip, a feather or a collar only adds to an end, on a part of its edge. Fitted with the rest it passes for an oblique
cut, or for a rim seen from its side, and moves the end outwards. Where the light of each row ends is held against lips
of many places and widths: what rows say is seldom enough to choose one, so that each counts by how likely it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.measure.end_light import ROWS, EndLight
from traygauge.measure.solving import solved

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_SHARE = 0.05  # of ends that carry a lip (common practice)
_HEIGHT_MM = 0.25, 0.15  # of lips, and their spread (common practice)
#: How far rows stray from their cut: no face is quite even, and edges are read to so many blurs (rendered trays); and
#: those of a lip from its shape.
_ROW_MM, _ROW_BLURS, _LIP_ROW_MM = 0.006, 0.1, 0.015
#: What stands out further is a face half lost in the dark, or a thread.
HIGHEST_OF_DIAMETER = 0.3
_SHADE = 0.02  # what rows of one end may differ by in the light beside them, before it is a lip's
_OF_SHADE = 1.25  # blurs between the levels half-way to a full shade and to none: sqrt(2 pi) / 2
_WILD = 4.0  # standard deviations that the slope of a cut below a lip may stray by: beyond that it is no lip
_EITHER_ARC = 0.3  # how far rows stray where they may be read at either arc, in shares of its depth
LEAST_MM = 0.05  # lower lips are roughness
_UNEVEN = 0.15  # how uneven lips are, in shares of their height (common practice)
_ON_ONE_CUT = 6.0  # squares of standard deviations below which rows lie on one cut, whatever a lip would do
_LIKELY = 0.05  # less likely lips are none
#: Lips lie around so many places of the rim, reach so far to both sides, degrees, and fall off to these as an ellipse does.
_PLACES, _REACHES = np.linspace(0.0, 180.0, 9), (25.0, 40.0, 55.0, 70.0)
#: Or they are as high all over a run of rows. Of nine they cover so many at the most: what covers more cannot be told from
#: a longer piece.
_MOST_ROWS = 7


def _kinds() -> FloatArray:
    """Return how high lips of all kinds are on each row (k, r), in shares of their height; the first is none."""
    angle = np.degrees(np.arccos(ROWS))  # the rim is seen from its side: twice at each place
    off = np.stack([np.minimum(np.abs(angle - p), np.minimum(angle + p, 360 - angle - p)) for p in _PLACES])
    tapering = [np.sqrt(np.clip(1 - (off / reach) ** 2, 0, None)) for reach in _REACHES]
    row = np.arange(len(ROWS))
    even = [(row >= a) & (row < b) for b in row + 1 for a in range(b)]
    kinds = np.concatenate([np.zeros((1, len(ROWS))), *tapering, np.array(even, float)])
    return np.asarray(kinds[(kinds > 0).sum(1) <= _MOST_ROWS])


_KINDS = _kinds()


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


@dataclass(frozen=True, eq=False)
class LikelyLips:
    """What k ends may carry, over all lips that explain where their rows end.

    Parameters
    ----------
    ends : ndarray (k,), which they are.
    none : ndarray (k,), the probability that they carry no lip.
    height_mm, u_height_mm : ndarray (r, k): how far a lip stands out on each row, if there is one, and how uncertain that is.
    cut : ndarray (3, k): out, m and t of the cut below it.
    spread_mm : ndarray (k,): how far likely lips differ in where that cut lies, a standard deviation.
    """

    ends: IntArray
    none: FloatArray
    height_mm: FloatArray
    u_height_mm: FloatArray
    cut: FloatArray
    spread_mm: FloatArray


def likely_lips(
    light: EndLight, beside: FloatArray, face: FloatArray, view: FloatArray, slope_sd: float
) -> LikelyLips:
    """Return which ends may well carry a lip, and what it may be.

    Parameters
    ----------
    beside, face : ndarray (r, e), (e,): the light beside each row, and how bright the cut faces are (`edges`).
    view : ndarray (e,): t of the rims, negative where a face is seen.
    slope_sd : standard deviation of the tangents of the cuts' angles from square.
    """
    # a lip passes in part for shade beside its rows, and shade for a lip: half-way to either is a part of the blur
    shade = np.minimum(beside, np.median(beside, 0) + _SHADE)
    edge, depth = edges(light, shade, face)
    doubt = np.where(light.dark, _OF_SHADE * light.blur * (beside - shade), 0.0)
    # of a grey face, lit unevenly, some rows' edges are read at its outer arc and others at the inner one
    grey = 4 * np.clip(face, 0.0, 1.0) * np.clip(1 - face, 0.0, 1.0)
    either = _EITHER_ARC * np.maximum(-view, 0) * light.radius * grey**4
    row = np.sqrt(_ROW_MM**2 + (_ROW_BLURS * light.blur) ** 2 + either**2 + doubt**2)
    cost = _explained(_KINDS[:1], edge, light, depth, row, slope_sd)[2][0]
    # beside a neighbour its shade and its own bits look like lips: of parted pieces fewer lengths would hold
    some = np.flatnonzero(~np.isfinite(light.known) & (cost > _ON_ONE_CUT))
    light = light.of(some)
    cut, evidence, _ = _explained(_KINDS, edge[:, some], light, depth[some], row[:, some], slope_sd)
    evidence[0] += np.log((1 - _SHARE) / _SHARE * (len(_KINDS) - 1))
    likely = np.exp(evidence - evidence.max(0))
    likely /= likely.sum(0)
    may = np.flatnonzero(likely[0] < 1 - _LIKELY)
    likely, cut = likely[:, may], cut[:, 1:, may]
    share = likely[1:] / (1 - likely[0])
    height = _KINDS[1:].T @ (share * cut[3])
    spread_of_height = (_KINDS[1:] ** 2).T @ (share * cut[3] ** 2) - height**2
    u_height = np.sqrt(np.maximum(spread_of_height, 0) + (_UNEVEN * height) ** 2)
    mean = (share * cut).sum(1)
    spread = np.sqrt((share * (cut[0] - mean[0]) ** 2).sum(0))
    mean[2] = np.where(light.lean[may] < 0, -1, 1) * np.abs(mean[2])
    return LikelyLips(some[may], likely[0], height, u_height, mean[:3], spread)


def edges(light: EndLight, beside: FloatArray, face: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where each row's light ends (r, e), mm, NaN where it does not, and how deep the arc there is expected (e,).

    Of a face darker than half the flank it is the inner arc that is read, half-way between the two, else the outer one.
    """
    face = np.clip(face, 0.0, 1.0)
    seen = ~light.dark & (light.lean < 0)
    inner = seen & (face < 0.5)
    level = np.where(inner, (1 + face) / 2, np.where(seen, face / 2, 0.5))
    level = np.where(light.dark, (1 + np.maximum(beside, 0)) / 2, level)
    below = light.share <= level.astype(np.float32)[:, None]
    # a lip may hang below the face, so that its light lies beyond a gap: the first fall ends the body
    falls = below.copy()
    falls[:, :-1] &= below[:, 1:]
    after = np.where(falls.any(1), falls.argmax(1), 0)
    last = np.maximum(after - 1, 0)
    at, past, weight = (
        np.take_along_axis(values, i[:, None], 1)[:, 0]
        for values, i in ((light.share, last), (light.share, after), (light.weight, last))
    )
    fall = (at - level) / np.maximum(at - past, 1e-6) * (light.s[1] - light.s[0])
    edge = np.take_along_axis(light.s, last, 0) + fall
    depth = np.where(inner, light.lean, np.abs(light.lean))
    return np.where((after > 0) & (weight > 0), edge, np.nan), depth.astype(float)


def _explained(
    kinds: FloatArray,
    edge: FloatArray,
    light: EndLight,
    depth: FloatArray,
    row_mm: FloatArray,
    slope_sd: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return out, m, t and the lip's height (4, k, e) that fit edges (r, e) best, each lip's log evidence, and its cost (k, e).

    All is expected by normal distributions, so that the evidence is exact: the cost, squares of standard deviations, and
    the volume that the parameters may lie in.
    """
    seen = np.isfinite(edge)
    value = np.where(seen, edge, 0.0)
    bare = row_mm**-2.0
    under = 1 / (1 / bare + _LIP_ROW_MM**2)
    covers = (kinds > 0).astype(float)

    def summed(
        over: FloatArray, bare: FloatArray = bare * seen, under: FloatArray = under * seen
    ) -> FloatArray:
        return np.asarray((bare * over).sum(0) + covers @ ((under - bare) * over))

    v = light.v.astype(float)
    basis = np.ones_like(v), v, np.sqrt(np.maximum(light.radius.astype(float) ** 2 - v**2, 0))
    held = np.array([1e-3, slope_sd**-2, slope_sd**-2, _HEIGHT_MM[1] ** -2])
    expected = np.stack(np.broadcast_arrays(0.0, 0.0, depth, _HEIGHT_MM[0]))[:, None]
    normal = np.empty((4, 4, len(kinds), edge.shape[1]))
    right = np.empty(normal.shape[1:])
    for i, one in enumerate(basis):
        for j, other in enumerate(basis[: i + 1]):
            normal[i, j] = normal[j, i] = summed(one * other)
        normal[i, 3] = normal[3, i] = kinds @ (under * seen * one)
        right[i] = summed(one * value)
    normal[3, 3], right[3] = kinds**2 @ (under * seen), kinds @ (under * value)
    normal += np.diag(held)[:, :, None, None]
    right += held[:, None, None] * expected
    best = solved(normal.reshape(4, 4, -1), right.reshape(4, -1)).reshape(right.shape)
    cost = summed(value**2) + (held[:, None, None] * expected**2).sum(0) - (right * best).sum(0)
    volume = np.linalg.slogdet(normal.transpose(2, 3, 0, 1))[1] - summed(
        seen.astype(float), np.log(bare), np.log(under)
    )
    possible = (best[3] > LEAST_MM) & (best[3] < HIGHEST_OF_DIAMETER * 2 * light.radius)
    possible &= np.abs(best[2] - depth) < _WILD * slope_sd
    possible |= covers.sum(1)[:, None] == 0
    return best, np.where(possible, -0.5 * (cost + volume), -np.inf), cost
