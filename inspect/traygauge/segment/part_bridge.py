"""Pieces that run on under another: what shows on both sides of it is one piece where it lies truly in one line."""

from __future__ import annotations

import numpy as np

from traygauge.segment.part_cover import pairs_near
from traygauge.segment.part_field import BoolArray, Field, FloatArray, IntArray
from traygauge.segment.part_rods import grown
from traygauge.segment.part_witness import (
    FIRST,
    INSIDE,
    LAST,
    LEFT,
    RIGHT,
    STRAIGHT,
    Witness,
    hidden_by,
    sample_points,
    witness,
)

#: A piece crosses another from this angle on (rad) shows at least so much (diameters) on both sides and
#: is hidden over so much.
_TURN, _SHOWS, _HIDES = 0.5, 0.3, 0.7
#: How clearly what shows of its flanks and ends must be seen, and lines across it not.
_FLANKS_SEEN, _ENDS_SEEN, _LINES_SEEN = 0.6, 0.5, 0.45
#: Others that lie in it by this share are the pieces it was taken for.
_WITHIN = 0.55
#: How near to another's far flank an end lies that is none of its own, diameters.
_AT_FLANK = 0.2
#: By how much an end that another piece cuts off is carried on, diameters.
_FURTHER = np.arange(0.8, 5.0, 0.12)


def bridged(field: Field, rods: FloatArray, usual: tuple[float, float]) -> FloatArray:
    """Return chosen rods (n, 6), with whole pieces in place of what shows of them on either side of an upper one.

    The edges where the upper one cuts a piece off look like ends, so that two short pieces are chosen, or one and some
    makeshift. One rod carried on from the one to the far side of the upper one is the better explanation where both
    its ends, its flanks and its axis show, and where what was taken for a piece is shorter than `usual` (middle and
    spread of the batch's lengths, px): two of the usual length that lie in one line are two.
    """
    least = usual[0] - max(2.5 * usual[1], 0.2 * usual[0]) if np.isfinite(usual[1]) else np.inf
    stub, upper, side = _cut_off(field, rods, 1.15 * least)
    left = np.ones(len(rods), bool)
    whole = []
    for k, above, way in zip(stub, upper, side, strict=True):
        if not (left[k] and left[above]):
            continue
        one = _carried_on(field, rods[k], rods[above], way)
        others = np.flatnonzero(left & (np.arange(len(rods)) != above))
        replaced = None if one is None else _lie_within(rods, others, one, field.diameter)
        if one is not None and replaced is not None and rods[[k, *replaced], 3].min() < least:
            left[replaced] = False
            whole.append(one)
    return np.concatenate([rods[left], np.array(whole).reshape(-1, rods.shape[1])])


def cut_back(rods: FloatArray, usual: tuple[float, float], diameter: float) -> FloatArray:
    """Return chosen rods (n, 6), those cut back that seem to run on below another to its far side, and are too long by that.

    Where the joint does not show, the upper one's far flank passes for the end of what lies against its near one: nothing
    that lies on the tray runs below another that does. Of the two lengths the one nearer to the `usual` is the better.
    """
    out = rods.copy()
    if not np.isfinite(usual[1]):
        return out
    stray = max(2.5 * usual[1], 0.2 * usual[0])
    i, j = pairs_near(rods)
    for a, b in ((i, j), (j, i)):
        for side in (-1, 1):
            through = _through(out, a, b, side, diameter)
            left = out[a, 3] - through
            for k in np.flatnonzero((through > 0) & (out[a, 3] > usual[0] + stray)):
                rod = out[a[k]]
                if abs(left[k] - usual[0]) < min(stray, abs(rod[3] - usual[0])):
                    rod[:2] -= side * through[k] / 2 * np.array([np.cos(rod[2]), np.sin(rod[2])])
                    rod[3] = left[k]
    return out


def _through(rods: FloatArray, lower: IntArray, upper: IntArray, side: int, diameter: float) -> FloatArray:
    """Return how far (m,) one end of rods lies beyond the near flank of others at whose far flank it ends; 0 where it does not."""
    x, y, angle, length, _, cap = rods[lower].T
    u, v, turn, half, wide, _ = rods[upper].T
    c, s = side * np.cos(angle), side * np.sin(angle)
    px, py = x + (length / 2 + cap / 2) * c - u, y + (length / 2 + cap / 2) * s - v
    sine = s * np.cos(turn) - c * np.sin(turn)
    along = np.abs(px * np.cos(turn) + py * np.sin(turn))
    across = (py * np.cos(turn) - px * np.sin(turn)) * np.sign(sine)
    at_far = (
        (np.abs(across - wide / 2) < _AT_FLANK * diameter)
        & (along < half / 2)
        & (np.abs(sine) > np.sin(_TURN))
    )
    return np.asarray(np.where(at_far, (across + wide / 2) / np.maximum(np.abs(sine), np.sin(_TURN)), 0.0))


def _cut_off(field: Field, rods: FloatArray, least: float) -> tuple[IntArray, IntArray, IntArray]:
    """Return rods shorter than `least` px that end at the outline of one that lies across them, that one, and at which end (-1 or 1)."""
    d = field.diameter
    i, j = pairs_near(grown(rods, 0.15 * d))
    found = []
    for a, b in ((i, j), (j, i)):
        across = np.abs(np.sin(rods[a, 2] - rods[b, 2])) > np.sin(_TURN)
        across &= (rods[a, 3] > 0.4 * d) & (rods[a, 3] < least)
        a, b = a[across], b[across]
        near = hidden_by(sample_points(rods[a]), grown(rods[b], 0.2 * d), d)
        for side, part in ((-1, FIRST), (1, LAST)):
            ends = near[:, part].mean(1) > 0.5
            found.append(np.stack([a[ends], b[ends], np.full(int(ends.sum()), side)]))
    stub, upper, side = np.concatenate(found, 1)
    order = np.argsort(-rods[stub, 3], kind="stable")
    return stub[order], upper[order], side[order]


def _carried_on(field: Field, stub: FloatArray, upper: FloatArray, side: int) -> FloatArray | None:
    """Return the rod that runs from a stub below an upper rod to where it ends best beyond; None if nothing shows."""
    d = field.diameter
    more = _FURTHER * d
    long = np.repeat(stub[None], len(more), 0)
    long[:, 0] += side * more / 2 * np.cos(stub[2])
    long[:, 1] += side * more / 2 * np.sin(stub[2])
    long[:, 3] += more
    said = witness(field, long, STRAIGHT)
    hidden = hidden_by(said.points, np.broadcast_to(upper, long.shape), d)
    good = _whole(said, hidden) & _both_sides(long, said, hidden, d)
    if not good.any():
        return None
    shown = np.where(good, (said.value * ~hidden).sum(1), -np.inf)
    return np.asarray(long[int(shown.argmax())])


def _whole(said: Witness, hidden: BoolArray) -> BoolArray:
    """Return which rods' flanks and ends are seen where nothing hides them, with no line across."""

    def mean(part: slice) -> FloatArray:
        open_ = ~hidden[:, part]
        return np.asarray((said.seen[:, part] * open_).sum(1) / np.maximum(open_.sum(1), 1), np.float64)

    flanks = np.minimum(mean(LEFT), mean(RIGHT))
    ends = np.minimum(mean(FIRST), mean(LAST))
    # beside the upper one its own outline is still a line across
    tenths = np.asarray(hidden[:, INSIDE].reshape(-1, 10, 5).any(2))
    beside = tenths | np.pad(tenths[:, 1:], ((0, 0), (0, 1))) | np.pad(tenths[:, :-1], ((0, 0), (1, 0)))
    lines = np.where(beside, 0, said.seen[:, INSIDE][:, ::5]).max(1)
    return np.asarray((flanks > _FLANKS_SEEN) & (ends > _ENDS_SEEN) & (lines < _LINES_SEEN))


def _both_sides(rods: FloatArray, said: Witness, hidden: BoolArray, diameter: float) -> BoolArray:
    """Return which rods show enough on both sides of what hides their middle, ends and all, and inside the clump."""
    tenths = hidden[:, INSIDE].reshape(-1, 10, 5).mean(2) > 0.5
    step = rods[:, 3] / 10 / diameter
    between = tenths.sum(1) * step
    first = np.where(tenths.any(1), tenths.argmax(1), 0) * step
    last = np.where(tenths.any(1), tenths[:, ::-1].argmax(1), 0) * step
    ends = np.maximum(hidden[:, FIRST].mean(1), hidden[:, LAST].mean(1))
    inside = said.inside[:, INSIDE].mean(1)
    return np.asarray(
        (first > _SHOWS) & (last > _SHOWS) & (between > _HIDES) & (ends < 0.3) & (inside > 0.97)
    )


def _lie_within(rods: FloatArray, others: IntArray, one: FloatArray, diameter: float) -> IntArray | None:
    """Return which of the other rods a whole one stands for; None where it also runs into one that is not part of it."""
    near = others[np.hypot(*(rods[others, :2] - one[:2]).T) < one[3] / 2 + rods[others, 3] / 2 + diameter]
    share = hidden_by(sample_points(rods[near]), np.broadcast_to(one, (len(near), len(one))), diameter)
    share = share[:, INSIDE].mean(1)
    return near[share > _WITHIN] if not ((share > 0.2) & (share <= _WITHIN)).any() else None
