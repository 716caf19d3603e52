"""Prints keep what was measured, and refuse what cannot be one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from traygauge_calib.prints import PRINTS_FILE, PrintRecord, find_print, keep_print, read_prints
from traygauge_shared.errors import RecordError, SpecError

NAMES = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=60)


def test_stretch_is_bar_over_nominal():
    record = PrintRecord("a", "medium", 99.6, 100.2)
    assert record.stretch == pytest.approx((0.996, 1.002))
    assert PrintRecord("b", "small", 80.4, 80.0, u_bar_mm=0.08).stretch == pytest.approx((1.005, 1.0))
    assert PrintRecord("b", "small", 80.4, 80.0, u_bar_mm=0.08).u_stretch == pytest.approx((0.001, 0.001))


@given(
    name=NAMES,
    sheet=st.sampled_from(["small", "medium", "large"]),
    factor=st.floats(0.971, 1.029),
    offset=st.floats(-30, 30),
    glued=st.booleans(),
)
def test_what_goes_in_comes_out(tmp_path_factory, name, sheet, factor, offset, glued):
    folder = tmp_path_factory.mktemp("prints")
    bar = 80 if sheet == "small" else 100
    record = PrintRecord(name, sheet, bar * factor, bar / factor, offset, glued)
    keep_print(folder, record)
    assert read_prints(folder) == {name: record}


def test_prints_are_added_and_replaced(tmp_path):
    folder = tmp_path / "not" / "yet"
    assert read_prints(folder) == {}
    first, second = PrintRecord("a", "medium", 99.6, 100.2), PrintRecord("b", "large", 100.1, 99.9)
    keep_print(folder, first)
    keep_print(folder, second)
    keep_print(folder, PrintRecord("a", "medium", 99.7, 100.2))
    assert list(read_prints(folder)) == ["a", "b"]
    assert find_print(folder, "a").across_mm == 99.7
    assert [p.name for p in folder.iterdir()] == [PRINTS_FILE]


def test_unknown_print_names_the_known_ones(tmp_path):
    keep_print(tmp_path, PrintRecord("bench", "medium", 99.6, 100.2))
    with pytest.raises(SpecError, match="bench"):
        find_print(tmp_path, "other")


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("name", ""),
        ("name", "line\nbreak"),
        ("name", "x" * 61),
        ("sheet", "huge"),
        ("across_mm", 96.9),
        ("down_mm", 103.1),
        ("across_mm", float("nan")),
        ("down_mm", True),
        ("plane_offset_mm", 31),
        ("plane_offset_mm", "0.3"),
        ("u_bar_mm", -0.1),
        ("glued", 1),
    ],
)
def test_a_wrong_field_is_named(field, value):
    fields = {"name": "a", "sheet": "medium", "across_mm": 100.0, "down_mm": 100.0} | {field: value}
    with pytest.raises(SpecError) as error:
        PrintRecord(**fields)
    assert [fault.split(":")[0] for fault in error.value.faults] == [field]


def test_all_faults_of_a_file_at_once(tmp_path):
    (tmp_path / PRINTS_FILE).write_text(
        '[[print]]\nname = "a"\nsheet = "medium"\nacross_mm = 90\ndown_mm = 120\n'
        '[[print]]\nname = "b"\nsheet = "medium"\nacross_mm = 100\nwide = 3\n'
    )
    with pytest.raises(SpecError) as error:
        read_prints(tmp_path)
    assert [fault.split(":")[0] for fault in error.value.faults] == [
        "print[0].across_mm",
        "print[0].down_mm",
        "print[1].wide",
        "print[1].down_mm",
    ]


@pytest.mark.parametrize("content", [b"print = 3", b"[[print", b"\xff\xfe", b'print = ["a"]'])
def test_a_broken_file_is_refused_and_left_alone(tmp_path, content):
    (tmp_path / PRINTS_FILE).write_bytes(content)
    with pytest.raises(SpecError):
        keep_print(tmp_path, PrintRecord("a", "medium", 99.6, 100.2))
    assert (tmp_path / PRINTS_FILE).read_bytes() == content


def test_a_folder_in_the_file_s_place(tmp_path):
    (tmp_path / PRINTS_FILE).mkdir()
    with pytest.raises(RecordError):
        read_prints(tmp_path)
