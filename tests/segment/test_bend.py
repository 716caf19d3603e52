"""Bands along a curve, told from their outline: arcs of known radius in closed form, and pairs of rods that are none."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from traygauge.segment.bend import Band, band_of, is_bent_strand
from traygauge.segment.part_bent import bent_joined
from traygauge.segment.part_result import Parting

WIDTH = 30.0
GREY = np.full((400, 500, 3), 200, np.uint8)


def arc(radius: float, length: float, turned: float = 0.0, mirror: int = 1) -> np.ndarray:
    """Return the outline (k, 2) of a band with square ends around an arc whose middle lies at (200, 150)."""
    s = np.linspace(-length / 2, length / 2, 200) / radius
    centre = radius * np.stack([np.sin(s), 1.0 - np.cos(s)], 1)
    normal = np.stack([-np.sin(s), np.cos(s)], 1)
    points = np.concatenate([centre - WIDTH / 2 * normal, (centre + WIDTH / 2 * normal)[::-1]]) * [1, mirror]
    dense = np.concatenate(
        [np.linspace(a, b, 8, endpoint=False) for a, b in zip(points, np.roll(points, -1, 0), strict=True)]
    )
    c, z = np.cos(turned), np.sin(turned)
    return dense @ np.array([[c, z], [-z, c]]) + [200.0, 150.0]


def rim(mask: np.ndarray) -> np.ndarray:
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return max(found, key=len)[:, 0]


def drawn(points: np.ndarray) -> np.ndarray:
    """Return the pixels (400, 500) inside an outline."""
    return cv2.fillPoly(np.zeros((400, 500), np.uint8), [np.rint(points).astype(np.int32)], 1) > 0


def row(kink_deg: float, step: float = 0.0, gap: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Return the pixels of two rods end to end, the second turned and set aside (widths)."""
    end, half = np.array([250.0, 200.0]), np.radians(kink_deg) / 2
    out = []
    for side in (-1, 1):
        way = np.array([side * np.cos(half), np.sin(half)])
        middle = end + (60.0 + gap * WIDTH / 2) * way + [0.0, side * step * WIDTH / 2]
        out.append(drawn(cv2.boxPoints((middle.tolist(), (120.0, WIDTH), float(np.degrees(side * half))))))
    return out[0], out[1]


@pytest.mark.parametrize("turned", [0.0, 0.7, 2.0])
@pytest.mark.parametrize(("radius", "length"), [(150.0, 130.0), (270.0, 250.0), (700.0, 600.0), (5e4, 200.0)])
@pytest.mark.parametrize("mirror", [1, -1])
def test_an_arc_is_known_by_its_outline(radius: float, length: float, turned: float, mirror: int) -> None:
    band = band_of(arc(radius, length, turned, mirror))
    assert band is not None
    assert band.width == pytest.approx(WIDTH, rel=0.01)
    assert band.length == pytest.approx(length, rel=0.01)
    way = (band.axis - turned + np.pi / 2) % np.pi - np.pi / 2
    assert way == pytest.approx(0.0, abs=0.01)
    along = np.array([np.cos(turned), np.sin(turned)]) @ [np.cos(band.axis), np.sin(band.axis)]
    assert band.bend * np.sign(along) == pytest.approx(mirror / radius, rel=0.04, abs=1e-4)
    assert band.centre == pytest.approx((200.0, 150.0), abs=0.02 * WIDTH)


@pytest.mark.parametrize("kink", [0, 6, 14, 30])
@pytest.mark.parametrize("step", [0.15, 0.3])
def test_two_rods_with_a_step_are_no_band(kink: float, step: float) -> None:
    assert not is_bent_strand(rim(np.logical_or(*row(kink, step))), WIDTH, GREY)


@pytest.mark.parametrize("kink", [20, 30, 45, 60])
def test_two_rods_with_a_kink_are_no_band(kink: float) -> None:
    assert not is_bent_strand(rim(np.logical_or(*row(kink))), WIDTH, GREY)


def test_a_band_of_another_width_is_another_thing() -> None:
    assert is_bent_strand(rim(drawn(arc(270.0, 250.0))), WIDTH, GREY)
    assert not is_bent_strand(rim(drawn(arc(270.0, 250.0))), 0.8 * WIDTH, GREY)
    assert not is_bent_strand(rim(drawn(arc(270.0, 250.0))), 1.25 * WIDTH, GREY)


def test_a_colour_that_changes_along_a_band_is_another_piece() -> None:
    band, right = rim(drawn(arc(270.0, 250.0))), np.arange(500)[None, :, None] > 230
    two = np.where(right, [40, 60, 200], [210, 205, 200]).astype(np.uint8) * np.ones((400, 1, 1), np.uint8)
    assert not is_bent_strand(band, WIDTH, two)
    slowly = np.broadcast_to(np.linspace(120, 220, 500)[None, :, None], (400, 500, 3)).astype(np.uint8)
    assert is_bent_strand(band, WIDTH, slowly)


def parting(one: np.ndarray, two: np.ndarray) -> Parting:
    labels = one.astype(np.int32)
    labels[two & ~one] = 2
    return Parting(labels, ("parted", "covered"), np.array([0.9, 0.2]), np.full((2, 6), np.nan))


def light(mask: np.ndarray, line: np.ndarray) -> np.ndarray:
    return np.where(line[..., None], 40, np.where(mask[..., None], 200, 20)).astype(np.uint8).repeat(3, 2)


def test_parts_of_one_bent_piece_are_joined_unless_a_dark_line_runs_between_them() -> None:
    band = drawn(arc(270.0, 250.0))
    right = np.arange(500)[None] > 230
    line = band & (np.abs(np.arange(500)[None] - 230) < 3)
    found = parting(band & ~right, band & right)
    joined = bent_joined(found, light(band, line & False), WIDTH)
    assert len(joined) == 1
    assert (joined.labels > 0).sum() == band.sum()
    assert joined.confidence == pytest.approx([0.9])
    assert len(bent_joined(found, light(band, line), WIDTH)) == 2


def test_parts_in_one_straight_line_are_left_to_what_knows_of_doubles() -> None:
    """A web counted to one of its two pieces hid that they have never been cut apart."""
    band, right = drawn(arc(5e4, 200.0)), np.arange(500)[None] > 230
    assert len(bent_joined(parting(band & ~right, band & right), light(band, band & False), WIDTH)) == 2


def test_a_band_rises_as_an_arc_does() -> None:
    """By the chord of an arc: its square over eight radii."""
    assert Band((0.0, 0.0), 0.0, 1 / 200, 80.0, 10.0).rise == pytest.approx(80**2 / (8 * 200) / 10)


def test_rods_that_only_meet_stay_apart() -> None:
    one, two = row(30)
    assert len(bent_joined(parting(one, two), light(one | two, one & False), WIDTH)) == 2
