"""Whatever pieces come: judging answers, and its bounds stay in order."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from traygauge.judge.compare import compare
from traygauge.judge.diagnosis import diagnose
from traygauge.judge.judging import judge_pieces
from traygauge.judge.regrind import composition, sieve_table
from traygauge.judge.sample import sample
from traygauge.judge.spec import parse_spec, read_spec, shipped_specs
from traygauge.judge.verdict import Answer
from traygauge.measure.pieces import Pieces
from traygauge.words import COLUMNS, FORMS, STATES

EVERYTHING = parse_spec(
    '[spec]\nname = "all"\n[strand]\ndiameter_mm = 1.75\ndiameter_tolerance_mm = 0.1\nlength_mm = 3.0\n'
    "[screw]\nscrew_diameter_mm = 14.0\nchannel_depth_mm = 2.0\n[material]\npolymer = 'TPU'\n"
    "[pieces]\nlong_over_mm = 4.0\nshort_under_mm = 2.0\nfines_under_mm = 1.0\nstringy_over_mm = 1.0\nburr_over_mm = 0.3\n"
    "off_colour_over = 20.0\n[limits]\n"
    + "".join(
        f"{name}_share = {{ at_most_percent = 5, by = '{by}' }}\n"
        for name, by in (
            ("long", "mass"),
            ("stringy", "count"),
            ("doubles", "count"),
            ("tailed", "area"),
            ("fines", "count"),
            ("short", "count"),
            ("thick", "mass"),
            ("thin", "count"),
            ("burred", "count"),
            ("off_colour", "area"),
        )
    )
    + "mean_length = { at_most_mm = 3.2 }\nmedian_length = { at_least_mm = 2.8 }\nd10_length = { at_least_mm = 2 }\n"
    "d90_length = { at_most_mm = 4 }\nmean_diameter = { at_most_mm = 1.8 }\nlength_spread = { at_most_percent = 30 }\n"
    "[feeding]\nthroughput_kg_h = 0.5\nscrew_speed_per_min = 20\noutlet_mm = 20\n"
    "[cutter]\nstrand_speed_m_min = 10\nrotor_speed_per_min = 400\nknives = 8\n"
)


@st.composite
def batches(draw) -> Pieces:
    """Return pieces of any state and form, columns empty at random."""
    n = draw(st.integers(0, 40))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    given_columns = {}
    for column in COLUMNS:
        if column.kind == "number":
            value = rng.uniform(0.05, 8.0, n)
            value[rng.random(n) < draw(st.sampled_from([0.0, 0.3, 1.0]))] = np.nan
            given_columns[column.name] = value
    given_columns["extent_mm"] = rng.choice([np.nan, np.inf, 3.0, 9.0], n)
    given_columns["state"] = rng.choice([w.name for w in STATES], n)
    given_columns["form"] = rng.choice([w.name for w in FORMS], n)
    given_columns["photo"] = rng.choice(["a", "b", "c", "d", "e", "f"][: draw(st.integers(1, 6))], n)
    given_columns["piece"] = np.arange(1, n + 1)
    given_columns["findings"] = rng.choice(["", "doubles", "stringy", "doubles;stringy"], n)
    outlines = tuple(rng.uniform(0, 200, (rng.integers(0, 5), 2)) for _ in range(n))
    shared = np.where(rng.random((n, 2)) < 0.2, np.nan, rng.uniform(0, 0.1, (n, 2)))
    return Pieces.of(
        n,
        given_columns,
        outlines_mm=outlines,
        tails_mm=((),) * n,
        centrelines_mm=(np.empty((0, 2)),) * n,
        u_parts={"shared scale": shared, "edge": np.full((n, 2), 0.02)},
    )


@pytest.mark.parametrize("name", [None, "all", *shipped_specs()])
@settings(max_examples=25)
@given(pieces=batches(), looks=st.integers(1, 7), scoop=st.sampled_from([None, 0.001, 0.5, 50.0]))
def test_any_batch_gets_an_answer_with_bounds_in_order(name, pieces, looks, scoop):
    spec = EVERYTHING if name == "all" else read_spec(name) if name else None
    windows = dict.fromkeys("abcdef", (12.0, 12.0, 180.0, 120.0))
    judged, verdict = judge_pieces(pieces, spec, windows_mm=windows, looks=looks, scoop_g=scoop)
    assert len(judged) == len(pieces)
    assert verdict.reason.endswith(".")
    assert verdict.next_step.endswith(".")
    for r in verdict.limits:
        for i in (r.interval, r.with_unmeasured, r.deciding):
            if i is not None and math.isfinite(i.estimate):
                assert i.low - 1e-6 <= i.estimate <= i.high + 1e-6
        assert not r.with_unmeasured.low > r.interval.low + 1e-6
        assert not r.with_unmeasured.high < r.interval.high - 1e-6
        assert 0 <= r.n_effective <= r.n
    if verdict.limits:
        assert verdict.answer in {r.answer for r in verdict.limits}
        assert (verdict.answer is Answer.ACCEPT) == all(r.answer is Answer.ACCEPT for r in verdict.limits)
    for figure in verdict.figures:
        assert not math.isnan(figure.value)
        assert figure.low <= figure.high


@settings(max_examples=25)
@given(batches(), batches())
def test_any_two_batches_can_be_compared_and_described(a, b):
    one, two = (sample(p, EVERYTHING, {}) for p in (a, b))
    for d in compare(one, two, same_scale=False):
        assert d.effect.low <= d.effect.high
    assert all(0 <= h.strength <= 1 for h in diagnose(one))
    assert all(0 <= p.share.low <= p.share.high <= 100 for p in composition(one))
    table = sieve_table(one, by="mass")
    assert table.n == 0 or table.retained.sum() == pytest.approx(1)
