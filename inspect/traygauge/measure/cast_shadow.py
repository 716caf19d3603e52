"""A small lamp's shadow beside dark pieces: a strip in view that passes for more of them.

A piece of radius r lies on the tray. Where shadows fall s mm far for each mm of height, across the axis, its own ends at
r (s + sqrt(1 + s²)) from the axis; the camera, to which what is high appears moved by v mm per mm, sees the tray from
r (v + sqrt(1 + v²)) on (closed form: two tangents of a circle that touches the tray). What lies between is shadow: as dark as
the piece where other light is little, and its outer edge passes for the piece's.

How far shadows fall is told by the diameters themselves. Pieces of one strand are equally thick; they look thickest where they
lie across the way in which shadows fall out from under them, and by that closed form.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Fewer pieces tell no lamp; more than so many tell it no better.
_FEWEST, _ENOUGH = 30, 150
#: How alike a strand's diameters are as they are read (log), and what it costs, in halves of squared deviations, that a
#: piece's shadow was not taken for more of it.
_ALIKE, _NOT_TAKEN = 0.011, 1.0
_PLAIN = 2 * _ALIKE  # a strip that a width shows, log
#: A lamp is believed where it explains the diameters better than it would explain those of pieces that had each other's strips,
#: by so many standard deviations of what those leave unexplained (of 60 pieces; the more pieces, the more of them), where so
#: much of the pieces beside plain strips, at least so many, look as thick as that, and where it leaves less than this share of
#: that. Of 48 drawn trays of 60 pieces soft light has 2 to 5 and leaves 0.60 and more; two lamps have 2 to 5.6 and leave 0.55 and
#: more, or show on 0.43 of them at the most; a lamp right above has 5 to 8.5, shows on 0.73 and more, and leaves 0.25 to 0.48 on
#: 13 of 16.
_SURE, _SHOW_IT, _FEW_SHOW, _LEAVES = 4.5, 0.6, 10, 0.55
_OTHERS = 40
#: Shadows that reach further beyond the view, per height (a lamp 63 degrees high), put edges and ends where nobody knows: so
#: uncertain are length and diameter then, in diameters, and a photo is refused for it.
_LONGEST, _LOST = 0.5, np.array([0.43, 0.3])
#: Lamps first tried: how far shadows fall per height in the middle of the view, and whether as far as the view's own shift
#: goes (a lamp as high as the camera) or alike all over (a far one).
_REACH, _WAYS, _FOLLOWS = (0.02, 0.04, 0.07, 0.1, 0.15, 0.2, 0.3, 0.45), 16, (0.0, 1.0)
_STEP, _ROUNDS = np.array([0.04, 0.04, 0.25]), 6
_SMALL, _HOLD = 1e-4, 1e-3  # of slopes; what holds back figures that nothing tells
#: Where the strand's own diameter may lie among those without their strips, shares of the pieces.
_LEVELS = np.linspace(0.15, 0.6, 6)
#: Of an end's shadow, which is `diameter` x s long at its top, the end is read so far out. Uncertain stays a share of a strip, and
#: of an end's shadow one that grows with s (drawn trays under lamps 60 to 84 degrees high).
_OF_END, _U_STRIP, _U_END = 0.45, 0.2, (0.2, 0.5)


@dataclass(frozen=True)
class CastShadow:
    """How shadows fall: by `reach` + `follows` x the view's own shift, mm per mm of height.

    Parameters
    ----------
    reach : x and y, where the view goes straight down.
    follows : 0 for a lamp far away, 1 for one as high as the camera.
    """

    reach: tuple[float, float]
    follows: float

    def strips(self, lean: FloatArray, across: FloatArray) -> FloatArray:
        """Return how much shadow is in view beside the flanks, ndarray (n, 2), in radii.

        Parameters
        ----------
        lean : ndarray (n, 2): the view's shift per height (`TrayView.lean`).
        across : ndarray (n, 2): unit vectors across the axes; the first column is the flank on that side.
        """
        return np.stack(_in_view((self._per_height(lean) * across).sum(-1), (lean * across).sum(-1)), -1)

    def wider(self, lean: FloatArray, across: FloatArray) -> FloatArray:
        """Return by how much wider that makes pieces look, ndarray (n,), log."""
        return np.asarray(np.log1p(self.strips(lean, across).sum(1) / 2), float)

    def beyond_ends(self, lean: FloatArray, along: FloatArray) -> FloatArray:
        """Return how far out an end's shadow puts it, ndarray (n, 2), in diameters; the first column lies against `along`."""
        out = (self.beyond_view(lean) * along).sum(-1)
        return np.asarray(_OF_END * np.maximum(np.stack([-out, out], -1), 0.0), float)

    def beyond_view(self, lean: FloatArray) -> FloatArray:
        """Return how much further shadows fall than the view shifts, ndarray (n, 2), mm per mm of height."""
        return self._per_height(lean) - lean

    def _per_height(self, lean: FloatArray) -> FloatArray:
        return np.asarray(np.array(self.reach) + self.follows * lean, float)


@dataclass(frozen=True)
class Told:
    """What a photo's diameters tell.

    Parameters
    ----------
    cast : how shadows fall.
    level : the strand's own diameter (log of mm).
    share : of the pieces beside plain strips, those that look as thick as that.
    """

    cast: CastShadow
    level: float
    share: float


@dataclass(frozen=True, eq=False)
class Taken:
    """What of n pieces is a lamp's shadow.

    Parameters
    ----------
    strips_mm : ndarray (n, 2): width of it beside either flank.
    ends_mm : ndarray (n, 2): how far out it puts either end.
    u_mm : ndarray (n, 2): standard uncertainty that this leaves in length and diameter.
    """

    strips_mm: FloatArray
    ends_mm: FloatArray
    u_mm: FloatArray

    @classmethod
    def none(cls, n: int) -> Taken:
        """Return what it is where no such lamp is."""
        return cls(np.zeros((n, 2)), np.zeros((n, 2)), np.zeros((n, 2)))


def taken_for_piece(diameter_mm: FloatArray, axis: FloatArray, lean: FloatArray, likely: int) -> Taken:
    """Return what shadow passes for more of n dark pieces.

    Parameters
    ----------
    diameter_mm : ndarray (n,), as read; NaN is not known.
    axis : ndarray (n,), radians; lean : ndarray (n, 2), mm per mm.
    likely : so many of the first show how shadows fall.
    """
    along = np.stack([np.cos(axis), np.sin(axis)], -1)
    across = np.stack([-along[:, 1], along[:, 0]], -1)
    known = np.flatnonzero(np.isfinite(diameter_mm[:likely]))
    told = find_shadow(diameter_mm[known], across[known], lean[known])
    if told is None:
        return Taken.none(len(axis))
    seen_mm = np.where(np.isfinite(diameter_mm), diameter_mm, np.exp(told.level))
    if np.median(np.hypot(*told.cast.beyond_view(lean[known]).T)) > _LONGEST:
        return replace(Taken.none(len(axis)), u_mm=_LOST * seen_mm[:, None])
    strips, wide = told.cast.strips(lean, across), told.cast.wider(lean, across)
    look = np.log(seen_mm)
    chance = _chance(look - told.level, wide)
    at_end = np.where(
        wide > _PLAIN, chance, told.share
    )  # of what points at the lamp, its width tells nothing
    radius = np.exp(look - wide * chance) / 2
    width, out = strips * radius[:, None], told.cast.beyond_ends(lean, along) * 2 * radius[:, None]
    reach = out.sum(1) / (_OF_END * 2 * radius)
    u_end = _unsure(at_end, (_U_END[0] + _U_END[1] * reach) / _OF_END)
    u = (out.sum(1) * u_end, width.sum(1) * _unsure(chance, _U_STRIP))
    return Taken(width * chance[:, None], out * at_end[:, None], np.stack(u, -1))


def find_shadow(diameter_mm: FloatArray, across: FloatArray, lean: FloatArray) -> Told | None:
    """Return what n pieces' diameters (n,) tell of a lamp's shadows; None where they tell of none."""
    n = len(diameter_mm)
    if n < _FEWEST:
        return None
    some = slice(None, None, -(-n // _ENOUGH))
    look, across, lean = np.log(diameter_mm[some]), across[some], lean[some]
    turn = np.arange(_WAYS) * 2 * np.pi / _WAYS
    tried = np.array([(r * np.cos(a), r * np.sin(a), f) for r in _REACH for a in turn for f in _FOLLOWS])
    half = slice(None, None, 2)  # will do to begin with
    best, step = _best(look[half], across[half], lean[half], tried), _STEP
    around = np.stack(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 3, indexing="ij"), -1).reshape(-1, 3)
    for _ in range(_ROUNDS):
        tried, step = best + around * step, step / 2
        best = _best(look, across, lean, tried)
    cast, level = _settled(look, across, lean, best)
    wide = cast.wider(lean, across)
    cost = _unexplained(look - level, wide).sum()
    plain = wide > _PLAIN
    show = _misfit(look - level - wide)[plain] < _misfit(look - level)[plain]
    rolled = np.stack([np.roll(wide, k + 1) for k in range(min(_OTHERS, len(look) - 1))])
    others = _explained(look, rolled)[0]
    sure = others.mean() - cost > _SURE * others.std() and cost < _LEAVES * others.mean()
    if not sure or len(show) < _FEW_SHOW or show.mean() < _SHOW_IT:
        return None
    return Told(cast, level, float(show.mean()))


def _unsure(chance: FloatArray, share: FloatArray | float) -> FloatArray:
    """Return what stays uncertain, in shares, of what is there by chance, and is known to a share of itself where it is."""
    return np.asarray(np.hypot(share * chance, np.sqrt(chance * (1.0 - chance))), float)


def _in_view(shadow: FloatArray, view: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the strips, radii, on the side to which shadow and view (...) shift what is high, and on the other."""
    one, other = (np.maximum(_foot(side * shadow) - _foot(side * view), 0.0) for side in (1, -1))
    return one, other


def _foot(shift: FloatArray) -> FloatArray:
    """Return where a tangent that falls by `shift` per height meets the tray, radii from the axis."""
    return np.asarray(shift + np.sqrt(1.0 + shift**2), float)


def _misfit(deviation: FloatArray) -> FloatArray:
    """Return what a deviation (log) costs: half its square in usual ones, far ones less (pseudo-Huber)."""
    return np.asarray(np.sqrt(1.0 + (deviation / _ALIKE) ** 2) - 1.0, float)


def _unexplained(above: FloatArray, wide: FloatArray) -> FloatArray:
    """Return what is left of diameters `above` the strand's own (...; log), their strips taken for more of them or not."""
    return np.asarray(np.minimum(_misfit(above - wide), _misfit(above) + _NOT_TAKEN), float)


def _chance(above: FloatArray, wide: FloatArray) -> FloatArray:
    """Return how likely each piece's strip was taken for more of it; the others are found by their colour, without."""
    return np.asarray(1.0 / (1.0 + np.exp(_misfit(above - wide) - _misfit(above) - _NOT_TAKEN)), float)


def _best(look: FloatArray, across: FloatArray, lean: FloatArray, tried: FloatArray) -> FloatArray:
    """Return the trial (3,), of (k, 3: reach x, y, follows), that leaves least unexplained."""
    view = (lean * across).sum(-1)
    wide = np.log1p(sum(_in_view(tried[:, :2] @ across.T + tried[:, 2:] * view, view)) / 2)
    return np.asarray(tried[_explained(look, wide)[0].argmin()], float)


def _explained(look: FloatArray, wide: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what k ways of being wider (k, n; log) leave unexplained of diameters (n,; log), and the strand's own by each, (k,)."""
    level = np.quantile(look - wide, _LEVELS, axis=1).T
    cost = _unexplained(look - level[..., None], wide[:, None]).sum(-1)
    row, best = np.arange(len(wide)), cost.argmin(1)
    return cost[row, best], level[row, best]


def _settled(
    look: FloatArray, across: FloatArray, lean: FloatArray, start: FloatArray
) -> tuple[CastShadow, float]:
    """Return the shadow near a start (3,) and the strand's diameter (log) that explain diameters best (Gauss and Newton)."""
    at = np.append(start, _explained(look, _cast(start).wider(lean, across)[None])[1])
    for _ in range(_ROUNDS):
        wide = _cast(at).wider(lean, across)
        slopes = [(_cast(at + step).wider(lean, across) - wide) / _SMALL for step in _SMALL * np.eye(4)[:3]]
        with_strip = np.stack([*slopes, np.ones_like(wide)], 1)
        without = np.zeros_like(with_strip)
        without[:, 3] = 1.0
        chance, rest = _chance(look - at[3], wide), np.stack([look - at[3] - wide, look - at[3]])
        weight = np.stack([chance, 1.0 - chance]) / np.sqrt(1.0 + (rest / _ALIKE) ** 2)
        terms, weight = np.concatenate([with_strip, without]), weight.ravel()
        at = at + np.linalg.solve(
            (terms.T * weight) @ terms + _HOLD * np.eye(4), (terms.T * weight) @ rest.ravel()
        )
    return _cast(at), float(at[3])


def _cast(at: FloatArray) -> CastShadow:
    return CastShadow((float(at[0]), float(at[1])), float(at[2]))
