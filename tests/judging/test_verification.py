"""Pieces of known size."""

import numpy as np
import pytest

from traygauge.judge.sample import sample
from traygauge.judge.spec import parse_spec, read_spec
from traygauge.judge.verification import verify


def made(pieces, spec=None):
    return sample(pieces, spec or read_spec("rigid-1.75"), {})


def test_true_readings_pass(batch):
    rng = np.random.default_rng(1)
    found = verify(made(batch(3.0 + rng.normal(0, 0.03, 100), u_shared_mm=0.01)), 3.0, 0.005)
    assert found.bias.low < 0 < found.bias.high
    assert found.repeatability_mm == pytest.approx(0.03, rel=0.2)
    assert found.agrees
    assert found.is_good_enough  # .06 against a quarter of 1.0 mm (3 to 4 mm)
    assert found.room_mm == pytest.approx(1.0)
    assert "uncertainty is kept" in found.sentences()[1]


def test_a_bias_beyond_what_is_stated_fails(batch):
    rng = np.random.default_rng(2)
    found = verify(made(batch(3.3 + rng.normal(0, 0.03, 100))), 3.0, 0.005)
    assert found.bias.estimate == pytest.approx(0.3, abs=0.01)
    assert found.en_mean > 1
    assert not found.agrees
    assert found.is_good_enough is False


def test_en_numbers_are_those_of_the_formula(batch):
    # 3.52 +- .06 against 3.48 +- .04 mm: .5547 (formula of ISO 13528)
    found = verify(made(batch([3.52, 3.52], u_mm=0.03)), 3.48, 0.02)
    assert found.en == pytest.approx([0.5547, 0.5547], abs=5e-5)


def test_known_sizes_one_a_piece_and_diameters(batch):
    found = verify(made(batch([2.0, 3.0, 4.0])), [2.0, 3.0, 4.0], 0.01)
    assert found.bias.estimate == 0.0
    pins = verify(made(batch([3.0] * 4, diameter_mm=1.77)), 1.75, 0.001, "diameter_mm")
    assert pins.bias.estimate == pytest.approx(0.02)
    assert pins.room_mm == pytest.approx(0.15)
    free = verify(made(batch([3.0, 3.1]), parse_spec('[spec]\nname = "x"')), 3.0, 0.01)
    assert free.is_good_enough is None


def test_what_cannot_be_verified_is_refused(batch):
    with pytest.raises(ValueError, match="at least two"):
        verify(made(batch([3.0, np.nan], state=["whole", "upright"])), 3.0, 0.01)
    with pytest.raises(ValueError, match="quantity"):
        verify(made(batch([3.0, 3.0])), 3.0, 0.01, "area_mm2")


def test_a_piece_without_a_stated_uncertainty_proves_nothing(batch) -> None:
    # what stands on end shows a width, of which nothing is promised
    widths, u = [1.75, 1.76, 1.95], [0.02, 0.02, np.nan]
    found = verify(
        made(batch([3.0, 3.0, np.nan], diameter_mm=widths, u_diameter_mm=u)), 1.75, 0.001, "diameter_mm"
    )
    assert (found.n, found.bias.estimate) == (2, pytest.approx(0.005))
