"""Which two rods of a clump were never cut apart, on rods laid out by hand over drawn light."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge.segment.part_double import doubles
from traygauge.segment.part_result import Parting

LENGTH, DIAMETER = 40.0, 30.0
MIDDLE = np.array([60.0, 50.0])


def parting(
    turn_deg: float,
    gap: float,
    state: tuple[str, str] = ("parted", "parted"),
    step: float = 0.0,
    along: float = 0.0,
) -> Parting:
    """Return two rods, the second turned, with a gap and a step (in diameters) between their middles' facing ends.

    The whole is turned by `along` degrees.
    """
    turn, c, s = np.radians(turn_deg), np.cos(np.radians(along)), np.sin(np.radians(along))
    half = np.array([LENGTH / 2 * np.cos(turn / 2) + gap * DIAMETER / 2, LENGTH / 2 * np.sin(turn / 2)])
    second = half + [0.0, step * DIAMETER]
    rods = np.array(
        [
            [-half[0], half[1], -turn / 2, LENGTH, DIAMETER, 0.0],
            [second[0], second[1], turn / 2, LENGTH, DIAMETER, 0.0],
        ]
    )
    rods[:, :2] = rods[:, :2] @ np.array([[c, s], [-s, c]]) + MIDDLE
    rods[:, 2] = (rods[:, 2] + np.radians(along)) % np.pi
    return Parting(np.zeros((1, 1), np.int32), state, np.ones(2), rods)


def picture(dark: float = 0.0, rows: slice = slice(0, 0)) -> np.ndarray:
    """Return even light, by some share darker along the joint in some rows."""
    light = np.full((100, 120, 3), 200.0)
    light[rows, 58:63] *= 1.0 - dark
    return light.astype(np.uint8)


@pytest.mark.parametrize("along", [0.0, 50.0, 179.0])
@pytest.mark.parametrize(("turn", "gap"), [(0.0, 0.0), (0.0, 0.2), (8.0, 0.0), (4.0, 0.1), (-10.0, 0.05)])
def test_two_in_line_were_never_cut_apart(turn: float, gap: float, along: float) -> None:
    assert doubles(parting(turn, gap, along=along), picture()) == [(0, 1)]


@pytest.mark.parametrize(("turn", "gap"), [(12.0, 0.0), (0.0, 0.3), (9.0, 0.16), (0.0, -0.2)])
def test_two_that_bend_and_gape_only_touch(turn: float, gap: float) -> None:
    assert doubles(parting(turn, gap), picture()) == []


@pytest.mark.parametrize("step", [-0.1, 0.1])
@pytest.mark.parametrize("turn", [-9.0, 0.0, 9.0])
def test_what_is_joined_has_no_step_at_the_joint(turn: float, step: float) -> None:
    assert doubles(parting(turn, 0.0, step=step), picture()) == []


def test_a_gap_dark_from_flank_to_flank_holds_no_web() -> None:
    assert doubles(parting(0.0, 0.1), picture(0.95, slice(None))) == []
    assert doubles(parting(0.0, 0.1), picture(0.95, slice(0, 48))) == [(0, 1)]
    assert doubles(parting(0.0, 0.1), picture(0.5, slice(None))) == [(0, 1)]


@pytest.mark.parametrize("state", ["upright", "leaning", "covered", "unresolved"])
def test_what_does_not_lie_beside_it_was_cut_apart(state: str) -> None:
    assert doubles(parting(0.0, 0.0, ("parted", state)), picture()) == []


def test_fewer_than_two_rods_are_no_double() -> None:
    one = Parting(np.zeros((1, 1), np.int32), ("parted",), np.ones(1), parting(0.0, 0.0).rod_px[:1])
    assert doubles(one, picture()) == []
