"""The steps of finding tails, each on exact outlines and profiles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import ndtr

from traygauge.measure.tail_outline import even_rings, narrow_peaks, outward, root_of, suspects
from traygauge.measure.tail_patch import Patches
from traygauge.measure.tail_ridge import FollowRule, follow, fullness
from traygauge.measure.tail_thread import Ridge, Sight, Thread, thread_of, widths
from traygauge.measure.tail_view import view_correction
from traygauge_calib.camera import FlatCamera, PerspectiveCamera
from traygauge_calib.tray_view import LocalField, ScaleUncertainty, TrayView
from traygauge_shared.photo import Photo

FloatArray = npt.NDArray[np.float64]
BODY = np.array([[0, 0], [48, 0], [48, 28], [0, 28.0]])


def turned(points: FloatArray, deg: float, shift: tuple[float, float] = (300.0, 200.0)) -> FloatArray:
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return points @ np.array([[c, s], [-s, c]]) + shift


def with_thread(length: float, width: float, at: float = 14.0) -> FloatArray:
    """Return the body with a straight thread on its right end, its middle at height `at`."""
    a, b = at - width / 2, at + width / 2
    thread = [[48, a], [48 + length, a], [48 + length, b], [48, b]]
    return np.array([[0, 0], [48, 0], *thread, [48, 28], [0, 28.0]])


def with_notch() -> FloatArray:
    return np.array([[0, 0], [48, 0], [48, 12], [36, 12], [36, 15], [48, 15], [48, 28], [0, 28.0]])


def rounded(outline: FloatArray, sigma: float, step: float = 0.5) -> FloatArray:
    """Return an outline blurred along its way: no corner is sharp in a photo."""
    ring = even_rings((outline,), step).ring(0)
    reach = np.arange(-int(4 * sigma / step), int(4 * sigma / step) + 1)
    kernel = np.exp(-0.5 * (reach * step / sigma) ** 2)
    kernel /= kernel.sum()
    return sum(w * np.roll(ring, int(-k), axis=0) for k, w in zip(reach, kernel, strict=True))


def test_rings_keep_length_area_sense_and_place() -> None:
    outlines = (BODY, BODY[::-1] * 0.5 + 100, turned(with_thread(20, 4), 33))
    rings = even_rings(outlines, 0.9)
    assert rings.perimeter == pytest.approx([152, 76, 152 + 40], rel=2e-3)
    assert rings.area == pytest.approx([48 * 28, 12 * 28, 48 * 28 + 80], rel=5e-3)
    assert rings.sense.tolist() == [1, -1, 1]
    assert np.all(np.abs(rings.step - 0.9) < 0.01)
    # every point but those cutting a corner lies a step from the next one of its own ring
    ahead = rings.points[rings.further(np.ones(3, np.int64))] - rings.points
    assert np.hypot(*ahead.T).max() < 0.91
    assert rings.box[0] == pytest.approx([0, 0, 48, 28])


def test_rings_of_rectangles_know_their_width() -> None:
    """The rectangle of equal area and perimeter is the rectangle itself (ISO 9276-6, fibre model)."""
    assert even_rings((BODY,), 0.25).width[0] == pytest.approx(28, abs=0.5)
    t = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    disc = 10 * np.stack([np.cos(t), np.sin(t)], -1)
    assert even_rings((disc,), 0.5).width[0] == pytest.approx(10 * np.sqrt(np.pi), rel=1e-2)


@pytest.mark.parametrize("deg", [0.0, 31.0, 45.0, 135.0])
@pytest.mark.parametrize("order", [1, -1])
def test_suspects_are_outlines_with_thin_protrusions(deg: float, order: int) -> None:
    """Threads from 8 by 5 px on are looked at, also on corners; rectangles, notches and a 60 degree corner are not."""
    sharp = np.array([[0, 0], [48, 0], [48 + 28 / np.tan(np.pi / 3), 28], [0, 28]])
    shapes = [BODY, with_notch(), sharp, with_thread(8, 5), with_thread(20, 3, at=2), with_thread(60, 6)]
    rings = even_rings(tuple(turned(s, deg)[::order] for s in shapes), 1.6)
    found = suspects(rings, np.full(len(shapes), 28.0), 0.8)
    assert found.tolist() == [False, False, False, True, True, True]


def test_normals_point_outwards() -> None:
    for outline in (BODY, BODY[::-1]):
        rings = even_rings((outline,), 1.0)
        away = rings.points + outward(rings) - outline.mean(axis=0)
        assert np.all(
            np.abs(away).max(axis=1) >= np.abs(rings.points - outline.mean(axis=0)).max(axis=1) - 1e-9
        )


def test_narrow_peaks_ignore_what_is_broad_and_what_is_hidden() -> None:
    rings = even_rings((BODY, BODY + 100), 1.0)
    m = int(rings.start[1])
    values = np.zeros(len(rings.points))
    values[5:8] = 0.7  # narrow, across the start of nothing
    values[m + 20 : m + 60] = 0.9  # broad
    hidden = np.zeros(len(values), bool)
    assert narrow_peaks(rings, values, hidden, 12.0) == pytest.approx([0.7, 0.0])
    hidden[4:9] = True
    assert narrow_peaks(rings, values, hidden, 12.0) == pytest.approx([0.0, 0.0])
    values[:] = 0
    values[[m - 1, 0]] = 0.5  # over the seam of a ring
    assert narrow_peaks(rings, values, np.zeros(len(values), bool), 12.0)[0] == pytest.approx(0.5)


@pytest.mark.parametrize("at", [14.0, 6.0, 2.5])
@pytest.mark.parametrize("deg", [0.0, 40.0, 90.0])
@pytest.mark.parametrize("order", [1, -1])
def test_root_lies_on_the_cut_edge(at: float, deg: float, order: int) -> None:
    """A straight thread 5 px wide on a square end, blurred by 1 px: its root is on the end to 1.5 px (0.1 mm)."""
    outline = turned(rounded(with_thread(30, 5, at=at), 1.0), deg)[::order]
    path = turned(np.stack([np.arange(46, 84.0), np.full(38, at)], -1), deg)
    rings = even_rings((outline,), 0.9)
    root = root_of(rings.ring(0), rings.step[0], path, np.full(38, 2.5), 1.0, 28.0)
    assert root is not None
    assert root.at_px == pytest.approx(2.0, abs=1.5)
    taken = rings.ring(0)[np.arange(root.first, root.last + 1) % rings.count[0]]
    flat = turned(taken - (300.0, 200.0), -deg, (0.0, 0.0))
    assert flat[:, 0].max() > 77  # the whole thread is taken off
    assert flat[:, 0].min() > 48 - 6  # and little of the body


def thread_ridge(length: float, width: float, blur: float, bright: float, at: float = 14.0) -> Ridge:
    """Return the ridge of a straight thread on the right end of BODY, seen with a blur: closed form."""
    s = np.arange(0.0, length + 8.0)
    end = ndtr((length - s) / blur)
    peak = bright * (2 * ndtr(width / 2 / blur) - 1) * end
    weight = bright * width * end
    return Ridge(np.stack([48 + s, np.full(len(s), at)], -1), weight, weight, peak, s < length, 1.0, True)


@pytest.mark.parametrize("width", [2.0, 3.5, 6.0])
@pytest.mark.parametrize("blur", [0.7, 1.2])
@pytest.mark.parametrize("bright", [1.0, 1.6])
def test_length_of_a_blurred_thread(width: float, blur: float, bright: float) -> None:
    """The tip is where the integrated contrast falls to half, whatever blur and contrast."""
    rings = even_rings((rounded(with_thread(30, width), blur),), 0.9)
    thread = thread_of(
        thread_ridge(30, width, blur, bright), rings.ring(0), rings.step[0], Sight(28, 16, blur)
    )
    assert thread is not None
    assert thread.length_px == pytest.approx(30, abs=1.5)
    np.testing.assert_allclose(thread.line[[0, -1], 1], 14, atol=0.1)
    assert thread.line[-1, 0] == pytest.approx(78, abs=0.5)


def test_corners_and_lips_are_no_threads() -> None:
    sight = Sight(28, 16, 1.0)
    rings = even_rings((rounded(with_thread(3, 6), 1.0), rounded(BODY, 1.0)), 0.9)
    assert thread_of(thread_ridge(3, 6, 1.0, 1.0), rings.ring(0), rings.step[0], sight) is None
    s = np.arange(0.0, 12)
    weight = np.maximum(6 - s, 0.2)
    corner = Ridge(
        np.stack([44 + s / np.sqrt(2), 24 + s / np.sqrt(2)], -1),
        weight,
        weight,
        np.clip((6 - s) / 4, 0.05, 1),
        s < 6,
        1.0,
        True,
    )
    assert thread_of(corner, rings.ring(1), rings.step[1], sight) is None


def test_a_thread_outside_its_region_begins_at_the_regions_edge() -> None:
    """Too faint for the outline, or parted from it: the bare body's outline, and a path that starts 4 px inside."""
    s = np.arange(-4.0, 28.0)
    end = ndtr((20 - s) / 1.0)
    ridge = Ridge(
        np.stack([48 + s, np.full(len(s), 14.0)], -1), 3 * end, 3 * end, 0.8 * end, s < 0.2, 1.0, True
    )
    rings = even_rings((rounded(BODY, 1.0),), 0.9)
    thread = thread_of(ridge, rings.ring(0), rings.step[0], Sight(28, 16, 1.0))
    assert thread is not None
    assert thread.length_px == pytest.approx(20, abs=1.0)


@pytest.mark.parametrize(("shade", "seen"), [(0.05, True), (0.9, False)])
def test_a_thread_in_the_shade_is_one_where_shadows_cannot_show(shade: float, seen: bool) -> None:
    """Broad and at 0.3 of the body's light: lit tray between shadows, but not on a tray that is nearly black."""
    ridge = replace(thread_ridge(20, 4.5, 1.0, 0.3), shade=shade)
    rings = even_rings((rounded(with_thread(20, 4.5), 1.0),), 0.9)
    thread = thread_of(ridge, rings.ring(0), rings.step[0], Sight(28, 16, 1.0))
    assert (thread is not None) == seen


@pytest.mark.parametrize("length", [24.0, 40.0])
def test_the_body_that_a_thread_reaches_does_not_broaden_it(length: float) -> None:
    """A slab of even width; within half a profile of either body its profile holds some of that: integral up, peak down."""
    sight = Sight(28, 16, 1.0)
    ridge = thread_ridge(length, 4.0, 0.9, 1.0)
    arc = np.arange(len(ridge.peak), dtype=float)
    on = arc <= length
    beside = np.minimum(arc, length - arc)[on] < sight.reach_px - 0.5
    weight = np.where(beside, 9.0, 4.0)
    peak = np.where(beside, 0.4, ridge.peak[on])
    tied = Ridge(ridge.points[on], weight, weight, peak, ridge.own[on], 1.0, False)
    rings = even_rings((rounded(with_thread(length, 4.0), 1.0),), 0.9)
    thread = thread_of(tied, rings.ring(0), rings.step[0], sight)
    assert thread is not None
    assert thread.taper == pytest.approx(1.0, abs=0.05)


def board_with(ridge: FloatArray, own: bool) -> Patches:
    """Return a close look at a thread along row 20 of a board, as bright as `ridge` (k,) says from column 10 on."""
    thin = np.zeros((41, 90), np.float32)
    for row, share in ((19, 0.5), (20, 1.0), (21, 0.5)):
        thin[row, 10 : 10 + len(ridge)] = share * ridge
    none = np.zeros(thin.shape, np.uint8)
    away = np.broadcast_to(np.maximum(np.arange(90) - 8, 0).astype(np.float32), thin.shape).copy()
    own_pixels = (thin > 0.1).astype(np.uint8) if own else none
    return Patches(
        np.array([0]),
        np.zeros((1, 2)),
        np.array([[0, 0, 90, 41]]),
        thin,
        thin,
        own_pixels,
        none,
        none,
        none,
        away,
    )


@pytest.mark.parametrize(("own", "steps"), [(True, 60), (False, 38)])
def test_a_thread_that_turns_out_of_the_light_is_followed_while_it_is_in_its_piece(
    own: bool, steps: int
) -> None:
    """Down to a seventh of its light after 40 px: the piece's own region says whether that is thread or a shadow's rim."""
    light = np.concatenate([np.full(40, 1.5), np.full(22, 0.2)])
    rule = FollowRule(1.0, 5.0, 0.08, 200)
    track = follow(
        board_with(light, own), np.array([0]), np.array([[10.0, 20.0]]), np.array([[1.0, 0.0]]), rule
    )
    assert track.size[0] == pytest.approx(steps, abs=3)


@pytest.mark.parametrize("tray", [0.0, -0.6])
def test_a_thread_is_as_wide_on_brighter_tray_than_in_its_pieces_shade(tray: float) -> None:
    """Rows of 0.5, 1 and 0.5 above whatever the tray is, which slopes besides, hold 2 px of full contrast."""
    board = board_with(np.ones(60), True)
    slope = 0.02 * (np.arange(41) - 20.0)[:, None]
    board = replace(board, contrast=(board.thin + tray + slope).astype(np.float32))
    line = np.stack([np.linspace(15.0, 60.0, 46), np.full(46, 20.0)], -1)
    np.testing.assert_allclose(fullness(board, line, 6.0), 2.0, rtol=0.05)


def test_a_tip_on_brighter_tray_is_found_where_all_of_its_light_says() -> None:
    """Two px short of it, by the light above the tray in the shade alone."""
    ridge = thread_ridge(30, 3.5, 0.7, 1.0)
    short = replace(ridge, weight=np.append(thread_ridge(28, 3.5, 0.7, 1.0).weight, [0.0, 0.0]))
    rings = even_rings((rounded(with_thread(30, 3.5), 0.7),), 0.9)
    thread = thread_of(short, rings.ring(0), rings.step[0], Sight(28, 16, 0.7))
    assert thread is not None
    assert thread.line[-1, 0] == pytest.approx(78, abs=0.5)


def slab(width: float, blur: float, bright: float) -> Thread:
    """Return a thread whose integral and peak are those of a blurred slab, by `thread_of`."""
    rings = even_rings((rounded(with_thread(30, width), blur),), 0.9)
    thread = thread_of(
        thread_ridge(30, width, blur, bright), rings.ring(0), rings.step[0], Sight(28, 16, blur / 0.9)
    )
    assert thread is not None
    return thread


def test_widths_of_broad_threads_do_not_need_their_contrast() -> None:
    """A slab w wide blurred by s has integral / peak = w / erf(w / (2 sqrt 2 s)) whatever its contrast."""
    threads = [slab(w, 0.9, 1.7) for w in (4.0, 5.0, 6.0)]
    width, u = widths(threads, 1.0)
    assert width == pytest.approx([4, 5, 6], rel=0.05)
    assert np.all(u < 0.5)


def test_widths_of_thin_threads_lean_on_the_broad_ones() -> None:
    """Thinner than two blurs: by integrated contrast, 1.7 times the body's as the broad threads show."""
    threads = [slab(w, 0.9, 1.7) for w in (4.0, 5.0, 6.0, 1.6)]
    width, u = widths(threads, 1.0)
    assert width[3] == pytest.approx(1.6, rel=0.08)
    assert u[3] > 0.15 * width[3]
    alone, u_alone = widths(
        threads[3:], 1.0
    )  # taken for as bright as the body: 1.7 times too wide, and said less sure
    assert alone[0] == pytest.approx(1.6 * 1.7, rel=0.08)
    assert u_alone[0] > u[3]
    assert widths([], 1.0)[0].shape == (0,)


def test_a_thread_far_brighter_than_its_body_has_no_width() -> None:
    """Its integral once made it wider than the tray, which then was all tail: no piece had an end (blue on dark blue)."""
    width, u = widths([slab(1.6, 0.9, 400.0)], 1.0)
    assert np.isnan(width).all()
    assert np.isnan(u).all()


def view(camera: PerspectiveCamera | FlatCamera) -> TrayView:
    photo = Photo("none", "", np.zeros((10, 10, 3), np.uint8))
    field = LocalField.constant(1.0)
    return TrayView(photo, camera, (0.0, 0.0, 200.0, 150.0), "sheet", ScaleUncertainty(0.001), field, field)


def test_what_a_far_face_hides_of_a_tail() -> None:
    """Camera 200 mm above (0, 75): at x = 60 the lean is 60 / (200 - z); a face hides half its height times that."""
    camera = PerspectiveCamera(
        3200.0, (0.0, 0.0), (0.0, 0.0), np.diag([1.0, 1.0, 1.0]), np.array([0.0, 75.0, 200.0])
    )
    tray = view(camera)
    body = np.array([[57, 74.125], [60, 74.125], [60, 75.875], [57, 75.875]])
    line = np.stack([np.linspace(60, 62, 20), np.full(20, 75.0)], -1)

    def added(body_mm: FloatArray, line_mm: FloatArray) -> tuple[float, float]:
        add, u_root, u_tip = view_correction(
            tray, [tray.to_px(line_mm)], [line_mm], [tray.to_px(body_mm)], 1.75
        )
        assert u_root[0] == pytest.approx(add[0] / np.sqrt(3))  # anything from nothing to twice that
        return float(add[0]), float(u_tip[0])

    far, u_tip = added(body, line)
    assert far == pytest.approx(0.875 * 60 / 200, rel=0.02)
    assert u_tip == pytest.approx(1.75 / np.sqrt(12) * 60 / 200, rel=0.02)
    flipped = np.array([-1.0, 1.0])
    near, _ = added(
        body * flipped + (117, 0), line * flipped + (117, 0)
    )  # root at x = 57, towards the camera
    assert near == 0.0
    at_the_flank, _ = added(body, line + (0.0, 0.875))
    assert at_the_flank < 0.15 * far
    nothing = view_correction(view(FlatCamera((16.0, 16.0))), [line * 16], [line], [body * 16], 1.75)
    assert [float(x[0]) for x in nothing] == [0.0, 0.0, 0.0]


def test_no_outlines_no_suspects() -> None:
    rings = even_rings((), 1.0)
    assert suspects(rings, np.zeros(0), 1.0).shape == (0,)
