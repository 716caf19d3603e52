"""What was measured stands for what was lost: held against simulated trays whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest

from traygauge.judge.answers import _share_text
from traygauge.judge.clusters import clustering
from traygauge.judge.counted import Counted, Open, Weighed
from traygauge.judge.distribution import distribution
from traygauge.judge.judging import judge_pieces
from traygauge.judge.lost import MOST_LOST, OFTENER, _met, crossing_odds, hidden_run, made_up, stand_for
from traygauge.judge.sample import sample
from traygauge.judge.spec import parse_spec

SPEC = parse_spec('[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\nshort_under_mm = 2.0')


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
    weights = np.array([1.0, 2.0, 1.0, 3.0])
    likely = np.array([[0.5, 1.0, 0.5, 0.0], [0.0, 0.0, 1.0, 0.0]])
    counts = stand_for(likely, np.array([1.5, 2.0]), weights)
    assert float((weights * (counts - 1)).sum()) == pytest.approx(3.5)
    assert counts[3] == 1.0
    assert stand_for(likely, np.zeros(2), weights).tolist() == [1.0] * 4
    assert stand_for(np.zeros((1, 4)), np.array([2.0]), weights).tolist() == [1.0] * 4
    many = stand_for(np.ones((1, 4)), np.array([1e6]), weights)
    assert float((weights * (many - 1)).sum()) == pytest.approx(MOST_LOST * 7, rel=1e-4)


def test_a_chance_of_being_lost_is_taken_out():
    """Of 100 each with chances 0.1, 0.2 and 0.4 of being lost 90, 80 and 60 are measured: each stands for 1 / (1 - p)."""
    weights, chance = np.array([90.0, 80.0, 60.0]), np.array([[1.0, 2.0, 4.0]])
    assert stand_for(chance, np.array([70.0]), weights) == pytest.approx(
        [1 / 0.9, 1 / 0.8, 1 / 0.6], rel=0.01
    )


@pytest.mark.parametrize("how", ["plain", "seldom", "steep"])
@pytest.mark.parametrize("statistic", ["mean", "median", "D10", "D90"])
def test_figures_are_corrected_for_the_short_ones_that_stand(batch, how, statistic):
    """2.85 mm strand, lengths uniform from 1.5 to 4.5 mm: the mean of those that lie is 0.05 to 0.15 mm too long.

    Where pieces stand as often as published for a drop, or a third as often, or by the square of it (shaken down again),
    at most half of that is left.
    """
    rng = np.random.default_rng(5)
    length = rng.uniform(1.5, 4.5, 6000)
    r = length / 2.85
    stands = {
        "plain": 1 - r / np.hypot(1, r),
        "seldom": (1 - r / np.hypot(1, r)) / 3,
        "steep": (1 - r / np.hypot(1, r)) ** 2,
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


@pytest.mark.parametrize(
    "how",
    [
        {"state": "upright", "standing_mm": 0.7, "u_standing_mm": 0.3, "feret_max_mm": 1.9},
        {"state": "axis unknown", "area_mm2": 0.7 * 1.75, "feret_max_mm": 1.9},
    ],
    ids=["its top hardly moved", "its area"],
)
def test_a_short_piece_like_none_that_was_measured_counts_as_short(batch, how):
    """Of 100 pieces of 3 mm and one of 0.7 mm, lost for being short, the mean is 0.023 mm below 3 mm."""

    def mean(form: str) -> float:
        columns = {name: [np.nan] * 100 + [value] for name, value in how.items() if name != "state"}
        columns |= {
            "feret_max_mm": [3.5] * 100 + [1.9],
            "area_mm2": [5.25] * 100 + [how.get("area_mm2", 2.4)],
        }
        pieces = batch(
            [3.0] * 100 + [np.nan] + [np.nan] * 40,
            state=["whole"] * 100 + [how["state"]] + ["whole"] * 40,
            form=["strand"] * 101 + [form] * 40,
            **{name: [*value, *[1.9] * 40] for name, value in columns.items()},
        )
        return distribution(sample(pieces, SPEC, {}), "length_mm").estimate("mean")

    assert 2.97 <= mean("crumb") <= 2.99
    # in regrind what is unlike the strand is a flake
    assert mean("flake") == pytest.approx(3.0)


@pytest.mark.parametrize(("state", "strand"), [("upright", 10 * 5 / 6), ("axis unknown", 5.0)])
def test_what_stands_in_regrind_is_strand_more_often_than_what_may_lie_either_way(batch, state, strand):
    """Of 60 things on the tray 30 are flakes: of 10 of unknown axis 5 are strand, and 5 of 6 that seem to stand."""
    lost = np.arange(60) >= 50
    pieces = batch(
        [3.0] * 20 + [np.nan] * 40,
        state=np.where(lost, state, "whole"),
        form=["strand"] * 20 + ["flake"] * 30 + ["strand"] * 10,
    )
    given = sample(pieces, SPEC, {})
    measured = np.arange(60) < 20
    counts = made_up(pieces, given.reach, given.weights, measured, lost).counts
    assert counts[measured].sum() == pytest.approx(20 + strand)


@pytest.mark.parametrize("form", ["crumb", "flake"])
def test_in_regrind_too_tops_tell_which_lengths_stand(batch, form):
    """Half of 40 pieces are 1.5 mm long, half 3 mm; of 12 more that stand all are short, by their tops."""
    pieces = batch(
        [1.5] * 20 + [3.0] * 20 + [np.nan] * 42,
        state=["whole"] * 40 + ["upright"] * 12 + ["whole"] * 30,
        form=["strand"] * 52 + [form] * 30,
        standing_mm=[np.nan] * 40 + [1.5] * 12 + [np.nan] * 30,
        u_standing_mm=[np.nan] * 40 + [0.3] * 12 + [np.nan] * 30,
        feret_max_mm=[2.3] * 20 + [3.5] * 20 + [1.8] * 42,
    )
    stand = 10.0 if form == "flake" else 12.0
    truth = (40 * 2.25 + stand * 1.5) / (40 + stand)
    assert distribution(sample(pieces, SPEC, {}), "length_mm").estimate("mean") == pytest.approx(
        truth, abs=0.06
    )


@pytest.mark.parametrize(("extent", "like"), [(9.0, 3.0), (np.nan, 2.0)])
def test_what_was_not_explained_may_run_on_below_others(batch, extent, like):
    """2.2 mm show of a piece that parting could not explain. Alone it is short; among others it is like most pieces."""
    pieces = batch(
        [3.0] * 90 + [2.0] * 10 + [np.nan],
        state=["whole"] * 100 + ["unresolved"],
        feret_max_mm=[3.5] * 90 + [2.6] * 10 + [2.2],
        extent_mm=[3.5] * 100 + [extent],
        area_mm2=[5.25] * 90 + [3.5] * 10 + [3.0],
    )
    given = sample(pieces, SPEC, {})
    heap = pieces["state"] == "unresolved"
    more = made_up(pieces, given.reach, given.weights, ~heap, heap).counts[:100] - 1
    length = pieces["length_mm"][:100]
    assert np.average(length, weights=more) == pytest.approx(like, abs=0.15)


def test_what_was_never_measured_grows_no_likelier():
    """The same chances: of ten lost ones half are like the measured kind at first, and more the more it stands for."""
    likely, number, weights = np.ones((1, 2)), np.array([10.0]), np.ones(2)
    assert stand_for(likely, number, weights).tolist() == pytest.approx([5.0, 5.0])
    first, other = stand_for(likely, number, weights, fixed=1)
    assert first + other == pytest.approx(10.0)
    assert first > 3 * other


def test_how_far_tops_are_seen_from_feet_tells_which_lengths_stand(batch):
    """Half of 100 pieces are 1.5 mm long, half 3 mm; of 40 more that stand all are short, or all long, by their tops."""
    for stands in (1.5, 3.0):
        pieces = batch(
            [1.5] * 50 + [3.0] * 50 + [np.nan] * 40,
            state=["whole"] * 100 + ["upright"] * 40,
            standing_mm=[np.nan] * 100 + [stands] * 40,
            u_standing_mm=[np.nan] * 100 + [0.4] * 40,
            feret_max_mm=[2.3] * 50 + [3.5] * 50 + [1.8] * 40,
        )
        truth = (100 * 2.25 + 40 * stands) / 140
        spread = distribution(sample(pieces, SPEC, {}), "length_mm")
        assert spread.estimate("mean") == pytest.approx(truth, abs=0.05)
        low, high = spread.bounds("mean", 0.025, 0.025)
        assert low <= truth <= high


def under_strips(rng, number, diameter):
    """Return how much strips hide of pieces that have an end under one: the end anywhere in it, the strip any way."""
    depth, angle = rng.uniform(0, diameter, number), rng.uniform(0, np.pi / 2, number)
    return depth / np.sin(angle)


def test_hidden_runs_are_those_below_strips_thrown_at_random():
    hidden = under_strips(np.random.default_rng(1), 200_000, 1.0)
    edges = np.linspace(0, 4, 17)
    counted = np.histogram(hidden, edges)[0] / len(hidden) / np.diff(edges)
    fine = np.linspace(0, 4, 1601)[:-1] + 0.00125
    assert counted == pytest.approx(2 / np.pi * hidden_run(fine).reshape(16, 100).mean(1), abs=0.01)
    assert hidden_run(-0.3) == 1.0


@pytest.mark.parametrize("seed", range(4))
def test_pieces_with_an_end_under_another_are_made_up_for(batch, seed):
    """Strand of 2 to 8 mm: ends lie under others, long pieces' no more often. Far ends would fit below the whole heap.

    Taken for hidden from some place on, wherever that is, they would be as long as the longest (5.3 mm in the mean).
    """
    rng = np.random.default_rng(seed)
    length = rng.uniform(2.0, 8.0, 3000)
    shows = length - np.where(rng.random(3000) < 0.5, under_strips(rng, 3000, 1.75), 0.0)
    length, shows = length[shows > 0.3], shows[shows > 0.3]
    covered = shows < length
    pieces = batch(
        np.where(covered, np.nan, length),
        diameter_mm=1.75,
        u_mm=0.0,
        state=np.where(covered, "covered", "whole"),
        feret_max_mm=np.hypot(shows, 1.75),
        extent_mm=20.0,
    )
    spread = distribution(sample(pieces, SPEC, {}), "length_mm")
    assert spread.estimate("mean") == pytest.approx(length.mean(), abs=0.12)


def test_in_heaps_of_two_pieces_lie_by_their_odds_to_meet_and_in_large_ones_almost_alike():
    """Poisson's law without 0: in a heap of k each has 2 (k - 1) / k neighbours on the average."""
    crossing = np.array([0.5, 1.0, 1.5])
    pair, three, many = _met(crossing, np.array([1.4, 3.0, 1e6]))
    assert pair == pytest.approx(crossing, rel=1e-4)
    for found, mean in ((three, 0.608), (many, 1.594)):  # m / (1 - exp(-m)) = 4/3 and 2
        expected = 1 - np.exp(-mean * crossing)
        assert found / found[1] == pytest.approx(expected / expected[1], rel=0.01)


def test_what_is_like_none_that_was_measured_is_as_long_as_it_can_be(batch):
    """Of 100 pieces one leans that is 8 to 9 mm long: no other is, and it is no 3 mm one."""
    pieces = batch(
        [3.0] * 99 + [np.nan],
        state=["whole"] * 99 + ["leaning"],
        feret_max_mm=[3.5] * 99 + [8.9],
        extent_mm=[3.5] * 99 + [9.0],
    )
    mean = distribution(sample(pieces, SPEC, {}), "length_mm").estimate("mean")
    assert mean == pytest.approx((99 * 3 + 8.4) / 100, abs=0.01)


def test_where_tops_tell_that_usual_pieces_stand_those_that_tell_nothing_are_usual(batch):
    """Of 98 pieces a third stand, all of 3.5 mm, and of two short ones none. Nine of ten have told tops."""
    told, length = 0.6, [3.5] * 62 + [1.4] * 2 + [7.0] * 2
    pieces = batch(
        length + [np.nan] * 34,
        diameter_mm=2.85,
        state=["whole"] * 66 + ["upright"] * 34,
        standing_mm=[np.nan] * 66 + [3.5] * 30 + [np.nan] * 4,
        u_standing_mm=[np.nan] * 66 + [told] * 30 + [np.nan] * 4,
        feret_max_mm=[np.hypot(x, 2.85) for x in length] + [3.0] * 34,
    )
    truth = (sum(length) + 34 * 3.5) / 100
    assert distribution(sample(pieces, SPEC, {}), "length_mm").estimate("mean") == pytest.approx(
        truth, abs=0.03
    )


def test_a_leaning_piece_is_made_up_for_by_those_as_long_as_it_can_be(batch):
    """Two of three lean that are as long as 5 mm ones at the least: the mean of all twelve, not of those that lie."""
    lengths = np.array([3.0] * 5 + [5.0] * 5 + [np.nan] * 2)
    pieces = batch(
        lengths,
        diameter_mm=1.0,
        state=["whole"] * 10 + ["leaning"] * 2,
        feret_max_mm=np.append(np.hypot(lengths[:10], 1.0), [4.9] * 2),
        extent_mm=np.append(np.hypot(lengths[:10], 1.0), [5.2] * 2),
    )
    spread = distribution(sample(pieces, SPEC, {}), "length_mm")
    assert spread.estimate("mean") == pytest.approx((5 * 3 + 7 * 5) / 12, abs=0.01)


def test_longs_lost_in_a_heap_are_made_up_for_and_it_is_said(batch):
    lengths = np.append(np.repeat([2.5, 5.0], [190, 10]), [np.nan] * 20)
    pieces = batch(
        lengths,
        state=["whole"] * 200 + ["covered"] * 20,
        feret_max_mm=np.append(np.hypot(lengths[:200], 1.75), [2.7] * 10 + [4.0] * 10),
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
    # 2 mm show of ten, of which the usual ones have so much; 3.6 mm of ten others, more than usual ones have: those are long
    assert result.interval.estimate == pytest.approx(100 * (10 + 10) / 220, abs=0.15)
    said = next(n for n in verdict.notes if n.startswith("About 20 pieces under others or in heaps"))
    assert "corrected" in said


def test_the_share_left_out_of_lengths_is_said(batch):
    lengths = np.append([3.0] * 90, [np.nan] * 10)
    pieces = batch(lengths, state=["whole"] * 90 + ["upright"] * 10, feret_min_mm=1.75, feret_max_mm=3.5)
    notes = judge_pieces(pieces, SPEC, windows_mm={})[1].notes
    assert any(n.startswith("Length figures leave out 10 pieces on end (10 % of the strand)") for n in notes)
    assert not any("under others or in heaps" in n for n in notes)


def test_length_figures_leave_out_pieces_that_are_still_joined(batch):
    pieces = batch([3.0] * 20 + [6.1] * 2, findings=[""] * 20 + ["doubles", "doubles;stringy"], u_mm=0.0)
    assert distribution(sample(pieces, SPEC, {}), "length_mm").estimate("mean") == pytest.approx(3.0)
    assert distribution(sample(pieces, SPEC, {}), "diameter_mm").n == 22
    notes = judge_pieces(pieces, SPEC, windows_mm={})[1].notes
    assert any(n.startswith("Length figures leave out 2 doubles") for n in notes)


def test_long_pieces_meet_others_as_often_as_is_allowed_for():
    """Three times the usual length, usual ones once to three times as long as thick: 2.0 to 2.31 times as often."""
    ratios = []
    for usual in np.linspace(1.0, 3.0, 9):
        length = np.append(np.full(10_000, usual), 3 * usual)
        odds = crossing_odds(length, 2 * (length + 1))
        ratios.append(odds[-1] / odds[0])
    assert min(ratios) == pytest.approx(2.0, abs=0.01)
    assert max(ratios) == pytest.approx(OFTENER, abs=0.02)


def test_nothing_in_a_heap_is_longer_than_the_heap(batch):
    """A heap 3.6 mm across is made up for by the pieces of 3 mm alone, not by those of 6 mm."""
    pieces = batch(
        [3.0] * 50 + [6.0] * 50 + [np.nan],
        state=["whole"] * 100 + ["unresolved"],
        feret_max_mm=[3.5] * 50 + [6.2] * 50 + [3.6],
        area_mm2=[5.25] * 50 + [10.5] * 50 + [6.0],
    )
    given = sample(pieces, SPEC, {})
    heap = pieces["state"] == "unresolved"
    counts = made_up(pieces, given.reach, given.weights, ~heap, heap).counts
    assert (counts[:50] > 1.01).all()
    assert counts[50:100] == pytest.approx(1.0, abs=1e-6)


def test_the_sentence_says_the_share_that_the_tables_say():
    # 8 of 115 are 6.96 %; made up for lost pieces 6.94 %: no table may say 6.9 and the sentence 7.0
    clusters = clustering(np.zeros(115), np.zeros(115), 0.002)
    nothing = Open(0.0, 0.0, 0.0, np.zeros(0))
    made_up_for = Counted(8, 115, 0.0694, 93.0, clusters, 0.0, *[Weighed(8 / 115, 93.0)] * 3, nothing)
    assert _share_text(made_up_for).startswith("6.9 % when weighted")
    assert _share_text(replace(made_up_for, share=8 / 115)) == "7.0 %"
