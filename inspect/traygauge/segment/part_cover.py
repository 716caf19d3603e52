"""The fewest rods that explain a clump: chosen from candidates so that together they speak loudest."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from traygauge.segment.part_witness import EVEN, INSIDE, OUTLINE, Witness, hidden_by

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: What one rod more costs, in diameters of outline.
ROD_COST = 0.65
#: Candidates must gain this much alone, and this share of what a clear outline would say for them.
LEAST_GAIN, LEAST_SHARE = 0.5, 0.25
#: What a length costs that is half as long again as what is usual, and one that is half as long.
LONG_COST, SHORT_COST = 1.2, 0.5
#: What a square diameter covered by two rods costs.
OVERLAP_COST = 0.2
#: What it costs when one rod lies wholly in another, less from there to a share of 0.4 (0.7 where they cross).
SAME_COST = 8.0
#: What it costs that one piece lies on another at all.
ACROSS_COST = 0.3
_NEVER = 1e3
#: Pairs that are weighed at a time.
_CHUNK = 8192
#: What it costs to take two ends of one piece, under another, for two pieces.
IN_LINE_COST = 1.8


def pairs_near(rods: FloatArray) -> tuple[IntArray, IntArray]:
    """Return the pairs i < j of rods (n, 6) that may overlap: their boxes meet along each box's own axes.

    Long rods count as a row of short ones, so that few pairs need a closer look.
    """
    if len(rods) < 2:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    half, radius = rods[:, 3] / 2 + rods[:, 5], rods[:, 4] / 2
    rod, places, reach = _rows(rods)
    own = rod[cKDTree(places).query_pairs(reach, output_type="ndarray")]
    own = own[own[:, 0] != own[:, 1]]
    key = np.unique(own.min(1) * len(rods) + own.max(1))
    i, j = key // len(rods), key % len(rods)
    turn = rods[i, 2] - rods[j, 2]
    c, s = np.abs(np.cos(turn)), np.abs(np.sin(turn))
    dx, dy = (rods[j, :2] - rods[i, :2]).T
    meet = np.ones(len(i), bool)
    for a, b in ((i, j), (j, i)):
        ca, sa = np.cos(rods[a, 2]), np.sin(rods[a, 2])
        meet &= np.abs(dx * ca + dy * sa) < half[a] + half[b] * c + radius[b] * s
        meet &= np.abs(dy * ca - dx * sa) < radius[a] + half[b] * s + radius[b] * c
    return i[meet], j[meet]


def _rows(rods: FloatArray) -> tuple[IntArray, FloatArray, float]:
    """Return rods (n, 6) as rows of short ones: the rod of each (m,), its middle (m, 2), and from where on none meet."""
    half, radius = rods[:, 3] / 2 + rods[:, 5], rods[:, 4] / 2
    count = np.maximum(1, np.ceil(half / float(np.median(rods[:, 4])))).astype(np.int64)
    rod = np.repeat(np.arange(len(rods)), count)
    step = np.arange(len(rod)) - np.repeat(np.cumsum(count) - count, count)
    offset = ((step + 0.5) / count[rod] - 0.5) * 2 * half[rod]
    way = np.stack([np.cos(rods[rod, 2]), np.sin(rods[rod, 2])], 1)
    return rod, rods[rod, :2] + offset[:, None] * way, 2 * float(np.hypot(half / count, radius).max())


def neighbours(rods: FloatArray) -> IntArray:
    """Return how many others `pairs_near` has to look at for each rod (n,)."""
    if not len(rods):
        return np.empty(0, np.int64)
    rod, places, reach = _rows(rods)
    near = cKDTree(places).query_ball_point(places, reach, return_length=True)
    return np.bincount(rod, near, len(rods)).astype(np.int64)


def distinct(rods: FloatArray, said: Witness, gain: FloatArray, diameter: float) -> IntArray:
    """Return the rods worth weighing up, without the lesser ones of those that mean the same piece."""
    best = (1 - EVEN) * 2 * (rods[:, 3] + rods[:, 4] + 1.14 * rods[:, 5]) / diameter
    outline = said.value[:, OUTLINE].sum(1)
    index = np.flatnonzero((gain > LEAST_GAIN) & (outline > LEAST_SHARE * best))
    index = index[np.argsort(-gain[index], kind="stable")]
    if len(index) < 2:
        return index
    r = rods[index]
    pairs = cKDTree(r[:, :2]).query_pairs(0.07 * diameter, output_type="ndarray")
    i, j = pairs.min(1), pairs.max(1)
    turn = np.abs((r[i, 2] - r[j, 2] + np.pi / 2) % np.pi - np.pi / 2)
    same = (turn < 0.07) & (np.abs(r[i, 3] - r[j, 3]) < 0.1 * diameter)
    drop = np.zeros(len(index), bool)
    drop[j[same]] = True
    return index[~drop]


@dataclass(frozen=True, eq=False)
class Pairs:
    """Pairs of rods that have to do with each other; all arrays are (m,).

    Parameters
    ----------
    i, j : the rods.
    cost : what choosing both costs.
    lost_i, lost_j : what each loses when the other lies above it.
    """

    i: IntArray
    j: IntArray
    cost: FloatArray
    lost_i: FloatArray
    lost_j: FloatArray


def pairs_of(rods: FloatArray, said: Witness, owner: IntArray, diameter: float) -> Pairs:
    """Return what pairs of rods of the same clump (`owner`) cost when both are chosen.

    The one that loses more lies above; the other loses what is hidden, for it and against it. Beyond that, overlap
    costs a little, and much where it is so large that both mean the same piece.
    """
    i, j = pairs_near(rods)
    i, j = i[owner[i] == owner[j]], j[owner[i] == owner[j]]
    same = _mean_the_same(rods[i], rods[j])
    one, other = in_line(rods, owner, diameter)
    apart = [
        Pairs(a, b, np.full(len(a), cost), np.zeros(len(a)), np.zeros(len(a)))
        for a, b, cost in ((i[same], j[same], _NEVER), (one, other, IN_LINE_COST))
    ]
    i, j = i[~same], j[~same]
    some = range(0, len(i), _CHUNK)
    return _joined(
        [_weighed(rods, said, i[at : at + _CHUNK], j[at : at + _CHUNK], diameter) for at in some] + apart
    )


def _weighed(rods: FloatArray, said: Witness, i: IntArray, j: IntArray, diameter: float) -> Pairs:
    """Return those of the pairs that touch, with what they cost."""
    in_j = hidden_by(said.points[i], rods[j], diameter)
    in_i = hidden_by(said.points[j], rods[i], diameter)
    touch = in_j.any(1) | in_i.any(1)
    i, j, in_i, in_j = i[touch], j[touch], in_i[touch], in_j[touch]
    lost_i, lost_j = (said.value[i] * in_j).sum(1), (said.value[j] * in_i).sum(1)
    area = (rods[:, 3] + np.pi / 2 * rods[:, 5]) * rods[:, 4] / diameter**2
    both = 0.5 * (in_j[:, INSIDE].mean(1) * area[i] + in_i[:, INSIDE].mean(1) * area[j])
    share = both / np.minimum(area[i], area[j])
    most = 0.4 + 0.3 * np.abs(np.sin(rods[i, 2] - rods[j, 2]))
    cost = (
        np.minimum(lost_i, lost_j)
        + OVERLAP_COST * both
        + ACROSS_COST * (share > 0.12)
        + SAME_COST * np.maximum(share - most, 0) * np.maximum(1, np.minimum(area[i], area[j]) / 2)
    )
    return Pairs(i, j, cost, lost_i, lost_j)


def _joined(many: list[Pairs]) -> Pairs:
    return Pairs(*(np.concatenate([getattr(p, f.name) for p in many]) for f in fields(Pairs)))


def in_line(rods: FloatArray, owner: IntArray, diameter: float) -> tuple[IntArray, IntArray]:
    """Return pairs of rods so truly in one line, a strand's width apart, that they are one piece under another."""
    half = rods[:, 3] / 2
    way = np.stack([np.cos(rods[:, 2]), np.sin(rods[:, 2])], 1)
    tips = np.concatenate([rods[:, :2] - half[:, None] * way, rods[:, :2] + half[:, None] * way])
    if len(rods) < 2:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    near = cKDTree(tips).query_pairs(1.6 * diameter, output_type="ndarray").astype(np.int64)
    i, j = near[:, 0] % len(rods), near[:, 1] % len(rods)
    turn = np.abs((rods[i, 2] - rods[j, 2] + np.pi / 2) % np.pi - np.pi / 2)
    dx, dy = (rods[j, :2] - rods[i, :2]).T
    along = np.abs(dx * way[i, 0] + dy * way[i, 1])
    across = np.abs(dy * way[i, 0] - dx * way[i, 1])
    gap = along - half[i] - half[j]
    line = (turn < 0.08) & (across < 0.1 * diameter) & (gap > 0.6 * diameter) & (gap < 1.5 * diameter)
    line &= (i != j) & (owner[i] == owner[j])
    key = np.unique(np.minimum(i, j)[line] * len(rods) + np.maximum(i, j)[line])
    return key // len(rods), key % len(rods)


def _mean_the_same(a: FloatArray, b: FloatArray) -> BoolArray:
    """Return which rods (m, 6) so plainly cover the middle of the other's that both cannot be there."""
    dx, dy = (b[:, :2] - a[:, :2]).T
    c, s = np.cos(a[:, 2]), np.sin(a[:, 2])
    along, across = np.abs(dx * c + dy * s), np.abs(dy * c - dx * s)
    shorter = np.minimum(a[:, 3], b[:, 3])
    turn = np.abs((a[:, 2] - b[:, 2] + np.pi / 2) % np.pi - np.pi / 2)
    return np.asarray((across < 0.25 * a[:, 4]) & (along < 0.3 * shorter) & (turn < 0.4))


def chosen(gain: FloatArray, pairs: Pairs) -> BoolArray:
    """Return which of n candidates to take so that their gains less their pairs' costs are largest.

    Greedy, then exchanges (put one in, take out what no longer pays, fill up) until nothing improves.
    """
    choice = _Choice(gain, pairs.i, pairs.j, pairs.cost)
    choice.fill(np.arange(len(gain)))
    for _ in range(3):
        hope = choice.hopes()
        order = np.argsort(-hope)
        if not sum(choice.exchange(int(k)) for k in order[hope[order] > -0.5]):
            break
    return choice.taken


class _Choice:
    """A set of candidates that is being improved; `marginal` is what each would add, or adds, to its worth."""

    def __init__(self, gain: FloatArray, i: IntArray, j: IntArray, cost: FloatArray) -> None:
        n = len(gain)
        own = np.concatenate([i, j])
        order = np.argsort(own, kind="stable")
        self.other = np.concatenate([j, i])[order]
        self.price = np.concatenate([cost, cost])[order]
        self.start = np.searchsorted(own[order], np.arange(n + 1))
        self.taken = np.zeros(n, bool)
        self.marginal = gain.astype(np.float64)  # a copy; sums of large prices must come back exactly

    def hopes(self) -> FloatArray:
        """Return what each candidate's exchange may bring, before anything is filled up."""
        gone = np.where(self.taken[self.other], np.maximum(self.price - self.marginal[self.other], 0), 0)
        total = np.concatenate([[0.0], np.cumsum(gone)])
        bound = self.marginal + total[self.start[1:]] - total[self.start[:-1]]
        return np.where(self.taken, 0.0, bound)

    def near(self, k: int) -> IntArray:
        """Return the candidates that k has to do with."""
        return self.other[self.start[k] : self.start[k + 1]]

    def put(self, k: int, sign: float) -> None:
        """Take k in (+1) or out (-1)."""
        self.taken[k] = sign > 0
        part = slice(self.start[k], self.start[k + 1])
        self.marginal[self.other[part]] -= sign * self.price[part]

    def fill(self, among: IntArray) -> tuple[float, list[int]]:
        """Take in what pays, best first; return the worth added and what was taken."""
        worth, put = 0.0, []
        while len(among):
            best = int(among[np.argmax(np.where(self.taken[among], -np.inf, self.marginal[among]))])
            if self.taken[best] or self.marginal[best] <= 0:
                break
            worth += float(self.marginal[best])
            self.put(best, 1.0)
            put.append(best)
        return worth, put

    def exchange(self, k: int) -> bool:
        """Try k in place of what then no longer pays, or, where k is taken, others in its place; keep what is better."""
        if self.taken[k]:
            return self._replaced(k)
        worth = float(self.marginal[k])
        self.put(k, 1.0)
        done = [(k, 1.0)]
        rivals = self.near(k)[self.taken[self.near(k)]]
        while len(rivals):
            worst = int(rivals[np.argmin(np.where(self.taken[rivals], self.marginal[rivals], np.inf))])
            if not self.taken[worst] or self.marginal[worst] >= 0:
                break
            worth -= float(self.marginal[worst])
            self.put(worst, -1.0)
            done.append((worst, -1.0))
        more, put = self.fill(np.unique(np.concatenate([self.near(r) for r, _ in done])))
        return self._settled(done + [(r, 1.0) for r in put], worth + more)

    def _replaced(self, k: int) -> bool:
        worth = -float(self.marginal[k])
        self.put(k, -1.0)
        more, put = self.fill(self.near(k))
        return self._settled([(k, -1.0)] + [(r, 1.0) for r in put], worth + more)

    def _settled(self, done: list[tuple[int, float]], worth: float) -> bool:
        """Return whether moves made the whole better; undo them when not."""
        if worth > 1e-6:
            return True
        for r, sign in reversed(done):
            self.put(r, -sign)
        return False
