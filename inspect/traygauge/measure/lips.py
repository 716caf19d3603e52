"""Lips on cut edges: rows of an end whose edge lies further out than the plane that the other rows lie in.

A lip, a feather or a collar only adds to an end, on a part of its edge. Fitted with the rest it passes for an oblique
cut, or for a rim seen from its side, and moves the end outwards. So where the light of each row ends is held against
lips of many places and widths, each counting by how likely it is beside a cut without one. How far rows stray from a
cut, and how often by more than that, is learnt from the photo's own ends: in noise rows stray as far as lips stand out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from traygauge.measure.end_light import ROWS, EndLight
from traygauge.measure.solving import solved, solved_with_volume

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

LEAST_MM = 0.05  # what a lip lifts a row by, before it is read as a lip's
#: Ends that show what is usual of rows beside those of a photo, which may be few: how many, how far their rows stray, mm
#: and blurs, and how many of them carry a lip (all common practice).
_ENDS, _STRAY_MM, _STRAY_BLURS, _LIPS = 20, 0.006, 0.1, 2
_UNSURE_MM = 0.01  # about how far rows stray, before a photo has been looked at
_EVEN_MM = 0.004  # no face is more even
#: Squares of standard deviations by which rows lie off one cut (of nine rows six are free) from which on an end may carry a
#: lip, and from which on something is the matter with it.
_MAYBE, _ODD = 12.0, 45.0
_FEW_ROWS = 5  # rows that end, below which nothing is said of lips
_HEIGHT_MM = 0.25, 0.12  # of lips, and their spread (common practice)
_LIP_MM = 0.015  # how far rows of a lip stray from its shape
_HIGHEST_OF_DIAMETER = 0.3  # what stands out further is a face half lost in the dark, or a thread
_WILD = 4.0  # standard deviations that the slope of a cut below a lip may stray by: beyond that it is no lip
_MISREAD, _MISREAD_MM = 0.05, 0.3  # of how many ends one or two rows are read wrongly, and by how much
_SHADE_MM = 0.05  # what lies further out by the light beside other rows is no lip's shade, but a shadow's
_EITHER_ARC = 0.3  # how far rows stray where they may be read at either arc, in shares of its depth
_MOST_ROWS = 7  # of nine, that a lip as high all over may cover: more cannot be told from a longer piece
#: Lips lie around so many places of the rim, reach so far to both sides, degrees, and fall off to these as an ellipse does.
_PLACES, _REACHES = np.linspace(0.0, 180.0, 13), (25.0, 35.0, 45.0, 57.0, 70.0)
_SHARES = 0.7, 0.3  # of lips that fall off, and of those as high all over
#: Rows that a cut takes, its slopes being held; and the median of the mean of the squares of the others.
_HELD_BY, _MEDIAN = 2.5, 0.9
_ROUND = 0.5  # how far the view of a rim strays that may look round (as that of a leaning piece)
_NOISY = (1.0, 0.9), (2.0, 0.1)  # how many times as far as usual rows stray, and of how many ends


def _runs(most: int) -> FloatArray:
    """Return all runs of at most so many neighbouring rows (k, r)."""
    row = np.arange(len(ROWS))
    return np.array(
        [(row >= a) & (row < a + n) for n in range(1, most + 1) for a in range(len(row) - n + 1)], float
    )


def _tapering() -> FloatArray:
    """Return how high tapering lips are on each row (k, r), in shares of their height."""
    angle = np.degrees(np.arccos(ROWS))  # the rim is seen from its side: twice at each place
    off = np.stack([np.minimum(np.abs(angle - p), np.minimum(angle + p, 360 - angle - p)) for p in _PLACES])
    lips = np.concatenate([np.sqrt(np.clip(1 - (off / reach) ** 2, 0, None)) for reach in _REACHES])
    return np.asarray(lips[lips.any(1)])


_WRONG = _runs(2)
_SHAPES = (_tapering(), _runs(_MOST_ROWS))
#: What an end may look like, k kinds: a plain cut, one of which some rows are misread, and lips. How high a lip is on each
#: row (k, r), in shares of its height, and which rows are misread.
_HEIGHTS = np.concatenate([np.zeros((1 + len(_WRONG), len(ROWS))), *_SHAPES])
_WRONGLY = np.concatenate([np.zeros((1, len(ROWS))), _WRONG, np.zeros((sum(map(len, _SHAPES)), len(ROWS)))])
#: Which of all kinds, at usual ends and at noisy ones, carry no lip, and the logarithms of how likely each is among those that
#: carry none and among those that do.
_BARE = np.tile(np.arange(len(_HEIGHTS)) <= len(_WRONG), len(_NOISY))
_LIKELY = np.add.outer(
    np.log([share for _, share in _NOISY]),
    np.concatenate(
        [
            [np.log(1 - _MISREAD)],
            np.log(_MISREAD / len(ROWS)) + np.log(0.5) * (_WRONG.sum(1) - 1),
            *(
                np.full(len(lips), np.log(share / len(lips)))
                for lips, share in zip(_SHAPES, _SHARES, strict=True)
            ),
        ]
    ),
).ravel()


@dataclass(frozen=True, eq=False)
class Lips:
    """Lips of e ends.

    Parameters
    ----------
    height_mm : ndarray (e,): how far they stand out of the end's outline; 0 where there is none.
    doubt_mm : ndarray (e,): standard uncertainty of where the end lies by there being a lip or none.
    view : ndarray (e,): t of a rim that would look as round as the end with its lip; NaN where there is none, until what the
        end was first taken for stands there.
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
    ends : ndarray (k,), which they are; edge : ndarray (r, k), mm, where their rows end.
    none : ndarray (k,), the probability that they carry no lip.
    height_mm : ndarray (r, k): how far a lip stands out on each row, if there is one.
    cut : ndarray (3, k): out, m and t of the cut below it.
    view : ndarray (k,): t of a rim that would look as round as the end with its lip.
    spread_mm : ndarray (k,): how far likely lips differ in where that cut lies, a standard deviation.
    """

    ends: IntArray
    edge: FloatArray
    none: FloatArray
    height_mm: FloatArray
    cut: FloatArray
    spread_mm: FloatArray
    view: FloatArray

    def of(self, some: IntArray) -> LikelyLips:
        """Return what some of them may carry."""
        return LikelyLips(*(getattr(self, f.name).take(some, -1) for f in fields(self)))


@dataclass(frozen=True, eq=False)
class Rows:
    """Where the light of e ends' r rows ends.

    Parameters
    ----------
    edge : ndarray (r, e), mm, NaN where it does not.
    basis : ndarray (3, r, e): how far edges move outwards with out, m and t.
    depth : ndarray (e,), t as it is expected.
    doubt : ndarray (r, e), mm: how far a row strays that may be read at either arc, a standard deviation.
    told : ndarray (e,), bool: whether rows say anything of lips.
    """

    edge: FloatArray
    basis: FloatArray
    depth: FloatArray
    doubt: FloatArray
    told: BoolArray

    def of(self, some: IntArray) -> Rows:
        """Return the rows of some ends."""
        return Rows(*(getattr(self, f.name).take(some, -1) for f in fields(self)))

    @classmethod
    def joined(cls, parts: Sequence[Rows]) -> Rows:
        """Return the rows of all ends."""
        return cls(*(np.concatenate([getattr(part, f.name) for part in parts], -1) for f in fields(cls)))


@dataclass(frozen=True)
class UsualRows:
    """What is usual of rows in a photo.

    Parameters
    ----------
    stray_mm : how far rows stray from a cut, a standard deviation; lips : the share of ends that carry a lip.
    """

    stray_mm: float
    lips: float


def usual_rows(rows: Rows, slope_sd: float, blur_mm: float) -> UsualRows:
    """Return what is usual in a photo of some blur by the rows of its ends.

    Parameters
    ----------
    slope_sd : standard deviation of the tangents of the cuts' angles from square.
    """
    stray = float(np.hypot(_STRAY_MM, _STRAY_BLURS * blur_mm))
    others = np.full(_ENDS, stray**2)
    for sd in (_UNSURE_MM, None):
        sd = stray if sd is None else sd
        squares = sd**2 * _one_cut(rows, np.full_like(rows.edge, sd), slope_sd)[2]
        stray = max(_EVEN_MM, float(np.sqrt(np.median(np.append(squares, others)) / _MEDIAN)))
    _, cost, _ = _one_cut(rows, np.hypot(stray, rows.doubt), slope_sd)
    return UsualRows(stray, float(((cost > _ODD) & rows.told).sum() + _LIPS) / float(rows.told.sum() + _ENDS))


def likely_lips(light: EndLight, rows: Rows, usual: UsualRows, slope_sd: float) -> LikelyLips:
    """Return which ends may well carry a lip, and what it may be.

    Parameters
    ----------
    slope_sd : standard deviation of the tangents of the cuts' angles from square.
    """
    _, cost, _ = _one_cut(rows, np.hypot(usual.stray_mm, rows.doubt), slope_sd)
    some = np.flatnonzero(rows.told & (cost > _MAYBE))
    rows, light = rows.of(some), light.of(some)
    explained = [
        _explained(rows, np.hypot(times * usual.stray_mm, rows.doubt), slope_sd) for times, _ in _NOISY
    ]
    cut, evidence = (np.concatenate(x, -2) for x in zip(*explained, strict=True))
    possible = (cut[3] > 0) & (cut[3] < _HIGHEST_OF_DIAMETER * 2 * light.radius)
    possible &= np.abs(cut[2] - rows.depth) < _WILD * slope_sd
    expected = _LIKELY + np.where(_BARE, np.log(1 - usual.lips), np.log(usual.lips))
    evidence = np.where(possible | _BARE[:, None], evidence + expected[:, None], -np.inf)
    likely = np.exp(evidence - evidence.max(0))
    likely /= likely.sum(0)
    none = likely[_BARE].sum(0)
    each, cut = likely[~_BARE] / np.maximum(1 - none, 1e-12), cut[:, ~_BARE]
    mean = (each * cut).sum(1)
    spread = np.sqrt((each * (cut[0] - mean[0]) ** 2).sum(0))
    mean[2] = np.where(light.lean < 0, -1, 1) * np.abs(mean[2])
    look = _one_cut(rows, np.hypot(usual.stray_mm, rows.doubt), slope_sd, _ROUND)[0][2]
    heights = np.concatenate([_HEIGHTS] * len(_NOISY))[~_BARE]
    return LikelyLips(some, rows.edge, none, heights.T @ (each * cut[3]), mean[:3], spread, look)


def edges(light: EndLight, level: FloatArray) -> FloatArray:
    """Return where the light of each row (r, e) ends, mm, NaN where it does not, or where a neighbour hides it.

    That is where the one step lies that most places agree with: up to there most more lie above the level than below.
    """
    seen = light.weight > 0
    over = (light.share > level.astype(np.float32)[:, None]) & seen
    more = np.cumsum(2 * over.view(np.int8) - seen.view(np.int8), 1, dtype=np.int16)
    last = more.argmax(1)
    after = np.minimum(last + 1, more.shape[1] - 1)

    def at(values: npt.NDArray[np.float32], place: IntArray) -> npt.NDArray[np.float32]:
        return np.take_along_axis(values, place[:, None], 1)[:, 0]

    before, past = at(light.share, last), at(light.share, after)
    fall = np.clip((before - level) / np.maximum(before - past, 1e-6), 0.0, 1.0) * (light.s[1] - light.s[0])
    ends = (last > 0) & (after > last) & (at(light.weight, last) > 0) & (at(light.weight, after) > 0)
    return np.where(ends, np.take_along_axis(light.s, last, 0) + fall, np.nan)


def read_rows(light: EndLight, p: FloatArray, beside: FloatArray, face: FloatArray) -> Rows:
    """Return where rows end.

    Where a face is seen that is darker than half the flank it is the inner arc that is read, half-way between the two,
    else the outer one. The flank may be darker beside some rows than beside others, the face is not.

    Parameters
    ----------
    p : ndarray (4, e), the ends as they were fitted; beside : ndarray (r, e), the light beside each row.
    face : ndarray (e,): how bright the cut faces are expected.
    """
    view = p[2]
    face = np.where(view < 0, p[3], face)
    seen = ~light.dark & (light.lean < 0)
    face = np.clip(np.where(seen, face * light.even, face), 0.0, 1.0)
    inner = seen & (face < 0.5)
    level = np.where(inner, (1 + face) / 2, np.where(seen, face / 2, 0.5))
    level = np.where(light.dark, (1 + np.maximum(beside, 0)) / 2, level)
    radius, v = light.radius.astype(float), light.v.astype(float)
    q = np.sqrt(np.maximum(radius**2 - v**2, 0))
    basis = np.stack([np.ones_like(v), v, np.where(seen & ~inner, -q, q)])
    depth = np.where(light.dark, np.abs(light.lean), light.lean).astype(float)
    doubt = _EITHER_ARC * np.maximum(-view, 0) * radius * (4 * face * (1 - face)) ** 4
    edge = edges(light, level)
    if light.dark.any():  # a lip passes in part for shade beside its rows
        least = np.where(light.dark, (1 + np.maximum(np.sort(beside, 0)[1], 0)) / 2, np.inf)
        further = edges(light, np.minimum(level, least))
        off = np.abs(np.nan_to_num(further - edge))
        edge, doubt = further, np.hypot(doubt, np.where(off > _SHADE_MM, off / 2, 0.0))
    # beside a neighbour its shade and its own bits look like lips: of parted pieces fewer lengths would hold
    told = (np.isfinite(edge).sum(0) >= _FEW_ROWS) & ~np.isfinite(light.known)
    return Rows(edge, basis, depth, doubt, told)


def _one_cut(
    rows: Rows, sd: FloatArray, slope_sd: float, view_sd: float | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the cut (3, e) that fits all rows best, what it costs (e,), squares of standard deviations, and each free row's part.

    Its slopes stray by `slope_sd`, up and down by `view_sd` if that is given.
    """
    seen = np.isfinite(rows.edge)
    value, weight = np.where(seen, rows.edge, 0.0), seen / sd**2
    held = np.array([1e-3, slope_sd**-2, (view_sd or slope_sd) ** -2])
    normal = np.einsum("ire,jre,re->ije", rows.basis, rows.basis, weight) + np.diag(held)[..., None]
    right = np.einsum("ire,re->ie", rows.basis, value * weight)
    right[2] += rows.depth * held[2]
    cut = solved(normal, right)
    squares = ((value - np.einsum("ire,ie->re", rows.basis, cut)) ** 2 * weight).sum(0)
    cost = squares + held[1] * cut[1] ** 2 + held[2] * (cut[2] - rows.depth) ** 2
    return cut, cost, squares / np.maximum(seen.sum(0) - _HELD_BY, 1.0)


def _explained(rows: Rows, sd: FloatArray, slope_sd: float) -> tuple[FloatArray, FloatArray]:
    """Return out, m, t and the lip's height (4, k, e) by which each kind of end explains rows best, and its log evidence.

    All is expected by normal distributions, so that the evidence (k, e) is exact: the cost, squares of standard
    deviations, and the volume that the parameters may lie in.
    """
    covers = (_HEIGHTS > 0).astype(float)
    seen = np.isfinite(rows.edge)
    value = np.where(seen, rows.edge, 0.0)
    bare, under, wrong = (seen / (sd**2 + more**2) for more in (0.0, _LIP_MM, _MISREAD_MM))

    def summed(over: FloatArray, bare: FloatArray, under: FloatArray, wrong: FloatArray) -> FloatArray:
        """Return the sums over rows, each as it is, as a lip's, or as misread."""
        return np.asarray(
            (bare * over).sum(0) + covers @ ((under - bare) * over) + _WRONGLY @ ((wrong - bare) * over)
        )

    def weighed(over: FloatArray) -> FloatArray:
        return summed(over, bare, under, wrong)

    normal = np.empty((4, 4, len(_HEIGHTS), rows.edge.shape[1]))
    right = np.empty(normal.shape[1:])
    for i, one in enumerate(rows.basis):
        for j, other in enumerate(rows.basis[: i + 1]):
            normal[i, j] = normal[j, i] = weighed(one * other)
        normal[i, 3] = normal[3, i] = _HEIGHTS @ (under * one)
        right[i] = weighed(one * value)
    normal[3, 3], right[3] = _HEIGHTS**2 @ under, _HEIGHTS @ (under * value)
    held = np.array([1e-3, slope_sd**-2, slope_sd**-2, _HEIGHT_MM[1] ** -2])
    expected = np.stack(np.broadcast_arrays(0.0, 0.0, rows.depth, _HEIGHT_MM[0]))[:, None]
    normal += np.diag(held)[:, :, None, None]
    right += held[:, None, None] * expected
    best, volume = solved_with_volume(normal.reshape(4, 4, -1), right.reshape(4, -1))
    best, volume = best.reshape(right.shape), volume.reshape(right.shape[1:])
    cost = weighed(value**2) + (held[:, None, None] * expected**2).sum(0) - (right * best).sum(0)
    logs = (np.log(np.where(seen, weight, 1.0)) for weight in (bare, under, wrong))
    return best, -0.5 * (cost + volume - summed(np.ones_like(sd), *logs))
