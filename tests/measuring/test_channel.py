"""In which light bodies are measured: chosen by what a camera does to edges, on drawn trays."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge.measure.channel import LUMA, MeasuringLight, measuring_light, softness
from traygauge.segment.find import find_pieces
from traygauge_calib.scale import calibrate
from traygauge_shared.loading import decode_photo
from traygauge_shared.scenes import Batch, Sheet, draw, photo_bytes, tray
from traygauge_shared.scenes.samples import small_phone


def chosen(colour: str, window: tuple[float, float, float]) -> MeasuringLight:
    scene = tray(Batch(count=24, colour=colour), seed=5, camera=small_phone(4.0), sheet=Sheet(window=window))
    regions = find_pieces(calibrate(decode_photo(photo_bytes(draw(scene)), "drawn.jpg")))
    light = measuring_light(regions)
    assert light.own.shape == (len(regions), 3)
    assert light.tray_level.shape == (len(regions),)
    return light


def test_grey_edges_are_the_sharpest_and_colour_ones_the_softest() -> None:
    assert softness(LUMA) == pytest.approx(1.3)
    assert softness(np.array([0.5, -0.5, 0.0])) > softness(np.array([0.0, 1.0, 0.0]))


def test_dark_colours_on_white_are_read_as_dark() -> None:
    weights = chosen("green", (0.80, 0.80, 0.79)).weights
    assert (weights <= 0).all()
    assert softness(weights) < 1.5


def test_white_on_black_is_read_in_grey_light() -> None:
    assert np.allclose(chosen("white", (0.033, 0.033, 0.034)).weights, LUMA)


def test_grey_on_green_is_not_read_where_shadows_are_as_dark() -> None:
    """In green light the pieces are darker than their tray, and no darker than the shadows they throw on it."""
    light = chosen("grey", (0.035, 0.30, 0.075))
    assert not np.allclose(light.weights, [0.0, -1.0, 0.0])
    assert light.of_colour  # as luminous as their tray


def test_light_is_divided_by_luminance_only_where_that_says_little() -> None:
    assert not chosen("white", (0.033, 0.033, 0.034)).of_colour
    assert not chosen("green", (0.80, 0.80, 0.79)).of_colour
