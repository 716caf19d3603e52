"""Outlines against closed forms: the blurred edge of a disc.

Across a disc's edge of radius R, blurred by a Gaussian of standard deviation s, half contrast lies at R - s^2 / (2 R)
to first order (the blurred disc obeys the heat equation, and the circle's curvature moves its middle level inwards).
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from traygauge.segment.find import find_pieces
from traygauge.segment.regions import Regions
from traygauge_calib.tray_view import TrayView

View = Callable[..., TrayView]
Draw = Callable[..., np.ndarray]

BLACK, WHITE = np.full(3, 0.03), np.full(3, 0.75)
RADIUS = 22.3


def places(step: float = 70.0, size: tuple[int, int] = (420, 560)) -> np.ndarray:
    rng = np.random.default_rng(3)
    x, y = np.meshgrid(np.arange(45, size[1] - 40, step), np.arange(45, size[0] - 40, step))
    return np.stack([x.ravel(), y.ravel()], 1) + rng.uniform(-0.5, 0.5, (x.size, 2))


def radii(regions: Regions) -> np.ndarray:
    return np.array([np.sqrt(cv2.contourArea(o.astype(np.float32)) / np.pi) for o in regions.outlines_px])


def middles(regions: Regions) -> np.ndarray:
    """Centres of gravity of the outlines' areas."""
    out = []
    for o in regions.outlines_px:
        m = cv2.moments(o.astype(np.float32))
        out.append((m["m10"] / m["m00"], m["m01"] / m["m00"]))
    return np.array(out)


@pytest.mark.parametrize(("tray", "piece"), [(BLACK, WHITE), (WHITE, BLACK)], ids=["bright", "dark"])
@pytest.mark.parametrize("blur_px", [0.6, 1.0, 2.0, 4.0])
def test_a_disc_has_its_radius(
    disc: Draw, view: View, tray: np.ndarray, piece: np.ndarray, blur_px: float
) -> None:
    at = places()
    picture = disc((420, 560), at, RADIUS, tray=tray, piece=piece, blur_px=blur_px)
    regions = find_pieces(view(picture, blur_px=blur_px))
    assert len(regions) == len(at)
    expected = RADIUS - blur_px**2 / (2 * RADIUS)
    found = radii(regions)
    # 8-bit rounding and pixels read bilinearly (which blurs by up to 0.5 px) leave a few hundredths of a pixel
    assert abs(found.mean() - expected) < 0.04 + 0.02 * blur_px
    assert found.std() < 0.05
    order = np.lexsort([middles(regions)[:, 0], np.rint(middles(regions)[:, 1] / 70)])
    np.testing.assert_allclose(middles(regions)[order], at, atol=0.05)


def test_bright_and_dark_agree(disc: Draw, view: View) -> None:
    at = places()
    bright, dark = (
        radii(
            find_pieces(view(disc((420, 560), at, RADIUS, tray=t, piece=p, blur_px=0.9), blur_px=0.9))
        ).mean()
        for t, p in ((BLACK, WHITE), (WHITE, BLACK))
    )
    assert abs(bright - dark) < 0.05


def test_a_light_gradient_of_4_to_1_moves_no_edge(disc: Draw, view: View) -> None:
    at = places()
    light = np.tile(np.linspace(0.3, 1.2, 560), (420, 1))
    picture = disc((420, 560), at, RADIUS, tray=BLACK, piece=WHITE, blur_px=0.9, light=light)
    regions = find_pieces(view(picture, blur_px=0.9))
    assert len(regions) == len(at)
    assert abs(radii(regions).mean() - RADIUS) < 0.08
    across = middles(regions)[:, 0]
    assert abs(np.polyfit(across / across.max(), radii(regions), 1)[0]) < 0.08


def test_colour_contrast_alone_gives_the_same_radius(disc: Draw, view: View) -> None:
    at = places()
    green, red = np.array([0.05, 0.35, 0.05]), np.array([0.80, 0.127, 0.05])  # of one luminance (0.264)
    regions = find_pieces(view(disc((420, 560), at, RADIUS, tray=green, piece=red, blur_px=0.9), blur_px=0.9))
    assert len(regions) == len(at)
    assert abs(radii(regions).mean() - RADIUS) < 0.1


def test_a_shifted_picture_gives_shifted_outlines(disc: Draw, view: View) -> None:
    picture = disc((420, 560), places(), RADIUS, tray=BLACK, piece=WHITE, blur_px=0.9)
    moved = np.roll(picture, (3, 5), (0, 1))
    one, two = (find_pieces(view(p)) for p in (picture, moved))
    np.testing.assert_allclose(middles(two), middles(one) + (5, 3), atol=0.01)


def test_a_turned_picture_gives_turned_outlines(disc: Draw, view: View) -> None:
    picture = disc((420, 560), places(), RADIUS, tray=BLACK, piece=WHITE, blur_px=0.9)
    one, two = (find_pieces(view(p)) for p in (picture, np.ascontiguousarray(np.rot90(picture))))
    np.testing.assert_allclose(np.sort(radii(two)), np.sort(radii(one)), atol=0.03)


def test_levels_are_those_of_the_picture(disc: Draw, view: View) -> None:
    regions = find_pieces(view(disc((420, 560), places(), RADIUS, tray=BLACK, piece=WHITE, blur_px=0.9)))
    weight = regions.contrast.sum()  # white and black have the same light in all three
    # read two edge spreads from the edge, where a blurred step still lacks 2.3 % (normal distribution)
    assert abs(np.median(regions.level_tray) - (0.03 + 0.023 * 0.72) * weight) < 0.01
    assert abs(np.median(regions.level_piece) - (0.75 - 0.023 * 0.72) * weight) < 0.02


def test_labels_and_outlines_tell_the_same(disc: Draw, view: View) -> None:
    regions = find_pieces(view(disc((420, 560), places(), RADIUS, tray=BLACK, piece=WHITE, blur_px=0.9)))
    assert regions.labels.max() == len(regions)
    for k, outline in enumerate(regions.outlines_px):
        x = np.nonzero(regions.labels == k + 1)[1]
        assert abs(x.mean() + regions.origin_px[0] - outline[:, 0].mean()) < 0.5
        assert abs(len(x) - np.pi * (RADIUS + 0.5) ** 2) < 0.05 * len(x)


def test_more_than_255_regions_keep_their_numbers_in_reading_order(disc: Draw, view: View) -> None:
    x, y = np.meshgrid(np.arange(20, 820, 40.0), np.arange(20, 660, 40.0))  # 2.5 mm: half a line of 5 mm
    at = np.stack([x.ravel(), y.ravel()], 1)
    regions = find_pieces(view(disc((680, 840), at, 11.0, tray=BLACK, piece=WHITE, blur_px=0.9)))
    assert len(regions) == len(at) == 320
    assert np.array_equal(np.unique(regions.labels), np.arange(321))
    line = np.floor(at[:, 1] / 80)
    expected = at[np.lexsort([at[:, 1], at[:, 0], line])]
    found = middles(regions)
    # two rows of discs share a line; from left to right they stand above one another
    np.testing.assert_allclose(found[:, 0], expected[:, 0], atol=0.1)
    assert (np.floor(found[:, 1] / 80) == line).all()
    for k, (px, py) in enumerate(found):
        assert regions.labels[round(py), round(px)] == k + 1
