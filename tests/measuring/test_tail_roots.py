"""Where tails begin, on bodies and threads made by closed form."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import numpy.typing as npt
import pytest

from traygauge.measure.ends import Ends
from traygauge.measure.frame import Frames
from traygauge.measure.tail_roots import rooted
from traygauge.measure.tails import Tails
from traygauge_calib.camera import FlatCamera, PerspectiveCamera
from traygauge_calib.tray_view import LocalField, ScaleUncertainty, TrayView
from traygauge_shared.photo import Photo

FloatArray = npt.NDArray[np.float64]
DIAMETER = 1.75
ONE = np.array([0])


def view(camera: PerspectiveCamera | FlatCamera) -> TrayView:
    photo = Photo("none", "", np.zeros((10, 10, 3), np.uint8))
    field = LocalField.constant(1.0)
    return TrayView(photo, camera, (0.0, 0.0, 200.0, 150.0), "sheet", ScaleUncertainty(0.001), field, field)


FLAT = view(FlatCamera((16.0, 16.0)))


def body(axis: float = 0.0, centre: tuple[float, float] = (10.0, 20.0)) -> Frames:
    """Return a straight body of 3 mm by 1.75 mm."""
    one = np.ones(1)
    return Frames(np.array([centre]), axis * one, 0 * one, 3 * one, DIAMETER * one)


def ends(slope: tuple[float, float] = (0.0, 0.0), view: float = 0.0, u_lip: float = 0.0) -> Ends:
    """Return both ends of one body, whose faces are out of sight."""
    given = {"slope": np.array([slope]), "view": np.full((1, 2), view), "face": np.ones((1, 2))}
    given |= {"view_expected": np.zeros((1, 2)), "u_lip_mm": np.full((1, 2), u_lip)}
    return Ends(**{f.name: given.get(f.name) for f in fields(Ends)})


def tails(*lines_px: FloatArray, tray: TrayView = FLAT) -> Tails:
    """Return tails of region 0 along lines in the photo that start at the body."""
    lines_mm = tuple(tray.to_mm(line, DIAMETER / 4) for line in lines_px)
    given = {
        "owner": np.zeros(len(lines_mm), int),
        "centrelines_px": lines_px,
        "centrelines_mm": lines_mm,
        "length_mm": np.array([np.hypot(*np.diff(line, axis=0).T).sum() for line in lines_mm]),
        "u_length_mm": np.full(len(lines_mm), 0.1),
        "u_root_mm": np.full(len(lines_mm), 0.1),
    }
    return Tails(**{f.name: given.get(f.name) for f in fields(Tails)})


def scanned(*lines_mm: list[tuple[float, float]]) -> Tails:
    """Return tails seen straight from above."""
    return tails(*(FLAT.to_px(np.array(line)) for line in lines_mm))


def test_a_thread_seen_late_begins_at_the_cut_face() -> None:
    """The face lies at x = 11.5; the thread stands out from x = 11.7 on."""
    out = rooted(scanned([(11.7, 20.3), (13.0, 20.3)]), FLAT, body(), ends(), ONE)
    assert out.length_mm[0] == pytest.approx(1.5)
    np.testing.assert_allclose(out.centrelines_mm[0][0], [11.5, 20.3])


def test_a_thread_seen_inside_the_face_begins_at_the_face_too() -> None:
    out = rooted(scanned([(11.3, 20.0), (11.45, 20.0), (13.0, 20.0)]), FLAT, body(), ends(), ONE)
    assert out.length_mm[0] == pytest.approx(1.5)
    np.testing.assert_allclose(out.centrelines_mm[0][0], [11.5, 20.0])


def test_a_length_is_less_sure_where_thread_and_face_disagree_where_the_cut_leans_and_where_a_lip_may_be() -> (
    None
):
    agreed, late = ([(x, 20.0), (13.0, 20.0)] for x in (11.5, 11.8))
    off = 0.3 * DIAMETER / 2  # of either rim from the face's middle: the outer one is seen
    rim = [(11.5 + off, 20.0), (13.0, 20.0)]
    sure, unsure, leaning, lipped = (
        float(rooted(scanned(line), FLAT, body(), e, ONE).u_length_mm[0])
        for line, e in (
            (agreed, ends()),
            (late, ends()),
            (rim, ends(view=0.3)),
            (agreed, ends(u_lip=0.1)),
        )
    )
    assert sure < 0.1  # the outline's own
    assert unsure**2 - sure**2 == pytest.approx((0.3 / 4) ** 2)
    # which rim it is: one lies as far before the face's middle as the other behind it
    assert leaning**2 - sure**2 == pytest.approx(off**2)
    assert lipped**2 - sure**2 == pytest.approx(0.1**2)


def test_no_more_than_half_of_a_thread_is_taken_for_body() -> None:
    out = rooted(scanned([(11.0, 20.0), (11.4, 20.0)]), FLAT, body(), ends(), ONE)
    assert out.length_mm[0] == pytest.approx(0.2)


def test_turned_bodies_have_turned_faces() -> None:
    out = rooted(scanned([(10.0, 22.0), (10.0, 23.0)]), FLAT, body(np.pi / 2), ends(), ONE)
    assert out.length_mm[0] == pytest.approx(1.5)


def test_a_thread_far_from_the_face_is_drawn_no_further_in_than_a_face_can_be_drawn_out() -> None:
    out = rooted(scanned([(14.0, 20.0), (15.0, 20.0)]), FLAT, body(), ends(), ONE)
    assert out.length_mm[0] == pytest.approx(1.0 + 0.4 * DIAMETER)


def test_oblique_cuts_reach_further_out_on_one_side() -> None:
    """What end 1 does at y = 20.4, end 0 of the body turned round does too."""
    high, low = [(11.7, 20.4), (13.0, 20.4)], [(11.7, 19.6), (13.0, 19.6)]
    out = rooted(scanned(high, low), FLAT, body(), ends((0.0, 0.1)), ONE)
    assert out.length_mm[0] < 1.5 - 0.3 * 0.1 * 0.4
    assert out.length_mm.sum() == pytest.approx(3.0)
    round_again = rooted(scanned(high, low), FLAT, body(np.pi), ends((0.1, 0.0)), ONE)
    np.testing.assert_allclose(round_again.length_mm, out.length_mm)


@pytest.mark.parametrize("sign", [1.0, -1.0], ids=["face hidden", "face seen"])
def test_threads_from_the_upper_and_the_lower_rim_are_right_in_the_mean(sign: float) -> None:
    """Camera 200 mm above (58.5, 75) less 60 mm: threads of 2 mm grow from heights 0 and 1.75 of either face.

    They sag, 1 / e in three diameters. One of both is seen from its root on; the other comes out of the outline later, or
    lies before its own body.
    """
    camera = PerspectiveCamera(
        3200.0, (0.0, 0.0), (0.0, 0.0), np.diag([1.0, 1.0, 1.0]), np.array([58.5 - 60.0, 75.0, 200.0])
    )
    tray = view(camera)
    along = np.linspace(0.0, 2.0, 2001)
    face = 58.5 + sign * 1.5
    rims = [tray.to_px(np.array([[face, 75.0]]), z)[0, 0] for z in (0.0, DIAMETER)]
    outline = max(rims) if sign > 0 else min(rims)
    seen = []
    for z in (0.0, DIAMETER):
        height = z * np.exp(-along / (3 * DIAMETER))
        px = tray.to_px(np.stack([face + sign * along, np.full(len(along), 75.0)], -1), height)
        seen.append(px[sign * (px[:, 0] - outline) >= 0])
    lean = float(tray.lean(np.array([face, 75.0]), DIAMETER / 2)[0])
    out = rooted(tails(*seen, tray=tray), tray, body(centre=(58.5, 75.0)), ends(), ONE)
    assert out.length_mm.mean() == pytest.approx(2.0, abs=0.02)
    # the tips lie as much higher, or lower, as the rims do, less what they have sagged
    off = DIAMETER / 2 * np.exp(-2.0 / (3 * DIAMETER)) * abs(lean)
    np.testing.assert_allclose(np.abs(out.length_mm - 2.0), off, atol=0.03)


def test_which_tail_is_the_longest_is_asked_once_they_begin_at_their_faces() -> None:
    """One of 1.4 mm, seen from 0.2 mm inside its face on, is one of 1.2 mm; one of 1.3 mm, seen 0.3 mm late, of 1.6 mm."""
    seen = scanned([(11.3, 20.0), (12.7, 20.0)], [(8.2, 20.0), (6.9, 20.0)])
    out = rooted(replace(seen, outline_part=np.zeros(1)), FLAT, body(), ends(), ONE)
    assert out.longest(out.length_mm)[0] == pytest.approx(1.6)
    assert out.each(out.centrelines_mm)[0][0][0, 0] == pytest.approx(8.5)


def test_many_tails_begin_where_each_alone_does() -> None:
    """Of several lengths and numbers of points, some seen late and some inside their face."""
    lines = [
        [(11.2, 20.0), (11.4, 20.1), (12.0, 20.3), (16.0, 20.5)],
        [(11.7, 19.8), (12.0, 19.7)],
        [(8.8, 20.0), (8.3, 20.1), (7.0, 20.2)],
        [(11.3, 20.4), (12.4, 20.4)],
    ]
    given = ends((0.1, -0.05), view=0.1)
    together = rooted(scanned(*lines), FLAT, body(), given, ONE)
    alone = [rooted(scanned(line), FLAT, body(), given, ONE) for line in lines]
    np.testing.assert_allclose(together.length_mm, [one.length_mm[0] for one in alone])
    np.testing.assert_allclose(together.u_length_mm, [one.u_length_mm[0] for one in alone])


def test_tails_of_what_was_not_measured_stay_as_they_are() -> None:
    seen = scanned([(11.9, 20.0), (13.0, 20.0)])
    assert rooted(seen, FLAT, body(), ends(), np.array([-1])) is seen


def test_a_flakes_corner_is_told_from_a_thread_on_its_edge_by_the_sides_that_turn_inwards() -> None:
    """Three tails of a flake (a corner, noise on one side of a corner, a thread), a corner that ties, and a strand's."""
    found = replace(
        scanned(*([(2.0, y), (3.0 + y, y)] for y in np.arange(5.0) / 2)),
        owner=np.array([0, 0, 0, 0, 1]),
        width_mm=np.zeros(5),
        u_width_mm=np.zeros(5),
        tied_to=np.array([-1, -1, -1, 1, -1]),
        kinks=np.array([0, 1, 2, 0, 0]),
    )
    kept = found.without_corners(np.array([True, False]))
    assert kept.length_mm == pytest.approx([2.0, 2.5, 3.0])
    assert kept.owner.tolist() == [0, 0, 1]
    assert [one[0, 1] for one in kept.centrelines_mm] == pytest.approx([1.0, 1.5, 2.0])
