"""A piece whose width is strange in a batch of one strand is not stated as surely as the others."""

from __future__ import annotations

import numpy as np

from traygauge.measure.uncertainty import u_odd_width, u_parting
from traygauge.measure.unsure import MOST_U


def test_a_piece_seen_in_part_is_less_sure_and_the_others_are_not() -> None:
    rng = np.random.default_rng(3)
    width = np.append(rng.normal(1.75, 0.01, 60), 1.10)
    u = u_odd_width(width, np.ones(61, bool))
    assert (u[:-1] == 0).all()
    # the missing strip, 0.65 mm, lies within twice the stated uncertainty of the diameter
    assert 2 * u[-1, 1] > 0.65
    assert 0 < u[-1, 0] < u[-1, 1]


def test_a_batch_of_two_strands_has_no_odd_widths() -> None:
    rng = np.random.default_rng(4)
    width = np.concatenate([rng.normal(1.75, 0.2, 40), rng.normal(2.4, 0.3, 40)])
    assert (u_odd_width(width, np.ones(80, bool)) == 0).all()


def test_without_strand_nothing_is_odd() -> None:
    assert (u_odd_width(np.array([1.0, 2.0, 5.0]), np.zeros(3, bool)) == 0).all()


def test_badly_parted_lengths_are_unsure_but_not_boundless() -> None:
    confidence = np.array([np.inf, 1.0, 0.7, 0.4, 0.16])
    for dark in (False, True):
        u = u_parting(np.full(5, dark), confidence)
        assert u[0] == 0.0
        assert (np.diff(u) > 0).sum() >= 3
        assert (np.diff(u) >= 0).all()
        assert (
            u[-1] < MOST_U / 2
        )  # an end lies on some edge near its place: the length is known to less than a diameter
    assert (u_parting(np.ones(5, bool), confidence) >= u_parting(np.zeros(5, bool), confidence)).all()
