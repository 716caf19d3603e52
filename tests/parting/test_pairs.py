"""Pairs and short chains of drawn rods come apart, each with its own length."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge.segment.part import Clump, StrandPrior, looks_single, part_clumps, strand_prior

DIAMETER, LENGTH = 28.0, 48.0
PRIOR = StrandPrior(DIAMETER, 1.0, LENGTH, 4.0, 40)


def drawn(rods: list[tuple[float, float, float, float]], size: tuple[int, int] = (160, 200)):
    """Return mask, picture and label truth of rods (x, y, angle, length) lying flat: shaded, dark where they meet."""
    y, x = np.mgrid[: size[0], : size[1]].astype(float)
    depth = np.full((len(rods), *size), -np.inf)
    light = np.zeros((len(rods), *size))
    for k, (cx, cy, angle, length) in enumerate(rods):
        along = (x - cx) * np.cos(angle) + (y - cy) * np.sin(angle)
        across = (y - cy) * np.cos(angle) - (x - cx) * np.sin(angle)
        depth[k] = np.minimum(length / 2 - np.abs(along), DIAMETER / 2 - np.abs(across))
        light[k] = 0.6 + 0.4 * np.sqrt(np.clip(1 - (across / (DIAMETER / 2)) ** 2, 0, 1))
    top = depth.argmax(0)
    mask = depth.max(0) >= 0
    value = np.take_along_axis(light, top[None], 0)[0]
    nearest = np.sort(depth, 0)
    contact = (nearest[-1] < 1.0) & (nearest[-2 if len(rods) > 1 else -1] > -1.0) & (len(rods) > 1)
    value = np.where(contact, 0.55 * value, value)
    picture = np.where(mask, 200 * value, 20)
    rng = np.random.default_rng(1)
    rgb = np.clip(picture[..., None] + rng.normal(0, 1.5, (*size, 3)), 0, 255).astype(np.uint8)
    return mask, rgb, np.where(mask, top + 1, 0)


CASES = {
    "side by side": [(60, 60, 0.3, 48), (60 - 28 * np.sin(0.3), 60 + 28 * np.cos(0.3), 0.3, 48)],
    "end to end": [(60, 60, 0.2, 48), (60 + 48 * np.cos(0.2), 60 + 48 * np.sin(0.2), 0.2, 48)],
    "T": [(80, 60, 0.0, 60), (80, 60 + 14 + 24, np.pi / 2, 48)],
    "chain of three": [(50, 50, 0.0, 48), (50, 78, 0.0, 40), (50 + 34, 78 + 14 + 18, np.pi / 2, 52)],
}


@pytest.mark.parametrize("name", CASES)
def test_pieces_come_apart_with_their_lengths(name: str) -> None:
    rods = CASES[name]
    mask, rgb, truth = drawn(rods)
    (parting,) = part_clumps([Clump(mask, rgb, 16.0, (0.0, 0.0), float("inf"))], PRIOR)
    assert len(parting) == len(rods)
    assert set(parting.state) == {"parted"}
    for k, (x, y, _, length) in enumerate(rods):
        gap = np.hypot(parting.rod_px[:, 0] - x, parting.rod_px[:, 1] - y)
        own = int(gap.argmin())
        assert gap[own] < 1.5
        assert abs(parting.rod_px[own, 3] - length) < 2.0
        assert (parting.labels[truth == k + 1] == own + 1).mean() > 0.95


def test_one_rod_stays_whole() -> None:
    mask, rgb, _ = drawn([(80, 80, 0.7, 48)])
    (parting,) = part_clumps([Clump(mask, rgb, 16.0, (0.0, 0.0), float("inf"))], PRIOR)
    assert parting.state == ("whole",)


def test_a_pair_does_not_look_single_but_a_rod_does() -> None:
    rod = (LENGTH * DIAMETER, 1.0, LENGTH, DIAMETER)
    pair = (2 * LENGTH * DIAMETER, 1.0, 2 * DIAMETER, LENGTH)
    in_line = (2 * LENGTH * DIAMETER, 1.0, 2 * LENGTH, DIAMETER)
    assert looks_single(*np.array([rod, pair, in_line]).T, PRIOR).tolist() == [True, False, False]


def test_prior_finds_the_strand_among_flakes() -> None:
    rng = np.random.default_rng(3)
    short = np.concatenate([rng.normal(28, 0.6, 40), rng.uniform(15, 60, 30)])
    long = np.concatenate([rng.normal(48, 4, 40), short[40:] * rng.uniform(1.2, 2, 30)])
    prior = strand_prior(0.95 * short * long, np.full(70, 0.97), long, short)
    assert prior is not None
    assert abs(prior.diameter_px - 28) < 0.5
    assert abs(prior.length_px - 48) < 3


def test_flakes_alone_are_no_strand() -> None:
    rng = np.random.default_rng(4)
    short = rng.uniform(15, 60, 60)
    long = short * rng.uniform(1.2, 2, 60)
    assert strand_prior(0.8 * short * long, np.full(60, 0.95), long, short) is None


def test_strand_is_found_though_flakes_outnumber_it() -> None:
    rng = np.random.default_rng(6)
    short = np.concatenate([rng.normal(26, 0.6, 50), rng.uniform(12, 70, 110)])
    long = short * rng.uniform(1.3, 2, 160)
    fill = np.concatenate([np.full(50, 0.95), rng.uniform(0.55, 0.84, 110)])  # few flakes are rectangular
    prior = strand_prior(fill * short * long, np.full(160, 0.97), long, short)
    assert prior is not None
    assert abs(prior.diameter_px - 26) < 0.6


def test_rectangular_flakes_of_every_width_are_no_strand() -> None:
    rng = np.random.default_rng(7)
    short = rng.uniform(12, 60, 80)
    long = short * rng.uniform(1.3, 2, 80)
    assert strand_prior(0.95 * short * long, np.full(80, 0.97), long, short) is None
