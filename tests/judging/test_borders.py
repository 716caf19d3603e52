"""Pieces lost to the window's edge."""

import numpy as np
import pytest

from traygauge.judge.borders import border_weights
from traygauge.measure.pieces import Pieces

FRAME = (168.0, 108.0)


def rectangle(x: float, y: float, length: float, width: float, angle: float) -> np.ndarray:
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [length / 2, width / 2]
    c, s = np.cos(angle), np.sin(angle)
    return half @ np.array([[c, s], [-s, c]]) + [x, y]


def thrown(rng, n: int, x=(-10.0, 178.0), y=(-10.0, 118.0)) -> tuple[Pieces, np.ndarray]:
    """Return pieces thrown over a frame, 10 % of 12 mm among 3 mm ones, those outside it gone; and who is long."""
    length = np.where(rng.random(n) < 0.1, 12.0, 3.0)
    cx, cy, angle = rng.uniform(*x, n), rng.uniform(*y, n), rng.uniform(0, np.pi, n)
    outlines = [rectangle(*p) for p in zip(cx, cy, length, [1.75] * n, angle, strict=True)]
    low, high = np.array([o.min(0) for o in outlines]), np.array([o.max(0) for o in outlines])
    seen = (high > 0).all(1) & (low < FRAME).all(1)
    cut = ((low < 0) | (high > FRAME)).any(1)[seen]
    kept = [np.clip(o, 0, FRAME) for o, s in zip(outlines, seen, strict=True) if s]
    m = int(seen.sum())
    state = np.where(cut, "cut off", "whole")
    given = {"photo": ["a"] * m, "piece": np.arange(m), "state": state, "x_mm": cx[seen], "y_mm": cy[seen]}
    return Pieces.of(m, given, outlines_mm=tuple(kept)), length[seen] > 4


def test_thrown_pieces_come_back_with_their_true_share():
    # by throwing pieces: share of 12 mm pieces, whole ones only: plain .0916, weighted .0996, true .1000
    pieces, long = thrown(np.random.default_rng(2), 60_000)
    weights, sides = border_weights(pieces, {"a": (0.0, 0.0, *FRAME)})
    assert sides == {"a": ["left", "top", "right", "bottom"]}
    whole = weights > 0
    error = np.sqrt(0.1 * 0.9 / whole.sum())
    assert abs((weights * long).sum() / weights.sum() - 0.1) < 3 * error
    assert long[whole].mean() < 0.1 - 4 * error
    assert long[whole].mean() == pytest.approx(0.0916, abs=3 * error)


def test_only_sides_that_are_run_past_count():
    # a scoop that runs past the left side alone: its density is even from there to x = 60 and 20 to 90 in y
    pieces, long = thrown(np.random.default_rng(4), 60_000, x=(-10.0, 60.0), y=(20.0, 90.0))
    weights, sides = border_weights(pieces, {"a": (0.0, 0.0, *FRAME)})
    assert sides == {"a": ["left"]}
    share = (weights * long).sum() / weights.sum()
    assert abs(share - 0.1) < abs(long[weights > 0].mean() - 0.1)


def test_a_scoop_wholly_inside_needs_no_weights(batch):
    weights, sides = border_weights(batch([3.0] * 10), {"a.jpg": (12.0, 12.0, 180.0, 120.0)})
    assert weights.tolist() == [1.0] * 10
    assert sides == {}
