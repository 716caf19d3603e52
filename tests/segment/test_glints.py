"""Slits that highlights cut along dark pieces: filled; gaps between pieces, and beside threads, stay open."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from traygauge.segment.glints import rims_joined
from traygauge_shared.scenes import LIGHTS, Batch, Sheet, tray
from traygauge_shared.scenes.samples import small_phone

DIAMETER, LENGTH = 28.0, 48.0
Mask = npt.NDArray[np.uint8]


def bar(mask: Mask, at: tuple[float, float], turn: float, wide: float, long: float, value: int = 255) -> None:
    """Draw a bar: its middle lies `at` (along, across) its own axes from the picture's middle."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    middle = np.array([300.0, 200.0]) + at[0] * np.array([c, s]) + at[1] * np.array([-s, c])
    box = cv2.boxPoints(((float(middle[0]), float(middle[1])), (long, wide), turn))
    cv2.fillConvexPoly(mask, np.rint(box * 16).astype(np.int32), (float(value),), shift=4)


def others() -> Mask:
    """Return a mask of whole pieces round an empty middle."""
    mask = np.zeros((400, 600), np.uint8)
    for k in range(8):
        for across in (-150.0, 150.0):
            bar(mask, (80.0 * (k - 3.5), across), 0.0, DIAMETER, LENGTH)
    return mask


@pytest.mark.parametrize("turn", [0.0, 17.0, 45.0, 90.0, 133.0])
@pytest.mark.parametrize("neighbour", [False, True])
def test_a_slit_along_the_whole_piece_is_filled(turn: float, neighbour: bool) -> None:
    whole = others()
    bar(whole, (0, 0), turn, DIAMETER, LENGTH)
    if neighbour:  # one that touches the piece's far flank: then no width says where the piece ends
        bar(whole, (10, DIAMETER), turn, DIAMETER, LENGTH)
    slit = whole.copy()
    bar(slit, (0, -6.0), turn, 5.0, 60.0, 0)  # between a rim of 5.5 px and a rest of 17.5
    assert cv2.countNonZero(slit) < cv2.countNonZero(whole) - 200
    left = cv2.countNonZero(cv2.absdiff(rims_joined(slit), whole))
    assert left < 0.1 * 5.0 * LENGTH  # a round neighbourhood leaves a dent at either mouth


def test_a_gap_between_whole_pieces_stays_open() -> None:
    mask = others()
    bar(mask, (0, 0), 30.0, DIAMETER, LENGTH)
    bar(mask, (5, DIAMETER + 5.0), 30.0, DIAMETER, LENGTH)
    np.testing.assert_array_equal(rims_joined(mask), mask)


def test_a_gap_beside_a_thread_that_runs_askew_stays_open() -> None:
    mask = others()
    bar(mask, (0, 0), 30.0, DIAMETER, LENGTH)
    for k in range(12):  # it hangs on the piece's end and leans away from its flank
        bar(mask, (4.0 * k - 20.0, 18.0 + 0.7 * k), 30.0, 5.0, 6.0)
    np.testing.assert_array_equal(rims_joined(mask), mask)


def test_an_empty_mask_stays_empty() -> None:
    assert not rims_joined(np.zeros((50, 60), np.uint8)).any()


def test_glossy_black_pieces_in_a_windows_light_are_found_whole(see: Callable[..., Any]) -> None:
    seen = see(
        tray(
            Batch(count=40, colour="black", surface="glossy"),
            seed=8,
            camera=small_phone(8.0, tilt_deg=4.0, tilt_towards_deg=70.0),
            sheet=Sheet(window="white"),
            light=LIGHTS["window"],
            area_mm=(30, 30, 90, 75),
            touching=True,
        )
    )
    assert seen.overlap.max(1).min() > 0.8
    assert seen.false == 0
