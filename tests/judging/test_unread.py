"""Pieces with a length whose diameter was not read: what is weighed, counted and said of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import t as student

from traygauge.judge.distribution import distribution
from traygauge.judge.judging import judge_pieces
from traygauge.judge.lost import WIDER_OFTENER, crossing_odds
from traygauge.judge.masses import masses_mg, mean_mass_mg, weigh_scoop, with_masses
from traygauge.judge.sample import sample
from traygauge.judge.shares import amounts, count_share
from traygauge.judge.spec import parse_spec
from traygauge.measure.pieces import Pieces

WINDOWS = {"a.jpg": (12.0, 12.0, 180.0, 120.0)}
SPEC = parse_spec(
    """
[spec]
name = "x"
[strand]
diameter_mm = 1.75
diameter_tolerance_mm = 0.15
[material]
density_g_cm3 = 1.24
[pieces]
long_over_mm = 4.0
[limits]
long_share = { at_most_percent = 8 }
thick_share = { at_most_percent = 8 }
thin_share = { at_most_percent = 8 }
mean_diameter = { at_least_mm = 1.7, at_most_mm = 1.8 }
[judging]
within_photo_correlation = 0.0
"""
)


def unread(batch, length_mm, read_mm, **more) -> Pieces:
    """Return pieces of these lengths of which the first have these diameters, and the others none."""
    n, k = len(length_mm), len(read_mm)
    diameter = np.append(np.asarray(read_mm, float), [np.nan] * (n - k))
    # what shows of them is as wide as any
    shows = {"feret_max_mm": np.hypot(length_mm, 1.75), "feret_min_mm": 1.75, "extent_mm": np.nan}
    given = {"state": ["whole"] * k + ["parted"] * (n - k), "area_mm2": 1.75 * np.asarray(length_mm)}
    pieces = batch(length_mm, diameter_mm=diameter, **(shows | given | more))
    return pieces.with_columns(u_diameter_mm=np.where(np.isfinite(diameter), 0.02, np.nan))


def test_a_piece_whose_diameter_was_not_read_weighs_as_one_of_the_median(batch):
    """Two read, 1.7 and 1.8 mm, each 3 mm long, and two not, 3 and 6 mm: pi/4 of 1.75² times 9 mm for those."""
    pieces = with_masses(unread(batch, [3.0, 3.0, 3.0, 6.0], [1.7, 1.8]), 1.24, None)
    empty = np.isnan(pieces["mass_mg"])
    assert empty.tolist() == [False, False, True, True]  # the table holds what was measured
    given = sample(pieces, SPEC, WINDOWS)
    volume = np.pi / 4 * np.array([1.7**2 * 3, 1.8**2 * 3, 1.75**2 * 3, 1.75**2 * 6])
    assert masses_mg(given) == pytest.approx(1.24 * volume)
    assert amounts(given, "mass") == pytest.approx(volume)
    assert mean_mass_mg(given, 0.025).estimate == pytest.approx(1.24 * volume.mean())
    strand_g = 1.24e-3 * volume.sum()
    assert weigh_scoop(pieces, SPEC, strand_g).ratio == pytest.approx(1.0)
    figures = {f.name: f for f in judge_pieces(pieces, SPEC, windows_mm=WINDOWS)[1].figures}
    assert figures["pieces_per_kilogram"].value == pytest.approx(1e6 / (1.24 * volume.mean()))
    assert figures["pieces_per_kilogram"].note == ""  # nothing is left out


def test_the_spread_of_the_diameters_read_widens_what_the_others_weigh(batch):
    """50 read, half 1.70 and half 1.80 mm, 50 not: their median is off by the read ones', sd sqrt(pi/2 / 50), and theirs.

    All as long and nothing shared: the interval is that of the masses and twice the relative half of it, in squares.
    """
    pieces = with_masses(
        unread(batch, [3.0] * 100, [1.7] * 25 + [1.8] * 25, u_mm=0.0, u_length_mm=0.0), 1.24, None
    )
    given = sample(pieces, SPEC, WINDOWS)
    found, mass = mean_mass_mg(given, 0.025), masses_mg(given)
    spread = 0.05 * math.sqrt(50 / 49) / 1.75
    others = 2 * spread * math.sqrt(1 / 50 + math.pi / 2 / 50) * mass[50:].sum() / mass.sum()
    own = mass.std(ddof=1) / 10
    u = math.hypot(own, others * mass.mean())
    half = student.ppf(0.975, 99 * (u / own) ** 4) * u
    assert found.high - found.estimate == pytest.approx(half, rel=1e-9)


def test_thick_and_thin_shares_know_only_the_diameters_read(batch):
    """90 of 100 read, two of them thick: the other ten are so by chance, not all of them at the worst."""
    pieces = unread(batch, [3.0] * 100, [2.0] * 2 + [1.75] * 88)
    given = sample(pieces, SPEC, WINDOWS)
    for finding, hits in (("thick", 2), ("thin", 0)):
        counted = count_share(given, finding, "count", 0.025)
        assert (counted.n, counted.hits) == (90, hits)
        assert counted.share == pytest.approx(hits / 90)
        assert (counted.open.hits, counted.open.misses, counted.open.none) == (0, 10, 0)
        assert counted.open.odds.tolist() == [WIDER_OFTENER] * 10
        low, high = counted.bounds(0.025, 0.025, unmeasured=True)
        alone = counted.bounds(0.025, 0.025, unmeasured=False)
        assert low <= alone[0]
        assert alone[1] < high < 1.05 * alone[1]


def test_a_diameter_under_another_piece_may_still_be_any(batch):
    """What lies under another is no piece with a length: it counts as thick at the worst, as before."""
    pieces = unread(
        batch, [3.0] * 99 + [np.nan], [1.75] * 90, state=["whole"] * 90 + ["parted"] * 9 + ["covered"]
    )
    counted = count_share(sample(pieces, SPEC, WINDOWS), "thick", "count", 0.025)
    assert (counted.open.hits, counted.open.misses) == (1, 10)


def test_lengths_are_judged_as_if_every_diameter_were_read(batch):
    """100 pieces, three long, and some that stand on end: half of the diameters missing changes no figure of a length."""
    length = np.append(np.append(np.linspace(2.6, 3.4, 97), [5.0] * 3), [np.nan] * 5)
    state = ["whole"] * 50 + ["parted"] * 50 + ["upright"] * 5
    answers = []
    for read in (105, 50):
        pieces = unread(
            batch, length, [1.75] * read, state=state, feret_max_mm=np.nan_to_num(length, nan=1.8)
        )
        given = sample(with_masses(pieces, 1.24, None), SPEC, WINDOWS)
        longs = count_share(given, "long", "count", 0.025)
        lengths = distribution(given, "length_mm")
        answers.append(
            [longs.share, *longs.bounds(0.025, 0.025, unmeasured=True), lengths.estimate("mean")]
            + [
                bound
                for of in ("mean", "median")
                for bound in lengths.bounds(of, 0.025, 0.025, unmeasured=True)
            ]
        )
    assert answers[0] == pytest.approx(answers[1], rel=1e-9)


def test_the_mean_diameter_is_that_of_the_diameters_read(batch):
    """Half are not read: the interval is that of the other half, no narrower and no wider."""
    read = np.linspace(1.7, 1.8, 50)
    some = distribution(sample(unread(batch, [3.0] * 100, read), SPEC, WINDOWS), "diameter_mm")
    alone = distribution(sample(unread(batch, [3.0] * 50, read), SPEC, WINDOWS), "diameter_mm")
    assert some.n == 50
    assert some.bounds("mean", 0.025, 0.025, unmeasured=True) == pytest.approx(
        alone.bounds("mean", 0.025, 0.025, unmeasured=True)
    )


def test_diameters_that_were_not_read_are_no_reason_for_a_heap_to_weigh_more(batch):
    """50 read and 50 not, all 1.75 mm, one under another that may be 2.4 mm thick: one of 101, not of 51."""
    length = [3.0] * 100 + [np.nan]
    state = ["whole"] * 50 + ["parted"] * 50 + ["covered"]
    large = np.append(np.full(100, 3.5), 2.4)
    pieces = unread(batch, length, [1.75] * 50, state=state, feret_max_mm=large)
    found = distribution(sample(pieces, SPEC, WINDOWS), "diameter_mm")
    _, high = found.bounds("mean", 0.5, 0.5, unmeasured=True)  # an error of a half: no allowance for chance
    assert high == pytest.approx((100 * 1.75 + 2.4) / 101)


def test_how_many_were_not_read_is_said_in_one_sentence(batch):
    def said(pieces: Pieces, spec) -> list[str]:
        notes = judge_pieces(pieces, spec, windows_mm=WINDOWS)[1].notes
        return [note for note in notes if "not read" in note]

    some = unread(batch, [3.0] * 10, [1.75] * 8)
    weighed = "; where masses are given, the batch's median of 1.75 mm stands for them."
    assert said(some, SPEC) == ["2 diameters were not read: other pieces lie against them" + weighed]
    assert said(unread(batch, [3.0] * 10, [1.75] * 9), None) == [
        "1 diameter was not read: other pieces lie against them."
    ]
    assert said(batch([3.0] * 10), SPEC) == []


def test_thicker_pieces_meet_others_as_often_as_is_allowed_for():
    """Twice as thick as the usual ones, which are one to three times as long as thick: 1.34 to 1.50 times as often."""
    ratios = []
    for length in np.linspace(1.0, 3.0, 9):
        width = np.append(np.ones(10_000), 2.0)
        odds = crossing_odds(length * width, 2 * (length + width))
        ratios.append(odds[-1] / odds[0])
    assert min(ratios) == pytest.approx(1.34, abs=0.01)
    assert max(ratios) == pytest.approx(WIDER_OFTENER, abs=0.01)


def test_a_batch_of_which_no_diameter_was_read_is_no_crash(batch):
    """Then the spec's nominal diameter is all there is."""
    pieces = unread(batch, [3.0] * 5, [])
    judged, verdict = judge_pieces(pieces, SPEC, windows_mm=WINDOWS)
    figures = {f.name: f for f in verdict.figures}
    assert figures["pieces_per_kilogram"].value == pytest.approx(1e6 / (1.24 * np.pi / 4 * 1.75**2 * 3))
    assert "mean_diameter_mm" not in figures
    assert np.isnan(judged["mass_mg"]).all()
