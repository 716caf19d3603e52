"""Plane geometry against closed forms, the published ideal outlines, and scikit-image."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import least_squares
from skimage.draw import polygon2mask
from skimage.measure import grid_points_in_poly, perimeter_crofton, regionprops

from traygauge_shared.geometry import (
    convex_hull,
    feret_diameters,
    fit_circle,
    line_length,
    min_area_rect,
    points_in_polygon,
    polygon_area,
    polygon_centroid,
    resample,
)

MANY = 20_000  # points of a curved outline: chords are short of their arcs by 1e-8 of it


def arc(n: int, radius: float, start: float = 0.0, stop: float = 2 * np.pi) -> np.ndarray:
    t = np.linspace(start, stop, n, endpoint=False)
    return radius * np.column_stack([np.cos(t), np.sin(t)])


def stadium(overall: float) -> np.ndarray:
    shift = np.array([(overall - 1) / 2, 0.0])
    half = arc(MANY, 0.5, -np.pi / 2, np.pi / 2)
    return np.concatenate([half + shift, [[shift[0], 0.5]], -half - shift, [[-shift[0], -0.5]]])


def sheared(degrees: float) -> np.ndarray:
    s = np.tan(np.radians(degrees))
    return np.array([[0, 0], [2, 0], [2 + s, 1], [s, 1]])


L_SHAPE = np.array([[0, 0], [2, 0], [2, 1], [1, 1], [1, 2], [0, 2.0]])
#: Plus sign of two crossed 2 x 1 rectangles.
PLUS = np.array(
    [[-1, -.5], [-.5, -.5], [-.5, -1], [.5, -1], [.5, -.5], [1, -.5], [1, .5], [.5, .5], [.5, 1], [-.5, 1], [-.5, .5], [-1, .5]]
)  # fmt: skip
SHAPES = {
    "circle d=1": arc(MANY, 0.5),
    "square a=1": np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]]),
    "rectangle 1.5x1": np.array([[0, 0], [1.5, 0], [1.5, 1], [0, 1.0]]),
    "rectangle 2x1": np.array([[0, 0], [2, 0], [2, 1], [0, 1.0]]),
    "rectangle 3x1": np.array([[0, 0], [3, 0], [3, 1], [0, 1.0]]),
    "rectangle 5x1": np.array([[0, 0], [5, 0], [5, 1], [0, 1.0]]),
    "ellipse 2x1": arc(MANY, 0.5) * [2, 1],
    "ellipse 3x1": arc(MANY, 0.5) * [3, 1],
    "stadium overall 2x1": stadium(2),
    "stadium overall 3x1": stadium(3),
    "equilateral triangle a=1": np.array([[0, 0], [1, 0], [0.5, np.sqrt(0.75)]]),
    "parallelogram base 2 height 1 shear 10 deg": sheared(10),
    "parallelogram base 2 height 1 shear 20 deg": sheared(20),
    "parallelogram base 2 height 1 shear 30 deg": sheared(30),
    "L shape 2x2 minus 1x1": L_SHAPE,
    "two rectangles 2x1 crossed (plus)": PLUS,
}


def published() -> dict[str, dict[str, str]]:
    with (Path(__file__).parents[1] / "data" / "ideal_shapes_2d.csv").open() as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return {row["shape"]: row for row in rows}


def turned(points: np.ndarray, angle: float, shift: tuple[float, float] = (170.0, -90.0)) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]]) + shift


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("angle", [0.0, 0.3, np.pi / 4, 2.0])
def test_ideal_outlines_have_the_published_sizes_at_any_angle(shape: str, angle: float) -> None:
    row, points = published()[shape], turned(SHAPES[shape], angle)
    hull = convex_hull(points)
    largest, smallest = feret_diameters(points)
    found = [abs(polygon_area(points)), line_length(points, closed=True), largest, smallest]
    expected = [float(row[k]) for k in ("area_A", "perimeter_P", "x_Fmax", "x_Fmin")]
    # printed to 1e-6; the hull's points are chosen in single precision
    assert found == pytest.approx(expected, abs=2e-6)
    solidity, convexity = (float(row[k]) for k in ("solidity_A_Ac", "convexity_Pc_P"))
    assert found[0] / polygon_area(hull) == pytest.approx(solidity, abs=2e-6)
    assert line_length(hull, closed=True) / found[1] == pytest.approx(convexity, abs=2e-6)


def test_area_is_positive_clockwise_as_seen_with_y_down() -> None:
    clockwise = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])  # right, then down
    assert polygon_area(clockwise) == 1
    assert polygon_area(clockwise[::-1]) == -1


def test_area_keeps_its_digits_far_from_the_origin() -> None:
    assert polygon_area(SHAPES["rectangle 3x1"] + 1e7) == pytest.approx(3, abs=1e-9)


@pytest.mark.parametrize("points", [[], [[1, 2]], [[1, 2], [3, 4]]])
def test_fewer_than_three_points_have_no_area(points: list[list[float]]) -> None:
    assert polygon_area(np.array(points).reshape(-1, 2)) == 0


def test_centroid_of_an_l_shape_by_its_three_squares() -> None:
    middles = np.array([[0.5, 0.5], [1.5, 0.5], [0.5, 1.5]])
    assert polygon_centroid(L_SHAPE) == pytest.approx(middles.mean(axis=0))
    assert polygon_centroid(L_SHAPE[::-1]) == pytest.approx(middles.mean(axis=0))


def test_centroid_of_a_flat_polygon_is_the_mean_of_its_points() -> None:
    assert polygon_centroid([[0, 0], [1, 1], [2, 2]]) == pytest.approx([1, 1])


def test_feret_of_one_point_and_of_a_stick() -> None:
    assert feret_diameters([[3, 4]]) == (0.0, 0.0)
    assert feret_diameters([[0, 0], [3, 4]]) == pytest.approx((5.0, 0.0))
    assert feret_diameters([[0, 0], [3, 4], [1.5, 2]]) == pytest.approx((5.0, 0.0), abs=1e-6)


@given(arrays(float, st.tuples(st.integers(3, 30), st.just(2)), elements=st.floats(-200, 200, width=32)))
def test_feret_diameters_bound_the_width_in_every_direction(points: np.ndarray) -> None:
    largest, smallest = feret_diameters(points)
    t = np.linspace(0, np.pi, 721)
    along = points @ np.vstack([np.cos(t), np.sin(t)])
    width = np.ptp(along, axis=0)
    assert smallest <= width.min() + 1e-3
    # the hull is told in single precision: to 1e-7 of the extent (`convex_hull`)
    assert width.max() - 1e-9 - 2e-7 * np.ptp(points, axis=0).max() <= largest
    assert largest == pytest.approx(
        width.max(), rel=3e-6, abs=1e-3
    )  # 0.25 degrees apart: cos(0.125°) = 1 - 2.4e-6


def test_sizes_agree_with_scikit_image_on_a_drawn_mask() -> None:
    outline = turned(sheared(20) * 60, 0.5, (90.0, 30.0))
    props = regionprops(polygon2mask((260, 260), outline).astype(np.uint8))[0]  # first axis: x
    area, hull = abs(polygon_area(outline)), convex_hull(outline)
    assert props.area == pytest.approx(area, rel=0.01)
    assert props.centroid == pytest.approx(polygon_centroid(outline), abs=0.5)
    # scikit-image's hull goes round the pixels' corners, up to half a pixel outside: 0.5 * 368 px of 7200 px²
    assert props.solidity == pytest.approx(area / polygon_area(hull), abs=0.026)
    # Pixel masks: feret_diameter_max is that of pixel corners, about a pixel longer (its own definition)
    assert props.feret_diameter_max == pytest.approx(feret_diameters(outline)[0], abs=1.5)
    assert perimeter_crofton(props.image) == pytest.approx(line_length(outline, closed=True), rel=0.05)


def test_points_in_polygon_agrees_with_scikit_image() -> None:
    star = arc(14, 1.0) * np.where(np.arange(14) % 2, 8.0, 18.0)[:, None] + 20.3
    grid = np.argwhere(np.ones((40, 40), bool))
    assert (points_in_polygon(grid, star).reshape(40, 40) == grid_points_in_poly((40, 40), star)).all()


def test_points_on_left_and_upper_sides_are_inside() -> None:
    square = SHAPES["square a=1"]
    assert points_in_polygon([[0, 0.5], [0.5, 0]], square).all()
    assert not points_in_polygon([[1, 0.5], [0.5, 1]], square).any()


def test_resampling_a_quarter_circle_gives_equal_steps_and_keeps_its_ends() -> None:
    uneven = arc(4000, 2.0, 0, np.pi / 2)[np.sort(np.random.default_rng(1).integers(0, 4000, 3000))]
    points = resample(uneven, 10)
    assert points[[0, -1]] == pytest.approx(uneven[[0, -1]])
    steps = np.hypot(*np.diff(points, axis=0).T)
    assert steps == pytest.approx(np.full(9, steps.mean()), rel=1e-4)


def test_resampling_a_closed_square_starts_at_its_first_corner() -> None:
    points = resample(SHAPES["square a=1"], 8, closed=True)
    assert points == pytest.approx(
        np.array([[0, 0], [0.5, 0], [1, 0], [1, 0.5], [1, 1], [0.5, 1], [0, 1], [0, 0.5]])
    )


@pytest.mark.parametrize("degrees", [0, 44, 45, 46, 90, 134, 135, 136, 179])
def test_smallest_rectangle_gives_back_a_turned_one(degrees: float) -> None:
    middle, longer, shorter, angle = min_area_rect(turned(SHAPES["rectangle 3x1"], np.radians(degrees)))
    assert (longer, shorter) == pytest.approx((3, 1), abs=1e-5)
    assert middle == pytest.approx(turned(np.array([[1.5, 0.5]]), np.radians(degrees))[0], abs=1e-5)
    assert np.sin(angle - np.radians(degrees)) == pytest.approx(0, abs=1e-5)
    assert 0 <= angle < np.pi


@pytest.mark.parametrize("span_deg", [10, 60, 360])
def test_a_fitted_circle_is_the_one_the_points_were_taken_from(span_deg: float) -> None:
    points = arc(40, 12.5, 0.3, 0.3 + np.radians(span_deg)) + [100, -40]
    circle = fit_circle(points)
    assert circle.centre == pytest.approx((100, -40), abs=1e-6)
    assert circle.radius == pytest.approx(12.5, abs=1e-6)
    assert circle.rms == pytest.approx(0, abs=1e-8)


def test_circle_fit_to_noisy_points_agrees_with_scipys_least_squares() -> None:
    points = arc(300, 5.0, 0, 1.2) + np.random.default_rng(7).normal(0, 0.02, (300, 2))
    reference = least_squares(
        lambda c: np.hypot(*(points - c[:2]).T) - c[2], [0, 0, 5], xtol=1e-12, ftol=1e-12
    )
    circle = fit_circle(points)
    assert [*circle.centre, circle.radius] == pytest.approx(reference.x, abs=1e-6)
    assert circle.rms == pytest.approx(np.sqrt(2 * reference.cost / 300), rel=1e-6)


def test_a_straight_line_has_an_infinite_radius() -> None:
    t = np.linspace(0, 7, 20)
    circle = fit_circle(np.column_stack([t, 2 * t + 1]))
    assert circle.radius == np.inf
    assert circle.rms == pytest.approx(0, abs=1e-9)
