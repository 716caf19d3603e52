"""How wide ends are taken for, by closed form."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge.measure.half_widths import held_ends

RNG = np.random.default_rng(5)


def test_ends_that_stray_by_chance_are_the_photos_usual_ones() -> None:
    """Read with 3 % of chance around round ones: all are round; around squeezed ones: all as wide as those usually are."""
    chance = RNG.normal(0.0, 0.03, (100, 2))
    for usual in (1.0, 1.12):
        held = held_ends(usual + chance, np.full(100, 0.01), 100)
        assert np.ptp(held) == pytest.approx(0.0, abs=0.006)
        assert np.median(held) == pytest.approx(usual, abs=0.02)


def test_ends_that_are_read_well_keep_their_own_widths() -> None:
    """Each is squeezed another way; what is read with 0.3 % of chance is its own, within what a cut can squeeze."""
    own = np.linspace(0.8, 1.2, 200).reshape(100, 2)
    assert held_ends(own, np.full(100, 0.003), 100) == pytest.approx(own, abs=0.002)
    assert held_ends(own + np.where(own > 1.19, 0.5, 0.0), np.full(100, 0.003), 100).max() == pytest.approx(
        1.25
    )
