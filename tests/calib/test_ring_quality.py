"""Sharpness, noise and light read from the ring, against what was drawn."""

import numpy as np
import pytest
from scipy.stats import norm

from traygauge_calib.edges import Sharpening, fit_steps, normal_integral, profile_edges
from traygauge_calib.ring_quality import PRINT_SPREAD_MM, field_of
from traygauge_calib.scale import calibrate
from traygauge_shared.light import linear_to_srgb

WINDOW = (12.0, 12.0, 120.0, 84.0)
SPOTS = np.array([[12.0, 12], [66, 48], [120, 84]])


def test_normal_integral():
    t = np.linspace(-8, 8, 400)
    np.testing.assert_allclose(normal_integral(t), norm.cdf(t), atol=1e-7)


def expected_blur(blur_px, px_per_mm):
    """Gauss blur and the pixel's box (1/12), less the print's spread that the ring's own edges bring along."""
    return np.sqrt(blur_px**2 + 1 / 12 - (PRINT_SPREAD_MM * px_per_mm) ** 2)


@pytest.mark.parametrize("blur", [1.0, 1.5, 2.0])
def test_blur_is_the_edges_spread(drawn, blur):
    tray = calibrate(drawn(blur_px=blur).photo)
    np.testing.assert_allclose(
        tray.blur_px.at(SPOTS), expected_blur(blur, tray.px_per_mm([66, 48])), rtol=0.04
    )
    assert tray.ring.overshoot < 0.01


@pytest.mark.parametrize("amount", [0.3, 0.8])
def test_sharpening_is_seen_in_the_response(drawn, amount):
    """The response is (1 + a) Phi(d / s) - a Phi(d / sqrt(s² + 1.4²)): unsharp masking of a Gauss-blurred edge."""
    tray = calibrate(drawn(blur_px=1.0, sharpen=amount, size=(1800, 1350), fill=0.95, light=0.6).photo)
    spread = expected_blur(1.0, tray.px_per_mm([66, 48]))
    distance = np.linspace(-5, 5, 4001)
    ideal = (1 + amount) * norm.cdf(distance / spread) - amount * norm.cdf(distance / np.hypot(spread, 1.4))
    half = (
        np.interp(0.8413, ideal[1800:2400], distance[1800:2400])
        - np.interp(0.1587, ideal[1600:2200], distance[1600:2200])
    ) / 2
    assert tray.ring.overshoot == pytest.approx(ideal.max() - 1, abs=0.015)
    np.testing.assert_allclose(tray.blur_px.at(SPOTS), half, rtol=0.05)
    response = tray.edge_spread
    np.testing.assert_allclose(response[:, 1], np.interp(response[:, 0] * half, distance, ideal), atol=0.03)


def test_response_is_odd_about_the_edge_and_rises_from_0_to_1(drawn):
    response = calibrate(drawn().photo).edge_spread
    middle = len(response) // 2
    assert response[middle] == pytest.approx([0.0, 0.5], abs=1e-6)
    np.testing.assert_allclose(response[:, 1] + response[::-1, 1], 1, atol=1e-6)
    assert response[0, 1] == pytest.approx(0, abs=0.01)


def test_noise_is_the_pixels_own(drawn):
    tray = calibrate(drawn(noise=0.012).photo)
    np.testing.assert_allclose(tray.noise.at(SPOTS), 0.012, rtol=0.12)


def test_light_of_paper_and_ink(drawn):
    tray = calibrate(drawn(light=0.5, gradient=0.4).photo)
    left, right = np.array([[12.0, 48.0], [120.0, 48.0]])
    # paper 0.80 and ink 0.035 under a light of 0.5, falling to 0.4 of it from the picture's left rim to its right
    width = tray.photo.width
    light = 0.5 * np.interp(tray.to_px([left, right])[:, 0], [0, width], [1.0, 0.4])
    np.testing.assert_allclose(tray.ring.white.at([left, right]), 0.80 * light, rtol=0.06)
    np.testing.assert_allclose(tray.ring.black.at([left, right]), 0.035 * light, rtol=0.15)
    assert tray.ring.clipped == 0


def test_clipped_paper_is_counted(drawn):
    assert calibrate(drawn(light=1.6).photo).ring.clipped > 0.95


def test_steps_of_known_place_and_spread():
    """Straight edges drawn by the normal integral at chosen places and slants, in linear light."""
    rng = np.random.default_rng(4)
    rows, columns = np.mgrid[0:60, 0:60].astype(float)
    for _ in range(12):
        angle, place, spread = rng.uniform(0, 2 * np.pi), rng.uniform(-0.5, 0.5), rng.uniform(0.8, 2.0)
        normal = np.array([np.cos(angle), np.sin(angle)])
        away = (columns - 30) * normal[0] + (rows - 30) * normal[1] - place
        grey = np.rint(255 * linear_to_srgb(0.05 + 0.6 * norm.cdf(away / spread))).astype(np.uint8)
        along = 8.0 * np.array([-normal[1], normal[0]])
        steps = fit_steps(profile_edges(grey, np.array([[30.0, 30.0]]), along[None], 8.0 * normal[None]))
        assert steps.good[0]
        assert steps.place_px[0] == pytest.approx(place, abs=0.02)
        assert steps.spread_px[0] == pytest.approx(spread, rel=0.02)
        assert steps.height[0] == pytest.approx(0.6, rel=0.02)


def test_no_step_is_not_good():
    flat = np.full((60, 60), 120, np.uint8)
    flat[::7, ::5] = 125
    steps = fit_steps(
        profile_edges(flat, np.array([[30.0, 30.0]]), np.array([[8.0, 0.0]]), np.array([[0.0, 8.0]]))
    )
    assert not steps.good[0]


def test_response_without_sharpening_is_the_normal_integral():
    distance = np.linspace(-3, 3, 50)
    np.testing.assert_allclose(
        Sharpening().response(distance, np.array(1.3)), norm.cdf(distance / 1.3), atol=1e-7
    )


def test_field_of_a_quadratic_is_that_quadratic_and_ignores_strays():
    rng = np.random.default_rng(0)
    points = rng.uniform([0, 0], [132, 96], (400, 2))
    u, v = (points[:, 0] - 66) / 54, (points[:, 1] - 48) / 36
    values = 1 + 0.3 * u - 0.2 * v + 0.1 * u * v
    strays = values.copy()
    strays[:40] += 5
    for given in (values, strays):
        field = field_of(points, given, WINDOW)
        np.testing.assert_allclose(field.at(points), values, atol=0.03)
    assert field.at([1e4, 1e4]) <= values.max() + 0.1  # bounded by what was met with


def test_field_of_few_values_is_their_median():
    assert field_of(np.zeros((3, 2)), np.array([1.0, 2.0, 9.0]), WINDOW).at([5, 5]) == 2.0
