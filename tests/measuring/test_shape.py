"""Figures of shape against exact geometry (`ideal_shapes_2d.csv`), digitised discs and scikit-image."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from skimage.draw import polygon2mask
from skimage.measure import find_contours, label, regionprops

from traygauge.measure.shape import Shapes, shapes_of, strand_volume_mm3

DATA = Path(__file__).parents[1] / "data"
IDEAL = pd.read_csv(DATA / "ideal_shapes_2d.csv", comment="#").set_index("shape")


def exact(row: pd.Series) -> Shapes:
    """Return a shape made of exact numbers, hull from solidity and convexity."""
    given = row.area_A, row.perimeter_P, row.area_A / row.solidity_A_Ac, row.convexity_Pc_P * row.perimeter_P
    return Shapes(*(np.array([v]) for v in (*given, row.x_Fmax, row.x_Fmin)))


def arc(cx: float, cy: float, r: float, a: float, b: float, n: int) -> np.ndarray:
    t = np.radians(np.linspace(a, b, n))
    return np.stack([cx + r * np.cos(t), cy + r * np.sin(t)], -1)


def sheared(deg: float) -> np.ndarray:
    t = np.tan(np.radians(deg))
    return np.array([[0, 0], [2, 0], [2 + t, 1], [t, 1]])


def drawn(name: str) -> np.ndarray:
    """Return the ideal shape as a polygon; curves by 1500 points or more."""
    if name.startswith("circle"):
        return arc(0, 0, 0.5, 0, 360, 1501)[:-1]
    if name.startswith("square"):
        return np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])
    if name.startswith("rectangle"):
        a = float(name.split()[1].split("x")[0])
        return np.array([[0, 0], [a, 0], [a, 1], [0, 1.0]])
    if name.startswith("ellipse"):
        return arc(0, 0, 0.5, 0, 360, 1501)[:-1] * [float(name.split()[1].split("x")[0]), 1]
    if name.startswith("stadium"):
        a = float(name.split()[2].split("x")[0])
        return np.concatenate([arc(a - 0.5, 0, 0.5, -90, 90, 1000), arc(0.5, 0, 0.5, 90, 270, 1000)])
    if name.startswith("equilateral"):
        return np.array([[0, 0], [1, 0], [0.5, np.sqrt(3) / 2]])
    if name.startswith("parallelogram"):
        return sheared(float(name.split("shear ")[1].split()[0]))
    if name.startswith("L shape"):
        return np.array([[0, 0], [2, 0], [2, 1], [1, 1], [1, 2], [0, 2.0]])
    if name.startswith("two touching"):
        return np.concatenate([arc(0.5, 0, 0.5, 180, 540, 1000), arc(-0.5, 0, 0.5, 0, 360, 1000)])
    assert name.startswith("two rectangles")
    return crossed()


def crossed() -> np.ndarray:
    """Return two 2 x 1 rectangles crossed: overlap 1 x 1, area 3, perimeter 8."""
    a, b = 0.5, 1.0
    return np.array(
        [
            [-a, -b],
            [a, -b],
            [a, -a],
            [b, -a],
            [b, a],
            [a, a],
            [a, b],
            [-a, b],
            [-a, a],
            [-b, a],
            [-b, -a],
            [-a, -a],
        ]
    )


FIGURES = {
    "feret_ratio": "aspect_ratio_xFmin_xFmax",
    "roundness": "roundness_4A_pi_xFmax2",
    "compactness": "compactness",
    "solidity": "solidity_A_Ac",
    "convexity": "convexity_Pc_P",
}
FIBRE = {
    "fibre_length_mm": "x_LG_rectangle_model",
    "fibre_width_mm": "x_E_rectangle_model",
    "straightness": "straightness_xFmax_xLG",
}


@pytest.mark.parametrize("name", IDEAL.index)
def test_descriptors_from_exact_figures(name):
    """Exact A, P and Feret diameters give the file's descriptors (ISO 9276-6, recomputed) to its six digits."""
    row = IDEAL.loc[name]
    shape = exact(row)
    for ours, theirs in FIGURES.items():
        assert getattr(shape, ours)[0] == pytest.approx(row[theirs], abs=2e-6), ours
    if np.isfinite(row.x_LG_rectangle_model):
        for ours, theirs in FIBRE.items():
            assert getattr(shape, ours)[0] == pytest.approx(row[theirs], abs=5e-6), ours


@pytest.mark.parametrize("name", IDEAL.index)
@pytest.mark.parametrize("turn_deg", [0.0, 23.0, 45.0, 90.0])
def test_outlines_of_ideal_shapes(name, turn_deg):
    """Drawn polygons give A, P, Feret, solidity and convexity whatever the direction, place and size."""
    row = IDEAL.loc[name]
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    outline = drawn(name) @ np.array([[c, s], [-s, c]]) * 3 + [120.0, 80.0]
    shape = shapes_of((outline,))
    # where two discs touch, two cusps of the drawn points are smoothed over
    rel = 1e-3 if name.startswith("two touching") else 1e-5
    assert shape.area_mm2[0] == pytest.approx(9 * row.area_A, rel=rel)
    assert shape.perimeter_mm[0] == pytest.approx(3 * row.perimeter_P, rel=rel)
    assert shape.feret_max_mm[0] == pytest.approx(3 * row.x_Fmax, rel=rel)
    assert shape.feret_min_mm[0] == pytest.approx(3 * row.x_Fmin, rel=rel)
    assert shape.solidity[0] == pytest.approx(row.solidity_A_Ac, rel=rel)
    assert shape.convexity[0] == pytest.approx(row.convexity_Pc_P, rel=rel)


def test_rectangle_model_is_refused_where_it_has_no_root():
    """P² < 16 A (circle, ellipse 2:1, stadium 2:1): the fibre length falls back to the largest Feret diameter."""
    for name in ("circle d=1", "ellipse 2x1", "stadium overall 2x1"):
        shape = exact(IDEAL.loc[name])
        assert shape.fibre_length_mm[0] == shape.feret_max_mm[0]
        assert shape.fibre_width_mm[0] == pytest.approx(shape.area_mm2[0] / shape.feret_max_mm[0])
    # the double root of a square of the model: rounding decides which branch, the width must not jump
    square = shapes_of((drawn("square a=1"),))
    assert square.fibre_width_mm[0] == pytest.approx(1 / square.fibre_length_mm[0])


def test_lying_cylinder_has_the_diagonal_as_largest_feret():
    """A right cylinder of L/D 2 has ISO aspect ratio 0.447, and Feret sqrt(L² + D²)."""
    table = pd.read_csv(DATA / "cylinder_geometry.csv", comment="#")
    outlines = tuple(np.array([[0, 0], [r, 0], [r, 1], [0, 1.0]]) for r in table.L_over_D)
    shape = shapes_of(outlines)
    np.testing.assert_allclose(shape.feret_max_mm, table.max_feret, atol=1e-6)
    # mean Feret of the lying cylinder = P / pi (Cauchy)
    np.testing.assert_allclose(shape.perimeter_mm / np.pi, table.mean_2d_feret_lying, atol=1e-6)
    np.testing.assert_allclose(strand_volume_mm3(table.L_over_D, 1.0), table.volume, atol=1e-6)
    assert shape.feret_ratio[np.argmin(np.abs(table.L_over_D - 2))] == pytest.approx(0.447, abs=5e-4)


def test_oblique_cuts_seen_edge_on():
    """Largest Feret of a piece cut at 10, 20, 30 degrees, L 2 D (exact geometry)."""
    shape = shapes_of((sheared(10), sheared(20), sheared(30)))
    np.testing.assert_allclose(shape.feret_max_mm, [2.395078, 2.566779, 2.764550], atol=1e-6)


@pytest.mark.parametrize("radius", [10, 20, 50])
def test_digitised_discs_keep_area_and_perimeter(radius):
    """Half-level contours of supersampled discs: area and perimeter of the circle within 0.5 %.

    The pixel estimators of `digitised_disc.csv` (scikit-image 0.26) are 5 % long by default, 1.6 to 3.8 % by Crofton.
    """
    n = 2 * radius + 7
    y, x = (np.mgrid[: 8 * n, : 8 * n] + 0.5) / 8 - 0.5
    grey = (np.hypot(x - n / 2 + 0.3, y - n / 2 - 0.2) <= radius).reshape(n, 8, n, 8).mean(axis=(1, 3))
    (outline,) = find_contours(grey, 0.5)
    shape = shapes_of((outline[:-1],))
    assert shape.area_mm2[0] == pytest.approx(np.pi * radius**2, rel=5e-3)
    assert shape.perimeter_mm[0] == pytest.approx(2 * np.pi * radius, rel=5e-3)
    assert shape.feret_max_mm[0] == pytest.approx(2 * radius, rel=5e-3)
    table = pd.read_csv(DATA / "digitised_disc.csv", comment="#").set_index("R_px").loc[radius]
    assert abs(shape.perimeter_mm[0] - table.true_perimeter_2piR) < abs(
        table.perimeter_default - table.true_perimeter_2piR
    )


def test_same_masks_as_scikit_image():
    """Area, largest Feret and solidity of regionprops on the same drawn masks, to what its pixel corners allow."""
    shapes = [
        s * 60 + 40.37
        for s in (sheared(20), drawn("L shape 2x2 minus 1x1"), drawn("ellipse 3x1") + [1.5, 0.5])
    ]
    for outline in shapes:
        mask = polygon2mask((1300, 1300), outline[:, ::-1] * 5 + 2)[
            2::5, 2::5
        ]  # pixel centres inside the outline
        (props,) = regionprops(label(mask))
        ours = shapes_of((outline,))
        assert ours.area_mm2[0] == pytest.approx(props.area, rel=0.01)
        # its Feret diameter runs between pixel corners (`digitised_disc.csv`: 1 to 1.8 px long) but misses sharp tips
        assert -1.0 < props.feret_diameter_max - ours.feret_max_mm[0] < 1.8
        assert ours.solidity[0] == pytest.approx(props.solidity, abs=0.02)


def test_noise_of_the_points_does_not_lengthen_the_perimeter():
    """A circle of radius 25 px, points 0.9 px apart, off by 0.1 px: the plain polygon is s²/h² = 1.2 % long.

    A local cubic over seven points leaves 0.09 of the variance of a step (its weights' differences): 0.11 %.
    """
    rng = np.random.default_rng(4)
    n = round(2 * np.pi * 25 / 0.9)
    t = np.arange(n) * 2 * np.pi / n
    outlines = tuple(
        (25 + rng.normal(0, 0.1, n))[:, None] * np.stack([np.cos(t), np.sin(t)], -1) for _ in range(60)
    )
    perimeter = shapes_of(outlines).perimeter_mm
    plain = np.array([np.hypot(*(np.roll(o, -1, 0) - o).T).sum() for o in outlines])
    true = 2 * np.pi * 25
    assert plain.mean() / true - 1 > 0.008
    assert perimeter.mean() / true == pytest.approx(1.0, abs=2e-3)


def test_volume_of_an_obliquely_cut_cylinder():
    """Volume is pi/4 D² L for any two cut planes: against integration of the cut solid's cross sections."""
    rng = np.random.default_rng(1)
    y, z = rng.uniform(-0.875, 0.875, (2, 400_000))
    inside = y**2 + z**2 < 0.875**2
    length = 3.0 + y * np.tan(np.radians(20)) + z * np.tan(np.radians(12)) - y * np.tan(np.radians(-8))
    estimate = (length * inside).mean() * 1.75**2
    assert strand_volume_mm3(3.0, 1.75) == pytest.approx(estimate, rel=4e-3)


def test_scaling_mirror_order_and_emptiness():
    """Lengths scale, ratios don't; mirroring and turning the order round change nothing; no outline, no row."""
    rng = np.random.default_rng(2)
    blob = arc(0, 0, 1, 0, 360, 80)[:-1] * rng.uniform(0.7, 1.3, (79, 1))
    a = shapes_of((blob, blob * 4, blob * [-1, 1], blob[::-1], np.roll(blob, 7, axis=0)))
    np.testing.assert_allclose(a.perimeter_mm / a.perimeter_mm[0], [1, 4, 1, 1, 1], rtol=1e-9)
    np.testing.assert_allclose(a.area_mm2 / a.area_mm2[0], [1, 16, 1, 1, 1], rtol=1e-9)
    np.testing.assert_allclose(a.feret_min_mm / a.feret_min_mm[0], [1, 4, 1, 1, 1], rtol=1e-5)
    for name in (*FIGURES, *FIBRE):
        if not name.endswith("mm"):
            np.testing.assert_allclose(getattr(a, name), getattr(a, name)[0], rtol=1e-5)
    assert len(shapes_of(())) == 0
    two = shapes_of((np.array([[0, 0], [1.0, 0]]),))
    assert two.area_mm2[0] == 0
    assert np.isnan(two.solidity[0])
