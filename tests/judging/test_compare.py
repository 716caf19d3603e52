"""Two batches against each other."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from traygauge.judge.compare import (
    _of_rows,
    _sentence,
    compare,
    decimals_of_change,
    decimals_of_ratio,
    mann_whitney,
)
from traygauge.judge.distribution import distribution
from traygauge.judge.feeding import figures
from traygauge.judge.sample import sample
from traygauge.judge.spec import parse_spec
from traygauge.judge.standing_odds import standing_chance
from traygauge.judge.verdict import Interval

SPEC = parse_spec(
    '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\n[judging]\nwithin_photo_correlation = 0.0'
)


def made(pieces, spec=SPEC):
    return sample(pieces, spec, {})


def differences(a, b, spec=SPEC, same_scale=True):
    return {d.name: d for d in compare(made(a, spec), made(b, spec), same_scale=same_scale)}


def test_rank_sum_test_is_the_printed_one(check_values):
    # NIST/SEMATECH e-Handbook 7.3.5: U 81 and 40; tie-corrected p .177646 (z as printed leaves ties out)
    rows = check_values("mannwhitney_wafers")
    a, b = ([float(r["value"]) for r in rows if r["group"] == g] for g in "AB")
    assert {mann_whitney(a, b).u_a, mann_whitney(b, a).u_a} == {81.0, 40.0}
    assert mann_whitney(a, b).p_value == pytest.approx(0.177646, abs=5e-7)
    # the two age groups of the SciPy page: U 17 and 3
    young, old = [19, 22, 16, 29, 24], [20, 11, 17, 12]
    assert (mann_whitney(young, old).u_a, mann_whitney(old, young).u_a) == (17.0, 3.0)


def test_rank_sum_test_agrees_with_scipy():
    rng = np.random.default_rng(1)
    a, b = rng.normal(0, 1, 60).round(1), rng.normal(0.3, 1, 80).round(1)
    expected = stats.mannwhitneyu(a, b, use_continuity=False, method="asymptotic")
    found = mann_whitney(a, b)
    assert found.u_a == expected.statistic
    assert found.p_value == pytest.approx(expected.pvalue, rel=1e-9)
    with pytest.raises(ValueError, match="at least one"):
        mann_whitney([], [1.0])


def test_difference_in_longs_is_newcombes(batch):
    # 12 long in 300 against 4 in 300: .0267, .0001-.0564 (Newcombe, Stat. Med. 17 (1998) 873, method 10, worked by hand)
    one = np.concatenate([np.linspace(2.8, 3.2, 296), np.full(4, 6.0)])
    two = np.concatenate([np.linspace(2.8, 3.2, 288), np.full(12, 6.0)])
    found = differences(batch(one), batch(two))["long_share"]
    assert found.effect.estimate == pytest.approx(2.67, abs=0.005)
    assert (found.effect.low, found.effect.high) == pytest.approx((0.01, 5.64), abs=0.005)
    assert "risen by 2.67 percentage points (+0.01 to" in found.sentence  # not "+0.0"
    clustered = parse_spec(
        '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\n[judging]\nwithin_photo_correlation = 0.002'
    )
    wide = differences(batch(one), batch(two), clustered)["long_share"]
    assert wide.effect.low < 0  # clustering by photo widens it
    assert "has not changed as far as" in wide.sentence


def test_intervals_of_a_shift_hold_it_as_often_as_they_say(batch):
    held = dict.fromkeys(("median_length_mm", "mean_length_mm"), 0)
    runs = 50
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        found = differences(batch(rng.normal(3.0, 0.2, 120)), batch(rng.normal(3.1, 0.2, 150)))
        for name in held:
            held[name] += found[name].effect.low <= 0.1 <= found[name].effect.high
    for count in held.values():
        assert count / runs >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / runs)


def test_figures_are_those_that_each_report_states(batch):
    # 30 of 130 stand on end, and two pieces are doubles: reports make up for the ones and leave the others out
    rng = np.random.default_rng(8)
    length = np.concatenate([rng.gamma(9, 0.3, 98) + 1.0, [7.0, 7.2], np.full(30, np.nan)])
    state = np.array(["whole"] * 100 + ["upright"] * 30, dtype=object)
    findings = np.array([""] * 98 + ["doubles"] * 2 + [""] * 30, dtype=object)
    lost = batch(length, state=state, findings=findings, feret_max_mm=2.0, extent_mm=2.0)
    plain = batch(rng.normal(3.0, 0.3, 120))
    found = differences(lost, plain)
    for k, pieces in enumerate((lost, plain)):
        stated = {f.name: f.value for f in figures(made(pieces))}
        for name in ("mean_length_mm", "median_length_mm"):
            assert (found[name].a, found[name].b)[k] == pytest.approx(stated[name], abs=1e-9)
    assert found["mean_length_mm"].a < np.nanmean(length[:98]) - 0.02  # short ones stand more often
    assert found["spread_length_mm"].a == pytest.approx(
        distribution(made(lost), "length_mm").estimate("spread")
    )


def test_intervals_hold_the_change_where_lost_pieces_are_made_up_for(batch):
    # pieces of gamma lengths stand with the published chance, so that the plain mean of what lies is too long; nothing
    # stands in the second batch, and both are drawn from the same strand
    held, plain_held, runs = 0, 0, 40
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        one, two = (rng.gamma(6, 0.35, n) + 0.4 for n in (260, 260))
        stands = rng.random(260) < standing_chance(one / 1.75)
        first = batch(
            np.where(stands, np.nan, one),
            state=np.where(stands, "upright", "whole").astype(object),
            aspect_ratio=np.where(stands, np.nan, one / 1.75),
            feret_max_mm=np.where(stands, 2.0, np.hypot(one, 1.75)),
            extent_mm=np.where(stands, 2.0, np.hypot(one, 1.75)),
        )
        effect = differences(first, batch(two))["mean_length_mm"].effect
        held += effect.low <= 0.0 <= effect.high
        gap = two.mean() - one[~stands].mean()
        half = 1.96 * np.sqrt(two.var() / 260 + one[~stands].var() / (~stands).sum())
        plain_held += abs(gap) <= half
    assert held / runs >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / runs)
    assert plain_held < held


def test_a_row_of_all_pieces_gives_the_figure_itself(batch):
    rng = np.random.default_rng(2)
    of = distribution(made(batch(rng.gamma(9, 0.3, 40))), "length_mm")
    of = replace(of, made_up=rng.uniform(1, 2, 40), u_own=np.zeros(40))
    for statistic in ("mean", "median", "spread"):
        rows = np.stack([np.arange(40), rng.permutation(40)])
        assert _of_rows(of, rows, statistic) == pytest.approx(of.estimate(statistic), rel=1e-12)


def test_a_wider_cut_shows_as_a_ratio(batch):
    rng = np.random.default_rng(4)
    found = differences(batch(rng.normal(3, 0.1, 300)), batch(rng.normal(3, 0.2, 300)))["spread_length_mm"]
    assert found.effect.low < 2.0 < found.effect.high
    assert found.effect.low > 1.5
    assert "wider" in found.sentence
    assert np.isnan(found.p_value)


def test_another_print_or_camera_widens_the_difference_of_lengths(batch):
    rng = np.random.default_rng(5)
    a, b = (batch(rng.normal(3, 0.1, 300), u_shared_mm=0.03) for _ in range(2))
    same, other = (differences(a, b, same_scale=s)["median_length_mm"].effect for s in (True, False))
    assert other.high - other.low > 2 * 1.96 * 0.03 * np.sqrt(2)
    assert same.high - same.low < 0.06


def test_batches_are_compared_by_one_spec_and_too_few_pieces_give_no_lengths(batch):
    other = parse_spec('[spec]\nname = "y"')
    with pytest.raises(ValueError, match="one spec"):
        compare(made(batch([3.0])), made(batch([3.0]), other), same_scale=True)
    found = differences(batch([3.0, 3.1]), batch([3.0, 3.1]))
    assert "median_length_mm" not in found
    assert "long_share" in found


def test_no_bound_off_zero_is_rounded_onto_it() -> None:
    """A share that "has fallen ... to +0.0" contradicts itself."""
    fallen = Interval(-3.5, -9.6, -0.02, 0.95)
    assert decimals_of_change(fallen, 1) == 2
    assert "-0.02" in _sentence("The share", fallen, "percentage points", 1)
    assert decimals_of_change(Interval(-3.5, -9.6, -1.2, 0.95), 1) == 1
    assert decimals_of_change(Interval(-3.5, -9.6, 0.02, 0.95), 1) == 1


@pytest.mark.parametrize(
    ("effect", "decimals"),
    [((10.74, 7.84, 13.64), 1), ((2.0, 1.04, 3.1), 2), ((1.2, 0.9, 1.5), 2), ((0.4, 0.2, 0.9), 2)],
)
def test_a_ratio_has_the_decimals_that_its_interval_bears(
    effect: tuple[float, float, float], decimals: int
) -> None:
    """Known to three either way, 10.74 says more than is known; but no bound off 1 may be rounded onto it."""
    assert decimals_of_ratio(Interval(*effect, 0.95)) == decimals


def test_how_it_was_worked_out_names_the_figures_and_says_nothing_twice(batch):
    found = compare(
        made(batch(np.linspace(2.5, 3.5, 40))), made(batch(np.linspace(2.4, 3.6, 40))), same_scale=True
    )
    rules = dict.fromkeys(d.rule for d in found)
    assert [rule.partition(":")[0] for rule in rules] == ["shares", "cut lengths"]
