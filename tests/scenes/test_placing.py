"""Putting pieces down: apart, touching without cutting into each other, across each other, hard scenes."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from traygauge_shared.scenes import (
    Batch,
    Double,
    StrandPiece,
    groups_of,
    hard_scenes,
    loose,
    make_pieces,
    scatter,
)
from traygauge_shared.scenes.arrange import cross, end_to_end, fan, side_by_side, tee
from traygauge_shared.scenes.hard import hard_scene
from traygauge_shared.scenes.place import (
    middle_of,
    moved_to,
    overlap_while_moving,
    polygons_overlap,
    reach_mm,
    turned,
)
from traygauge_shared.scenes.solid import solid_of
from traygauge_shared.scenes.truth import _plan_outline, _touching

SQUARE = np.array([[0, 0], [2, 0], [2, 2], [0, 2]], float)
PIECE = StrandPiece(0, 0, rounding_mm=0.0)


def _outlines(things):
    return [_plan_outline(solid_of(thing).meshes) for thing in things]


def _deepest_mm(a: StrandPiece, b: StrandPiece) -> float:
    """Return how deep points of one straight piece's surface lie inside the other, mm."""
    points = solid_of(a).meshes[0].points
    other = solid_of(b)
    rel = points - other.bodies[0]
    along = rel @ other.axis
    radial = np.linalg.norm(rel - along[:, None] * other.axis, axis=1)
    return float(np.minimum(b.diameter_mm / 2 - radial, b.length_mm / 2 - np.abs(along)).max())


@pytest.mark.parametrize(("shift", "overlap"), [(1.9, True), (2.1, False), (2.0, False)])
def test_squares_overlap_when_they_share_area(shift, overlap):
    assert polygons_overlap(SQUARE, SQUARE + [shift, 0.5]) is overlap


def test_a_moving_square_meets_and_leaves_another_where_it_should():
    begin, end = overlap_while_moving(SQUARE, SQUARE + [5, 1], np.array([[1, 0], [0, 1], [-1, 0]], float))
    assert begin[0] == pytest.approx(3)
    assert end[0] == pytest.approx(7)
    assert begin[1] >= end[1]  # never meets going down
    assert (begin[2], end[2]) == pytest.approx((-7, -3))


def test_scattered_things_keep_their_distance():
    rng = np.random.default_rng(1)
    batch = Batch(count=40, webs=2, strings=2, flakes=4, crumbs=4, tail_fraction=0.3)
    things = scatter(make_pieces(batch, rng), rng, area_mm=(20, 20, 170, 112), gap_mm=0.5)
    assert len(things) == 48
    assert not _touching(_outlines(things)).any()
    for a, b in itertools.combinations(things, 2):
        gap = np.hypot(*np.subtract(middle_of(a), middle_of(b))) - reach_mm(a) - reach_mm(b)
        assert gap > 0.5 - 1e-9


def test_loose_pieces_touch_but_do_not_cut_into_each_other():
    rng = np.random.default_rng(2)
    plain = Batch(count=60, cut_deg=(0, 0), bend_fraction=0, oval_max=1.0, pinch=(0, 0), burr_fraction=0)
    pieces = [replace(p, rounding_mm=0.0) for p in make_pieces(plain, rng)]
    things = loose(pieces, rng, area_mm=(40, 40, 75, 70))
    assert len(things) == 60
    assert _touching(_outlines(things)).mean() > 0.6
    near = [
        (a, b) for a, b in itertools.permutations(things, 2) if np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm) < 8
    ]
    assert max(_deepest_mm(a, b) for a, b in near) < 0.01


def test_pieces_across_others_rest_on_them():
    rng = np.random.default_rng(3)
    plain = Batch(count=50, cut_deg=(0, 0), bend_fraction=0, oval_max=1.0, pinch=(0, 0), burr_fraction=0)
    things = loose(make_pieces(plain, rng), rng, area_mm=(40, 40, 66, 60), crossing=0.7)
    raised = [t for t in things if t.lift_mm > 0]
    leaning = [t for t in things if t.tilt_deg > 0]
    assert len(raised) >= 3
    assert len(leaning) >= 2
    tops = [float(solid_of(t).meshes[0].points[:, 2].max()) for t in things]
    for thing in raised:
        assert min(abs(top - thing.lift_mm) for top in tops) < 0.01
    for thing in leaning:
        assert solid_of(thing).meshes[0].points[:, 2].min() == pytest.approx(0, abs=1e-9)
        deepest = max(_deepest_mm(t, thing) for t in things if t is not thing)
        assert (
            -0.05 < deepest < 0.05
        )  # its edges are rounded by up to 0.07, so it comes to lie that much lower
    near = [
        (a, b) for a, b in itertools.permutations(things, 2) if np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm) < 8
    ]
    assert max(_deepest_mm(a, b) for a, b in near) < 0.06


def test_groups_touch_the_way_they_are_named():
    row = side_by_side([PIECE] * 4, slips_mm=[0, 0.5, -0.3, 0])
    chain = end_to_end([PIECE] * 3, bend_deg=15)
    star = fan([PIECE] * 6)
    hand = fan([PIECE] * 5, step_deg=20)
    tees = tee(PIECE, PIECE, along_mm=0.4, lean_deg=12)
    for group in (row, chain, star, hand, tees):
        assert _touching(_outlines(group)).all()
        assert max(_deepest_mm(a, b) for a, b in itertools.permutations(group, 2)) < 0.01
    lower, upper = cross(PIECE, PIECE, angle_deg=70)
    assert upper.lift_mm == pytest.approx(1.75)
    assert lower.lift_mm == 0


def test_random_groups_use_every_piece_once():
    rng = np.random.default_rng(4)
    pieces = [replace(PIECE, length_mm=2 + 0.01 * k) for k in range(60)]
    groups = groups_of(pieces, rng)
    assert sorted(t.length_mm for g in groups for t in g) == pytest.approx([p.length_mm for p in pieces])
    assert max(len(g) for g in groups) > 4


def test_moving_and_turning_keep_a_double_together():
    double = Double(replace(PIECE, x_mm=-1.6), replace(PIECE, x_mm=1.6))
    moved = turned(moved_to(double, 10, 0), 90)
    assert middle_of(moved) == pytest.approx((0, 10))
    assert (moved.first.y_mm, moved.second.y_mm) == pytest.approx((8.4, 11.6))
    assert moved.first.axis_deg == 90


def test_batches_follow_their_settings():
    rng = np.random.default_rng(5)
    batch = Batch(
        count=400, long_fraction=0.1, tail_fraction=0.25, webs=3, crumbs=5, foreign=7, colour="blue"
    )
    things = make_pieces(batch, rng)
    strands = [t for t in things if isinstance(t, StrandPiece)]
    assert len(things) == 405
    assert sum(t.kind == "long" for t in strands) == 40
    assert all(t.length_mm >= 4.5 for t in strands if t.kind == "long")
    assert np.mean([len(t.tails) > 0 for t in strands]) == pytest.approx(0.25, abs=0.07)
    usual = [t.length_mm for t in strands if t.kind == "strand"]
    assert np.mean(usual) == pytest.approx(3.0, abs=4 * 0.15 / np.sqrt(len(usual)))
    assert sum(t.foreign for t in things if not isinstance(t, Double)) == 7
    assert sum(isinstance(t, Double) for t in things) == 3


def test_hard_scenes_come_again_from_their_seed_and_differ_from_each_other():
    first, second = (list(hard_scenes(7, 3, mpix=1, pieces=20)) for _ in range(2))
    assert [s.note for s in first] == [s.note for s in second]
    assert [s.pieces for s in first] == [s.pieces for s in second]
    assert len({s.note for s in first}) == 3


def test_hard_scenes_span_what_they_promise():
    scenes = list(hard_scenes(11, 60, mpix=1, pieces=8))
    notes = " ".join(s.note for s in scenes)
    for word in (
        "touching",
        "apart",
        "hard shadows",
        "gradient",
        "dust",
        "hairs",
        "past the edge",
        "streaks",
    ):
        assert word in notes
    tilts = [s.camera.facts()["tilt_deg"] for s in scenes]
    assert 8 < max(tilts) <= 15.001
    heights = [s.camera.centre_mm[2] for s in scenes]
    assert min(heights) > 140
    assert all(s.light.gradient <= 4 for s in scenes)
    assert hard_scene(3, mpix=1, pieces=8).pieces == hard_scene(3, mpix=1, pieces=8).pieces
