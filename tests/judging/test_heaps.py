"""What an unparted heap can hide."""

import numpy as np
import pytest

from traygauge.judge.heaps import longest_in, longs_in
from traygauge.judge.unmeasured import least_area_mm2, most_pieces

D = 1.75


def strip(x: float, y: float, length: float, angle_deg: float, diameter: float = D) -> np.ndarray:
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [length / 2, diameter / 2]
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return half @ np.array([[c, s], [-s, c]]) + [x, y]


def union(*strips: np.ndarray) -> np.ndarray:
    """Return the outline of strips that touch or overlap, drawn fine."""
    import cv2

    mask = np.zeros((1200, 1200), np.uint8)
    for points in strips:
        cv2.fillPoly(mask, [np.round((points * 50 + 400) * 16).astype(np.int32)], 1, shift=4)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    assert len(contours) == 1
    return (contours[0][:, 0, :] - 400) / 50


def test_each_further_piece_adds_its_least_area():
    # D max(L - D, L / 2): 4 x 1.75: 1.75 x 2.25 = 3.9375 mm2; 3 x 1.75: 1.75 x 1.5
    assert least_area_mm2(4.0, D) == pytest.approx(3.9375)
    assert least_area_mm2(3.0, D) == pytest.approx(2.625)


def test_laid_out_longs_never_exceed_the_bound():
    length = 5.0
    for n in range(1, 9):
        flat = n * length * D
        assert n <= most_pieces(flat, length, D)
    whole = length * D
    assert most_pieces(whole - 0.1, length, D) == 0
    assert most_pieces(2 * whole - D**2, length, D) == 2  # two that cross once
    assert most_pieces(2 * whole, length, D) == 3  # one lying on two others
    assert most_pieces(4 * (whole - D**2), length, D) == 4  # two across two
    assert most_pieces(2 * 3.0 * D, 4.0, D) == 1  # two ordinary pieces side by side: one long at most


@pytest.mark.parametrize("angle", range(0, 180, 15))
def test_a_long_piece_in_a_heap_always_fits_whatever_its_direction(angle):
    for length in (4.0, 4.3, 6.0):
        heap = union(strip(3, 3, length, angle), strip(3, 3, 3.0, angle + 70))
        assert longs_in(heap, 4.0, D) >= 1


def test_a_mildly_bent_long_piece_fits_too():
    # arc of 4.2 mm at a radius of 20 mm, 1.75 mm wide
    t = np.linspace(-0.105, 0.105, 40)
    outer = np.stack([(20 + D / 2) * np.sin(t), (20 + D / 2) * np.cos(t)], axis=1)
    inner = np.stack([(20 - D / 2) * np.sin(t), (20 - D / 2) * np.cos(t)], axis=1)[::-1]
    assert longs_in(np.concatenate([outer, inner]) + [5, -15], 4.0, D) >= 1


@pytest.mark.parametrize("angle", range(0, 180, 20))
def test_ordinary_pieces_that_touch_at_an_angle_hide_no_long_one(angle):
    a = np.radians(angle)
    other = strip(
        3 + 1.6 * np.cos(a) - 1.9 * np.sin(a), 3 + 1.6 * np.sin(a) + 1.9 * np.cos(a), 3.0, angle + 40
    )
    assert longs_in(union(strip(3, 3, 3.0, angle), other), 4.0, D) == 0


def test_two_end_to_end_may_be_one_long_and_many_crossed_ones_are_many():
    assert longs_in(union(strip(2, 3, 3.0, 0), strip(5, 3, 3.0, 0)), 4.0, D) == 1
    star = union(*(strip(5, 5, 5.0, 36 * k) for k in range(5)))
    assert 2 <= longs_in(star, 4.0, D) <= 5


def test_turning_or_shifting_a_heap_changes_little():
    counts = set()
    for turn in range(0, 90, 15):
        c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        heap = np.concatenate([strip(0, 0, 9.0, 0, 3.5)]) @ np.array([[c, s], [-s, c]]) + [8, 8]
        counts.add(longs_in(heap, 4.0, D))
    assert len(counts) == 1


@pytest.mark.parametrize("angle", range(0, 180, 15))
def test_the_longest_straight_piece_in_a_piece_is_the_piece_itself(angle):
    """Never less than it is; a strip of 0.7 of its width has room to lie aslant, 0.3 of the width across."""
    for length in (2.4, 4.0, 9.0):
        aslant = np.hypot(length - 0.7 * D, 0.3 * D) + 0.7 * D
        found = longest_in(strip(6, 6, length, angle), D)
        assert length <= found
        assert found == pytest.approx(aslant / 0.98, abs=0.2)  # two pixels


@pytest.mark.parametrize("angle", range(0, 180, 20))
def test_a_thread_makes_a_piece_no_longer(angle):
    a = np.radians(angle)
    thread = strip(6 + 2.5 * np.cos(a), 6 + 2.5 * np.sin(a), 3.0, angle, 0.5)
    body = strip(6, 6, 2.4, angle)
    assert longest_in(union(body, thread), D) == pytest.approx(longest_in(body, D), abs=0.25)


def test_a_bent_or_thinner_piece_is_no_shorter_than_it_is():
    for radius, width in ((20, D), (12, D), (1e4, 1.3)):
        t = np.linspace(-2.1, 2.1, 60) / radius  # 4.2 mm of arc
        sides = [
            np.stack([r * np.sin(t), radius - r * np.cos(t)], axis=1)
            for r in (radius + width / 2, radius - width / 2)
        ]
        assert longest_in(np.concatenate([sides[0], sides[1][::-1]]) + 5, D) >= 4.1


def test_a_large_heap_is_counted_by_its_area():
    heap = strip(40, 30, 60.0, 0, 40.0)
    assert longs_in(heap, 4.0, D) == pytest.approx(2400 / 3.9375, rel=0.05)
