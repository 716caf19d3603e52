"""Exact area coverage against closed forms and against counting fine samples."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from traygauge_shared.scenes.coverage import loop_edges, polygon_coverage


def _rectangle(x0, y0, x1, y1):
    return loop_edges(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float))


@pytest.mark.parametrize("shift", [0.0, 0.1, 0.25, 0.999])
def test_a_rectangle_covers_its_own_parts_of_each_pixel(shift):
    cover = polygon_coverage(_rectangle(2 + shift, 3.25, 6 + shift, 5.5), 12, 9)
    across = np.clip(np.minimum(np.arange(12) + 1, 6 + shift) - np.maximum(np.arange(12), 2 + shift), 0, 1)
    down = np.clip(np.minimum(np.arange(9) + 1, 5.5) - np.maximum(np.arange(9), 3.25), 0, 1)
    assert_allclose(cover, np.outer(down, across), atol=1e-6)


def test_area_and_centre_of_a_fine_polygon_are_those_of_the_shoelace_formulas():
    rng = np.random.default_rng(1)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 40))
    p = np.stack([20 + 13 * np.cos(angle), 17 + 9 * np.sin(angle)], -1)
    q = np.roll(p, -1, 0)
    cross = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
    area = cross.sum() / 2
    centre = ((p + q) * cross[:, None]).sum(0) / (6 * area)
    cover = polygon_coverage(loop_edges(p), 40, 34).astype(float)
    y, x = np.mgrid[0:34, 0:40] + 0.5
    assert_allclose(cover.sum(), area, rtol=1e-6)
    # pixels are taken at their middles, so the centre is good to a part of a pixel over the polygon's size
    assert_allclose([(cover * x).sum() / area, (cover * y).sum() / area], centre, atol=0.01)


def test_every_pixel_of_random_triangles_agrees_with_counting_samples():
    rng = np.random.default_rng(2)
    n = 40
    u = (np.arange(n) + 0.5) / n
    for _ in range(20):
        a, b, c = rng.uniform(0, 10, (3, 2))
        if (b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0] < 0:
            b, c = c, b
        cover = polygon_coverage(loop_edges(np.stack([a, b, c])), 10, 10)
        x = (np.arange(10)[:, None] + u).ravel()
        grid = np.stack(np.meshgrid(x, x), -1)
        inside = np.ones(grid.shape[:2], bool)
        for p, q in ((a, b), (b, c), (c, a)):
            inside &= (q - p)[0] * (grid[..., 1] - p[1]) - (q - p)[1] * (grid[..., 0] - p[0]) >= 0
        counted = inside.reshape(10, n, 10, n).mean((1, 3))
        assert_allclose(cover, counted, atol=2 / n)  # an edge through a pixel: one row of samples at most


def test_what_lies_outside_the_picture_is_cut_off_exactly():
    whole = polygon_coverage(_rectangle(5.3, 6.2, 30.6, 25.4), 40, 40)
    tilted = loop_edges(np.array([[3.0, -9.0], [45.0, 20.0], [20.0, 50.0], [-12.0, 14.0]]))
    big = polygon_coverage(tilted + 20.0, 80, 80)
    assert_allclose(polygon_coverage(tilted, 40, 40), big[20:60, 20:60], atol=1e-6)
    shifted = _rectangle(5.3 - 10, 6.2 - 10, 30.6 - 10, 25.4 - 10)
    assert_allclose(polygon_coverage(shifted, 20, 12), whole[10:22, 10:30], atol=1e-6)


def test_holes_subtract_and_weights_count():
    hole = loop_edges(np.array([[3, 3], [3, 5], [5, 5], [5, 3]], float))  # the other way round
    cover = polygon_coverage(np.concatenate([_rectangle(1, 1, 7, 7), hole]), 8, 8)
    assert cover[4, 4] == pytest.approx(0.0, abs=1e-6)
    assert cover.sum() == pytest.approx(36 - 4)
    half = polygon_coverage(_rectangle(1, 1, 7, 7), 8, 8, np.full(4, 0.5))
    assert half.sum() == pytest.approx(18)
