"""`traygauge verify` and `traygauge repeat`: what they make of photos, and of wrong calls."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from traygauge.exit_codes import ExitCode
from traygauge_shared.loading import load_photo
from traygauge_shared.scenes import write_jpeg

Program = Callable[..., Any]

HEADER = "piece,length_mm,diameter_mm\n"


def as_measured(program: Program, photo: Path, *, longer_mm: float = 0.0) -> str:
    """Return a table of known pieces that says of each what is read, but for the length, which is off by so much."""
    program("inspect", photo, "--out", photo.parent / "first")
    with (photo.parent / "first" / "pieces.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["length_mm"]]
    assert len(rows) > 5
    return HEADER + "".join(
        f"{r['piece']},{float(r['length_mm']) + longer_mm:.3f},{r['diameter_mm']}\n" for r in rows
    )


def taken_again(photo: Path, copy: Path, gain: float) -> Path:
    """Write the same view in another light: other pixels, the same places."""
    copy.parent.mkdir(exist_ok=True)
    loaded = load_photo(photo)
    pixels = np.clip(loaded.pixels * gain, 0, 255).astype(np.uint8)
    return write_jpeg(copy, pixels, quality=90, focal_35mm=loaded.focal_35mm, maker="Drawn", model="D1")


# --- verify -------------------------------------------------------------------------------------------------------


def test_sizes_as_read_pass_with_no_bias(program: Program, photos: Path) -> None:
    (photos / "known.csv").write_text(as_measured(program, photos / "good.jpg"))
    run = program("verify", photos / "good.jpg", "--known", photos / "known.csv", "--out", photos / "v.csv")
    assert (run.code, run.err) == (ExitCode.FINE, "")
    assert run.out.startswith("PASS")
    assert "read +0.000 mm on average" in run.out
    with (photos / "v.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["quantity"] for row in rows} == {"length_mm", "diameter_mm"}
    assert max(abs(float(row["en"])) for row in rows) < 0.05
    assert max(map(len, run.out.replace(str(photos), "").splitlines())) <= 80


def test_sizes_off_by_half_a_millimetre_fail_with_that_bias(program: Program, photos: Path) -> None:
    (photos / "known.csv").write_text(as_measured(program, photos / "good.jpg", longer_mm=0.5))
    run = program("verify", photos / "good.jpg", "--known", photos / "known.csv", "--json")
    assert run.code == ExitCode.REJECT
    found = json.loads(run.out)
    length, diameter = found["quantities"]
    assert length["bias"]["estimate"] == pytest.approx(-0.5, abs=0.001)
    assert (length["agrees"], diameter["agrees"], found["passed"]) == (False, True, False)
    told = program("verify", photos / "good.jpg", "--known", photos / "known.csv")
    assert told.out.startswith("FAIL")
    assert "off to one side" in told.out


def test_a_spec_that_asks_for_more_than_the_bench_can_do_fails(program: Program, photos: Path) -> None:
    (photos / "known.csv").write_text(as_measured(program, photos / "good.jpg"))
    spec = photos / "s.toml"
    text = (
        '[spec]\nname = "s"\n[strand]\nlength_mm = 3.0\n[pieces]\nlong_over_mm = {}\nshort_under_mm = 1.0\n'
    )
    for limit, code in (
        (4.0, ExitCode.FINE),
        (3.001, ExitCode.REJECT),
    ):  # no room at all between nominal and limit
        spec.write_text(text.format(limit))
        run = program("verify", photos / "good.jpg", "--known", photos / "known.csv", "--spec", spec)
        assert run.code == code
        assert ("not good enough" in " ".join(run.out.split())) == (code == ExitCode.REJECT)


def test_the_same_numbers_are_found_by_place_in_further_photos(program: Program, photos: Path) -> None:
    (photos / "known.csv").write_text(as_measured(program, photos / "good.jpg"))
    again = taken_again(photos / "good.jpg", photos / "again.jpg", 0.9)
    run = program("verify", photos / "good.jpg", again, "--known", photos / "known.csv", "--json")
    pieces = json.loads(run.out)["pieces"]
    counts = [sum(p["photo"] == name for p in pieces) for name in ("good.jpg", "again.jpg")]
    assert counts[0] == counts[1] > 10
    known = [{p["known_mm"] for p in pieces if p["photo"] == name} for name in ("good.jpg", "again.jpg")]
    assert known[0] == known[1]


def test_one_size_for_all(program: Program, photos: Path) -> None:
    run = program("verify", photos / "good.jpg", "--diameter", "1.75", "--u-known", "0.05", "--json")
    (diameter,) = json.loads(run.out)["quantities"]
    assert (diameter["quantity"], diameter["n"] > 5) == ("diameter_mm", True)


def test_nothing_to_tell_it_from_is_undecided(program: Program, photos: Path) -> None:
    run = program("verify", photos / "empty.jpg", "--length", "3")
    assert (run.code, run.out.startswith("UNDECIDED")) == (ExitCode.UNDECIDED, True)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("nonsense", "the list of known pieces is wrong"),
        (HEADER, "0 pieces"),
        (HEADER + "x,3,1.75\n", "line 2, piece: found 'x'"),
        (HEADER + "1,three,1.75\n", "line 2, length_mm: found 'three'"),
        (HEADER + "\n1,three,1.75\n", "line 3, length_mm: found 'three'"),
        (HEADER + "1,3,\n2,3,\n1,3.1,\n", "line 4, piece: 1 stands in line 2 already"),
        (HEADER + "1,-3,1.75\n", "line 2, length_mm: found '-3'"),
        ("piece,length_mm,weight\n1,3,2\n", "weight: not known"),
        (HEADER + "99,3,1.75\n", "piece 99: not in good.jpg"),
        ("photo,piece,length_mm\nother.jpg,1,3\n", "piece 1: not in other.jpg"),
    ],
)
def test_a_wrong_table_is_told_with_its_lines(program: Program, photos: Path, table: str, said: str) -> None:
    (photos / "known.csv").write_text(table)
    run = program("verify", photos / "good.jpg", "--known", photos / "known.csv")
    assert (run.code, said in " ".join(run.err.split())) == (ExitCode.BAD_INPUT, True)


def test_a_table_as_spreadsheets_with_decimal_commas_write_it() -> None:
    from traygauge.records import read_known

    known = read_known("\ufeffpiece;length_mm;u_length_mm\n3;2,98;0,01\n\n5;;\n".encode(), "k.csv")
    assert known.piece.tolist() == [3, 5]
    np.testing.assert_array_equal(known.sizes["length_mm"], [2.98, np.nan])
    np.testing.assert_array_equal(known.sizes["diameter_mm"], [np.nan, np.nan])


def test_verify_wants_to_know_what_is_known(program: Program, photos: Path) -> None:
    run = program("verify", photos / "good.jpg")
    assert (run.code, "--known FILE, --length MM" in run.err) == (ExitCode.BAD_INPUT, True)
    run = program("verify", photos / "good.jpg", "--known", photos / "none.csv")
    assert (run.code, "cannot be read" in run.err) == (ExitCode.BAD_INPUT, True)
    run = program("verify", photos / "none.jpg", "--length", "3")
    assert (run.code, "none.jpg: there is no such file" in run.err) == (ExitCode.BAD_INPUT, True)


# --- repeat -------------------------------------------------------------------------------------------------------


@pytest.fixture
def two_people(photos: Path) -> Path:
    """Return a folder with two folders, two photos each of the same tray."""
    for k, gain in enumerate((1.0, 0.95, 0.9, 0.85)):
        taken_again(photos / "good.jpg", photos / ("anna", "ben")[k // 2] / f"p{k}.jpg", gain)
    return photos


def test_the_same_tray_is_compared_piece_by_piece(program: Program, two_people: Path) -> None:
    run = program("repeat", two_people / "anna", two_people / "ben", "--json")
    found = json.loads(run.out)
    assert run.code == ExitCode.FINE
    assert found["people"] == {"p0.jpg": "anna", "p1.jpg": "anna", "p2.jpg": "ben", "p3.jpg": "ben"}
    length = found["quantities"]["length_mm"]
    assert (length["study"]["people"], length["study"]["trials"]) == (2, 2)
    assert length["found"] == 12  # as many as were drawn
    assert length["study"]["repeatability"] < 0.03**2 < length["study"]["part"]
    told = program("repeat", two_people / "anna", two_people / "ben", "--spec", "rigid-1.75")
    assert told.out.startswith("REPEATED  4 photos by 2 people (anna 2, ben 2), 12 pieces found in all")
    assert "of the tolerance" in told.out
    assert max(map(len, told.out.splitlines())) <= 80


def test_one_persons_photos_have_no_reproducibility(program: Program, two_people: Path) -> None:
    run = program("repeat", two_people / "anna")
    assert run.code == ExitCode.FINE
    assert "by 1 person (anna 2)" in run.out
    assert "reproducibility" not in run.out


def test_a_shaken_tray_is_told_and_its_figures_can_be_compared(program: Program, two_people: Path) -> None:
    other = taken_again(two_people / "other.jpg", two_people / "anna" / "q.jpg", 1.0)
    run = program("repeat", two_people / "anna" / "p0.jpg", other)
    assert (run.code, "moved or shuffled" in run.out) == (ExitCode.UNDECIDED, True)
    run = program("repeat", two_people / "anna", "--shuffled")
    assert run.code == ExitCode.FINE
    assert re_number(run.out, "mean cut length") > 0
    found = json.loads(program("repeat", two_people / "anna", "--shuffled", "--json").out)
    assert len(found["figures"][0]["values"]) == 3


def re_number(text: str, title: str) -> float:
    (line,) = (line for line in text.splitlines() if title in line and "D90" not in line)
    return float(line.split()[3])


def test_too_few_photos_are_undecided_with_what_to_do(program: Program, photos: Path) -> None:
    for words in ((), ("--shuffled",)):
        run = program("repeat", photos / "good.jpg", *words)
        assert (run.code, run.out.startswith("UNDECIDED")) == (ExitCode.UNDECIDED, True)
        assert "Next:" in run.out
    assert json.loads(program("repeat", photos / "good.jpg", "--json").out)["faults"]


def test_a_photo_that_cannot_be_used_is_told_after_the_rest(program: Program, two_people: Path) -> None:
    run = program("repeat", two_people / "anna", two_people / "anna" / "none.jpg")
    assert run.code == ExitCode.BAD_INPUT
    assert run.out.startswith("REPEATED")
    assert "none.jpg: there is no such file" in run.err
