"""Repeated photos: the published gauge study comes out of photos that show its parts."""

import math

import numpy as np
import pytest
from scipy import stats

from traygauge.judge.repeating import repeated, shuffled_figures, tolerance_mm
from traygauge.judge.spec import parse_spec


def photos_of_study(batch, rows):
    """Return pieces and people: each person's k-th trial is a photo on which every part lies at its own place."""
    part, person = (np.array([row[k] for row in rows]) for k in ("part", "appraiser"))
    value = np.array([float(row["value"]) for row in rows])
    trial = np.zeros(len(rows), int)
    for k in range(len(rows)):
        trial[k] = int(((part[:k] == part[k]) & (person[:k] == person[k])).sum())
    photo = np.array([f"{who}{k}" for who, k in zip(person, trial, strict=True)])
    place = np.unique(part, return_inverse=True)[1]
    pieces = batch(value + 10, photo=photo, x_mm=20 + 7.0 * place, y_mm=30 + 5.0 * (place % 3))
    return pieces, dict(zip(photo.tolist(), person.tolist(), strict=True))


def test_the_published_study_comes_out_of_photos(batch, check_values) -> None:
    # AIAG MSA 4th ed. data; variances as printed in a statistics package's help page (see test_gauge_study.py)
    pieces, people = photos_of_study(batch, check_values("grr_10x3x3"))
    found = repeated(pieces, people, "length_mm", 8.0)
    assert (found.pieces, found.found, len(found.photos)) == (10, 10, 9)
    assert found.study.repeatability == pytest.approx(0.03997, abs=6e-6)
    assert found.study.reproducibility == pytest.approx(0.05146, abs=6e-6)
    assert found.study.part == pytest.approx(1.08645, abs=6e-6)
    assert found.offsets_mm.mean() == pytest.approx(0, abs=1e-12)
    assert "too small" in found.sentences()[-1]  # 0.03 mm was stated, measuring varies by 0.30


def test_a_stated_uncertainty_that_covers_the_spread_holds(batch) -> None:
    rng = np.random.default_rng(1)
    length = np.tile(np.linspace(2, 4, 20), 3) + rng.normal(0, 0.01, 60)
    place = np.tile(np.arange(20), 3)
    pieces = batch(length, photo=np.repeat(["a", "b", "c"], 20), x_mm=20 + 6.0 * place, y_mm=40.0)
    found = repeated(pieces, dict.fromkeys("abc", "anna"), "length_mm")
    # variance within pieces: three values each of 20, so 40 degrees of freedom
    low, high = np.sqrt(stats.chi2.ppf([0.0005, 0.9995], 40) / 40) * 0.01
    assert low < math.sqrt(found.study.repeatability) < high
    assert "holds" in found.sentences()[-1]


def test_as_many_photos_of_each_person_enter(batch) -> None:
    place = np.tile(np.arange(5), 5)
    pieces = batch(
        3 + 0.1 * place, photo=np.repeat(["a1", "a2", "a3", "b1", "b2"], 5), x_mm=20 + 6.0 * place, y_mm=40.0
    )
    people = {"a1": "a", "a2": "a", "a3": "a", "b1": "b", "b2": "b"}
    assert repeated(pieces, people, "length_mm").photos == ("a1", "a2", "b1", "b2")
    with pytest.raises(ValueError, match="at least two photos"):
        repeated(pieces, {"a1": "a", "a2": "a", "b1": "b"}, "length_mm")


def test_a_moved_tray_and_too_few_measured_pieces_are_refused(batch) -> None:
    x = np.concatenate([20 + 6.0 * np.arange(10), 20 + 6.0 * np.arange(10)])
    y = np.repeat([30.0, 80.0], 10) + np.tile([0, 9, 0, 0, 9, 9, 0, 0, 0, 9], 2) * np.repeat([1, -1], 10)
    moved = batch(np.full(20, 3.0), photo=np.repeat(["a", "b"], 10), x_mm=x, y_mm=y)
    with pytest.raises(ValueError, match="moved or shuffled"):
        repeated(moved, {"a": "p", "b": "p"}, "length_mm")
    length = np.full(20, np.nan)
    length[[0, 10]] = 3.0
    still = batch(length, photo=np.repeat(["a", "b"], 10), x_mm=x, y_mm=40.0)
    with pytest.raises(ValueError, match="fewer than two pieces are measured"):
        repeated(still, {"a": "p", "b": "p"}, "length_mm")


def test_shuffled_photos_are_compared_by_their_figures(batch) -> None:
    lengths = {"a1": 3.00, "a2": 3.02, "b1": 3.10, "b2": 3.14, "b3": 3.12}
    people = {name: name[0] for name in lengths}
    length = np.concatenate([mean + np.linspace(-0.5, 0.5, 11) for mean in lengths.values()])
    pieces = batch(length, photo=np.repeat(list(lengths), 11))
    mean, median, *_ = shuffled_figures(pieces, people)
    values = list(lengths.values())
    # by scipy: pooled variance within people, and the F test between them
    groups = [values[:2], values[2:]]
    within = math.sqrt(sum((len(g) - 1) * np.var(g, ddof=1) for g in groups) / 3)
    assert mean.values == pytest.approx(values)
    assert (mean.repeatability, median.repeatability) == pytest.approx((within, within))
    assert mean.p_value == pytest.approx(stats.f_oneway(*groups).pvalue)
    # two and three values: (5 - 13 / 5) / 1 = 2.4 values a person (Searle, unbalanced one-way layout)
    between = (stats.f_oneway(*groups).statistic - 1) * within**2 / 2.4
    assert mean.reproducibility == pytest.approx(math.sqrt(between))


def test_one_persons_shuffled_photos_have_a_spread_and_no_other_person(batch) -> None:
    pieces = batch(np.repeat([3.0, 3.1, 3.2], 5), photo=np.repeat(["a", "b", "c"], 5))
    mean, *_ = shuffled_figures(pieces, dict.fromkeys("abc", "anna"))
    assert (mean.mean, mean.repeatability, mean.reproducibility) == pytest.approx((3.1, 0.1, 0.0))
    assert math.isnan(mean.p_value)
    with pytest.raises(ValueError, match="at least three photos"):
        shuffled_figures(pieces, {"a": "anna", "b": "anna"})


@pytest.mark.parametrize(
    ("text", "length", "diameter"),
    [
        ("", None, None),
        ("long_over_mm = 4.0\nshort_under_mm = 2.5", 1.5, None),
        ("long_over_mm = 4.0", 2 * (4.0 - 3.0), None),
        ("\n[limits]", None, 0.3),
    ],
)
def test_the_tolerance_is_the_width_between_the_limits(text, length, diameter) -> None:
    strand = "length_mm = 3.0\ndiameter_mm = 1.75" + ("\ndiameter_tolerance_mm = 0.15" if diameter else "")
    spec = parse_spec(f'[spec]\nname = "s"\n[strand]\n{strand}\n[pieces]\n{text}\n', "s")
    found = tolerance_mm(spec, "length_mm"), tolerance_mm(spec, "diameter_mm")
    assert found == (length, None if diameter is None else pytest.approx(diameter))
    assert tolerance_mm(None, "length_mm") is None
