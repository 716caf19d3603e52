"""The steps of parting, each held against closed forms, brute force or what must not change."""

from __future__ import annotations

import itertools
from dataclasses import replace

import cv2
import numpy as np
import pytest

from traygauge.segment import part_cover, part_label
from traygauge.segment.part import Clump, StrandPrior, part_clumps
from traygauge.segment.part_bridge import cut_back
from traygauge.segment.part_cover import LONG_COST, Pairs, chosen, pairs_near
from traygauge.segment.part_explain import _cost_of_length
from traygauge.segment.part_field import field_of
from traygauge.segment.part_label import outline, spread
from traygauge.segment.part_likeness import likeness, tells
from traygauge.segment.part_necks import parted_at_necks, solidity
from traygauge.segment.part_polish import polished
from traygauge.segment.part_prior import heap_prior
from traygauge.segment.part_witness import hidden_by, sample_points, witness

RNG = np.random.default_rng(5)


def disc(shape: tuple[int, int], x: float, y: float, radius: float) -> np.ndarray:
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    return (columns - x) ** 2 + (rows - y) ** 2 <= radius**2


class TestOutline:
    def test_its_area_is_that_of_a_rectangle_and_an_ellipse(self) -> None:
        rod = np.array([50.0, 40.0, 0.7, 48.0, 28.0, 6.0])
        x, y = outline(rod).T
        area = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
        assert area == pytest.approx(48 * 28 + np.pi * 14 * 6, rel=0.01)

    def test_a_disc_is_a_rod_without_length(self) -> None:
        x, y = outline(np.array([0.0, 0.0, 1.1, 0.0, 20.0, 10.0])).T
        assert np.hypot(x, y) == pytest.approx(10.0, abs=1e-9)

    @pytest.mark.parametrize("angle_deg", [0, 45, 90, 135, 179])
    def test_samples_of_the_outline_lie_on_it(self, angle_deg: int) -> None:
        rod = np.array([[30.0, 20.0, np.radians(angle_deg), 40.0, 24.0, 0.0]])
        corners = outline(rod[0]).astype(np.float32)[:, None]
        points = sample_points(rod)[0]
        off = [cv2.pointPolygonTest(corners, tuple(map(float, p)), True) for p in points[:38]]
        assert np.abs(off).max() < 0.01
        assert min(cv2.pointPolygonTest(corners, tuple(map(float, p)), True) for p in points[38:88]) > 0


class TestHiding:
    def test_what_lies_well_inside_is_hidden_and_the_shared_outline_is_not(self) -> None:
        lower = np.array([[0.0, 0.0, 0.0, 60.0, 28.0, 0.0]])
        upper = np.array([[0.0, 0.0, np.pi / 2, 60.0, 28.0, 0.0]])
        beside = np.array([[0.0, 28.0, 0.0, 60.0, 28.0, 0.0]])
        points = sample_points(lower)
        hidden = hidden_by(points, upper, 28.0)[0]
        inside = np.abs(points[0, :, 0]) < 14
        assert hidden[inside & (np.abs(points[0, :, 0]) < 11)].all()
        assert not hidden[~inside & (np.abs(points[0, :, 0]) > 17)].any()
        assert not hidden_by(points, beside, 28.0)[0, :38].any()


class TestChoice:
    """The set chosen, against all sets."""

    @staticmethod
    def worth(taken: np.ndarray, gain: np.ndarray, pairs: Pairs) -> float:
        both = taken[pairs.i] & taken[pairs.j]
        return float(gain[taken].sum() - pairs.cost[both].sum())

    def test_it_is_nearly_the_best_of_all(self) -> None:
        shares = []
        for seed in range(20):
            rng = np.random.default_rng(seed)
            n = 11
            gain = rng.uniform(0.3, 3.5, n)
            i, j = np.triu_indices(n, 1)
            some = rng.random(len(i)) < 0.4  # far more entangled than heaps are
            i, j = i[some], j[some]
            pairs = Pairs(i, j, rng.uniform(-0.3, 4.0, len(i)), np.zeros(len(i)), np.zeros(len(i)))
            sets = np.array(list(itertools.product([False, True], repeat=n)))
            best = max(self.worth(taken, gain, pairs) for taken in sets)
            shares.append(self.worth(chosen(gain, pairs), gain, pairs) / best)
        assert min(shares) > 0.88
        assert np.mean(shares) > 0.98

    def test_two_that_pay_more_together_replace_one_that_pays_most_alone(self) -> None:
        none = np.zeros(2)
        pairs = Pairs(np.array([0, 0]), np.array([1, 2]), np.array([5.0, 5.0]), none, none)
        assert chosen(np.array([4.0, 2.5, 2.5]), pairs).tolist() == [False, True, True]

    def test_nothing_is_taken_that_does_not_pay(self) -> None:
        none = np.empty(0)
        pairs = Pairs(np.empty(0, np.int64), np.empty(0, np.int64), none, none, none)
        assert not chosen(np.array([-0.1, -2.0]), pairs).any()


class TestPairs:
    def test_no_overlapping_pair_is_left_out(self) -> None:
        n = 60
        rods = np.stack(
            [
                RNG.uniform(0, 300, n),
                RNG.uniform(0, 300, n),
                RNG.uniform(0, np.pi, n),
                RNG.choice([40.0, 50.0, 160.0], n),
                np.full(n, 28.0),
                np.full(n, 3.0),
            ],
            1,
        )
        found = set(zip(*map(list, pairs_near(rods)), strict=True))
        shapes = [outline(rod).astype(np.float32) for rod in rods]
        for a, b in itertools.combinations(range(n), 2):
            area, _ = cv2.intersectConvexConvex(cv2.convexHull(shapes[a]), cv2.convexHull(shapes[b]))
            if area > 1.0:
                assert (a, b) in found

    def test_two_stubs_in_line_across_a_gap_cost_and_two_beside_each_other_do_not(self) -> None:
        stub = [0.0, 0.0, 0.0, 30.0, 28.0, 0.0]
        in_line = np.array([stub, [60.0, 1.0, 0.02, 30.0, 28.0, 0.0]])
        beside = np.array([stub, [60.0, 15.0, 0.02, 30.0, 28.0, 0.0]])
        assert len(part_cover.in_line(in_line, np.zeros(2, int), 28.0)[0]) == 1
        assert len(part_cover.in_line(beside, np.zeros(2, int), 28.0)[0]) == 0
        assert len(part_cover.in_line(in_line, np.arange(2), 28.0)[0]) == 0  # of two clumps


class TestNecks:
    def test_two_discs_are_cut_where_they_meet(self) -> None:
        left, right = disc((80, 130), 40, 40, 30), disc((80, 130), 92, 40, 28)
        necks = parted_at_necks(left | right, 20.0)
        assert len(necks.confidence) == 2
        areas = sorted(np.bincount(necks.labels.ravel())[1:])
        # each part is its disc, less or more half of the lens both share
        lens = float((left & right).sum())
        assert areas == pytest.approx(sorted([left.sum() - lens / 2, right.sum() - lens / 2]), rel=0.04)
        # the cut is the chord that both circles share (closed form), against the smaller disc
        chord = 2 * np.sqrt(30**2 - ((52**2 + 30**2 - 28**2) / (2 * 52)) ** 2)
        assert necks.confidence == pytest.approx(1 - chord / 56, abs=0.05)

    def test_a_chain_of_three_gives_three(self) -> None:
        mask = disc((90, 200), 40, 45, 28) | disc((90, 200), 92, 50, 27) | disc((90, 200), 145, 44, 29)
        assert len(parted_at_necks(mask, 20.0).confidence) == 3

    @pytest.mark.parametrize("shape", ["ellipse", "triangle", "shallow notch"])
    def test_what_is_one_stays_one(self, shape: str) -> None:
        mask = np.zeros((100, 140), np.uint8)
        if shape == "triangle":
            cv2.fillPoly(mask, [np.array([[10, 90], [130, 80], [60, 10]], np.int32)], 1)
        else:
            cv2.ellipse(mask, (70, 50), (55, 35), 20, 0, 360, 1, -1)
        if shape == "shallow notch":
            cv2.circle(mask, (70, 6), 12, 0, -1)
        necks = parted_at_necks(mask > 0, 20.0)
        assert necks.confidence.tolist() == [1.0]

    def test_solidity_of_a_square_with_a_quarter_cut_out(self) -> None:
        mask = np.zeros((70, 70), bool)
        mask[5:65, 5:65] = True
        mask[5:35, 35:65] = False
        assert solidity(mask) == pytest.approx(0.75 / 0.875, rel=0.03)  # closed form: L against its hull


class TestFlakes:
    """Regrind: no strand is known, and none must be seen."""

    @staticmethod
    def clump(mask: np.ndarray) -> Clump:
        grey = np.where(mask, 180, 25).astype(np.float64) + RNG.normal(0, 2, mask.shape)
        pixels = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, 2)
        return Clump(mask, pixels, 16.0, (0.0, 0.0))

    def test_two_that_touch_are_parted_by_their_notches(self) -> None:
        mask = np.zeros((120, 200), np.uint8)
        cv2.fillPoly(mask, [np.array([[10, 60], [50, 10], [95, 40], [100, 75], [60, 110]], np.int32)], 1)
        cv2.fillPoly(mask, [np.array([[97, 60], [130, 20], [190, 50], [170, 110], [120, 100]], np.int32)], 1)
        parting = part_clumps([self.clump(mask > 0)], None)[0]
        assert parting.state == ("parted", "parted")
        assert np.isnan(parting.rod_px).all()

    def test_a_flake_among_strand_is_no_strand_piece(self) -> None:
        mask = np.zeros((110, 130), np.uint8)
        cv2.fillPoly(mask, [np.array([[8, 60], [50, 8], [120, 40], [110, 100], [40, 100]], np.int32)], 1)
        parting = part_clumps([self.clump(mask > 0)], StrandPrior(28.0, 1.0, 48.0, 4.0, 40))[0]
        assert len(parting) == 1
        assert np.isnan(parting.rod_px).all() or parting.confidence[0] < 0.5


class TestHeapPrior:
    def test_the_diameter_comes_from_the_middle_lines(self) -> None:
        mask = np.zeros((400, 400), np.uint8)
        for k in range(24):
            middle = (60 + 70 * (k % 5), 50 + 65 * (k // 5))
            box = cv2.boxPoints((middle, (54.0, 28.0), float(37 * k % 180)))
            cv2.fillPoly(mask, [np.rint(box).astype(np.int32)], 1)
        prior = heap_prior([mask > 0])
        assert prior is not None
        assert prior.diameter_px == pytest.approx(28.0, rel=0.06)
        assert not np.isfinite(prior.length_sd_px)

    def test_blobs_of_every_size_have_none(self) -> None:
        masks = [disc((140, 140), 70, 70, r) for r in np.geomspace(6, 65, 40)]
        assert heap_prior(masks) is None

    def test_nothing_has_none(self) -> None:
        assert heap_prior([]) is None


class TestBounds:
    PRIOR = StrandPrior(28.0, 1.0, 48.0, 4.0, 40)

    def test_no_clumps_give_no_partings(self) -> None:
        assert part_clumps([], self.PRIOR) == []

    @pytest.mark.parametrize("prior", [PRIOR, None])
    def test_a_speck_and_an_empty_mask_do_not_break(self, prior: StrandPrior | None) -> None:
        speck = np.zeros((9, 9), bool)
        speck[4, 4] = True
        pixels = np.zeros((9, 9, 3), np.uint8)
        empty = Clump(np.zeros((9, 9), bool), pixels, 16.0, (0.0, 0.0))
        one, none = part_clumps([Clump(speck, pixels, 16.0, (0.0, 0.0)), empty], prior)
        assert (len(one), len(none)) == (1, 0)
        assert one.labels[4, 4] == 1

    def test_more_than_255_clumps(self) -> None:
        rod = np.zeros((40, 60), bool)
        rod[6:34, 6:54] = True
        pixels = np.where(rod, 180, 20).astype(np.uint8)[..., None].repeat(3, 2)
        partings = part_clumps([Clump(rod, pixels, 16.0, (0.0, 0.0))] * 300, self.PRIOR)
        assert len(partings) == 300
        assert {p.state for p in partings} == {("whole",)}
        assert np.ptp([p.rod_px[0, 3] for p in partings]) < 0.5

    def test_labels_cover_the_mask_and_nothing_else(self) -> None:
        mask = disc((90, 150), 45, 45, 30) | disc((90, 150), 100, 45, 30)
        parting = part_clumps([TestFlakes.clump(mask)], self.PRIOR)[0]
        assert ((parting.labels > 0) == mask).all()
        assert parting.labels.max() == len(parting) == len(parting.confidence) == len(parting.rod_px)

    def test_spread_gives_each_pixel_its_nearest_label(self) -> None:
        labels = np.zeros((20, 40), np.int32)
        labels[10, 5], labels[10, 30] = 1, 2
        full = spread(labels, np.ones((20, 40), bool))
        assert (full[:, :17] == 1).all()
        assert (full[:, 19:] == 2).all()


def test_fields_of_many_clumps_keep_them_apart() -> None:
    """Each clump's own places come back through the field, whatever its shelf."""
    clumps = []
    for k in range(30):
        mask = np.zeros((20 + 3 * k, 35 + 2 * k), bool)
        mask[4:-4, 4:-4] = True
        clumps.append(Clump(mask, np.full((*mask.shape, 3), 90, np.uint8), 16.0, (0.01 * k, 0.0), 200.0))
    field = field_of(clumps, 60.0)  # scaled down
    middle = np.array([[c.mask.shape[1] / 2 - 0.5, c.mask.shape[0] / 2 - 0.5] for c in clumps])
    place = field.origin + (middle + 0.5) * field.scale - 0.5
    assert (field.owner_at(*place.T) == np.arange(30)).all()
    assert field.lean_at(*place.T)[:, 0] == pytest.approx(0.01 * np.arange(30), abs=0.004)
    rods = np.column_stack([place, np.zeros((30, 4))])
    assert field.in_crop(rods, np.arange(30))[:, :2] == pytest.approx(middle, abs=1e-9)


def test_a_covered_piece_may_run_on_as_far_as_the_clump_does():
    """A cross of two bars, 80 by 10 lying and 10 by 60 standing: what shows left of the upright one runs on to the right tip."""
    mask = np.zeros((80, 100), bool)
    mask[35:45, 10:90] = True
    mask[10:70, 40:50] = True
    left = np.array([25.0, 39.5, 0.0, 30.0, 10.0])
    assert part_label.room_px(mask, left) == pytest.approx(80, abs=1.5)
    mask[:, 70:] = False
    assert part_label.room_px(mask, left) == pytest.approx(60, abs=1.5)
    down = np.array([44.5, 20.0, np.pi / 2, 20.0, 10.0])
    assert part_label.room_px(mask, down) == pytest.approx(60, abs=1.5)
    assert part_label.room_px(mask, np.full(5, np.nan)) == pytest.approx(np.hypot(60, 60))


def test_a_step_from_black_to_white_is_seen_in_its_middle():
    """Codes rise from 40 to 220 around column 30 with a slope of a few pixels: there the edge's energy is highest."""
    x = np.arange(60.0)
    code = np.rint(40 + 180 / (1 + np.exp(-(x - 30.0) / 1.5))).astype(np.uint8)
    rgb = np.repeat(np.repeat(code[None, :, None], 40, 0), 3, 2)
    mask = np.zeros((40, 60), bool)
    mask[3:37, 3:44] = True  # with its shadow
    field = field_of([Clump(mask, rgb, 16.0, (0.0, 0.0))], 20.0)
    row = field.tensor[round(field.origin[0, 1]) + 20, :, 0]
    start = round(field.origin[0, 0])
    profile = row[start + 20 : start + 40]
    assert np.average(np.arange(20, 40), weights=profile**4) == pytest.approx(30.0, abs=0.3)


@pytest.mark.parametrize(("joint", "flat"), [(False, True), (True, True), (False, False)])
def test_a_long_rod_seen_whole_costs_little_for_its_length(joint: bool, flat: bool) -> None:
    """A band four diameters long where two are usual: a dark line across makes it two, and an end that bulges may be a face."""
    code = np.full((60, 130), 20.0)
    code[18:42, 17:113] = 200.0
    if joint:
        code[18:42, 63:67] = 60.0
    mask = code > 30
    rgb = cv2.GaussianBlur(np.repeat(code[..., None], 3, 2), (0, 0), 0.8).round().astype(np.uint8)
    field = field_of([Clump(mask, rgb, 16.0, (0.0, 0.0))], 24.0)
    rod = np.array([[64.5, 29.5, 0.0, 96.0, 24.0, 0.0 if flat else 6.0]])
    rod[:, :2] += field.origin
    cost = _cost_of_length(field, rod, witness(field, rod), (48.0, 2.0))
    if flat and not joint:
        assert cost[0] < 0.3 * LONG_COST
    else:
        assert cost[0] == pytest.approx(LONG_COST)


class TestLikeness:
    BLUE = np.array([55.0, 77.0, 155.0])
    TRAY = np.array([215.0, 215.0, 215.0])

    def test_no_shadow_on_the_tray_is_like_a_piece_and_every_shading_of_it_is(self) -> None:
        """The distance of a grey from the darkest of the piece's own shadings is at least that shading's from the grey axis."""
        greys = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, 2)
        sine = np.sqrt(1 - self.BLUE.sum() ** 2 / (3 * self.BLUE @ self.BLUE))
        assert likeness(greys, self.BLUE).max() == pytest.approx(1 - 0.58 * sine / 0.6, abs=0.01)
        shaded = np.rint(np.outer(np.linspace(0.6, 1.5, 20), self.BLUE)).astype(np.uint8)[None]
        assert likeness(shaded, self.BLUE).min() > 0.98

    def test_it_tells_only_coloured_strand_on_a_tray_brighter_than_its_flanks(self) -> None:
        grey, black = np.full(3, 90.0), np.full(3, 20.0)
        assert tells(self.BLUE, self.TRAY)
        assert tells(self.BLUE, np.array([60.0, 130.0, 70.0]))  # 0.68 as bright
        assert not tells(self.BLUE, 0.75 * np.array([60.0, 130.0, 70.0]))
        assert not tells(grey, self.TRAY)  # no colour
        assert not tells(self.BLUE, 0.9 * self.TRAY * self.BLUE / 155.0)  # a tray of the strand's own colour
        assert not tells(self.BLUE, black)

    @pytest.mark.parametrize("wide", [7, 10])
    def test_of_a_dark_gap_s_two_edges_the_piece_s_own_is_its_end(self, wide: int) -> None:
        """A blue rod ends at x = 80, in the dark before the next piece's flank; it was found to end amid that dark.

        Both edges of the dark are as steep and as near; only beyond the rod's own one does the rod's look fall off.
        """
        code = np.tile(self.TRAY, (60, 140, 1))
        code[16:44, 20:80] = self.BLUE
        code[16:44, 80 : 80 + wide] = 12.0, 20.0, 60.0
        code[6:54, 80 + wide : 108 + wide] = self.BLUE
        mask = (code != self.TRAY).any(2)
        rgb = cv2.GaussianBlur(code, (0, 0), 0.8).round().astype(np.uint8)
        field = field_of([Clump(mask, rgb, 16.0, (0.0, 0.0))], 28.0)
        rod = np.array([[49.5 + wide / 4, 29.5, 0.0, 60.0 + wide / 2, 28.0, 0.0]])
        rod[:, :2] += field.origin
        off, without = (
            out[0, 0] + out[0, 3] / 2 - (field.origin[0, 0] + 79.5)
            for out, _ in (
                polished(f, rod, np.zeros((1, 95), bool)) for f in (field, replace(field, likeness=None))
            )
        )
        assert 0.0 < off < without - 0.5

    def test_strand_without_colour_costs_nothing_more(self) -> None:
        mask = np.zeros((40, 60), bool)
        mask[8:32, 8:52] = True
        rgb = np.repeat(np.where(mask, 30, 220).astype(np.uint8)[..., None], 3, 2)
        assert field_of([Clump(mask, rgb, 16.0, (0.0, 0.0))], 24.0).likeness is None


class TestCutBack:
    """A piece of 60 px against the near flank of another (20 px thick), read as one that runs on to the far one."""

    USUAL = (60.0, 3.0)

    @staticmethod
    def rods(length: float, turn: float = 0.0, end: float = 10.0) -> np.ndarray:
        """Return a rod that lies along y through the origin, and one that ends at `end` px from it, along x turned by some degrees."""
        upper = [0.0, 0.0, np.pi / 2, 60.0, 20.0, 0.0]
        c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        tip = end / c
        return np.array(
            [upper, [(tip - length / 2) * c, (tip - length / 2) * s, np.radians(turn), length, 20.0, 0.0]]
        )

    @pytest.mark.parametrize("turn", [-40.0, 0.0, 25.0])
    @pytest.mark.parametrize("way", [0.0, np.pi])
    def test_it_ends_at_the_near_flank(self, turn: float, way: float) -> None:
        c = np.cos(np.radians(turn))
        rods = self.rods(60.0 + 20.0 / c, turn)
        rods[1, 2] += way
        upper, cut = cut_back(rods, self.USUAL, 20.0)
        assert upper == pytest.approx(rods[0])
        assert cut[3] == pytest.approx(60.0)
        assert cut[:2] == pytest.approx(self.rods(60.0, turn, -10.0)[1, :2])

    def test_what_is_as_long_as_usual_or_ends_elsewhere_stays(self) -> None:
        for rods in (self.rods(60.0), self.rods(80.0, end=20.0), self.rods(80.0, end=2.0), self.rods(120.0)):
            assert cut_back(rods, self.USUAL, 20.0) == pytest.approx(rods)

    def test_where_no_length_is_usual_nothing_is_too_long(self) -> None:
        assert cut_back(self.rods(80.0), (0.0, float("inf")), 20.0) == pytest.approx(self.rods(80.0))
