"""What was measured stands for what was lost: held against simulated trays whose truth is known."""

import math

import numpy as np
import pytest

from traygauge.judge.distribution import distribution
from traygauge.judge.judging import judge_pieces
from traygauge.judge.lost import MOST_LOST, crossing_odds, stand_for, standing_odds
from traygauge.judge.sample import sample
from traygauge.judge.spec import parse_spec

SPEC = parse_spec('[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\nshort_under_mm = 2.0')


def test_standing_odds_are_the_published_chances():
    """Yong and Mahadevan (2011): r = 1: chance to stand 1 - 1/sqrt 2 = .293 and, after a flip, 1/2; r = 2: .106, .295."""
    for r, plain, flip in ((1.0, 1 - math.sqrt(0.5), 0.5), (2.0, 0.105573, 0.295167)):
        expected = -(math.log(1 - plain) + math.log(1 - flip)) / 2
        assert float(standing_odds(r)) == pytest.approx(expected, rel=1e-5)
    assert (np.diff(standing_odds(np.linspace(0.1, 8, 50))) < 0).all()


def test_crossing_odds_are_those_of_rectangles_thrown_at_random():
    """Two kinds thrown on a large tray: how often each meets a third one, counted, and as the formula has it."""
    rng = np.random.default_rng(3)
    rods = np.array([[3.0, 1.75], [8.0, 1.75]])
    other = np.array([3.0, 1.75])

    def corners(centre, angle, size):
        half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size / 2
        c, s = np.cos(angle), np.sin(angle)
        return centre[:, None] + np.stack(
            [
                half[:, 0] * c[:, None] - half[:, 1] * s[:, None],
                half[:, 0] * s[:, None] + half[:, 1] * c[:, None],
            ],
            -1,
        )

    n, met = 40_000, []
    for size in rods:
        a, b = rng.uniform(0, np.pi, (2, n))
        first = corners(np.zeros((n, 2)), a, size)
        second = corners(rng.uniform(-8, 8, (n, 2)), b, other)
        apart = np.zeros(n, bool)
        for angle in (a, b):  # rectangles are apart when they are along one of their four directions
            for axis in (
                np.stack([np.cos(angle), np.sin(angle)], -1),
                np.stack([-np.sin(angle), np.cos(angle)], -1),
            ):
                p, q = (np.einsum("nkd,nd->nk", v, axis) for v in (first, second))
                apart |= (p.max(1) < q.min(1)) | (q.max(1) < p.min(1))
        met.append((~apart).mean())
    area, perimeter = rods[:, 0] * rods[:, 1], 2 * rods.sum(1)
    expected = area + other.prod() + perimeter * 2 * other.sum() / (2 * np.pi)
    assert met[1] / met[0] == pytest.approx(expected[1] / expected[0], rel=0.03)
    alike = crossing_odds([5.25, 5.25], [9.5, 9.5])
    assert alike == pytest.approx(2 * 5.25 + 9.5**2 / (2 * np.pi))


def test_those_measured_make_up_for_exactly_those_lost():
    odds, weights = np.array([0.5, 1.0, 2.0, 0.0]), np.array([1.0, 2.0, 1.0, 3.0])
    counts = stand_for(odds, 1.5, weights)
    assert float((weights * (counts - 1)).sum()) == pytest.approx(1.5, abs=1e-4)
    assert counts[3] == 1.0
    assert np.log(counts[2]) / np.log(counts[0]) == pytest.approx(4.0, rel=1e-3)
    assert stand_for(odds, 0.0, weights).tolist() == [1.0] * 4
    assert stand_for(np.zeros(4), 2.0, weights).tolist() == [1.0] * 4
    many = stand_for(np.ones(4), 1e6, weights)
    assert float((weights * (many - 1)).sum()) == pytest.approx(MOST_LOST * 7, rel=1e-4)


@pytest.mark.parametrize("how", ["plain", "flip", "seldom"])
@pytest.mark.parametrize("statistic", ["mean", "median", "D10", "D90"])
def test_figures_are_corrected_for_the_short_ones_that_stand(batch, how, statistic):
    """2.85 mm strand, lengths uniform from 1.5 to 4.5 mm: the mean of those that lie is 0.05 to 0.15 mm too long.

    Whichever of the two published chances holds, or a third of the smaller one, at most half of that is left.
    """
    rng = np.random.default_rng(5)
    length = rng.uniform(1.5, 4.5, 6000)
    r = length / 2.85
    stands = {
        "plain": 1 - r / np.hypot(1, r),
        "flip": 1 - 2 / np.pi * np.arctan(r),
        "seldom": (1 - r / np.hypot(1, r)) / 3,
    }[how]
    upright = rng.random(len(length)) < stands
    pieces = batch(
        np.where(upright, np.nan, length),
        diameter_mm=2.85,
        u_mm=0.0,
        state=np.where(upright, "upright", "whole"),
        feret_max_mm=np.where(upright, 2.9, np.hypot(length, 2.85)),
    )
    spread = distribution(sample(pieces, SPEC, {}), "length_mm")
    truth = {"mean": 3.0, "median": 3.0, "D10": 1.8, "D90": 4.2}[statistic]
    lying = length[~upright]
    raw = (
        lying.mean()
        if statistic == "mean"
        else np.quantile(lying, {"D10": 0.1, "median": 0.5, "D90": 0.9}[statistic])
    )
    left, chance = abs(spread.estimate(statistic) - truth), 3 * 0.87 / np.sqrt(len(lying)) * 1.5
    assert left <= abs(raw - truth) / 2 + chance
    low, high = spread.bounds(statistic, 0.025, 0.025, unmeasured=True)
    assert low <= truth <= high


def test_longs_lost_in_a_heap_are_made_up_for_and_it_is_said(batch):
    lengths = np.append(np.repeat([3.0, 8.0], [190, 10]), [np.nan] * 20)
    pieces = batch(
        lengths,
        state=["whole"] * 200 + ["covered"] * 20,
        feret_max_mm=np.append(np.hypot(lengths[:200], 1.75), [3.5] * 20),
        feret_min_mm=1.75,
        extent_mm=np.append(np.hypot(lengths[:200], 1.75), [9.0] * 20),
    )
    spec = SPEC.model_copy(
        update={
            "limits": parse_spec(
                '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\n[limits]\nlong_share = { at_most_percent = 20 }'
            ).limits
        }
    )
    verdict = judge_pieces(pieces, spec, windows_mm={})[1]
    (result,) = verdict.limits
    assert result.hits == 10
    # thrown at random an 8 mm piece meets others about 1.9 times as often as a 3 mm one: of 20 lost some 1.8 are long
    assert result.interval.estimate == pytest.approx(100 * (10 + 1.8) / 220, abs=0.15)
    said = next(n for n in verdict.notes if n.startswith("About 20 pieces lie under others"))
    assert "corrected" in said


def test_the_share_left_out_of_lengths_is_said(batch):
    lengths = np.append([3.0] * 90, [np.nan] * 10)
    pieces = batch(lengths, state=["whole"] * 90 + ["upright"] * 10, feret_min_mm=1.75, feret_max_mm=3.5)
    notes = judge_pieces(pieces, SPEC, windows_mm={})[1].notes
    assert any(
        n.startswith("Length figures leave out the 10 pieces on end (10 % of the strand)") for n in notes
    )
    assert not any("lie under others" in n for n in notes)
