"""What is known of each rod once all are chosen: which lies above, how it could be measured, how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from traygauge.segment.part_cover import in_line, pairs_near, pairs_of
from traygauge.segment.part_field import BoolArray, Field, FloatArray, IntArray
from traygauge.segment.part_rods import grown, lean_along
from traygauge.segment.part_witness import FIRST, INSIDE, LAST, LEFT, RIGHT, SAMPLES, Witness, hidden_by

#: From what share hidden on, a flank or end is not seen; of the inside, a piece is taken for covered.
_GONE, _MOSTLY = 0.5, 0.5
#: Rods are placed to about this many diameters: an end that is hidden (`hidden_by`) by no more than this, of a piece as
#: long as usual, may as well lie right against the other's flank.
_PLACED = 0.05
#: Bulge of both ends beyond that of a piece lying flat, radii, from which a piece leans (about 10 degrees, and what is
#: held back by the fit): an oblique cut makes one end bulge so.
_LEANS = 0.18
#: An end that lies against another piece with more than this share of itself is placed less surely, by so much where all
#: of it does: its own edge, the other's and the shadow between them lie side by side (drawn and rendered heaps).
_AGAINST_FROM, _AGAINST = 0.6, 0.25
#: How clearly lines may run across a rod, summed over its tenths: not at all doubtful, and no rod. What most rods of a
#: photo show beyond that is the picture's noise.
_LINES = 0.4, 1.5
#: Below this confidence a rod is no explanation.
POOR = 0.15


@dataclass(frozen=True, eq=False)
class Stack:
    """Rods from lowest to highest.

    Parameters
    ----------
    order : ndarray (n,): indices of the rods, lowest first.
    hidden : ndarray (n, 95), in the rods' old order: sample points that lie under another rod.
    abuts : ndarray (n, 2): share of each end's outline along another rod's.
    under : ndarray (n, 2): share of each end's outline that lies below another rod for sure.
    doubtful : ndarray (n,), bool: may be one end of a longer piece that another hides in its middle.
    """

    order: IntArray
    hidden: BoolArray
    abuts: FloatArray
    under: FloatArray
    doubtful: BoolArray


def stacked(rods: FloatArray, said: Witness, owner: IntArray, diameter: float) -> Stack:
    """Return which rod of a clump (`owner`) lies above which: of two that overlap, the one that loses more by being hidden."""
    n = len(rods)
    hidden = np.zeros((n, SAMPLES), bool)
    above = np.zeros(n)
    pairs = pairs_of(rods, said, owner, diameter)
    first = pairs.lost_i > pairs.lost_j
    upper, lower = np.where(first, pairs.i, pairs.j), np.where(first, pairs.j, pairs.i)
    covers = hidden_by(said.points[lower], rods[upper], diameter)
    np.logical_or.at(hidden, lower, covers)
    deep = np.zeros((n, SAMPLES), bool)
    within = grown(rods[upper], -_PLACED * diameter)
    np.logical_or.at(deep, lower, hidden_by(said.points[lower], within, diameter))
    for _ in range(4):  # heights settle from the pairs: above what it covers
        np.maximum.at(above, upper, np.where(covers.any(1), above[lower] + 1, 0))
    near = np.zeros((n, SAMPLES), bool)
    i, j = pairs_near(grown(rods, 0.15 * diameter))
    for a, b in ((i, j), (j, i)):
        np.logical_or.at(near, a, hidden_by(said.points[a], grown(rods[b], 0.2 * diameter), diameter))
    abuts, under = (np.stack([some[:, part].mean(1) for part in (FIRST, LAST)], 1) for some in (near, deep))
    doubtful = np.zeros(n, bool)
    doubtful[np.concatenate(in_line(rods, owner, diameter))] = True
    return Stack(np.argsort(above, kind="stable"), hidden, abuts, under, doubtful & (abuts.max(1) > 0.5))


def states(
    field: Field, rods: FloatArray, bulge: FloatArray, stack: Stack, usual: tuple[float, float]
) -> list[str]:
    """Return how each rod could be measured: parted, leaning, upright or covered.

    Covered is what shows no whole end, no whole flank or too little of itself, and what is far shorter than the
    batch's `usual` length (middle, spread; px) while it ends at another piece's outline: it runs on below that. An end
    just below another's flank is no sign of that where the piece is as long as usual already, nor is the raised end of
    one that leans (its first, `part_rods.face_side`), which shows its face: it rests on what lies there.
    """
    ends = np.stack([stack.hidden[:, part].mean(1) for part in (FIRST, LAST)], 1)
    flanks = np.stack([stack.hidden[:, part].mean(1) for part in (LEFT, RIGHT)], 1)
    stray = max(2.5 * usual[1], 0.2 * usual[0])
    ordinary = np.abs(rods[:, 3] - usual[0]) < stray
    gone = np.where(ordinary[:, None], np.minimum(ends, stack.under), ends)
    covered = (gone.max(1) > _GONE) | (flanks.min(1) > _GONE)
    covered |= stack.hidden[:, INSIDE].mean(1) > _MOSTLY
    leaning = bulge.min(1) > np.abs(lean_along(field, rods)) + _LEANS
    abuts = np.where(leaning, stack.abuts[:, 1], stack.abuts.max(1))
    covered |= (rods[:, 3] < usual[0] - stray) & (abuts > 0.6)
    upright = rods[:, 5] > 0.42 * rods[:, 4]
    words = np.where(covered, "covered", np.where(leaning, "leaning", "parted"))
    return [str(word) for word in np.where(upright, "upright", words)]


def confidences(said: Witness, stack: Stack) -> FloatArray:
    """Return how well each rod is explained, 0..1: the weakest of its ends, flanks, inside and place in the clump."""
    weight = (~stack.hidden).astype(np.float32)
    seen = []
    for part in (LEFT, RIGHT, FIRST, LAST):
        open_ = weight[:, part].sum(1)
        mean = (said.seen[:, part] * weight[:, part]).sum(1) / np.maximum(open_, 1)
        seen.append(np.where(open_ > 0, mean, 1.0))
    flank, end = np.minimum(seen[0], seen[1]), np.minimum(seen[2], seen[3])
    lines = (said.seen[:, INSIDE] * weight[:, INSIDE]).sum(1) / 5
    common = max(float(np.median(lines)) - _LINES[0], 0.0) if len(lines) else 0.0
    outside = (~said.inside[:, INSIDE]).mean(1)
    return np.asarray(
        np.minimum.reduce(
            [
                1 - 0.6 * stack.doubtful,
                1 - _AGAINST * _rise(stack.abuts.max(1), _AGAINST_FROM, 1.0),
                _rise(end, 0.2, 0.75),
                _rise(flank, 0.3, 0.7),
                1 - _rise(lines - common, *_LINES),
                1 - _rise(outside, 0.02, 0.2),
            ]
        ),
        np.float64,
    )


def _rise(value: FloatArray, low: float, high: float) -> FloatArray:
    return np.clip((value - low) / (high - low), 0.0, 1.0)
