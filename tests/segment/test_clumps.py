"""What needs no look inside: shapes drawn from their definition, beside what a batch says of its strand."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from traygauge.segment.clumps import contour_shape, explains_all, too_little_for_two
from traygauge.segment.part import StrandPrior
from traygauge.segment.part_result import Parting

D, LENGTH = 30.0, 54.0
STRAND = StrandPrior(D, 0.5, LENGTH, 2.7, 100)


def outline(*boxes: tuple[tuple[float, float], tuple[float, float], float]) -> np.ndarray:
    """Return the rim of rotated boxes ((x, y), (long, short), degrees) drawn together, discs where sides are equal."""
    mask = np.zeros((300, 300), np.uint8)
    for middle, size, angle in boxes:
        if size[0] == size[1]:
            cv2.circle(mask, np.rint(middle).astype(int).tolist(), round(size[0] / 2), 1, cv2.FILLED)
        else:
            cv2.fillPoly(mask, [np.rint(cv2.boxPoints((middle, size, angle))).astype(np.int32)], 1)
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    assert len(found) == 1
    return found[0][:, 0]


def alone(rim: np.ndarray) -> bool:
    return bool(too_little_for_two(np.array([contour_shape(rim)]), STRAND)[0])


@pytest.mark.parametrize("angle", [0.0, 20.0, 45.0, 70.0])
def test_what_cannot_be_two_pieces_is_one(angle):
    assert alone(outline(((150, 150), (D, D), angle)))  # a piece on end
    assert alone(outline(((150, 150), (1.5 * LENGTH, D - 1), angle)))  # one long piece


@pytest.mark.parametrize("angle", [0.0, 20.0, 45.0, 70.0])
def test_two_usual_pieces_are_looked_into(angle):
    across = (D - 1) * np.array([-np.sin(np.radians(angle)), np.cos(np.radians(angle))])
    one = np.array([150.0, 150.0])
    beside = outline((tuple(one), (LENGTH, D), angle), (tuple(one + across), (LENGTH, D), angle))
    assert not alone(beside)
    crossing = outline((tuple(one), (LENGTH, D), angle), (tuple(one), (LENGTH, D), angle + 90))
    assert not alone(crossing)


def test_without_a_strand_nothing_is_known():
    rim = outline(((150, 150), (D, D), 0.0))
    assert not too_little_for_two(np.array([contour_shape(rim)]), None).any()


@pytest.mark.parametrize(
    ("states", "sure", "rods", "rest", "two"),
    [
        (("parted", "parted"), 1.0, 2, 0, True),
        (("leaning", "parted"), 1.0, 2, 0, True),  # one cut obliquely at both ends looks as if it leant
        (("upright", "parted"), 1.0, 2, 0, True),
        (("upright", "upright"), 1.0, 2, 0, False),  # an oval flake
        (("parted", "parted"), 0.2, 2, 0, False),
        (("parted", "covered"), 1.0, 2, 0, False),  # what is left over of a flake
        (("parted", "parted", "covered"), 1.0, 2, 5, True),  # shade between two
        (("parted", "parted", "covered"), 1.0, 2, 20, False),
        (("parted", "parted"), 1.0, 1, 5, False),
        (("parted",), 1.0, 1, 0, False),
    ],
)
def test_a_convex_thing_is_several_where_rods_explain_all_of_it(states, sure, rods, rest, two):
    rod = np.full((len(states), 5), np.nan)
    rod[:rods] = 150.0, 150.0, 0.0, LENGTH, D
    labels = np.arange(100, dtype=np.int32)[None] % rods + 1
    labels[:, :rest] = len(states)
    assert explains_all(Parting(labels, states, np.full(len(states), sure), rod)) == two
