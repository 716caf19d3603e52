"""What could not be measured is bounded by physics, never guessed."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from traygauge.judge.clusters import clustering
from traygauge.judge.counted import Counted, Open, Weighed
from traygauge.judge.distribution import distribution
from traygauge.judge.intervals import share_bounds
from traygauge.judge.lost import FEW, OFTENER, crossing_odds
from traygauge.judge.sample import sample
from traygauge.judge.shares import count_share
from traygauge.judge.spec import read_spec
from traygauge.judge.unmeasured import heap_longs, reach
from traygauge.measure.pieces import Pieces

SPEC = read_spec("rigid-1.75")
INDEPENDENT = SPEC.model_copy(
    update={"judging": SPEC.judging.model_copy(update={"within_photo_correlation": 0.0})}
)


def test_measured_pieces_reach_exactly_their_length(batch):
    found = reach(batch([2.5, 3.0, 4.5]), SPEC)
    assert found.low.tolist() == found.high.tolist() == [2.5, 3.0, 4.5]


def test_an_upright_piece_is_no_longer_than_what_stays_standing(batch):
    found = reach(batch([3.0, np.nan], state=["whole", "upright"], feret_min_mm=[1.75, 1.75]), SPEC)
    assert found.low[1] == 0
    assert found.high[1] == pytest.approx(3.5)  # two diameters, below the limit of 4: it is not long
    found = reach(batch([3.0, np.nan], diameter_mm=2.85, state=["whole", "upright"], feret_min_mm=2.85), SPEC)
    assert found.high[1] == pytest.approx(5.7)  # thick strand: it can be


def test_thick_strand_on_end_is_no_oftener_long_than_what_lies(batch):
    """2.85 mm strand, limit 4 mm: 5.4 mm long pieces stand, too. 98 of 100 that lie are long; 24 more stand."""
    length = np.append(np.append(np.full(98, 5.4), [3.0, 3.0]), [np.nan] * 24)
    pieces = batch(
        length, diameter_mm=2.85, state=["whole"] * 100 + ["upright"] * 24, feret_max_mm=3.0, u_mm=0.0
    )
    counted = count_share(sample(pieces, SPEC, {}), "long", "count", 0.025)
    assert (counted.n, counted.hits) == (100, 98)
    assert 0.93 < counted.share < 0.98  # short ones stand more often
    assert (counted.open.hits, counted.open.misses) == (0, 24)
    # the shortest long one stays standing by 1 - r / sqrt(1 + r^2), r = 4 / 2.85; those of 3 mm by r = 3 / 2.85
    odds = (1 - 4 / np.hypot(4, 2.85)) / (1 - 3 / np.hypot(3, 2.85))
    assert odds == pytest.approx(0.675, abs=0.001)
    assert counted.open.odds == pytest.approx(np.full(24, odds))
    low, high = counted.bounds(0.025, 0.025, unmeasured=True)
    assert low < 100 / 124
    share = counted.share  # the estimate already holds that short ones stand more often
    assert high >= counted.bounds(0.025, 0.025, unmeasured=False)[1] > share


def test_what_lies_under_others_is_long_in_proportion_to_what_it_can_be_like(batch):
    """Of 1 mm that shows every one of 90 pieces of 3 mm can be the beginning; of 3.6 mm none, so that it may well be long."""
    pieces = batch(
        [3.0] * 90 + [5.0] * 10 + [np.nan] * 2,
        state=["whole"] * 100 + ["covered"] * 2,
        feret_max_mm=[3.5] * 90 + [5.3] * 10 + [np.hypot(1.0, 1.75), np.hypot(3.6, 1.75)],
        extent_mm=[3.5] * 90 + [5.3] * 10 + [20.0] * 2,
        u_mm=0.0,
    )
    counted = count_share(sample(pieces, SPEC, {}), "long", "count", 0.025)
    assert (counted.n, counted.hits) == (100, 10)
    assert (counted.open.hits, counted.open.misses) == (0, 2)
    can_be, cannot_be = counted.open.odds
    assert can_be == pytest.approx(1.0, rel=1e-6)
    assert cannot_be == pytest.approx(1 / ndtr(-0.6 / (0.2 * 1.75)), rel=1e-6)  # 0.6 mm of a sd of 0.35


def test_what_leans_on_others_is_long_as_often_as_long_ones_meet_others(batch):
    """All of a leaning piece shows, so that its being long is no likelier a part of it that shows: `OFTENER` stands."""
    pieces = batch(
        [3.9] * 90 + [5.0] * 10 + [np.nan],
        state=["whole"] * 100 + ["leaning"],
        feret_max_mm=[4.3] * 90 + [5.3] * 10 + [np.hypot(2.0, 1.75)],
        extent_mm=[4.3] * 90 + [5.3] * 10 + [20.0],
        u_mm=0.0,
    )
    odds = count_share(sample(pieces, SPEC, {}), "long", "count", 0.025).open.odds
    # 2 mm and up to two diameters up: 4.39 mm at the most, which 3.9 mm fits by 0.49 of a sd of 0.35
    most = np.hypot(np.hypot(2.0, 1.75), 3.5)
    assert odds == pytest.approx([OFTENER / (ndtr((most - 3.9) / 0.35) * ndtr(1.9 / 0.35))], rel=1e-6)


def test_a_part_that_shows_is_no_oftener_a_long_piece_s():
    """Pieces meet in proportion to a + b L, and each mm is as likely to be where the upper one begins: (a + b L) / L falls."""
    lengths = np.append(np.full(10_000, 3.0), [4.0, 6.0, 9.0])
    per_mm = crossing_odds(lengths * 1.75, 2 * (lengths + 1.75))[-4:] / lengths[-4:]
    assert (np.diff(per_mm) < 0).all()


def test_hits_by_chance_are_added_by_their_odds():
    """Share 0.2, odds 1 to 4; twice those are 1 to 2: a third of 30 are hits, (20 + 10) / 130. Sure ones are all hits."""
    for odds, share in ((1.0, 26 / 130), (2.0, 30 / 130), (1e12, 50 / 130)):
        assert Open(0, 0, 0, np.full(30, odds)).with_chance(0.2, 100) == pytest.approx(share)
    # each hit weighs three pieces: 20 + 30 of 100 + 30 + 20
    assert Open(0, 0, 0, np.full(30, 2.0), 3.0).with_chance(0.2, 100) == pytest.approx(50 / 150)
    assert Open(0, 0, 0, np.full(30, 2.0)).with_chance(1.0, 100) == 1.0


def test_a_heap_without_room_for_a_long_piece_holds_pieces_that_are_not_long(batch):
    """3.9 mm across, limit 4 mm, area of two pieces: at least two that are not long, beside a flake that may be."""

    def bound(n, heaps):
        pieces = batch(
            [3.0] * n + [np.nan] * (heaps + 1),
            form=["strand"] * (n + heaps) + ["flake"],
            state=["whole"] * n + ["unresolved"] * heaps + ["whole"],
            area_mm2=[5.25] * n + [10.5] * heaps + [25.0],
            feret_max_mm=[3.5] * n + [3.9] * heaps + [7.0],
            extent_mm=[3.5] * n + [3.9] * heaps + [7.0],
        )
        counted = count_share(sample(pieces, INDEPENDENT, {}), "long", "count", 0.025)
        assert (counted.n, counted.open.hits, counted.open.none) == (n, 1, 2 * heaps)
        return counted.bounds(0.025, 0.025, unmeasured=True)[1]

    assert bound(60, 1) == pytest.approx(bound(62, 0), rel=1e-9)
    assert bound(60, 1) < bound(60, 0)


def test_threads_do_not_make_a_piece_of_unknown_axis_long(batch):
    """A body of 2.4 mm with a 3 mm thread, 0.4 mm wide: 5.4 mm across, and yet not longer than 4 mm."""
    body = [[0, 0], [2.4, 0], [2.4, 0.7], [5.4, 0.7], [5.4, 1.1], [2.4, 1.1], [2.4, 1.75], [0, 1.75]]
    long = [[0, 0], [5.4, 0], [5.4, 1.75], [0, 1.75]]
    pieces = batch(
        [3.0, np.nan, np.nan],
        state=["whole", "axis unknown", "axis unknown"],
        feret_max_mm=[3.5, 5.6, 5.7],
        diameter_mm=[1.75, np.nan, np.nan],
    )
    outlines = (pieces.outlines_mm[0], np.array(body) + 30, np.array(long) + 30)
    found = reach(replace(pieces, outlines_mm=outlines), SPEC)
    assert 2.4 < found.high[1] < 3.0
    assert 5.4 < found.high[2] <= 5.7
    assert (
        reach(replace(pieces, outlines_mm=outlines), None).high[1] == 5.6
    )  # nothing asks how long it may be


def test_a_covered_piece_is_at_least_what_is_seen_of_it(batch):
    pieces = batch(
        [3.0, np.nan, np.nan],
        state=["whole", "covered", "covered"],
        feret_max_mm=[3.5, 5.0, 2.5],
        extent_mm=[3.5, 7.0, 3.9],
    )
    found = reach(pieces, SPEC)
    assert found.low[1] == pytest.approx(
        np.sqrt(5**2 - 1.75**2)
    )  # diagonal of length and diameter: 4.68, long
    assert found.high[1] == 7.0
    assert found.high[2] == pytest.approx(3.9)  # cannot be long


def test_a_leaning_piece_is_raised_by_at_most_two_diameters(batch):
    pieces = batch([3.0, np.nan], state=["whole", "leaning"], feret_max_mm=[3.5, 3.0], extent_mm=np.nan)
    assert reach(pieces, SPEC).high[1] == pytest.approx(np.hypot(3.0, 3.5))


def test_a_leaning_piece_whose_length_is_known_is_no_longer_and_no_shorter(batch):
    pieces = batch([3.0, 3.2, np.nan], state=["whole", "leaning", "leaning"], feret_max_mm=4.9)
    found = reach(pieces, SPEC)
    assert (found.low[1], found.high[1]) == (3.2, 3.2)
    assert found.high[2] > 4.9
    assert pieces.measured.tolist() == [True, True, False]


def test_a_flake_among_strand_may_be_long_and_may_not(batch):
    """Ten of a hundred things are no rods, and 5 by 5 mm: the share of longs, limit 4 mm, is 0 to 10 % and no more is said.

    Where the spec names no strand a flake meets the screw with its largest Feret diameter.
    """
    pieces = batch(
        [3.0] * 90 + [np.nan] * 10,
        form=["strand"] * 90 + ["flake"] * 10,
        diameter_mm=[1.75] * 90 + [np.nan] * 10,
        feret_max_mm=[3.5] * 90 + [7.0] * 10,
        feret_min_mm=[1.75] * 90 + [5.0] * 10,
        area_mm2=[5.25] * 90 + [25.0] * 10,
    )
    counted = count_share(sample(pieces, SPEC, {}), "long", "count", 0.025)
    assert (counted.n, counted.hits, counted.open.hits, counted.open.misses) == (90, 0, 10, 10)
    low, high = counted.bounds(0.025, 0.025, unmeasured=True)
    assert low == 0
    assert high > 0.1
    without = SPEC.model_copy(update={"strand": SPEC.strand.model_copy(update={"diameter_mm": None})})
    assert count_share(sample(pieces, without, {}), "long", "count", 0.025).hits == 10


def test_a_flake_among_strand_is_no_longer_than_what_fits_into_it(batch):
    """A body of 2.4 mm with a 3 mm thread is 5.4 mm across, and no straight piece in it is longer than 4 mm."""
    body = np.array(
        [[0, 0], [2.4, 0], [2.4, 0.7], [5.4, 0.7], [5.4, 1.1], [2.4, 1.1], [2.4, 1.75], [0, 1.75]]
    )
    plate = np.array([[0, 0], [4.5, 0], [4.5, 4.0], [0, 4.0]])  # 6.0 mm across
    pieces = batch(
        [3.0, np.nan, np.nan],
        form=["strand", "flake", "flake"],
        feret_max_mm=[3.5, 5.6, 6.0],
        diameter_mm=[1.75, np.nan, np.nan],
    )
    pieces = replace(pieces, outlines_mm=(pieces.outlines_mm[0], body + 30, plate + 30))
    found = reach(pieces, SPEC)
    assert found.low[1:].tolist() == [0.0, 0.0]
    assert 2.4 < found.high[1] < 3.0
    assert 5.5 < found.high[2] <= 6.0
    counted = count_share(sample(pieces, SPEC, {}), "long", "count", 0.025)
    assert (counted.n, counted.hits, counted.open.hits) == (2, 0, 1)


def heaps_of(batch, areas, free=300):
    """Return pieces that lie free, 3 by 1.75 mm, and heaps: those of more than 12 mm² reach 8 mm, the others 3.9 mm."""
    across = [8.0 if area > 12 else 3.9 for area in areas]
    pieces = batch(
        [3.0] * free + [np.nan] * len(areas),
        state=["whole"] * free + ["unresolved"] * len(areas),
        area_mm2=[5.25] * free + areas,
        feret_max_mm=[3.5] * free + across,
        extent_mm=[3.5] * free + across,
    )
    return replace(pieces, outlines_mm=(np.empty((0, 2)),) * len(pieces))  # areas alone limit what they hold


def test_small_heaps_hold_long_ones_by_chance(batch):
    """Three pieces meet by chance: of all in such heaps no more than `OFTENER` times the share is long, where there is room."""
    pieces = heaps_of(batch, [15.75] * 4 + [10.5] * 6)
    given = sample(pieces, INDEPENDENT, {})
    counted = count_share(given, "long", "count", 0.025)
    heap, number = given.reach.is_heap, given.reach.holds
    room = heap_longs(pieces, given.reach, 4.0)[heap]
    assert room.tolist() == [4.0] * 4 + [0.0] * 6  # 15.75 / 3.94
    assert (given.reach.holds_fewest[heap] <= FEW).all()
    assert (counted.open.hits, len(counted.open.odds)) == (0, 16)
    assert counted.open.misses == 0  # and no less often long than the others
    # rare: as many longs in all heaps together as pieces in them, times OFTENER, times the share
    assert counted.open.odds.sum() == pytest.approx(OFTENER * number[heap].sum())
    share = 0.001
    more = counted.open.with_chance(share, 300) * (300 + 16) - 300 * share
    assert more == pytest.approx(OFTENER * number[heap].sum() * share, rel=0.02)
    # never more than there is room for
    assert counted.open.with_chance(0.999999, 300) == pytest.approx(1.0, abs=1e-3)


def test_what_was_not_spread_may_all_be_long(batch):
    """A heap of four pieces and more may be what hooked together: as many are long as have room."""
    counted = count_share(sample(heaps_of(batch, [21.0]), INDEPENDENT, {}), "long", "count", 0.025)
    assert (counted.open.hits, counted.open.misses) == (5, 8)  # 21 / 3.94; 21 / (1.75 x 1.5)
    assert len(counted.open.odds) == 0


def test_a_cut_off_piece_counts_by_what_is_seen(batch):
    pieces = batch(
        [3.0, np.nan], state=["whole", "cut off"], feret_max_mm=[3.5, 4.6], extent_mm=[3.5, np.inf]
    )
    found = reach(pieces, SPEC)
    assert found.low[1] == found.high[1] == pytest.approx(np.sqrt(4.6**2 - 1.75**2))


def test_heaps_hold_no_more_longs_than_their_area_and_extent_can(batch):
    pieces = batch(
        [3.0, np.nan, np.nan],
        state=["whole", "unresolved", "unresolved"],
        area_mm2=[5.25, 21.0, 12.0],
        feret_max_mm=[3.5, 7.0, 3.9],
        extent_mm=[3.5, 7.0, 3.9],
    )
    pieces = Pieces(
        pieces.columns, (np.empty((0, 2)),) * 3, pieces.tails_mm, pieces.centrelines_mm, pieces.u_parts
    )
    found = reach(pieces, SPEC)
    assert heap_longs(pieces, found, 4.0).tolist() == [0.0, 5.0, 0.0]  # 21 / 3.94; the second reaches no 4 mm
    assert found.holds_fewest[1] == 4  # 21 / 5.25
    assert found.holds_most[1] == 8  # 21 / (1.75 x 1.5)
    assert found.holds_most[0] == 1


def test_a_photo_of_nothing_but_heaps_does_not_crash(batch):
    pieces = batch(
        [np.nan] * 2, state="unresolved", diameter_mm=np.nan, area_mm2=[30.0, 60.0], feret_min_mm=2.0
    )
    found = reach(pieces, SPEC)
    assert (found.holds_most >= 2).all()
    assert (found.diameter_mm > 0).all()


def test_a_figure_lies_between_its_own_bounds_whatever_is_not_measured(batch):
    """Pieces of which a sliver shows are no thin ones: they must not pull the upper bound below what was measured."""
    n = 40
    pieces = batch(
        np.append(np.full(n, 3.0) + np.linspace(-0.2, 0.2, n), [np.nan] * 8),
        diameter_mm=np.append(np.full(n, 1.78), [np.nan] * 8),
        state=["whole"] * n + ["covered"] * 6 + ["leaning"] * 2,
        feret_max_mm=[3.5] * n + [1.2] * 6 + [2.5] * 2,
        feret_min_mm=[1.78] * n + [0.4] * 6 + [1.6] * 2,
        area_mm2=[5.3] * n + [0.5] * 6 + [3.5] * 2,
        extent_mm=[3.5] * n + [4.0] * 6 + [3.0] * 2,
    )
    for column, truth in (("diameter_mm", 1.78), ("length_mm", 3.0)):
        spread = distribution(sample(pieces, SPEC, {}), column)
        for statistic in ("mean", "median"):
            low, high = spread.bounds(statistic, 0.025, 0.025, unmeasured=True)
            plain = spread.bounds(statistic, 0.025, 0.025)
            assert low <= spread.estimate(statistic) <= high
            assert low <= plain[0]
            assert high >= plain[1]
        low, high = spread.bounds("mean", 0.025, 0.025, unmeasured=True)
        assert low < truth < high


def test_no_piece_in_a_heap_is_thicker_than_the_heap_s_area_allows(batch):
    """30 mm² hold 11 pieces of 3 by 1.75 mm; so many show half a square each: sqrt(2 x 30 / 11) = 2.3 mm, not 9."""
    pieces = batch(
        [3.0] * 40 + [np.nan],
        state=["whole"] * 40 + ["unresolved"],
        area_mm2=[5.25] * 40 + [30.0],
        feret_max_mm=[3.5] * 40 + [9.0],
        extent_mm=[3.5] * 40 + [9.0],
    )
    spread = distribution(sample(pieces, SPEC, {}), "diameter_mm")
    assert len(spread.most) == reach(pieces, SPEC).holds_most[-1] == 11
    assert spread.most.max() == pytest.approx(np.sqrt(2 * 30 / 11))


def with_thread(outline, length):
    """Return a rectangle's outline with a thread of a fifth of its width at the end of its long axis, `length` mm long."""
    (x0, y0), (x1, _), (_, y1), _ = outline
    middle, half = (y0 + y1) / 2, (y1 - y0) / 10
    thread = [
        (x1, middle - half),
        (x1 + length, middle - half),
        (x1 + length, middle + half),
        (x1, middle + half),
    ]
    return np.array([(x0, y0), (x1, y0), *thread, (x1, y1), (x0, y1)])


@pytest.mark.parametrize(("state", "astray"), [("covered", 0.0), ("leaning", 0.875)])
def test_a_thread_makes_no_piece_long(batch, state, astray):
    """2.6 mm of a body show, and a thread of 3 mm: the whole reaches beyond 4 mm, the body does not."""
    pieces = batch(
        [3.0, np.nan], state=["whole", state], feret_max_mm=np.hypot(2.6, 1.75), extent_mm=[3.5, 9.0]
    )
    threaded = with_thread(pieces.outlines_mm[1], 3.0)
    pieces = replace(pieces, outlines_mm=(pieces.outlines_mm[0], threaded))
    pieces["feret_max_mm"][1] = 5.8
    assert 2.6 <= reach(pieces, SPEC).low[1] + astray < 3.0


@pytest.mark.parametrize("up_mm", [1.75, 3.5])
def test_a_raised_end_makes_no_piece_long(batch, up_mm):
    """One end of 3.9 mm lies on others; the camera stands 15 degrees to the side, and sees that end further out."""
    along = np.sqrt(3.9**2 - up_mm**2) + up_mm * np.tan(np.radians(15))
    shows = along + 1.75 * up_mm / 3.9  # the end's round face is seen, as high as it is raised
    pieces = batch([3.0, np.nan], state=["whole", "leaning"], feret_max_mm=shows, extent_mm=9.0)
    assert reach(pieces, SPEC).low[1] <= 3.9 <= reach(pieces, SPEC).high[1]


@pytest.mark.parametrize(("across", "long"), [(1.8, True), (3.6, False)])
def test_a_thing_no_wider_than_one_piece_lies_along_its_length(batch, across, long):
    """6 mm by one diameter cannot lie across: less than half a diameter of it is shadow; two side by side may."""
    pieces = batch([3.0, np.nan], state=["whole", "axis unknown"], feret_max_mm=np.hypot(6.0, across))
    pieces["feret_min_mm"][1] = across
    found = reach(pieces, SPEC)
    assert (found.low[1] > 4.0) == long
    assert found.low[1] == (pytest.approx(np.hypot(6.0, across) - 0.875, abs=0.4) if long else across)


def test_the_closer_of_two_sound_bounds_stands():
    """Error adds longs, so that the share as read bounds the true one from above, and never from below."""
    clusters = clustering(np.zeros(200), np.zeros(200), 0.0)
    nothing = Open(0.0, 0.0, 0.0, np.zeros(0))
    corrected, read = Weighed(0.01, 60.0), Weighed(0.02, 200.0)
    counted = Counted(
        4, 200, corrected.share, corrected.effective, clusters, 0.0, corrected, read, read, nothing
    )
    low, high = counted.bounds(0.05, 0.05, unmeasured=True)
    assert high == pytest.approx(share_bounds(4, 200, 0.05)[1])
    assert low == pytest.approx(share_bounds(0.6, 60, 0.05)[0])
    more = replace(counted, share=0.03, alone=Weighed(0.03, 60.0))  # error took longs away
    low, high = more.bounds(0.05, 0.05, unmeasured=True)
    assert high == pytest.approx(share_bounds(1.8, 60, 0.05)[1])
    assert low == pytest.approx(share_bounds(4, 200, 0.05)[0])


#: A lying piece of 3 by 1.75 mm with another at its middle (a T), the hull of the two, and a slender sliver.
TEE = np.array(
    [(0, 0), (3, 0), (3, 1.75), (2.4, 1.75), (2.4, 4.75), (0.6, 4.75), (0.6, 1.75), (0, 1.75)], float
)
PLATE = np.array([(0, 0), (3, 0), (3, 1.75), (2.4, 4.75), (0.6, 4.75), (0, 1.75)], float)
SLIVER = np.array([(0, 0), (5.6, 0), (5.6, 1.4), (0, 1.4)], float)


@pytest.mark.parametrize(
    ("outline", "across", "area", "heap"),
    [(TEE, 3.0, 10.65, True), (PLATE, 3.0, 12.45, False), (SLIVER, 1.4, 7.84, False)],
)
def test_a_hollow_thing_wider_than_strand_is_several_that_touch(batch, outline, across, area, heap):
    """What is taken for a flake among strand, and how many longs it adds: by chance, one at the most, one surely."""
    form = ["strand"] * 100 + ["flake"]
    pieces = batch([3.0] * 100 + [5.2], form=form, diameter_mm=[1.75] * 100 + [np.nan])
    pieces = replace(pieces, outlines_mm=(*pieces.outlines_mm[:-1], outline))
    for name, value in {"feret_max_mm": 5.3, "feret_min_mm": across, "area_mm2": area}.items():
        pieces[name][-1] = value
    given = sample(pieces, SPEC, {})
    counted = count_share(given, "long", "count", 0.025)
    assert given.reach.is_heap[-1] == heap
    if heap:
        assert (counted.open.hits, counted.hits) == (0, 0)
        assert len(counted.open.odds) == heap_longs(pieces, given.reach, 4.0)[-1]
    elif outline is PLATE:
        assert (counted.open.hits, counted.hits) == (1, 0)
    else:
        assert (counted.open.hits, counted.hits) == (0, 1)


@pytest.mark.parametrize("cut_deg", [0.0, 20.0])
def test_what_shows_of_a_piece_of_unknown_axis_reaches_from_corner_to_corner(batch, cut_deg):
    """A piece of 3.6 by 1.75 mm, cut square or askew, reaches further than it is long, and is not long by that."""
    askew = 1.75 * np.tan(np.radians(cut_deg))
    reaches = np.hypot(3.6 + askew, 1.75)
    pieces = batch([3.0, np.nan], state=["whole", "axis unknown"], feret_max_mm=reaches, extent_mm=reaches)
    pieces["feret_min_mm"][1] = 1.75
    high = reach(pieces, SPEC).high[1]
    assert 3.6 <= high < reaches - 0.15
    assert (high <= 4.0) == (cut_deg == 0)


@pytest.mark.parametrize(("outline", "heap"), [(TEE, True), (PLATE, False)])
def test_a_hollow_thing_of_unknown_axis_is_several_that_touch(batch, outline, heap):
    """It is long by chance, as what lies in small heaps is; what is not hollow may be long, surely."""
    pieces = batch([3.0] * 100 + [np.nan], state=["whole"] * 100 + ["axis unknown"])
    pieces = replace(pieces, outlines_mm=(*pieces.outlines_mm[:-1], outline))
    for name, value in {"feret_max_mm": 5.3, "feret_min_mm": 3.0, "area_mm2": 10.65}.items():
        pieces[name][-1] = value
    given = sample(pieces, SPEC, {})
    counted = count_share(given, "long", "count", 0.025)
    assert given.reach.is_heap[-1] == heap
    assert counted.open.hits == (0 if heap else 1)
    assert len(counted.open.odds) == (heap_longs(pieces, given.reach, 4.0)[-1] if heap else 0)
