"""Light, shadow and sensor against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from traygauge_shared.light import LINEAR_OF_CODE
from traygauge_shared.scenes import Lamp, Lighting, Sensor
from traygauge_shared.scenes.lamps import FloorLight, lamp_vector, open_floor_light
from traygauge_shared.scenes.sensor_chain import _blurred, develop
from traygauge_shared.scenes.shade import Spots, fresnel, lamp_cosine, let_in, radiance

PLAIN = Sensor(blur_px=0.0, noise=0.0, bayer=False, sharpen=0.0, tone=0.0, vignette=0.0)


def test_open_floor_gets_lamberts_cosine_of_each_lamp_and_the_sky():
    light = Lighting(
        (Lamp(elevation_deg=30, strength=0.8), Lamp(elevation_deg=90, strength=0.1)), ambient=0.2
    )
    assert_allclose(
        open_floor_light(light), np.array([0.7, 0.7, 0.7]) + 0.2 * (np.array(light.ambient_tint) - 1)
    )


def test_a_wide_lamps_cosine_is_the_mean_over_its_disc():
    # grazing lamp, half below the horizon: the mean of max(0, cos) over a small disc of angular radius s around the
    # horizon is 4/(3 pi) s / 2 = 0.212 s; the foot used here is a strip's, as wide as varies alike: 0.217 s
    s = 20.0
    value = float(lamp_cosine(np.array(0.0), s))
    assert value == pytest.approx(0.212 * np.sin(np.radians(s)), rel=0.03)
    assert float(lamp_cosine(np.array(0.9), s)) == pytest.approx(0.9)
    assert float(lamp_cosine(np.array(-0.5), s)) == 0.0


def test_fresnel_at_normal_and_grazing_incidence():
    # ((n - 1) / (n + 1))² = 0.04 for n = 1.5 (Fresnel's equations)
    assert float(fresnel(np.array(1.0))) == pytest.approx(0.04)
    assert float(fresnel(np.array(0.0))) == pytest.approx(1.0)
    # unpolarised reflection of n = 1.5 at 60 degrees from Fresnel's equations: 0.0892
    assert float(fresnel(np.array(0.5))) == pytest.approx(0.0892, abs=0.02)


@pytest.mark.parametrize("middle", [-0.2, 0.0, 0.15, 0.5, 0.9])
def test_light_let_in_is_the_mean_over_a_wide_lamps_disc(middle):
    # directions spread evenly over the disc as it is seen: cos = middle cos r + sin(middle) sin r cos a, by summing
    r2, turn = np.meshgrid((np.arange(200) + 0.5) / 200, 2 * np.pi * (np.arange(200) + 0.5) / 200)
    r = np.sqrt(r2) * np.sin(np.radians(20.0))
    cosine = (middle * np.sqrt(1 - r**2) + np.sqrt(1 - middle**2) * r * np.cos(turn)).ravel()
    cosine = np.clip(cosine, 0, 1)
    mean = float((cosine * (1 - fresnel(cosine))).mean())
    assert float(let_in(np.array(middle), 20.0, np.array(0.0))) == pytest.approx(mean, rel=0.05, abs=0.003)


@pytest.mark.parametrize("roughness", [0.09, 0.38])
def test_a_piece_sends_as_much_the_other_way_round(roughness):
    # Helmholtz: with lamp and camera exchanged, what is sent of what arrives stays the same
    def sent(lamp_deg, camera_deg):
        view = lamp_vector(Lamp(azimuth_deg=180.0, elevation_deg=camera_deg))[None]
        lamp = Lamp(azimuth_deg=0.0, elevation_deg=lamp_deg, strength=1.0, spread_deg=0.01)
        spot = Spots(
            np.array([[0, 0, 1.0]]), view, np.full((1, 3), 0.6), np.array([roughness]), *(np.zeros((2, 1))),
            np.ones(1), np.ones((1, 1)), np.ones(1),
        )  # fmt: skip
        light = radiance(spot, Lighting((lamp,), ambient=0.0), np.zeros(3))[0, 0]
        return light / np.sin(np.radians(lamp_deg))

    for one, other in ((10.0, 80.0), (25.0, 50.0)):
        assert sent(one, other) == pytest.approx(sent(other, one), rel=1e-3)


def test_a_hard_lamp_throws_the_projected_shadow():
    # a square plate at height 2 under a lamp at 45 degrees: a square of its own size, shifted by 2
    plate = np.array([[10, 10, 2.0], [14, 10, 2.0], [14, 14, 2.0], [10, 14, 2.0]])
    light = Lighting((Lamp(azimuth_deg=180, elevation_deg=45, strength=1.0, spread_deg=0.1),), ambient=0.0)
    floor = FloorLight(light, [(plate, 1.0)], 16.0)
    x, y = np.meshgrid(np.arange(5, 25, 0.05), np.arange(5, 20, 0.05))
    dark = 1 - floor.at(x.astype(np.float32), y.astype(np.float32))[..., 0] / np.sin(np.radians(45))
    assert dark.sum() * 0.05**2 == pytest.approx(16.0, rel=0.01)
    assert (dark * x).sum() / dark.sum() == pytest.approx(14.0, abs=0.05)  # 12 + 2, away from the lamp
    assert_allclose(lamp_vector(light.lamps[0]), [-np.sqrt(0.5), 0, np.sqrt(0.5)], atol=1e-12)


def test_half_as_dark_matter_throws_half_the_shadow():
    plate = np.array([[10, 10, 2.0], [14, 10, 2.0], [14, 14, 2.0], [10, 14, 2.0]])
    light = Lighting((Lamp(elevation_deg=60, spread_deg=20),), ambient=0.3)
    x, y = np.meshgrid(np.arange(5, 25, 0.1, np.float32), np.arange(5, 20, 0.1, np.float32))
    full, half = (open_floor_light(light) - FloorLight(light, [(plate, d)], 8.0).at(x, y) for d in (1.0, 0.5))
    assert_allclose(half, full / 2, atol=1e-5)


def _edge(sensor, level=0.5):
    """Return the linear light across a vertical edge from `level` to a tenth of it."""
    image = np.full((40, 80, 3), level, np.float32)
    image[:, 40:] = level / 10
    code = develop(image, sensor, np.full(3, 0.72), np.random.default_rng(0))
    return LINEAR_OF_CODE[code].mean(0)[:, 1]


def test_without_anything_the_sensor_only_codes_the_light():
    line = _edge(PLAIN)
    assert line[10] == pytest.approx(0.5, abs=0.0037)  # half a code value at mid grey
    assert line[70] == pytest.approx(0.05, abs=0.001)


def _spread_px(sensor, place, width):
    """Return the standard deviation of what the optics make of a sharp edge, px."""
    image = np.full((20, width, 3), 0.5, np.float32)
    image[:, place:] = 0.05
    line = -np.diff(_blurred(image, sensor)[10, :, 1].astype(float))
    x = np.arange(width - 1)
    middle = (line * x).sum() / line.sum()
    assert middle == pytest.approx(place - 1, abs=0.05)
    return np.sqrt((line * (x - middle) ** 2).sum() / line.sum())


@pytest.mark.parametrize("sigma", [0.8, 1.5, 2.5])
def test_blur_is_gaussian_of_the_stated_width(sigma):
    assert _spread_px(replace(PLAIN, blur_px=sigma), 40, 80) == pytest.approx(sigma, rel=0.01)


@pytest.mark.parametrize(("place", "sigma"), [(40, np.hypot(0.6, 1.2 * 80 / 120)), (120, 0.6)])
def test_defocus_grows_from_the_middle_of_the_frame(place, sigma):
    # blur² = blur_px² + (defocus_px x part of half the frame off the middle)²
    sensor = replace(PLAIN, blur_px=0.6, defocus_px=1.2, defocus_deg=0)
    assert _spread_px(sensor, place, 240) == pytest.approx(sigma, rel=0.06)


def test_noise_is_shot_plus_read():
    image = np.full((300, 300, 3), 0.5, np.float32)
    code = develop(image, replace(PLAIN, noise=2.0), np.full(3, 0.72), np.random.default_rng(1))
    sd = LINEAR_OF_CODE[code].std()
    assert sd == pytest.approx(2 * np.sqrt(0.5 / 6000 + 0.0012**2), rel=0.05)


def test_a_mosaic_softens_colour_more_than_lightness():
    def width(other):
        image = np.full((40, 80, 3), 0.4, np.float32)
        image[:, 40:] = other
        sensor = replace(PLAIN, bayer=True)
        line = LINEAR_OF_CODE[develop(image, sensor, np.full(3, 0.72), np.random.default_rng(0))][10:30].mean(
            0
        )
        value = line[:, 0] - line[:, 2] if other[0] != other[2] else line[:, 1]
        value = (value - value[5]) / (value[75] - value[5])
        return np.interp(0.9, value, np.arange(80)) - np.interp(0.1, value, np.arange(80))

    grey, coloured = width([0.1, 0.1, 0.1]), width([0.5, 0.4, 0.1])
    assert coloured > 1.5 * grey
