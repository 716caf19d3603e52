"""Pieces lost to the window's edge."""

import numpy as np
import pytest

from traygauge.judge.borders import border_weights, edge_weights
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


def test_weight_of_a_box_in_a_frame():
    """Russ (5th ed.), quoted: 1000 x 800 frame, 40 x 30 box: 1.0822511; window 168 x 108 as in ISO 13322-1."""
    assert edge_weights([[10, 10, 50, 40]], (0, 0, 1000, 800))[0] == pytest.approx(1.0822511, abs=5e-8)
    boxes = [[20, 20, 24, 22], [20, 20, 28, 22], [20, 20, 32, 22]]
    found = edge_weights(boxes, (12, 12, 180, 120))
    assert found == pytest.approx([1.043718, 1.069811, 1.097242], abs=5e-7)


def test_weights_only_where_pieces_run_past():
    box = [[20, 20, 32, 22.0]]
    frame = (12.0, 12.0, 180.0, 120.0)
    assert edge_weights(box, frame, sides=(False,) * 4)[0] == 1.0
    wide, high = 168 / (168 - 12), 108 / (108 - 2)
    assert edge_weights(box, frame, sides=(True, False, False, False))[0] == pytest.approx(wide)
    assert edge_weights(box, frame, sides=(False, False, True, False))[0] == pytest.approx(wide)
    assert edge_weights(box, frame, sides=(False, True, False, True))[0] == pytest.approx(high)
    assert edge_weights(box, frame)[0] == pytest.approx(wide * high)


def test_a_box_as_large_as_the_frame_is_refused():
    with pytest.raises(ValueError, match="larger frame"):
        edge_weights([[0, 0, 168, 5]], (0, 0, 168, 108))
    assert edge_weights([[0, 0, 168, 5]], (0, 0, 168, 108), sides=(False, True, False, True))[0] > 1
    assert edge_weights(np.zeros((0, 4)), (0, 0, 1, 1)).shape == (0,)


def test_thrown_pieces_keep_their_shares():
    """90 % of 3 mm, 10 % of 12 mm, D 1.75, all directions: plain share .0916, weighted .1000 (ISO 13322-1)."""
    rng = np.random.default_rng(11)
    n = 300_000
    length = np.where(rng.random(n) < 0.1, 12.0, 3.0)
    angle = rng.uniform(0, np.pi, n)
    half = 0.5 * np.abs(
        np.stack(
            [
                length * np.abs(np.cos(angle)) + 1.75 * np.abs(np.sin(angle)),
                length * np.abs(np.sin(angle)) + 1.75 * np.abs(np.cos(angle)),
            ],
            -1,
        )
    )
    middle = rng.uniform([-10, -10], [178, 118], (n, 2))
    boxes = np.concatenate([middle - half, middle + half], axis=1)
    whole = (boxes[:, :2] > 0).all(1) & (boxes[:, 2:] < [168, 108]).all(1)
    long = length[whole] > 4
    w = edge_weights(boxes[whole], (0, 0, 168, 108))
    error = np.sqrt(0.1 * 0.9 / whole.sum())
    assert abs(np.average(long, weights=w) - 0.1) < 3 * error
    assert long.mean() == pytest.approx(0.09202, abs=3 * error)  # by integration
    assert abs(long.mean() - 0.1) > 5 * error
