"""A smaller copy of a picture shows the means of what its pixels cover."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge_shared.shrinking import shrunk


@pytest.mark.parametrize("step", [1, 2, 3, 4, 6, 8])
@pytest.mark.parametrize("channels", [(), (3,)])
def test_every_pixel_is_the_mean_of_those_it_covers(step: int, channels: tuple[int, ...]) -> None:
    rng = np.random.default_rng(step)
    image = rng.integers(0, 256, (24 * step, 36 * step, *channels)).astype(np.uint8)
    mean = image.reshape(24, step, 36, step, *channels).mean((1, 3))
    found = shrunk(image, (24, 36))
    roundings = max(1, step.bit_length() - 1)  # to the next code value, once a halving
    assert np.abs(found - mean).max() <= 0.5 * roundings + 1e-6
    assert abs((found - mean).mean()) < 0.15 * roundings  # half a code value goes up: an eighth on average


def test_sizes_that_are_no_multiples_keep_the_place_of_things() -> None:
    """A picture that rises evenly from left to right still does, by the same light over its whole width."""
    ramp = np.broadcast_to(np.linspace(0.0, 250.0, 1008), (756, 1008)).astype(np.uint8)
    for rows, columns in ((375, 500), (187, 250), (100, 133)):
        across = shrunk(ramp, (rows, columns)).mean(0)
        middle = (np.arange(columns) + 0.5) / columns * 1008 - 0.5
        assert (
            np.abs(across - (middle * 250.0 / 1007 - 0.5)).max() < 1.5
        )  # codes are rounded down in the ramp
