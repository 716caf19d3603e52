"""Packing, masses and the figures that feeding asks for."""

import math

import numpy as np
import pytest

from traygauge.judge.judging import judge_pieces
from traygauge.judge.masses import weigh_scoop, with_masses
from traygauge.judge.packing import sphericity, void_fraction, void_range
from traygauge.judge.spec import parse_spec

WINDOWS = {"a.jpg": (12.0, 12.0, 180.0, 120.0)}


def spec_of(text: str):
    return parse_spec('[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\n' + text)


def figures(pieces, text: str, **more):
    verdict = judge_pieces(pieces, spec_of(text), windows_mm=WINDOWS, **more)[1]
    return {f.name: f for f in verdict.figures}


def test_void_fractions_are_those_of_the_table(check_values):
    # packing_cylinders.csv: Zou and Yu (1996), Benyahia and O'Neill (2005); the branch is chosen by L/D
    for row in check_values("packing_cylinders"):
        r = float(row["L_over_D"])
        branch = "cylinder" if r >= 1 else "disk"
        assert sphericity(r) == pytest.approx(float(row["sphericity"]), abs=1e-6)
        assert void_fraction(r, "loose") == pytest.approx(float(row[f"eps_loose_{branch}_branch"]), abs=1e-6)
        memory = "_from_memory"
        assert void_fraction(r, "dense") == pytest.approx(
            float(row[f"eps_dense_{branch}_branch{memory}"]), abs=1e-6
        )
        assert void_fraction(r, "general") == pytest.approx(
            float(row["eps_benyahia_oneill_infinite_container"]), abs=1e-6
        )


def test_the_branches_do_not_meet_at_one():
    # Zou and Yu (1996): .4035 and .3965 at L/D 1: expect the step
    assert void_fraction(1.0, "loose") == pytest.approx(0.4035, abs=5e-5)
    assert void_fraction(1 - 1e-9, "loose") == pytest.approx(0.3965, abs=5e-5)
    with pytest.raises(ValueError, match="one of loose"):
        void_fraction(1.0, "tight")


def test_void_of_a_mix_is_weighed_by_volume():
    low, middle, high = void_range([1.0, 3.0], [1.0, 3.0])
    ends = [
        0.25 * float(void_fraction(1.0, n)) + 0.75 * float(void_fraction(3.0, n)) for n in ("dense", "loose")
    ]
    assert (low, high) == pytest.approx(tuple(ends))
    assert low < middle < high


def test_rates_of_the_worked_example(batch):
    # geometry: PLA 1.24, 1.75 x 3 mm 8.948 mg; .5 kg/h: 15.52 a second; p .001: one long in 64.4 s
    length = np.full(1000, 3.0)
    length[0] = 4.5
    text = "[material]\ndensity_g_cm3 = 1.24\n[feeding]\nthroughput_kg_h = 0.5\nscrew_speed_per_min = 20"
    found = figures(batch(length), text)
    assert found["pieces_per_second"].value == pytest.approx(15.52, rel=1e-3)
    assert found["seconds_between_longs"].value == pytest.approx(64.4, rel=2e-3)
    assert found["longs_per_kilogram"].value == pytest.approx(111.8, rel=2e-3)
    assert found["longs_per_minute"].value == pytest.approx(60 / 64.4, rel=2e-3)
    # a turn takes in .5 kg/h / 1200 turns/h = .4167 g, .336 cm3 solid; void e carries e / (1 - e) of that as air
    void = found["void_fraction"].value
    assert found["air_per_turn"].value == pytest.approx(0.5e3 / 1200 / 1.24 * void / (1 - void), rel=1e-9)
    assert found["air_per_turn"].low < found["air_per_turn"].value < found["air_per_turn"].high


def test_bulk_density_is_a_range_until_a_cup_is_weighed(batch):
    pieces = batch(np.full(50, 1.75))
    text = "[material]\ndensity_g_cm3 = 1.24\n"
    found = figures(pieces, text)
    # PLA, L/D 1: .740 (loose) to .839 (dense) by the formulas of Zou and Yu (1996)
    assert found["bulk_density"].low == pytest.approx(0.740, abs=5e-4)
    assert found["bulk_density"].high == pytest.approx(0.839, abs=5e-4)
    assert found["bulk_density"].basis == "published relation"
    found = figures(pieces, text + "[feeding]\nbulk_density_g_cm3 = 0.70")
    assert found["bulk_density"].value == pytest.approx(0.70)
    assert found["void_fraction"].value == pytest.approx(1 - 0.70 / 1.24)
    assert found["bulk_density"].basis == "measured"


def test_channel_and_outlet(batch):
    # sqrt(L² + D²): 4 x 1.75 mm: largest extent 4.366 mm, round outlet 26.2 mm for six times it
    found = figures(
        batch([3.0, 4.0]),
        "[screw]\nchannel_width_mm = 12\nchannel_depth_mm = 2\n[feeding]\noutlet_mm = 26.2",
    )
    assert found["longest_over_channel"].value == pytest.approx(4 / 12)
    assert found["thickest_over_depth"].value == pytest.approx(1.75 / 2)
    assert found["outlet_over_extent"].value == pytest.approx(6.0, abs=0.005)  # 26.2 mm: 6 times 4.366
    assert found["outlet_over_extent"].basis == "common practice"


def test_cutter_that_feeds_the_screw_directly(batch):
    # 400 per minute, 8 knives: 53.3 cuts a second (10 m/min of strand then give v / (N z) = 3.125 mm)
    text = (
        "[material]\ndensity_g_cm3 = 1.24\n[feeding]\nthroughput_kg_h = 0.5\n"
        "[cutter]\nstrand_speed_m_min = 10\nrotor_speed_per_min = 400\nknives = 8"
    )
    spec = spec_of(text)
    assert spec.cutter.set_length_mm == pytest.approx(3.125)
    photos = np.repeat(["a", "b", "c"], 20)
    length = np.repeat([2.9, 3.0, 3.1], 20)
    found = figures(batch(length, photo=photos), text)
    assert found["cutter_over_need"].value == pytest.approx(400 * 8 / 60 / 15.52, rel=1e-3)
    assert found["stream_spread"].value == pytest.approx(100 * 0.1 / 3.0, rel=1e-3)


def test_weighing_the_scoop_gives_flakes_their_thickness(batch):
    form = ["strand"] * 10 + ["flake"] * 10
    pieces = batch([3.0] * 20, form=form, volume_mm3=[7.2158] * 10 + [np.nan] * 10)
    spec = spec_of("[material]\ndensity_g_cm3 = 1.0\n")
    strand = 10 * 7.2158e-3
    weighed = weigh_scoop(pieces, spec, strand + 10 * 5.25 * 1.2e-3)
    assert weighed.flake_thickness_mm == pytest.approx(1.2, rel=1e-6)
    judged, verdict = judge_pieces(pieces, spec, windows_mm=WINDOWS, scoop_g=strand + 0.063)
    assert judged["mass_mg"][10:] == pytest.approx(6.3, rel=1e-3)
    assert any("1.20 mm thick" in note for note in verdict.notes)
    assert np.isnan(judge_pieces(pieces, spec, windows_mm=WINDOWS)[0]["mass_mg"][10:]).all()


def test_weighing_a_scoop_of_strand_checks_its_volume(batch):
    spec = spec_of("[material]\ndensity_g_cm3 = 1.24\n")
    pieces = batch([3.0] * 100)
    assert weigh_scoop(pieces, spec, 0.8948).ratio == pytest.approx(1.0, abs=1e-3)
    for grams, word in ((0.90, "agrees"), (1.2, "check density")):
        notes = judge_pieces(pieces, spec, windows_mm=WINDOWS, scoop_g=grams)[1].notes
        assert word in notes[0]
    assert weigh_scoop(pieces, spec_of(""), 1.0) is None


@pytest.mark.parametrize(
    ("density", "diameter", "length", "per_kg"), [(1.24, 2.85, 4, 31604), (0.905, 3, 3, 52107)]
)
def test_pieces_per_kilogram(batch, density, diameter, length, per_kg):
    # geometry: 1 / (pi/4 D² L ρ)
    found = figures(
        batch([float(length)] * 30, diameter_mm=diameter), f"[material]\ndensity_g_cm3 = {density}"
    )
    assert found["pieces_per_kilogram"].value == pytest.approx(per_kg, rel=5e-5)


def test_density_from_the_table_widens_the_figure(batch):
    pieces = batch([3.0] * 100, u_mm=0.0)
    sure = figures(pieces, "[material]\ndensity_g_cm3 = 1.175")["pieces_per_kilogram"]
    table = figures(pieces, '[material]\npolymer = "TPU"')["pieces_per_kilogram"]
    assert table.value == pytest.approx(sure.value)
    assert (table.high - table.low) / table.value > 2 * 1.9 * 0.15 / math.sqrt(12) / 1.175
    assert sure.high - sure.low < 0.01 * sure.value


def test_without_density_nothing_is_weighed(batch):
    pieces = with_masses(batch([3.0]), None, None)
    assert np.isnan(pieces["mass_mg"]).all()
    assert "pieces_per_kilogram" not in figures(pieces, "")


def test_a_tolerance_interval_says_where_most_pieces_lie(batch):
    """95 % of the lengths, with 95 % confidence: of 93 values the smallest and the largest (NIST 7.2.6.4)."""
    found = figures(batch(np.linspace(2.0, 4.0, 93), u_mm=0.0), "")["tolerance_length_mm"]
    assert (found.low, found.value, found.high) == pytest.approx((2.0, 3.0, 4.0))
    assert found.basis == "measured"
    assert "95 % confidence" in found.note
    shared = figures(batch(np.linspace(2.0, 4.0, 93), u_mm=0.0, u_shared_mm=0.1), "")["tolerance_length_mm"]
    assert shared.high - found.high == pytest.approx(1.96 * 0.1, abs=1e-3)
    assert "tolerance_length_mm" not in figures(batch([3.0]), "")


def test_a_scoop_that_cannot_be_compared_with_anything_is_said(batch):
    notes = judge_pieces(batch([3.0] * 5), spec_of(""), windows_mm=WINDOWS, scoop_g=1.0)[1].notes
    assert any("weight was not used" in note and "density" in note for note in notes)


def test_what_was_not_measured_is_the_first_note(batch):
    pieces = batch([3.0] * 5 + [np.nan], state=["whole"] * 5 + ["upright"])
    spec = spec_of("[material]\ndensity_g_cm3 = 1.24\n")
    assert judge_pieces(pieces, spec, windows_mm=WINDOWS, scoop_g=0.05)[1].notes[0].startswith("Not measured")
