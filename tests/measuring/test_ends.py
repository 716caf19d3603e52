"""Cut faces against light made by closed form, and what a photo's cuts have in common."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import ndtr

from traygauge.measure.edge_model import Optics
from traygauge.measure.end_doubts import finish, settle
from traygauge.measure.end_fit import MOST, EndFit, begin, improved, row_weights
from traygauge.measure.end_light import ROWS, EndLight
from traygauge.measure.end_model import ROUNDING_MM
from traygauge.measure.lips import Lips, edges, usual_rows
from traygauge.measure.usual_cuts import SLOPE_SD, Usual, usual_cuts
from traygauge_shared.scenes import Batch, tray

RADIUS, BLUR = 0.9, 0.05


def light(
    ends: npt.NDArray[np.float64],
    *,
    beside: npt.NDArray[np.float64] | float = 0.0,
    lean: float = 0.0,
    dark: bool = False,
    flat: float = 1.0,
) -> EndLight:
    """Return the light of plain blurred steps that lie at `ends` (r, e), mm, with `beside` (r, m, 1) beyond them."""
    r, e = ends.shape
    s = np.linspace(-0.9, 0.7, 34)
    flank = ndtr((ends[:, None] - s[:, None]) / BLUR)
    share = flank + beside * (1 - flank)
    single = np.float32
    return EndLight(
        share=share.astype(single),
        weight=np.ones_like(share, single),
        s=np.repeat(s[:, None], e, 1).astype(single),
        v=np.repeat(ROWS[:, None] * RADIUS, e, 1).astype(single),
        blur=np.full(e, BLUR, single),
        radius=np.full(e, RADIUS, single),
        flat=np.full(e, flat, single),
        known=np.full(e, np.inf, single),
        tray_at=np.full(e, s[-3], single),
        even=np.ones((r, e), single),
        lean=np.full(e, lean, single),
        dark=np.full(e, dark),
        lip=np.zeros((r, e), bool),
        optics=Optics(1.0, 0.0),
    )


def finished(seen: EndLight, face: float = 0.3) -> tuple[EndFit, Lips]:
    """Return the fits and lips that all steps of fitting find in a photo of ordinary cuts."""
    e = len(seen.lean)
    return from_begun(seen, begin(seen), Usual(SLOPE_SD, np.full(e, face), np.full(e, 0.15), 0.03))


def from_begun(seen: EndLight, begun: EndFit, usual: Usual) -> tuple[EndFit, Lips]:
    """Return the fits and lips that are found from begun ones."""
    settled = settle(seen, begun, usual)
    return finish(settled, usual, usual_rows(settled.rows, SLOPE_SD, BLUR))


def fitted(seen: EndLight, face: float = 0.3) -> npt.NDArray[np.float64]:
    """Return out and m (2, e) of the fits."""
    return finished(seen, face)[0].p[:2]


@pytest.mark.parametrize("dark", [False, True])
def test_straight_cuts_are_where_the_light_steps(dark: bool) -> None:
    true = np.array([-0.35, -0.1, 0.0, 0.12, 0.3])
    out, slope = fitted(light(np.repeat(true[None], 9, 0), dark=dark), 1.0 if dark else 0.3)
    np.testing.assert_allclose(out, true, atol=0.004)
    np.testing.assert_allclose(slope, 0.0, atol=0.01)


def test_oblique_cuts_run_across_as_the_light_does() -> None:
    m = np.array([-0.4, -0.1, 0.2])
    out, slope = fitted(light(m * ROWS[:, None] * RADIUS))
    np.testing.assert_allclose(out, 0.0, atol=0.006)
    np.testing.assert_allclose(slope, m, atol=0.02)


@pytest.mark.parametrize("flat", [0.6, 0.8, 1.2])
def test_squeezed_ends_end_where_an_ellipse_does(flat: float) -> None:
    """The rim of a square cut, seen from 11 degrees: an ellipse as wide as the end looks, as high as it was squeezed."""
    lean, out = 0.2, 0.1
    v = ROWS * RADIUS
    rim = out + lean * flat * np.sqrt((RADIUS - ROUNDING_MM) ** 2 - v**2)
    assert fitted(light(rim[:, None], lean=lean, flat=flat))[0] == pytest.approx(out, abs=0.008)
    taken_for_round = fitted(light(rim[:, None], lean=lean))[0]
    assert np.sign(taken_for_round - out) == np.sign(flat - 1)
    assert abs(taken_for_round - out) > abs(fitted(light(rim[:, None], lean=lean, flat=flat))[0] - out)


@pytest.mark.parametrize(
    ("residual", "blur", "noise", "from_within"),
    [
        (0.07, 0.03, 0.14, 0.2),
        (0.06, 0.03, 0.12, 0.18),
        (0.001, 0.03, 0.1, 0.1),
        (0.001, 0.084, 0.144, 0.2),
        (0.001, 0.14, 0.2, 0.2),
        (np.inf, 0.03, 0.2, 0.2),
    ],
)
def test_the_clearer_ends_are_the_less_counts_what_is_expected(residual, blur, noise, from_within) -> None:
    """Before a photo was looked at nothing is known of that, nor ever of dark pieces; of a scan nothing is expected."""
    usual, dark = Usual(SLOPE_SD, np.zeros(2), np.zeros(2), residual), np.array([False, True])
    assert usual.noise == pytest.approx(0.2)
    told = usual.as_firm_as_told(blur, dark, True)
    assert told.noise == pytest.approx([noise, 0.2])
    assert usual.as_firm_as_told(blur, dark, False).noise == pytest.approx([from_within, 0.2])
    assert told.of(np.array([1])).noise == pytest.approx([0.2])
    assert told.of_covered(np.array([0])).noise == pytest.approx(0.2)
    assert told.seen_straight_on().noise == pytest.approx(0.1)


def test_faces_under_a_flash_are_as_dark_as_they_are_seen_slantingly() -> None:
    """Lambert's law, less what the coat mirrors on the way in and out: next to nothing up to 25 degrees' slant."""
    usual = Usual(SLOPE_SD, np.full(4, 0.3), np.full(4, 0.3), 0.03)
    face = usual.lit_from_the_camera(np.array([0.2, 0.0, -0.1, -1.0])).face
    assert face[:2] == pytest.approx(0.0, abs=1e-9)
    assert 0.0 < face[2] < 0.1 * 0.5
    assert 0.9 * np.sqrt(0.5) < face[3] < np.sqrt(0.5)


@pytest.mark.parametrize(
    ("cut", "pinch", "most"),
    [
        ((10.0, 7.0), (0.0, 0.0), 0.006),
        ((10.0, 7.0), (0.1, 0.45), 0.008),
        ((0.0, 0.0), (0.1, 0.45), 0.006),
    ],
)
def test_lengths_of_worn_cuts(
    measured_scene, cut: tuple[float, float], pinch: tuple[float, float], most: float
) -> None:
    """Oblique faces that are hidden show in the roundness of their rims alone; squeezed ones are flat, and brighter aside."""
    batch = Batch(
        count=100, length_sd_mm=0.35, cut_deg=cut, pinch=pinch, oval_max=1.0,
        burr_fraction=0.0, long_fraction=0.0, short_fraction=0.0,
    )  # fmt: skip
    trays = [measured_scene(tray(batch, seed=seed)).errors("length_mm", "length_mm") for seed in (700, 701)]
    error = np.concatenate(trays)
    assert len(error) >= 190
    assert abs(error.mean()) < most


def test_a_shadow_beside_half_of_an_end_turns_no_cut() -> None:
    """A lamp's shadow lies beside some rows only; one level for all would turn the cut towards it."""
    shadow = np.where(ROWS > 0, 0.7, 0.0)[:, None, None]
    out, slope = fitted(light(np.zeros((9, 1)), beside=shadow, dark=True), 1.0)
    assert out[0] == pytest.approx(0.0, abs=0.01)
    assert slope[0] == pytest.approx(0.0, abs=0.03)


def test_an_end_that_has_stepped_off_into_the_tray_comes_back() -> None:
    """Even tray says nothing of where an end lies; that outlines end near it does."""
    seen = light(np.zeros((len(ROWS), 1)), lean=-0.1)
    far = EndFit.start(np.array([[0.65], [0.0], [-0.1], [0.3]]), np.zeros((len(ROWS), 1)))
    seen.weight[:, 12:] = 0.0  # all up to there is flank: no step, as where a burr has been left out
    usual = Usual(SLOPE_SD, np.full(1, 0.3), np.full(1, 0.15), 0.03)
    fit = improved(seen, far, usual, MOST, row_weights)
    assert abs(fit.p[0, 0]) < 0.05
    assert 1 / np.sqrt(fit.normal[0, 0, 0]) < 1.1


def test_a_burr_on_both_sides_is_no_face_seen_from_its_side() -> None:
    """The edge is hollow then, as a face's inner rim is, but this end looks away from the camera."""
    burr = np.where(np.abs(ROWS) > 0.7, 0.25, 0.0)[:, None]
    out, _ = fitted(light(burr, lean=0.1))
    # the outer rim of a square cut bulges by as much at this lean (closed form)
    assert out[0] == pytest.approx(-0.1 * RADIUS, abs=0.1)


@pytest.mark.parametrize("noise", [0.0, 0.1, 0.2])
@pytest.mark.parametrize("lean", [-0.2, -0.3])
@pytest.mark.parametrize("face", [0.0, 1.0])
def test_a_search_tells_a_face_as_dark_as_the_tray_from_one_as_bright_as_the_flank(
    noise: float, lean: float, face: float
) -> None:
    """An outline ends before the one and beyond the other; where noise hid it, all faces seemed as bright as each other."""
    rim = (1 - 2 * face) * -lean * RADIUS * (1 - np.sqrt(1 - ROWS**2))
    seen = light(np.repeat(rim[:, None], 100, 1), lean=lean)
    seen.share[:] += np.random.default_rng(2).normal(0, noise, seen.share.shape)
    begun = begin(seen).p
    assert np.median(begun[3]) == pytest.approx(face, abs=0.1)
    assert np.median(begun[0]) == pytest.approx((1 - 2 * face) * -lean * RADIUS, abs=0.05)


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("rows", [slice(0, 2), slice(0, 4), slice(0, 6), slice(3, 6), slice(2, 8)])
@pytest.mark.parametrize("slope", [0.0, 0.1])
def test_a_lip_on_a_part_of_the_edge_does_not_move_the_end(dark: bool, rows: slice, slope: float) -> None:
    cut = np.repeat(slope * ROWS[:, None] * RADIUS, 3, 1)
    height = np.array([0.15, 0.2, 0.3])
    with_lip = cut.copy()
    with_lip[rows] += height
    seen = light(with_lip, dark=dark)
    fit, lips = finished(seen, 1.0 if dark else 0.3)
    np.testing.assert_allclose(fit.p[0], 0.0, atol=0.03)
    np.testing.assert_allclose(lips.height_mm, height, atol=0.01)
    assert (lips.doubt_mm < 0.03).all()


def test_light_that_a_neighbour_hides_ends_nowhere_that_is_known() -> None:
    """What a neighbour shows has no weight and may be as bright as what it hides: no edge lies there, and no lip."""
    seen = light(np.zeros((9, 1)))
    there = seen.s[:, 0] > -0.1
    seen.share[:, there], seen.weight[:, there] = 1.2, 0.0
    assert np.isnan(edges(seen, np.full((9, 1), 0.5))).all()


def test_noise_on_rows_is_no_lip() -> None:
    """Rows that all stray by as much as low lips stand out are told for what they are by the ends that stray alike."""
    rng = np.random.default_rng(4)
    stray = rng.normal(0, 0.03, (9, 200))
    fit, lips = finished(light(stray))
    assert (lips.height_mm > 0).mean() < 0.03
    assert fit.p[0].mean() == pytest.approx(stray.mean(), abs=0.006)


def test_what_lies_beyond_a_dark_gap_is_no_part_of_the_body() -> None:
    """A lip that hangs below the face shows beyond it, so that the outline ends there, and the body where it first falls."""
    seen = light(np.zeros((9, 40)))
    beyond = np.clip((seen.s - 0.12) / 0.05, 0, 1) * np.clip((0.34 - seen.s) / 0.05, 0, 1)
    seen.share[2:8, :, :4] = np.maximum(seen.share[2:8, :, :4], beyond[:, :4])
    fit, _ = finished(seen)
    np.testing.assert_allclose(fit.p[0, :4], 0.0, atol=0.03)


@pytest.mark.parametrize("dark", [False, True])
def test_plain_oblique_and_rounded_ends_carry_no_lip(dark: bool) -> None:
    """What bulges as a rim seen from its side does, or runs across straight, is a cut."""
    slopes = np.array([-0.3, -0.1, 0.0, 0.2])
    arc = 0.15 * np.sqrt(RADIUS**2 - (ROWS[:, None] * RADIUS) ** 2)
    seen = light(slopes * ROWS[:, None] * RADIUS + arc, dark=dark, lean=0.15)
    _, lips = finished(seen, 1.0 if dark else 0.3)
    np.testing.assert_array_equal(lips.height_mm, 0.0)


def test_a_lip_that_may_be_an_oblique_cut_leaves_doubt() -> None:
    """Where either reading is likely the doubt is about half of what they differ by, and little where one is not."""
    edge = np.zeros((9, 3))
    edge[6:] = 0.0, 0.075, 0.25
    _, lips = finished(light(edge))
    assert lips.doubt_mm[0] == 0.0
    assert lips.doubt_mm[1] == pytest.approx(0.02, abs=0.015)
    assert lips.doubt_mm[2] < 0.003


def test_a_shadow_that_fades_away_from_a_dark_end_does_not_move_it() -> None:
    """A sky is hidden half right beside a wall, and less further off: 1 - d / sqrt(d² + h²) over 2 of it."""
    s = np.linspace(-0.9, 0.7, 34)
    hidden = 0.5 * (1 - s.clip(0) / np.hypot(s.clip(0), 2 * RADIUS))
    shade = (hidden - hidden[-3]) / (1 - hidden[-3])  # the tray's light is read out there
    out, _ = fitted(light(np.zeros((9, 1)), beside=shade[None, :, None], dark=True), 1.0)
    assert out[0] == pytest.approx(0.0, abs=0.004)


@pytest.mark.parametrize("gap", [0.03, 0.06, 0.1, 0.17])
@pytest.mark.parametrize("between", [0.0, 0.3, 0.5])
@pytest.mark.parametrize("first", [0.0, 0.7, 3.0])
def test_an_end_right_beside_another_piece_does_not_run_into_it(
    gap: float, between: float, first: float
) -> None:
    """All that is left of its fall is a strip of shaded tray; beyond that the light is the other piece's."""
    near = light(np.zeros((9, 1)), beside=between, dark=True)
    near.weight[:, near.s[:, 0] > gap] = 0.0
    begun = begin(near)
    begun.p[0] += first  # a search on other samples starts there
    usual = Usual(SLOPE_SD, np.ones(1), np.full(1, 0.15), 0.07)
    assert from_begun(near, begun, usual)[0].p[0, 0] == pytest.approx(0.0, abs=0.06)


def ends_of_a_photo(face: npt.NDArray[np.float64], azimuth: npt.NDArray[np.float64]) -> Usual:
    n = len(face)
    lean = np.full(n, -0.25)
    p = np.stack([np.zeros(n), np.full(n, 0.02), lean, face])
    return usual_cuts(p, np.full(n, 0.03), lean, azimuth, np.zeros(n, bool), n)


def test_faces_are_expected_to_be_lit_as_others_that_look_the_same_way() -> None:
    """Lambert's law: a plane's light goes with the cosine of the angle between its normal and the lamp."""
    rng = np.random.default_rng(5)
    azimuth = rng.uniform(-np.pi, np.pi, 200)
    true = 0.1 + 1.2 * np.maximum(np.cos(azimuth - 1.0), 0.0)
    usual = ends_of_a_photo(true + rng.normal(0, 0.05, 200), azimuth)
    assert np.abs(usual.face - true).max() < 0.25
    assert np.median(np.abs(usual.face - true)) < 0.06
    assert (usual.face_sd <= 0.3).all()
    assert usual.residual == 0.03


def test_few_faces_say_nothing_of_the_photo() -> None:
    few = ends_of_a_photo(np.array([0.9, 0.9, 0.9]), np.zeros(3))
    first = Usual.unknown(np.zeros(3, bool))
    np.testing.assert_array_equal(few.face, first.face)
    np.testing.assert_array_equal(few.face_sd, first.face_sd)


def test_faces_whose_view_the_camera_denies_do_not_count() -> None:
    azimuth, n = np.linspace(-3, 3, 60), 60
    lean = np.full(n, -0.3)
    face, view = np.full(n, 0.1), lean.copy()
    face[::3], view[::3] = 1.3, -0.08  # a bright rim, taken for a narrow bright face
    p = np.stack([np.zeros(n), np.zeros(n), view, face])
    usual = usual_cuts(p, np.full(n, 0.03), lean, azimuth, np.zeros(n, bool), n)
    np.testing.assert_allclose(usual.face, 0.1, atol=0.05)
