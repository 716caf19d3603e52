"""Specs: read, refused with every fault at once, explained."""

import itertools
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from traygauge.judge.findings import flags
from traygauge.judge.polymers import POLYMERS, polymer
from traygauge.judge.spec import parse_spec, read_spec, shipped_specs
from traygauge.judge.spec_tables import About, Limits, Screw, Spec
from traygauge.judge.spec_words import explain_limits, explain_spec, finding_of
from traygauge.words import FINDINGS
from traygauge_shared.errors import SpecError

MINIMAL = '[spec]\nname = "x"\n'


def faults(text: str) -> tuple[str, ...]:
    with pytest.raises(SpecError) as caught:
        parse_spec(text)
    return caught.value.faults


def test_every_shipped_spec_is_read_explained_and_commented():
    specs = shipped_specs()
    assert set(specs) == {"rigid-1.75", "soft-elastomer", "regrind"}
    for name, text in specs.items():
        spec = read_spec(name)
        assert set(explain_limits(spec)) == set(spec.to_dict()["limits"])
        assert text.count("#") >= 5


def test_a_third_of_the_channel_is_the_limit_where_none_is_given():
    # 12 mm channel takes 4 mm: the rule itself, common practice
    assert read_spec("rigid-1.75").long_over_mm == pytest.approx(4.0)
    # width across the channel (D - .1 D) cos 17.6568 deg = .8576 D: 10.3 and 21.4 mm for D 12 and 25 (open screw-design notes)
    for diameter, width in ((12.0, 10.3), (25.0, 21.4)):
        spec = Spec(spec=About(name="x"), screw=Screw(screw_diameter_mm=diameter))
        assert spec.channel_width_mm == pytest.approx(width, abs=0.05)
        assert spec.long_over_mm == pytest.approx(0.8576 * diameter / 3, rel=1e-4)
    assert "computed from the 25 mm screw" in explain_spec(read_spec("regrind"))[0]


def test_all_faults_come_at_once_each_with_path_value_and_what_is_expected():
    found = faults(
        '[spec]\nnam = "x"\n[peices]\na = 1\n[pieces]\nlong_over_mm = "4"\nshort_under_mm = -1\n'
        "fines_under_mm = nan\n[limits]\nlong_share = { at_most_percent = 250 }\nshort_share = 5\n"
        "d90_length = {}\n[judging]\nconfidence = true\n[cutter]\nknives = 1.5\n"
        '[material]\npolymer = "unobtainium"\n[feeding]\noutlet_form = "square"\n'
    )
    text = "\n".join(found)
    for expected in (
        "spec.name: is missing",
        "spec.nam: there is no such field; did you mean name?",
        "peices: there is no such field; did you mean pieces?",
        "pieces.long_over_mm = '4': expected a number",
        "pieces.short_under_mm = -1: expected more than 0",
        "pieces.fines_under_mm = nan: expected a finite number",
        "limits.long_share.at_most_percent = 250: expected at most 100",
        "limits.short_share = 5: expected a table",
        "limits.d90_length: expected at_least_mm, at_most_mm or both",
        "judging.confidence = true: expected a number",
        "cutter.knives = 1.5: expected a whole number",
        "material.polymer = 'unobtainium': expected one of PP",
        "feeding.outlet_form = 'square': expected 'round' or 'slot'",
    ):
        assert expected in text
    assert len(found) == 13


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[pieces]\nshort_under_mm = 3\nlong_over_mm = 2", "pieces.short_under_mm = 3: expected less than"),
        (
            "[pieces]\nshort_under_mm = 4\n[screw]\nchannel_width_mm = 12",
            "a third of the channel's width = 4",
        ),
        ("[limits]\nlong_share = { at_most_percent = 5 }", "pieces.long_over_mm, or screw.channel_width_mm"),
        ("[limits]\nfines_share = { at_most_percent = 5 }", "expected pieces.fines_under_mm"),
        (
            "[limits]\nthin_share = { at_most_percent = 5 }",
            "expected strand.diameter_mm with strand.diameter_tolerance_mm",
        ),
        ("[limits]\nd90_length = { at_least_mm = 4, at_most_mm = 3 }", "limits.d90_length.at_least_mm = 4"),
    ],
)
def test_fields_that_contradict_each_other_are_faults(text, expected):
    assert expected in "\n".join(faults(MINIMAL + text))


#: Everything from which a size follows that a finding is held against.
SIZES = {
    "pieces": ("long_over_mm", "short_under_mm", "fines_under_mm", "burr_over_mm", "off_colour_over"),
    "strand": ("diameter_mm", "diameter_tolerance_mm"),
    "screw": ("channel_width_mm", "channel_depth_mm"),
}
SIZE = {"fines_under_mm": 0.5, "burr_over_mm": 0.3, "diameter_tolerance_mm": 0.1, "diameter_mm": 1.75} | {
    "long_over_mm": 4.0, "short_under_mm": 2.0, "off_colour_over": 20.0, "channel_width_mm": 15.0, "channel_depth_mm": 3.0
}  # fmt: skip


@pytest.mark.parametrize("name", [name for name in Limits.model_fields if name.endswith("_share")])
def test_a_share_limit_is_refused_or_has_a_size_to_be_judged_by(batch, name):
    piece, fields = batch([3.0]), [(table, field) for table, names in SIZES.items() for field in names]
    for given_fields in (c for k in range(4) for c in itertools.combinations(fields, k)):
        tables = {
            table: "".join(f"{f} = {SIZE[f]}\n" for t, f in given_fields if t == table) for table in SIZES
        }
        text = "".join(f"[{table}]\n{lines}" for table, lines in tables.items())
        try:
            spec = parse_spec(f"{MINIMAL}{text}[limits]\n{name} = {{ at_most_percent = 5 }}")
        except SpecError:
            continue
        assert finding_of(name) in flags(piece, spec), text


def test_tail_limit_has_a_default_size_and_needs_none():
    assert parse_spec(MINIMAL + "[limits]\ntailed_share = { at_most_percent = 5 }").pieces.tail_from_mm == 0.5


def test_files_that_are_no_specs_are_refused(tmp_path: Path):
    for name, raw, expected in (
        ("toml.toml", b"[spec\nname=1", "is not a TOML file"),
        ("latin.toml", '[spec]\nname = "Ü"'.encode("latin-1"), "is not text in UTF-8"),
        ("huge.toml", b"#" * 300_000, "is too large for a spec"),
        ("deep.toml", b"a = " + b"[" * 5000, "is not a TOML file"),
        ("empty.toml", b"", r"spec: is missing, expected a table \[spec\] with name"),
        ("photo.toml", b"\xff\xd8\xff\xe0\x00", "is not text in UTF-8"),
    ):
        (tmp_path / name).write_bytes(raw)
        with pytest.raises(SpecError, match=expected):
            read_spec(tmp_path / name)
    for path in (tmp_path / "missing.toml", tmp_path, "x" * 5000, ""):
        with pytest.raises(SpecError) as caught:
            read_spec(path)
        assert "rigid-1.75" in str(caught.value)


def test_a_byte_order_mark_does_no_harm(tmp_path: Path):
    (tmp_path / "bom.toml").write_bytes(b"\xef\xbb\xbf" + MINIMAL.encode())
    assert read_spec(tmp_path / "bom.toml").name == "x"


def test_a_spec_is_frozen_and_comes_back_from_its_dictionary():
    for name in shipped_specs():
        spec = read_spec(name)
        assert Spec.model_validate(spec.to_dict()) == spec
    with pytest.raises(ValidationError):
        spec.about.name = "other"


@given(st.text(max_size=300))
def test_any_text_is_a_spec_or_a_spec_error(text):
    try:
        outcome = parse_spec(text)
    except SpecError as refused:
        outcome = refused
    assert isinstance(outcome, Spec | SpecError)


def test_each_share_limit_counts_a_known_finding_and_each_limit_says_why():
    findings = {w.name for w in FINDINGS}
    counted = set()
    for name, field in Limits.model_fields.items():
        assert field.title
        assert field.description
        extra = field.json_schema_extra
        assert isinstance(extra, dict)
        assert name.endswith("_share") == ("finding" in extra)
        counted |= {extra["finding"]} if "finding" in extra else set()
    assert counted == findings


def test_polymer_densities_are_those_of_the_public_tables():
    # polymer_density_bulk.csv: PP .900-.915, HDPE .940-.965, PET 1.37-1.39 (public resin-property tables)
    for name, low, high in (("pp", 0.9, 0.915), ("HDPE", 0.94, 0.965), ("PET", 1.37, 1.39)):
        found = polymer(name)
        assert found is not None
        assert (found.low_g_cm3, found.high_g_cm3) == (low, high)
        assert found.u_density_g_cm3 == pytest.approx((high - low) / 2 / math.sqrt(3))
    assert polymer("wood") is None
    assert all(p.low_g_cm3 <= p.high_g_cm3 for p in POLYMERS.values())
