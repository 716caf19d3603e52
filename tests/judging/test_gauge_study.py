"""Analysis of variance against published worked examples and certified data."""

import numpy as np
import pytest

from traygauge.judge.gauge_study import gauge_study, one_way


def study(check_values, name: str, tolerance=None):
    rows = check_values(name)
    people = next(c for c in rows[0] if c in ("appraiser", "operator"))
    columns = (
        [r["part"] for r in rows],
        [r[people] for r in rows],
        [float(r[next(c for c in r if c in ("value", "time1"))]) for r in rows],
    )
    return gauge_study(*columns, tolerance=tolerance)


def test_ten_parts_three_people_three_trials(check_values):
    # AIAG MSA 4th ed. data; results as printed in a statistics package's help page
    found = study(check_values, "grr_10x3x3", 8.0)
    ms = found.mean_squares
    assert [ms[k] for k in ("part", "person", "interaction", "repeatability")] == pytest.approx(
        [9.81799, 1.58363, 0.01994, 0.04598], abs=5e-6
    )
    assert (found.interaction_f, found.interaction_p) == pytest.approx((0.434, 0.974), abs=5e-4)
    assert found.is_pooled
    assert found.repeatability == pytest.approx(0.03997, abs=6e-6)
    assert found.reproducibility == pytest.approx(0.05146, abs=6e-6)
    assert found.gauge == pytest.approx(0.09143, abs=6e-6)
    assert found.part == pytest.approx(1.08645, abs=6e-6)
    assert 100 * found.gauge / found.total == pytest.approx(7.76, abs=6e-3)
    for variance, percent in (
        (found.gauge, 27.86),
        (found.repeatability, 18.42),
        (found.reproducibility, 20.90),
        (found.part, 96.04),
    ):
        assert found.study_percent(variance) == pytest.approx(percent, abs=6e-3)
    assert found.tolerance_percent == pytest.approx(22.68, abs=6e-3)
    assert found.categories == 4
    assert "28 %" in found.sentences()[1]


def test_five_parts(check_values):
    # published teaching example: F .142, p .9964; study 33.07, 22.85, 23.91, 94.37; contribution 10.94; categories 4
    found = study(check_values, "grr_5x3x3")
    assert (found.interaction_f, found.interaction_p) == pytest.approx((0.142, 0.9964), abs=5e-4)
    assert found.study_percent(found.gauge) == pytest.approx(33.07, abs=6e-3)
    assert found.study_percent(found.repeatability) == pytest.approx(22.85, abs=6e-3)
    assert found.study_percent(found.part) == pytest.approx(94.37, abs=6e-3)
    assert 100 * found.gauge / found.total == pytest.approx(10.94, abs=6e-3)
    assert found.categories == 4


def test_three_parts(check_values):
    # R package SixSigma, own tests: study 50.38, 49.71, 8.16, 86.38; tolerance .1: 887.56 %; categories 2
    found = study(check_values, "grr_3x3x3", 0.1)
    assert (found.interaction_f, found.interaction_p) == pytest.approx((0.974, 0.44619), abs=5e-4)
    assert found.study_percent(found.gauge) == pytest.approx(50.38, abs=6e-3)
    assert found.study_percent(found.repeatability) == pytest.approx(49.71, abs=6e-3)
    assert found.study_percent(found.reproducibility) == pytest.approx(8.16, abs=6e-3)
    assert found.study_percent(found.part) == pytest.approx(86.38, abs=6e-3)
    assert found.tolerance_percent == pytest.approx(887.56, abs=6e-3)
    assert found.categories == 2


def test_negative_components_are_set_to_zero_and_said():
    # parts that differ less than chance: every part has the same mean, so its mean square is 0
    part, person = np.repeat([1, 2, 3], 4), np.tile([1, 1, 2, 2], 3)
    found = gauge_study(part, person, np.tile([0.0, 1.0, 2.0, 3.0], 3))
    assert found.mean_squares["part"] == pytest.approx(0.0, abs=1e-12)
    assert found.part == 0
    assert "part" in found.set_to_zero
    assert "negative" in found.sentences()[-1]
    assert "another person adds" in found.sentences()[0]


def test_one_person_alone_gives_repeatability():
    rng = np.random.default_rng(1)
    part = np.repeat(np.arange(200), 5)
    value = rng.normal(3, 0.3, 200)[part] + rng.normal(0, 0.02, 1000)
    found = gauge_study(part, np.zeros(1000), value)
    assert "another person" not in " ".join(found.sentences())  # nobody knows what one would add
    assert found.reproducibility == 0
    assert np.sqrt(found.repeatability) == pytest.approx(0.02, rel=0.08)  # 800 degrees: 2.5 % standard error
    assert found.repeatability == pytest.approx(one_way(part, value).within_sd ** 2)


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg", "SmLs01"])
def test_certified_analysis_of_variance(check_values, name):
    # NIST StRD: AtmWtAg shares nine leading digits; a plain sum of squares gives nonsense there
    certified = next(r for r in check_values("strd_anova_certified") if r["dataset"] == name)
    rows = check_values(f"strd_anova_{name.lower()}")
    found = one_way([r["treatment"] for r in rows], [float(r["y"]) for r in rows])
    assert found.f == pytest.approx(float(certified["F"]), rel=1e-9)
    assert found.ss_between == pytest.approx(float(certified["ss_between"]), rel=1e-9)
    assert found.ss_within == pytest.approx(float(certified["ss_within"]), rel=1e-9)
    assert found.within_sd == pytest.approx(float(certified["residual_sd"]), rel=1e-9)
    r_squared = found.ss_between / (found.ss_between + found.ss_within)
    assert r_squared == pytest.approx(float(certified["r_squared"]), rel=1e-9)
    assert (found.df_between, found.df_within) == (int(certified["df_between"]), int(certified["df_within"]))


def test_many_leading_digits_do_not_hurt():
    # NumAcc4's rule (NIST StRD): 1e7 + .2, then .1 and .3 in turn; its standard deviation is .1
    y = np.concatenate([[1e7 + 0.2], np.tile([1e7 + 0.1, 1e7 + 0.3], 500)])
    found = one_way(np.concatenate([[0], np.tile([0, 0], 250), np.tile([1, 1], 250)]), y)
    total = found.ss_between + found.ss_within
    assert np.sqrt(total / 1000) == pytest.approx(0.1, rel=1e-8)


@pytest.mark.parametrize(
    ("part", "person"),
    [([1, 1], [1, 1]), ([1, 2], [1, 1]), ([1, 1, 2], [1, 1, 1]), ([], [])],
)
def test_studies_that_cannot_be_are_refused(part, person):
    with pytest.raises(ValueError, match="equally often"):
        gauge_study(part, person, np.zeros(len(part)))
