"""What the camera sees: cameras, silhouettes in perspective, who hides whom."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from traygauge_shared.scenes import PhoneCamera, StrandPiece, phone_over, scan_of
from traygauge_shared.scenes.camera import as_shown
from traygauge_shared.scenes.coverage import loop_edges, polygon_coverage
from traygauge_shared.scenes.raster import rasterise
from traygauge_shared.scenes.solid import solid_of


def _straight_down(height_mm=300.0, px_per_mm=16.0, size=600, at=(0.0, 0.0)):
    return PhoneCamera(
        size,
        size,
        height_mm * px_per_mm,
        ((size - 1) / 2, (size - 1) / 2),
        0.0,
        np.eye(3),
        np.array([*at, height_mm]),
    )


def _cover(piece, camera, fine=None):
    solid = solid_of(piece, fine) if fine else solid_of(piece, 0.004 / camera.px_per_mm)
    f = rasterise([solid.meshes], camera, camera.width, camera.height)
    out = np.zeros((camera.height, camera.width))
    np.add.at(out, (f.row, f.column), f.seen)
    return out, f


def test_projection_is_opencvs():
    camera = phone_over(tilt_deg=9, tilt_towards_deg=40, roll_deg=13, k1=-0.03, principal_shift_px=(7, -4))
    rng = np.random.default_rng(3)
    p = np.c_[rng.uniform([0, 0], [190, 130], (50, 2)), rng.uniform(0, 5, 50)]
    facts = camera.facts()
    expected = cv2.projectPoints(
        p * [1, 1, -1],
        *(np.array(facts[k]) for k in ("rvec", "tvec", "K", "dist")),
    )[0][:, 0]
    assert_allclose(camera.project(p), expected, atol=1e-6)
    assert_allclose(camera.to_height(expected, p[:, 2]), p[:, :2], atol=1e-8)
    assert facts["tilt_deg"] == pytest.approx(9)


def test_camera_stands_where_it_is_told():
    camera = phone_over((96, 66), tilt_deg=6, tilt_towards_deg=30, height_mm=300)
    assert_allclose(camera.project([96, 66, 0]), camera.principal_px, atol=1e-9)
    off = 300 * np.sin(np.radians(6))
    away = [96 + off * np.cos(np.radians(30)), 66 + off * np.sin(np.radians(30)), 300 * np.cos(np.radians(6))]
    assert_allclose(camera.centre_mm, away)
    step = camera.project([96.5, 66, 0]) - camera.project([95.5, 66, 0])
    assert np.linalg.norm(step) == pytest.approx(camera.px_per_mm, rel=0.01)


def test_orientation_moves_corners_as_exif_says():
    # EXIF 2.32, tag 0x0112: 6 is shown turned clockwise by 90 degrees, so the stored top left gets to the top right
    w, h = 40, 30
    assert_allclose(as_shown([0, 0], w, h, 6), [h - 1, 0])
    assert_allclose(as_shown([0, 0], w, h, 8), [0, w - 1])
    assert_allclose(as_shown([0, 0], w, h, 3), [w - 1, h - 1])
    assert_allclose(as_shown([5, 7], w, h, 1), [5, 7])


@pytest.mark.parametrize("diameter", [1.75, 2.85])
@pytest.mark.parametrize("shift", [0.0, 0.013, 0.031, 0.05])
def test_apparent_width_of_a_lying_cylinder(diameter, shift):
    # D H / sqrt(H² - H D) on the tray, axis under the camera: exact tangents;
    # H 300: D 1.75 x 1.0029295, D 2.85 x 1.0047841
    piece = StrandPiece(0, 0, axis_deg=90, length_mm=6, diameter_mm=diameter)
    cover, _ = _cover(piece, _straight_down(at=(shift, 0.0)))
    width_px = cover[295:305].sum(1)
    factor = {1.75: 1.0029295, 2.85: 1.0047841}[diameter]
    # off the axis by `shift` of 300 the width grows by parts of a millionth only
    assert_allclose(width_px, 16 * diameter * factor, atol=0.01)
    cover, _ = _cover(StrandPiece(0, 0, axis_deg=0, length_mm=6, diameter_mm=diameter), _straight_down())
    assert_allclose(cover[:, 295:305].sum(0), 16 * diameter * factor, atol=0.01)


def test_length_of_the_top_edge_in_perspective():
    # L H / (H - D) for the top line (pinhole geometry): the flank's outline is longer at the top
    piece = StrandPiece(0, 0, length_mm=6, diameter_mm=1.75, rounding_mm=0.0)
    cover, _ = _cover(piece, _straight_down())
    assert cover[300].sum() == pytest.approx(16 * 6 * 300 / (300 - 1.75), abs=0.01)


def test_silhouettes_of_straight_pieces_are_the_hulls_of_their_projected_rims():
    rng = np.random.default_rng(4)
    camera = phone_over(
        (0, 0), width=1200, height=900, focal_35mm=26, across_mm=75, tilt_deg=8, tilt_towards_deg=200
    )
    turn = np.arange(2000) * np.pi / 1000
    for _ in range(12):
        x, y = rng.uniform([-25, -18], [25, 18])
        axis = rng.uniform(0, 180)
        piece = StrandPiece(x, y, axis_deg=axis, length_mm=3, rounding_mm=0.0)
        cover, _ = _cover(piece, camera)
        a = np.radians(axis)
        along, side = np.array([np.cos(a), np.sin(a), 0]), np.array([-np.sin(a), np.cos(a), 0])
        ring = 0.875 * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * [0, 0, 1.0])
        centre = np.array([x, y, 0.875])
        rims = np.concatenate([centre - 1.5 * along + ring, centre + 1.5 * along + ring])
        hull = cv2.convexHull(camera.project(rims).astype(np.float32))[:, 0].astype(float)
        exact = polygon_coverage(loop_edges(hull + 0.5), 1200, 900)
        exact = np.abs(exact)
        perimeter = np.linalg.norm(hull - np.roll(hull, 1, 0), axis=1).sum()
        assert abs(cover.sum() - exact.sum()) / perimeter < 0.005  # mean shift of the outline, px
        assert np.abs(cover - exact).max() < 0.02


def test_a_standing_piece_leans_outwards_and_reads_large():
    # L 3, H 300 mm: diameter x H/(H-L) = 1.010101; at x 80 mm shifted by .81 mm
    camera = _straight_down(at=(-80.0, 0.0), size=3000)
    piece = StrandPiece(0, 0, length_mm=3, diameter_mm=1.75, tilt_deg=90, rounding_mm=0.0)
    _, f = _cover(piece, camera)
    top = f.take(f.surface == 2)
    area = top.cover.sum()
    assert np.sqrt(4 * area / np.pi) / 16 == pytest.approx(1.75 * 1.010101, rel=3e-4)
    middle = camera.to_height(np.array([(top.cover * top.column).sum(), (top.cover * top.row).sum()]) / area)
    assert middle[0] == pytest.approx(0.808, abs=0.002)
    assert (f.surface == 0).any()  # the flank shows on the inner side
    assert f.column[f.surface == 0].min() < top.column.min()


def test_the_near_cut_face_shows_and_the_far_one_does_not():
    camera = _straight_down(height_mm=200, at=(-70.0, 0.0), size=2600)
    _, f = _cover(StrandPiece(0, 0, axis_deg=0), camera)
    near, far = f.surface == 1, f.surface == 2
    assert not far.any()
    # a disc of radius r seen at a slant of x / (H - r) through the foreshortened face
    slant = 68.5 / (200 - 0.875)
    assert f.cover[near].sum() / 16**2 == pytest.approx(np.pi / 4 * 1.65**2 * slant, rel=0.06)


def test_samples_and_exact_areas_agree():
    camera = _straight_down()
    rng = np.random.default_rng(5)
    for _ in range(6):
        piece = StrandPiece(
            *rng.uniform(-5, 5, 2), axis_deg=rng.uniform(0, 180), cut_deg=(20, 5), cut_side_deg=(90, 10)
        )
        _, f = _cover(piece, camera)
        sampled = np.bitwise_count(f.mask) / 16
        assert np.abs(sampled - f.cover).max() < 0.2
        assert np.sqrt(((sampled - f.cover) ** 2).mean()) < 0.03
        assert abs(sampled.sum() - f.cover.sum()) < 0.002 * f.cover.sum()


def test_the_upper_of_two_crossing_pieces_hides_the_lower():
    # 60 m up there is no perspective left: the lower one loses D of its L
    camera = _straight_down(height_mm=60_000.0)
    lower = solid_of(StrandPiece(0, 0, axis_deg=0, length_mm=6, rounding_mm=0.0))
    upper = solid_of(StrandPiece(0, 0, axis_deg=90, length_mm=6, lift_mm=1.75, rounding_mm=0.0))
    f = rasterise([lower.meshes, upper.meshes], camera, camera.width, camera.height)
    seen = np.bincount(f.piece, f.seen) / np.bincount(f.piece, f.cover)
    assert seen == pytest.approx([1 - 1.75 / 6, 1.0], abs=0.002)
    total = np.bincount(f.row * 600 + f.column, f.seen)
    assert total.max() <= 1 + 1e-6


def test_a_scan_sees_from_the_side_that_lies_on_the_glass():
    camera = scan_of((20, 20), dpi=600)
    from traygauge_shared.scenes.solid import seen_from_below

    first = seen_from_below(solid_of(StrandPiece(10, 10, axis_deg=0, length_mm=6)))
    second = seen_from_below(solid_of(StrandPiece(10, 10, axis_deg=90, length_mm=6, lift_mm=1.75)))
    f = rasterise([first.meshes, second.meshes], camera, camera.width, camera.height)
    seen = np.bincount(f.piece, f.seen) / np.bincount(f.piece, f.cover)
    assert seen[0] == pytest.approx(1.0, abs=0.005)  # on the glass: nothing in front
    assert seen[1] == pytest.approx(1 - 1.75 / 6, abs=0.01)
    assert (f.normal[:, 2] > -1e-6).all()
