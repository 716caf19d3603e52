"""Regrind on sieve openings, and what it is made of."""

import numpy as np
import pytest

from traygauge.judge.judging import judge_pieces
from traygauge.judge.regrind import composition, regrind_of, sieve_table
from traygauge.judge.sample import sample
from traygauge.judge.sieves import R20_3_MM, R20_MM, largest_up_to
from traygauge.judge.spec import parse_spec

WINDOW = (12.0, 12.0, 180.0, 120.0)
SPEC = parse_spec(
    '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 7.0\nfines_under_mm = 1.0\noff_colour_over = 20.0\n'
    "[judging]\nwithin_photo_correlation = 0.0"
)


def made(pieces):
    return sample(pieces, SPEC, {})


def test_openings_are_those_of_the_standard(check_values):
    # ISO 565 / ISO 3310-1 nominal apertures, read in an open-source library
    rows = check_values("sieve_openings_iso3310_iso565")
    for openings, column in ((R20_MM, "in_R20"), (R20_3_MM, "in_R20_3")):
        assert list(openings) == [float(r["opening_mm"]) for r in rows if r[column] == "1"]
    for openings, step in ((R20_3_MM, 10 ** (3 / 20)), (R20_MM, 10 ** (1 / 20))):
        ratios = np.divide(openings[:-1], openings[1:])
        assert ratios == pytest.approx(step, rel=0.05)


def test_largest_opening_up_to_a_length():
    assert largest_up_to(4.0) == 4.0
    assert largest_up_to(3.99) == 3.55
    assert largest_up_to(0.001) is None


def test_pieces_fall_between_the_openings(batch):
    size = np.array([4.5, 4.0, 3.0, 2.0, 1.5, 0.9])
    pieces = batch(np.full(6, 5.0), feret_min_mm=size, area_mm2=np.array([4, 3, 2, 1, 1, 1]), form="flake")
    table = sieve_table(made(pieces))
    rows = {name: (held, passing) for name, held, passing in table.rows()}
    # 4.5 lies on 4 mm; 4.0 just passes it and lies on 2.8 with 3.0; 2.0 and 1.5 lie on 1.4; 0.9 on 0.71
    assert rows["over 4 mm"] == pytest.approx((100 / 6, 500 / 6))
    assert rows["over 2.8 mm"] == pytest.approx((200 / 6, 300 / 6))
    assert rows["over 2 mm"] == pytest.approx((0, 300 / 6))
    assert rows["over 1.4 mm"] == pytest.approx((200 / 6, 100 / 6))
    assert rows["over 0.71 mm"] == pytest.approx((100 / 6, 0), abs=1e-9)
    by_area = sieve_table(made(pieces), "area")
    assert by_area.retained[list(by_area.openings_mm).index(4.0)] == pytest.approx(4 / 12)
    assert "projection" in table.note


def test_by_mass_only_where_flakes_have_a_thickness(batch):
    pieces = batch(
        [3.0, 3.0, 0.6],
        form=["strand", "flake", "crumb"],
        volume_mm3=[7.2, np.nan, np.nan],
        area_mm2=[5.25, 6.0, 0.3],
        feret_min_mm=[1.75, 2.5, 0.5],
    )
    assert sieve_table(made(pieces), by="mass").by == "area"
    thick = SPEC.model_copy(update={"pieces": SPEC.pieces.model_copy(update={"flake_thickness_mm": 1.2})})
    table = sieve_table(sample(pieces, thick, {}), by="mass")
    assert table.by == "mass"
    # the crumb counts as a ball of its smallest extent: area x 2/3 x extent
    masses = {"over 2 mm": 1.2 * 6.0, "over 1.4 mm": 7.2, "over 0.355 mm": 0.3 * 0.5 * 2 / 3}
    held = {name: held for name, held, _ in table.rows() if held}
    assert held == pytest.approx({k: 100 * v / sum(masses.values()) for k, v in masses.items()})


def test_an_empty_table_is_no_crash(batch):
    table = sieve_table(made(batch([3.0], state="unresolved")))
    assert table.rows() == []
    assert table.n == 0


def test_composition_counts_each_kind_with_its_interval(batch):
    form = ["flake"] * 60 + ["strand"] * 30 + ["crumb"] * 10
    length = [5.0] * 90 + [0.5] * 10
    diameter = [1.75] * 90 + [0.5] * 10
    colour = [30.0] + [0.0] * 99
    pieces = batch(length, form=form, diameter_mm=diameter, colour_L=50, colour_a=colour, colour_b=0)
    parts = {p.name: p for p in composition(made(pieces))}
    assert [parts[k].count for k in ("flake", "strand", "crumb", "fines", "long", "off-colour")] == [
        60,
        30,
        10,
        10,
        0,
        1,
    ]
    flakes = parts["flake"].share
    assert flakes.low < 60 < flakes.high
    assert parts["flake"].amount_percent == pytest.approx(100 * 60 * 8.75 / (90 * 8.75 + 10 * 0.25))


def test_what_is_found_on_pieces_is_counted_as_the_limits_count_it(batch):
    """10 crumbs are no pieces that could be long or off-colour: 2 of 90, as in the verdict."""
    spec = parse_spec(
        '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 7.0\nfines_under_mm = 1.0\n[limits]\n'
        "long_share = { at_most_percent = 5 }\nfines_share = { at_most_percent = 20 }"
    )
    pieces = batch(
        [8.0] * 2 + [5.0] * 88 + [0.5] * 10,
        form=["flake"] * 60 + ["strand"] * 30 + ["crumb"] * 10,
        diameter_mm=[1.75] * 90 + [0.5] * 10,
        feret_max_mm=[8.2] * 2 + [5.3] * 88 + [0.6] * 10,
    )
    verdict = judge_pieces(pieces, spec, windows_mm={"a.jpg": WINDOW})[1]
    parts = {p.name: p for p in verdict.regrind.parts}
    for name, limit in zip(("long", "fines"), verdict.limits, strict=True):
        assert (parts[name].count, parts[name].of) == (limit.hits, limit.n)
        assert (parts[name].share.low, parts[name].share.high) == pytest.approx(
            (limit.interval.low, limit.interval.high)
        )
    assert (parts["long"].of, parts["fines"].of) == (90, 100)
    assert sum(p.share.estimate for p in verdict.regrind.parts if p.is_form) == pytest.approx(100)
    assert sum(p.amount_percent for p in verdict.regrind.parts if p.is_form) == pytest.approx(100)


def test_strand_is_no_regrind(batch):
    assert regrind_of(made(batch([3.0] * 100))) is None
    some = batch([3.0] * 100, form=["flake"] * 20 + ["strand"] * 80)
    assert regrind_of(made(some)) is None
    assert regrind_of(made(batch([3.0] * 100, form=["flake"] * 21 + ["strand"] * 79))) is not None
