"""Which two rods of a clump were never cut apart, on rods laid out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge.segment.clumps import _doubles
from traygauge.segment.part import Parting

LENGTH, DIAMETER = 40.0, 30.0


def parting(turn_deg: float, gap: float, state: tuple[str, str] = ("parted", "parted")) -> Parting:
    """Return two rods, the second turned, with a gap (in diameters) between their middles' facing ends."""
    turn = np.radians(turn_deg)
    half = LENGTH / 2 + gap * DIAMETER / 2
    rods = np.array(
        [
            [-half * np.cos(turn / 2), half * np.sin(turn / 2), -turn / 2, LENGTH, DIAMETER, 0.0],
            [half * np.cos(turn / 2), half * np.sin(turn / 2), turn / 2, LENGTH, DIAMETER, 0.0],
        ]
    )
    return Parting(np.zeros((1, 1), np.int32), state, np.ones(2), rods)


@pytest.mark.parametrize(("turn", "gap"), [(0.0, 0.0), (0.0, 0.2), (8.0, 0.0), (4.0, 0.1)])
def test_two_in_line_were_never_cut_apart(turn: float, gap: float) -> None:
    assert _doubles(parting(turn, gap)) == [(0, 1)]


@pytest.mark.parametrize(("turn", "gap"), [(12.0, 0.0), (0.0, 0.3), (9.0, 0.16), (0.0, -0.2)])
def test_two_that_bend_and_gape_only_touch(turn: float, gap: float) -> None:
    assert _doubles(parting(turn, gap)) == []


@pytest.mark.parametrize("state", ["upright", "leaning", "covered", "unresolved"])
def test_what_does_not_lie_beside_it_was_cut_apart(state: str) -> None:
    assert _doubles(parting(0.0, 0.0, ("parted", state))) == []
