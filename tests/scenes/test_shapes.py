"""Meshes of pieces: volumes, areas and extents against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from traygauge_shared.scenes import COLUMNS, Burr, Crumb, Double, Flake, StrandPiece, Tail, scan_of
from traygauge_shared.scenes.mesh import TAIL, edges_of
from traygauge_shared.scenes.raster import rasterise
from traygauge_shared.scenes.solid import solid_of
from traygauge_shared.scenes.strand import StrandShape, tail_line
from traygauge_shared.scenes.truth import truth_rows

SHARP = StrandPiece(50, 40, rounding_mm=0.0, length_mm=3.0, diameter_mm=1.75)


def _truth(*things):
    """Return truth rows without drawing a picture."""
    solids = [solid_of(thing) for thing in things]
    camera = scan_of((100, 80), dpi=254)
    fragments = rasterise([s.meshes for s in solids], camera, camera.width, camera.height)
    labels = np.zeros((camera.height, camera.width), np.uint16)
    return truth_rows(things, solids, fragments, labels, camera, None)


def _volume(piece):
    return solid_of(piece).meshes[0].volume_mm3


def test_volume_of_a_cylinder_and_of_an_oval_one():
    assert_allclose(_volume(SHARP), np.pi / 4 * 1.75**2 * 3, rtol=3e-4)
    oval = replace(SHARP, oval=1.3, oval_deg=25)
    small = 1.75 / 2.3  # half the smaller axis, mean of both axes 1.75
    assert_allclose(_volume(oval), np.pi * small * 1.3 * small * 3, rtol=3e-4)


@pytest.mark.parametrize("angle", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("side", [0.0, 37.0, 90.0])
def test_oblique_cuts_through_the_same_centres_leave_the_volume(angle, side):
    # pi D² L / 4 unchanged, length along the axis (geometry)
    piece = replace(SHARP, cut_deg=(angle, angle), cut_side_deg=(side, side + 70))
    assert_allclose(_volume(piece), np.pi / 4 * 1.75**2 * 3, rtol=3e-4)


def test_volume_of_a_bent_piece_is_section_times_arc():
    # Pappus: the section's centre runs along the centreline
    piece = replace(SHARP, length_mm=8.0, bend_radius_mm=12.0)
    assert_allclose(_volume(piece), np.pi / 4 * 1.75**2 * 8, rtol=1e-3)


def test_rounding_takes_the_ring_between_corner_and_quarter_circle():
    # area (1 - pi/4) b² of the corner, its centre 0.2234 b from both sides, turned around the axis (Pappus)
    b, r = 0.07, 0.875
    taken = 2 * np.pi * (r - 0.2234 * b) * (1 - np.pi / 4) * b**2
    rounded = replace(SHARP, rounding_mm=b)
    assert_allclose(
        _volume(SHARP) - _volume(rounded), 2 * taken, rtol=0.02
    )  # chords inside the quarter circle


# L 3, D 1.75 mm, both ends cut parallel at β; geometry: edge-on area L D, largest Feret
# sqrt((L + D tan β)² + D²); face-on overall L + D tan β, area L D + (pi/4) D² tan β.
@pytest.mark.parametrize(
    ("angle", "overall", "area", "feret_face_on", "feret_edge_on"),
    [(20.0, 3.636948, 6.125451, 3.665628, 4.036074), (10.0, 3.308572, 5.674116, 3.514442, None)],
)
def test_plan_of_oblique_cuts(angle, overall, area, feret_face_on, feret_edge_on):
    face_on = replace(SHARP, cut_deg=(angle, angle), cut_side_deg=(90, 90))
    edge_on = replace(SHARP, x_mm=60, cut_deg=(angle, angle), cut_side_deg=(0, 0))
    rows = _truth(face_on, edge_on)
    points = solid_of(face_on).meshes[0].points
    assert_allclose(np.ptp(points[:, 0]), overall, atol=5e-4)
    assert_allclose(rows[0]["plan_area_mm2"], area, rtol=5e-4)
    assert_allclose(rows[0]["plan_feret_max_mm"], feret_face_on, atol=1e-3)
    assert_allclose(rows[1]["plan_area_mm2"], 3 * 1.75, rtol=5e-4)
    if feret_edge_on:
        assert_allclose(rows[1]["plan_feret_max_mm"], feret_edge_on, atol=1e-3)
    assert_allclose(rows[1]["plan_feret_min_mm"], _parallelogram_width(angle), atol=1e-3)


def _parallelogram_width(angle):
    """Return the least width of a parallelogram L x D sheared by D tan β: the smaller of its two heights."""
    return min(1.75, 3 * np.cos(np.radians(angle)))


def test_tilted_piece_covers_its_known_area():
    # L D cos θ + (pi/4) D² sin θ (geometry)
    tilt = np.radians(35)
    row = _truth(replace(SHARP, tilt_deg=35))[0]
    expected = 3 * 1.75 * np.cos(tilt) + np.pi / 4 * 1.75**2 * np.sin(tilt)
    assert_allclose(row["plan_area_mm2"], expected, rtol=5e-4)
    assert row["tilt_deg"] == pytest.approx(35)


def test_a_lying_piece_rests_on_the_floor_with_its_axis_at_half_the_diameter():
    solid = solid_of(replace(SHARP, axis_deg=33, bend_radius_mm=30, length_mm=5))
    assert solid.meshes[0].points[:, 2].min() == pytest.approx(0, abs=1e-9)
    assert solid.bodies[0] == pytest.approx([50, 40, 0.875], abs=3e-4)


def test_seen_width_is_the_section_across_not_its_mean():
    flat, high = replace(SHARP, oval=1.2, oval_deg=0), replace(SHARP, oval=1.2, oval_deg=90)
    small = 2 * 1.75 / 2.2
    assert StrandShape(flat).width_seen_mm() == pytest.approx(1.2 * small)
    assert StrandShape(high).width_seen_mm() == pytest.approx(small)


def test_a_pinched_end_is_narrow_one_way_and_wide_the_other():
    piece = replace(SHARP, length_mm=6.0, pinch=(0.4, 0.0), pinch_deg=90)
    points = solid_of(piece).meshes[0].points - [50, 40, 0]
    near, far = points[points[:, 0] < -2.99], points[points[:, 0] > 2.99]
    assert np.ptp(near[:, 2]) == pytest.approx(0.6 * 1.75, rel=2e-3)
    assert np.ptp(near[:, 1]) == pytest.approx((1 + 0.55 * 0.4) * 1.75, rel=2e-3)
    assert np.ptp(far[:, 1]) == pytest.approx(1.75, rel=2e-3)
    assert StrandShape(piece).width_seen_mm() == pytest.approx(
        1.75, rel=5e-3
    )  # the middle half is hardly touched


@pytest.mark.parametrize("length", [0.4, 1.0, 4.0])
def test_a_tail_is_as_long_as_it_says_and_stays_above_the_floor(length):
    for seed in range(5):
        tail = Tail(end=seed % 2, rim_deg=70.0 * seed, length_mm=length, width_mm=0.2, turn_deg=80, seed=seed)
        solid = solid_of(replace(SHARP, tails=(tail,)))
        shape = StrandShape(replace(SHARP, tails=(tail,)))
        line = tail_line(tail, shape, np.eye(3), np.array([50, 40, 0.875]))[1:]
        assert np.linalg.norm(np.diff(line, axis=0), axis=1).sum() == pytest.approx(length, rel=1e-6)
        assert line[:, 2].min() >= min(line[0, 2], 0.1) - 1e-9  # a root on the lowest rim climbs from there
        assert line[9:, 2].min() >= 0.1 - 1e-9
        plan = solid.truth["tail_length_plan_mm"]
        assert plan <= length + 1e-9
        assert plan == pytest.approx(np.linalg.norm(np.diff(line[:, :2], axis=0), axis=1).sum(), rel=1e-3)
        mesh = next(m for m in solid.meshes if m.part == TAIL)
        # the tube's volume is that of a thread of the stated mean width, tapering 3 : 1
        root = 1.5 * 0.2
        cone = np.pi / 12 * length * (root**2 + root * root / 3 + root**2 / 9)
        assert mesh.volume_mm3 == pytest.approx(cone + np.pi / 4 * root**2 * 0.13, rel=0.06)


def test_a_tail_from_the_lowest_rim_lies_on_the_floor():
    """Lifted onto the floor, threads as short as this rose on end from there."""
    for seed in range(10):
        tail = Tail(rim_deg=-90, length_mm=1.5, width_mm=0.3, seed=seed)
        line = tail_line(tail, StrandShape(SHARP), np.eye(3), np.array([50, 40, 0.875]))[1:]
        assert line[:, 2].max() < 0.3


def test_a_burr_stands_out_by_its_height():
    burr = Burr(end=1, rim_deg=0, height_mm=0.3, lean_deg=0)
    lip = solid_of(replace(SHARP, burrs=(burr,))).meshes[1]
    assert lip.points[:, 0].max() - 51.5 == pytest.approx(0.3, abs=1e-6)


def test_doubles_are_joined_and_say_so():
    one, two = replace(SHARP, x_mm=48.4), replace(SHARP, x_mm=51.6)
    row = _truth(Double(one, two, "web", 0.9))[0]
    assert row["kind"] == "double_web"
    assert row["length_mm"] == pytest.approx(6.2)
    assert row["part_lengths_mm"] == "3.0000;3.0000"
    # two rectangles and the web's 0.9 mm over the gap of 0.2
    assert row["plan_area_mm2"] == pytest.approx(2 * 3 * 1.75 + 0.9 * 0.2, rel=2e-3)
    string = _truth(Double(replace(one, x_mm=46), two, "string", 0.2))[0]
    assert string["kind"] == "double_string"
    assert string["string_length_mm"] > 2.6  # longer than the gap it spans
    assert string["length_mm"] == pytest.approx(6.0)


def test_flakes_and_crumbs_are_as_large_as_they_say():
    rows = _truth(Flake(20, 20, size_mm=4.0, seed=3), Crumb(30, 20, size_mm=0.5, seed=4))
    for row, size, kind in zip(rows, (4.0, 0.5), ("flake", "crumb"), strict=True):
        assert row["kind"] == kind
        assert row["plan_feret_max_mm"] == pytest.approx(size, rel=1e-5)
        assert row["length_mm"] == row["plan_feret_max_mm"]
        assert row["diameter_mm"] == row["plan_feret_min_mm"] < size


def test_all_meshes_are_closed_and_wound_outwards():
    tail, burr = Tail(length_mm=2.0), Burr()
    things = (
        replace(SHARP, rounding_mm=0.05, cut_deg=(30, 12), tails=(tail,), burrs=(burr,), pinch=(0.3, 0.2)),
        Flake(0, 0, seed=1),
        Crumb(0, 0, seed=2),
        Double(SHARP, replace(SHARP, x_mm=54), "string", 0.2),
    )
    for thing in things:
        for mesh in solid_of(thing).meshes:
            assert mesh.volume_mm3 > 0
            corners = mesh.points[mesh.faces]
            normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
            assert (
                np.abs(normal.sum(0)).max() < 1e-9
            )  # the area vectors of a closed surface add up to nothing


def test_edges_pair_the_faces_of_a_tetrahedron():
    faces = np.array([[0, 1, 2], [0, 3, 1], [1, 3, 2], [2, 3, 0]])
    edges = edges_of(faces)
    assert len(edges) == 6
    assert (edges[:, 3] >= 0).all()
    assert {frozenset(e[:2]) for e in edges.tolist()} == {
        frozenset(p) for p in ((0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3))
    }


def test_columns_are_those_of_the_test_photos():
    # header of the given photos' *.truth.csv (made for this project)
    header = (
        "id,kind,x_mm,y_mm,z_mm,length_mm,width_seen_mm,diameter_mm,diameter_min_mm,diameter_max_mm,tail_count,"
        "tail_length_mm,tail_length_plan_mm,tail_width_mm,burr_mm,cut_deg_a,cut_deg_b,bend_radius_mm,pinch,axis_deg,"
        "tilt_deg,upright,touching,overlapped,visible_fraction,plan_visible_fraction,on_border,colour,material,"
        "foreign,visible_px,tail_visible_px,x_vis_mm,y_vis_mm,plan_area_mm2,plan_feret_max_mm,plan_feret_min_mm,"
        "volume_mm3,string_length_mm,string_width_mm,part_lengths_mm,parts_xy_mm,touching_image"
    )
    assert ",".join(COLUMNS) == header
    assert list(_truth(SHARP)[0]) == list(COLUMNS)
