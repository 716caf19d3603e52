"""Groups of colours in a batch, named in plain words.

A piece's lightness hangs on how the light strikes it; the ratios of its colours hardly do. So groups are formed in
a* / (L* + 16) and b* / (L* + 16), which shading leaves as they are (both are differences of cube roots over a cube
root: CIE 15:2018, 8.2.1), and lightness counts with a wide tolerance. How many groups there are is found: the densest
place of what is left makes the next one, as wide as its own pieces spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.measure.pieces import Pieces

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

#: What counts as near in the two ratios and in lightness (common practice: about 5 CIELAB units of colour).
_NEAR = np.array([0.07, 0.07, 12.0])
#: A group's own spread (standard deviation, in units of near) is at least and at most this, and it reaches so many.
_LEAST, _MOST, _REACH = 0.35, 0.9, 3.5
#: A group of few is what a large one's highlights and shadows leave over where it lies no further than this, in the large
#: one's spreads.
_LEFT_OVER, _FEW = 5.5, 0.05
_ROUNDS = 6
_SOME = 300  # the densest place is looked for among so many pieces, or a few more
#: Below this ratio or this chroma a colour has no hue to name.
_NO_HUE, _NO_CHROMA = 0.15, 6.0
#: Lightness that white begins at, and that black ends at: black plastic on a bright tray mirrors some of it.
_WHITE, _BLACK = 68.0, 38.0
#: Where each hue ends (degrees of the CIELAB hue angle; between the sRGB primaries and the colours of those names, by
#: judgement), and below which lightness an orange or yellow is brown.
_HUES = (
    (48.0, "red"),
    (78.0, "orange"),
    (112.0, "yellow"),
    (215.0, "green"),
    (310.0, "blue"),
    (345.0, "purple"),
)
_BROWN, _BROWN_FROM = 45.0, 40.0
#: Two groups of one name are told apart by lightness from this difference on.
_LIGHTER = 10.0


@dataclass(frozen=True, eq=False)
class ColourGroups:
    """Groups of colours, the largest first.

    Parameters
    ----------
    names : tuple of k words, each once.
    group : ndarray (n,), which group each piece is in; -1 where its colour is not known.
    """

    names: tuple[str, ...]
    group: IntArray


def with_colours(pieces: Pieces) -> Pieces:
    """Return the pieces with the column `colour` filled: the name of each piece's group among all these pieces.

    Pieces of several photos may be given; what was filled before is found anew. Crumbs and threads are little wider than
    the blur of their edges: they make no group of their own, and join one that they lie near; else it stays empty.
    """
    lab = np.stack([pieces[c] for c in ("colour_L", "colour_a", "colour_b")], axis=1).astype(float)
    groups = colour_groups(lab, ~np.isin(pieces["form"].astype(str), ("crumb", "thread")))
    names = np.array([*groups.names, ""], dtype=object)
    return pieces.with_columns(colour=names[groups.group])


def colour_groups(lab: FloatArray, forming: BoolArray | None = None) -> ColourGroups:
    """Return the groups that colours fall into.

    Parameters
    ----------
    lab : ndarray (n, 3), CIELAB (D65), tray's light corrected; NaN rows are left out.
    forming : ndarray (n,), bool: which may form groups; the others only join the nearest. All, if none may.
    """
    known = np.isfinite(lab).all(1)
    forms = known if forming is None or not (known & forming).any() else known & forming
    group = np.full(len(lab), -1, dtype=np.intp)
    if not forms.any():
        return ColourGroups((), group)
    place = _place(lab[forms])
    group[forms] = _join_left_overs(place, _densest_first(place))
    rest = known & ~forms
    if rest.any():
        away = _Middles.of(place, group[forms]).away(_place(lab[rest]))
        group[rest] = np.where(away.min(1) <= _LEFT_OVER, away.argmin(1), -1)
    centre = np.array([np.median(lab[forms & (group == k)], 0) for k in range(int(group.max()) + 1)])
    return _named(group, centre)


def colour_word(lab: npt.ArrayLike) -> str:
    """Return the plain word for a CIELAB colour.

    One of white, grey, black, natural, red, orange, yellow, green, blue, purple, brown. `natural` is the slightly yellow white of uncoloured plastic. Boundaries are judgement: colours have none.
    """
    lightness, a, b = (float(x) for x in np.asarray(lab, float))
    chroma, ratio = float(np.hypot(a, b)), float(np.hypot(a, b)) / (lightness + 16)
    hue = float(np.degrees(np.arctan2(b, a))) % 360
    if chroma < _NO_CHROMA or ratio < _NO_HUE:
        if lightness < _BLACK:
            return "black"
        cream = ratio > 0.5 * _NO_HUE and 60 < hue < 115
        return ("natural" if cream else "white") if lightness >= _WHITE else "grey"
    if lightness < _BROWN and _BROWN_FROM < hue < _HUES[2][0]:
        return "brown"
    return next((word for end, word in _HUES if hue < end), "red")


def _place(lab: FloatArray) -> FloatArray:
    """Return colours (n, 3) where shading counts little, in units of what counts as near."""
    dark = np.maximum(lab[:, :1], 0.0) + 16.0
    return np.asarray(np.concatenate([lab[:, 1:] / dark, lab[:, :1]], 1) / _NEAR, float)


@dataclass(frozen=True, eq=False)
class _Middles:
    """Middle and spread of groups: ndarray (k, 3) each."""

    middle: FloatArray
    spread: FloatArray

    @classmethod
    def of(cls, place: FloatArray, group: IntArray) -> _Middles:
        members = [place[group == k] for k in range(int(group.max()) + 1)]
        middle = np.array([np.median(m, 0) for m in members])
        spread = [1.4826 * np.median(np.abs(m - c), 0) for m, c in zip(members, middle, strict=True)]
        return cls(middle, np.clip(spread, _LEAST, _MOST))

    def away(self, place: FloatArray) -> FloatArray:
        """Return the distance of each place (n, 3) from each group, in the group's spreads, ndarray (n, k)."""
        return np.asarray(np.linalg.norm((place[:, None] - self.middle) / self.spread, axis=2), float)


def _densest_first(place: FloatArray) -> IntArray:
    """Return groups (n,) taken out one after the other, each around the densest place of what is left."""
    group = np.full(len(place), -1, dtype=np.intp)
    count = 0
    while (left := np.flatnonzero(group < 0)).size:
        points = place[left]
        some = points[:: max(1, len(points) // _SOME)]
        square = (some**2).sum(1)
        near = (square[:, None] + square - 2 * some @ some.T <= 1.0).sum(1)
        member = np.linalg.norm(points - some[int(np.argmax(near))], axis=1) <= 1.0
        for _ in range(_ROUNDS):
            inside = (
                _Middles.of(points[member], np.zeros(int(member.sum()), np.intp)).away(points)[:, 0] <= _REACH
            )
            if not inside.any() or (inside == member).all():
                break
            member = inside
        group[left[member]] = count
        count += 1
    return group


def _join_left_overs(place: FloatArray, group: IntArray) -> IntArray:
    """Return groups (n,) renumbered from the largest on, those of few beside a larger one joined to it."""
    size = np.bincount(group)
    middles = _Middles.of(place, group)
    into = np.zeros(len(size), dtype=np.intp)
    kept: list[int] = []
    for k in np.argsort(-size, kind="stable"):
        away = middles.away(middles.middle[k : k + 1])[0, kept]
        joins = size[k] <= max(2, _FEW * len(place)) and len(kept) > 0 and float(away.min()) <= _LEFT_OVER
        into[k] = int(away.argmin()) if joins else len(kept)
        if not joins:
            kept.append(int(k))
    return into[group]


def _named(group: IntArray, centre: FloatArray) -> ColourGroups:
    """Return the groups with a name each: of one word the lighter and the darker are told apart, or become one."""
    names: list[str] = []
    kept: list[int] = []
    into = np.full(len(centre) + 1, -1, dtype=np.intp)  # the last is for pieces in no group
    for k, lab in enumerate(centre):
        word = name = colour_word(lab)
        if word in names:
            lighter = float(lab[0] - centre[kept[names.index(word)]][0])
            name = word if abs(lighter) < _LIGHTER else f"{'light' if lighter > 0 else 'dark'} {word}"
        if name not in names:
            names.append(name)
            kept.append(k)
        into[k] = names.index(name)
    return ColourGroups(tuple(names), into[group])
