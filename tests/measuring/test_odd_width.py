"""A piece whose width is strange in a batch of one strand is not stated as surely as the others."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from traygauge.measure.ends import Ends
from traygauge.measure.uncertainty import u_lips, u_odd_width, u_parting
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


def ends_with_lips(lip: list[list[float]], doubt: float = 0.0) -> Ends:
    nothing = np.zeros((len(lip), 2))
    given = {"lip_mm": np.array(lip), "u_lip_mm": np.where(np.array(lip) > 0, doubt, 0.0)}
    return Ends(**{f.name: given.get(f.name, nothing) for f in fields(Ends)})


def test_lips_widen_what_carries_them_and_many_widen_the_others_too() -> None:
    """Where every other piece carries one, as many again hide; a single one in a hundred pieces says nothing of others."""
    rows = np.ones(100, bool)
    none = u_lips(ends_with_lips([[0.0, 0.0]] * 100), rows)
    np.testing.assert_array_equal(none, 0.0)
    one = u_lips(ends_with_lips([[0.2, 0.0]] + [[0.0, 0.0]] * 99, doubt=0.04), rows)
    assert one[0, 0] == pytest.approx(0.04)
    np.testing.assert_array_equal(one[1:], 0.0)
    many = u_lips(ends_with_lips([[0.2, 0.0], [0.0, 0.0]] * 50, doubt=0.04), rows)
    assert 0.02 < many[1, 0] < 0.1
    assert many[0, 0] > 0.04
    of_others = u_lips(ends_with_lips([[0.2, 0.0], [0.0, 0.0]] * 50), np.tile([False, True], 50))
    np.testing.assert_array_equal(of_others, 0.0)
    assert u_lips(ends_with_lips([[0.0, 0.0]]), np.zeros(1, bool)).tolist() == [[0.0, 0.0]]
