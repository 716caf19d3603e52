"""A spec from a few answers, and its check."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from traygauge.judge.spec import parse_spec, read_spec, shipped_specs
from traygauge.judge.spec_new import Answers, check_spec, new_spec, summary
from traygauge_shared.errors import SpecError


def test_a_new_spec_holds_what_was_answered():
    text = new_spec(
        Answers(
            'my "PLA"',
            strand_diameter_mm=1.75,
            length_mm=3.0,
            channel_width_mm=12.0,
            polymer="PLA",
            hardness="Shore D 75",
            throughput_kg_h=0.5,
        )
    )
    spec = parse_spec(text)
    assert spec.name == 'my "PLA"'
    assert spec.long_over_mm == pytest.approx(4.0)
    assert spec.feeding.throughput_kg_h == 0.5
    assert spec.density_g_cm3 == 1.24
    assert spec.limits.long_share is not None
    assert text.count("#") > 10


def test_soft_strand_and_regrind_get_looser_limits():
    rigid = parse_spec(new_spec(Answers("r", length_mm=3.0, channel_width_mm=12.0)))
    soft = parse_spec(new_spec(Answers("s", length_mm=3.0, channel_width_mm=12.0, hardness="Shore A 85")))
    regrind = parse_spec(new_spec(Answers("g", regrind=True, screw_diameter_mm=25.0)))
    assert soft.limits.stringy_share.at_most_percent > rigid.limits.stringy_share.at_most_percent
    assert regrind.limits.fines_share.at_most_percent > rigid.limits.fines_share.at_most_percent
    assert regrind.limits.doubles_share is None
    assert regrind.pieces.off_colour_over is not None


@given(
    st.text(min_size=1, max_size=80),
    st.booleans(),
    st.none() | st.floats(0.5, 5),
    st.none() | st.floats(1.0, 8),
    st.none() | st.floats(5, 60),
    st.sampled_from([None, "Shore A 60", "Shore D 80"]),
)
def test_any_answers_give_a_spec_or_say_what_contradicts(name, regrind, diameter, length, screw, hardness):
    answers = Answers(name, regrind, diameter, length, screw, hardness=hardness)
    try:
        found = parse_spec(new_spec(answers)).name
    except SpecError:
        found = "refused"
    # only a cut too long for its screw contradicts itself
    too_long = screw is not None and length is not None
    assert found == name or (found == "refused" and too_long)


def test_answers_that_contradict_are_refused_with_every_fault():
    with pytest.raises(SpecError) as caught:
        new_spec(Answers("x", length_mm=6.0, channel_width_mm=12.0, polymer="wood"))
    assert len(caught.value.faults) >= 2


def test_check_explains_each_limit_and_what_it_needs():
    for name in shipped_specs():
        spec = read_spec(name)
        lines = check_spec(spec)
        shares = [n for n in spec.to_dict()["limits"] if n.endswith("_share")]
        assert sum("With one photo of 300 pieces" in line for line in lines) == len(shares)
    strict = parse_spec(
        '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\n[limits]\nlong_share = { at_most_percent = 1 }'
    )
    assert any("such photos make it 90" in line for line in check_spec(strict))
    assert "measured and not judged" in check_spec(parse_spec('[spec]\nname = "x"'))[-1]


def test_every_spec_has_its_summary():
    assert summary(read_spec("rigid-1.75")) == "rigid strand 1.75 mm, 12 mm channel: long over 4 mm, 6 limits"
