"""What the spec has to say about each piece."""

import numpy as np
import pytest

from traygauge.judge.findings import colour_difference, fed_length_mm, find, flags
from traygauge.judge.spec import parse_spec, read_spec
from traygauge.measure.pieces import Pieces

SPEC = parse_spec(
    """
[spec]
name = "x"
[strand]
diameter_mm = 1.75
diameter_tolerance_mm = 0.1
[screw]
channel_depth_mm = 1.8
[pieces]
long_over_mm = 4.0
short_under_mm = 2.0
fines_under_mm = 1.0
tail_from_mm = 0.5
stringy_over_mm = 1.0
burr_over_mm = 0.3
off_colour_over = 20.0
"""
)


def words(pieces: Pieces, spec=SPEC) -> list[str]:
    return [str(w) for w in find(pieces, spec)["findings"]]


def test_each_size_is_found_and_its_near_miss_is_not(batch):
    # just beyond and just inside each limit, one piece each
    assert words(batch([4.01, 3.99, 1.99, 2.01])) == ["long", "", "short", ""]
    assert words(batch([3.0] * 4, diameter_mm=[1.81, 1.79, 1.64, 1.66])) == ["thick", "", "thin", ""]
    assert words(batch([3.0] * 3, tail_length_mm=[0.49, 0.5, 1.01])) == ["", "tailed", "stringy;tailed"]
    assert words(batch([3.0] * 2, burr_mm=[0.29, 0.31])) == ["", "burred"]
    tiny = batch([0.6, 0.8], diameter_mm=[0.6, 0.8], form="crumb")
    assert words(tiny) == ["fines", ""]  # largest Feret .85 and 1.13 mm


def test_a_width_without_a_stated_uncertainty_makes_no_piece_thick_or_thin(batch):
    # what stands on end shows its cut face and some of its side: a width, of which nothing is promised
    pieces = batch([np.nan] * 2, diameter_mm=[1.93, 1.5], u_diameter_mm=[np.nan] * 2, state="upright")
    assert words(pieces) == ["", ""]


def test_a_channel_shallower_than_the_tolerance_sets_what_is_thick():
    assert SPEC.thick_over_mm == 1.8  # not 1.75 + .1
    assert SPEC.thin_under_mm == pytest.approx(1.65)


def test_a_double_counts_with_its_whole_extent_and_a_flake_with_its_largest_feret(batch):
    pieces = batch(
        [3.0, np.nan, np.nan],
        findings=["doubles", "", ""],
        form=["strand", "flake", "flake"],
        feret_max_mm=[5.8, 4.2, 3.8],
        extent_mm=[6.0, 4.2, 3.8],
    )
    assert fed_length_mm(pieces).tolist() == [6.0, 4.2, 3.8]
    assert words(pieces) == ["long;doubles", "long", ""]


def test_what_cannot_be_measured_is_not_found_long_or_short(batch):
    pieces = batch([np.nan] * 3, state=["upright", "unresolved", "covered"], feret_max_mm=[1.8, 9.0, 6.0])
    assert words(pieces) == ["", "", ""]


def test_without_a_spec_only_what_measuring_itself_knows(batch):
    pieces = batch([9.0, 3.0], findings=["doubles", "stringy"], tail_length_mm=[2.0, 0.0])
    assert words(pieces, None) == ["doubles", "stringy"]
    assert set(flags(pieces, None)) == {"doubles", "stringy"}


def test_off_colour_is_far_from_the_batch(batch):
    pieces = batch([3.0] * 5, colour_L=[50, 50, 51, 50, 50], colour_a=[0, 0, 0, 0, 25], colour_b=[0] * 5)
    assert words(pieces)[3:] == ["", "off-colour"]
    assert colour_difference(pieces)[4] == pytest.approx(25)
    assert np.isnan(colour_difference(batch([3.0]))).all()


def test_findings_are_the_same_for_pieces_that_are_scaled_with_their_spec(batch):
    rng = np.random.default_rng(3)
    length, tail = rng.uniform(1, 6, 50), rng.uniform(0, 2, 50)
    twice = parse_spec(
        '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 8.0\nshort_under_mm = 4.0\nstringy_over_mm = 2.0\n'
        "tail_from_mm = 1.0"
    )
    once = parse_spec(
        '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\nshort_under_mm = 2.0\nstringy_over_mm = 1.0\n'
        "tail_from_mm = 0.5"
    )
    small = batch(length, tail_length_mm=tail)
    large = batch(2 * length, tail_length_mm=2 * tail, diameter_mm=3.5)
    assert words(small, once) == words(large, twice)


def test_a_guard_band_moves_the_limit_by_expanded_uncertainties(batch):
    # JCGM 106: guard 1 is U = 2 u; u = .05, so pieces over 3.90 are no longer surely below 4
    text = '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\n[judging]\nguard_band = 1.0'
    pieces = batch([3.89, 3.91], u_mm=0.05)
    assert words(pieces, parse_spec(text)) == ["", "long"]


def test_an_empty_table_keeps_its_columns():
    found = find(Pieces.of(0, {}), read_spec("rigid-1.75"))
    assert len(found) == 0
    assert "findings" in found.columns
