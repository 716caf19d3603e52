"""Sampling plans against printed tables."""

import numpy as np
import pytest
from scipy import stats

from traygauge.judge.plans import (
    SequentialPlan,
    SinglePlan,
    code_letter,
    single_plan,
    standard_plan,
    table_cell,
)
from traygauge.judge.sampling import chances, plan_sample
from traygauge.judge.verdict import Answer


def test_operating_characteristic_is_the_printed_one(check_values):
    # NIST/SEMATECH e-Handbook 6.2.3.2: n 52, c 3; the print rounds to three decimals and is off by up to .0011
    for row in check_values("oc_plan_52_3"):
        found = float(SinglePlan(52, 3).chance(float(row["p"])))
        assert found == pytest.approx(float(row["Pa_recomputed"]), abs=1e-6)
        if row["Pa_printed"]:
            assert found == pytest.approx(float(row["Pa_printed"]), abs=0.0011)


def test_zero_acceptance_plan():
    # Kiermeier, manual of the R package AcceptanceSampling (J. Stat. Softw. 26(6), 2008), 2.5
    assert SinglePlan(20, 0).chance([0.05, 0.15]) == pytest.approx([0.35848592, 0.03875953], abs=5e-9)


@pytest.mark.parametrize(
    ("good", "producer", "bad", "consumer", "n", "c"),
    [
        (0.05, 0.05, 0.15, 0.075, 80, 7),  # same manual, 2.6
        (0.01, 0.02, 0.05, 0.15, 144, 4),  # introduction to the R package AccSamplingDesign
    ],
)
def test_plan_from_two_points(good, producer, bad, consumer, n, c):
    found = single_plan(good, producer, bad, consumer)
    assert (found.n, found.accept_up_to) == (n, c)
    assert found.chance(good) >= 1 - producer
    assert found.chance(bad) <= consumer


def test_code_letters_are_those_of_the_standard(check_values):
    for row in check_values("iso2859_1_code_letters"):
        for level in ("I", "II", "III"):
            assert code_letter(int(row["lot_from"]), level) == row[f"level_{level}"]
            if row["lot_to"] != "above":
                assert code_letter(int(row["lot_to"]), level) == row[f"level_{level}"]
    # 1 kg of 1.75 x 3 mm PLA is about 112 000 pieces: level II letter N, n 500 (ISO 2859-1, Table 1)
    assert code_letter(112_000) == "N"


def test_table_of_single_plans_is_that_of_the_standard(check_values):
    for row in check_values("iso2859_1_single_normal"):
        for column, cell in row.items():
            if column.startswith("AQL_"):
                assert table_cell(row["letter"], float(column[4:])) == cell, (row["letter"], column)


def test_arrows_lead_to_a_plan_with_its_own_sample_size():
    assert standard_plan("F", 0.65) == SinglePlan(20, 0)
    assert standard_plan("J", 0.65) == SinglePlan(80, 1)
    assert standard_plan("N", 0.65) == SinglePlan(500, 7)
    assert standard_plan("G", 0.65) == SinglePlan(20, 0)  # up
    assert standard_plan("H", 0.65) == SinglePlan(80, 1)  # down
    assert standard_plan("A", 10.0) == SinglePlan(5, 1)  # down twice
    for letter, aql in (("R", 1.0), ("F", 0.7), ("Z", 1.0)):
        with pytest.raises(ValueError, match="AQL"):
            standard_plan(letter, aql)


@pytest.mark.parametrize(
    ("n", "c", "p95", "p50", "p10"),
    # what a plan protects: accepted 95 %, 50 % and 10 % of the time (binomial)
    [
        (80, 5, 0.0332, 0.0706, 0.1128),
        (50, 3, 0.0278, 0.0729, 0.1288),
        (125, 7, 0.0322, 0.0612, 0.0924),
        (32, 2, 0.0260, 0.0827, 0.1579),
        (500, 10, 0.0124, 0.0213, 0.0306),
    ],
)
def test_what_a_plan_protects(n, c, p95, p50, p10):
    assert SinglePlan(n, c).chance([p95, p50, p10]) == pytest.approx([0.95, 0.50, 0.10], abs=0.002)


def test_sequential_lines_follow_the_printed_table(check_values):
    # NIST/SEMATECH e-Handbook 6.2.6: h1 .939, h2 1.205, slope .0397; the table is printed to n = 100
    plan = SequentialPlan(0.01, 0.10, 0.05, 0.10)
    assert plan.accept_intercept == pytest.approx(0.938862, abs=5e-7)
    assert plan.refuse_intercept == pytest.approx(1.205379, abs=5e-7)
    assert plan.slope == pytest.approx(0.0397474, abs=5e-8)
    for row in check_values("sprt_p01_p10"):
        n = int(row["n_inspected"])
        accept, refuse = row["accept_if_defectives_le"], row["reject_if_defectives_ge"]
        assert plan.counts(n) == tuple(None if count == "x" else int(count) for count in (accept, refuse)), n


def test_sequential_average_number_and_chance():
    # Wald, textbook: p .01 27.96; p .10 16.45; p = s: Pa .562147, 29.65
    plan = SequentialPlan(0.01, 0.10, 0.05, 0.10)
    assert plan.average_pieces(0.01) == pytest.approx(27.96, abs=0.005)
    assert plan.average_pieces(0.10) == pytest.approx(16.45, abs=0.005)
    assert plan.average_pieces(plan.slope) == pytest.approx(29.65, abs=0.005)
    assert plan.chance(plan.slope) == pytest.approx(0.562147, abs=5e-7)
    assert plan.chance(0.01) == pytest.approx(0.95)
    assert plan.chance(0.10) == pytest.approx(0.10)


def test_sequence_keeps_its_risks_when_drawn():
    plan, rng = SequentialPlan(0.02, 0.06, 0.05, 0.05), np.random.default_rng(7)
    for share, wrong in ((0.02, Answer.REJECT), (0.06, Answer.ACCEPT)):
        count = 0
        for _ in range(400):
            bad = np.cumsum(rng.random((40, 25)) < share)[24::25]  # a look after each scoop of 25
            answers = [plan.standing(25 * (k + 1), b) for k, b in enumerate(bad)]
            first = next((a for a in answers if a is not Answer.UNDECIDED), Answer.UNDECIDED)
            count += first is wrong
        assert count / 400 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


def test_plan_says_how_many_scoops():
    plan = plan_sample(8.0, pieces_per_scoop=300)
    assert plan.single.chance(0.04) >= 0.9
    assert plan.single.chance(0.08) <= 0.05
    assert plan.worth_of_scoop == pytest.approx(300 / (1 + 299 * 0.002))
    assert plan.scoops == int(np.ceil(plan.single.n / plan.worth_of_scoop))
    text = " ".join(plan.sentences())
    assert f"{plan.scoops} scoop" in text
    assert "quarter" in text
    assert plan_sample(2.0).scoops > plan.scoops


def test_chances_of_an_answer_add_up_and_are_the_binomial_ones():
    # n 300, limit 5 %, independent pieces: accept up to 8 (P(X <= 8) = .0337), reject from 22 on (P(X >= 22) = .049)
    found = chances(300, 0.05, 0.025)
    assert found[Answer.ACCEPT] == pytest.approx(stats.binom.cdf(8, 300, 0.025), abs=1e-9)
    assert chances(300, 0.05, 0.10)[Answer.REJECT] == pytest.approx(stats.binom.sf(21, 300, 0.10), abs=1e-9)
    assert sum(found.values()) == pytest.approx(1)
    assert chances(300, 0.05, 0.025, correlation=0.002)[Answer.ACCEPT] < found[Answer.ACCEPT]


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: single_plan(0.1, 0.05, 0.05, 0.05),
        lambda: single_plan(0.01, 0.9, 0.05, 0.05),
        lambda: SequentialPlan(0.0, 0.1),
        lambda: plan_sample(5.0, good_percent=6.0),
        lambda: plan_sample(5.0, pieces_per_scoop=0),
        lambda: code_letter(1),
    ],
)
def test_plans_that_cannot_be_are_refused(wrong):
    with pytest.raises(ValueError, match=r".+"):
        wrong()
