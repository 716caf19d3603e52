"""`traygauge plan`, `spec new`, `spec check`, `compare`: what they say, write and give back."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from traygauge.exit_codes import ExitCode
from traygauge.judge.spec import read_spec

Program = Callable[..., Any]
DATA = Path(__file__).parents[1] / "data"


def check_values(name: str) -> list[dict[str, str]]:
    with (DATA / f"{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


# --- plan -----------------------------------------------------------------------------------------------------------


def test_a_plan_is_told_with_its_curve_and_how_to_take_the_scoops(program: Program) -> None:
    run = program("plan", "--limit", "5", "--correlation", "0")
    assert (run.code, run.err) == (0, "")
    assert run.out.startswith("PLAN")
    assert "riffle" in run.out
    assert max(map(len, run.out.splitlines())) <= 80
    made = json.loads(program("plan", "--limit", "5", "--correlation", "0", "--json").out)["limit"]
    from scipy.stats import binom

    n, c = made["independent_pieces"], made["accept_up_to_of_independent"]
    assert binom.cdf(c, n, 0.05) <= 0.05  # consumer's risk
    assert binom.cdf(c, n, 0.025) >= 0.90  # producer's
    (line,) = (line for line in run.out.splitlines() if line.startswith("  2.5 %"))
    assert float(line.split()[2]) == pytest.approx(100 * binom.cdf(c, n, 0.025), abs=0.05)


@pytest.mark.parametrize("row", check_values("sprt_p01_p10")[3::12], ids=lambda row: row["n_inspected"])
def test_the_sequence_is_walds(program: Program, row: dict[str, str]) -> None:
    # tests/data/sprt_p01_p10.csv: p 0.01 against 0.10, risks 0.05 and 0.10
    shares, risks = ("--limit", 10, "--good", 1), ("--producer-risk", 5, "--consumer-risk", 10)
    seen = ("--correlation", 0, "--seen", row["n_inspected"], "--bad", 0, "--json")
    said = json.loads(program("plan", *shares, *risks, *seen).out)
    wald = said["wald"]
    found = ["x" if wald[k] is None else str(wald[k]) for k in ("accept_up_to", "reject_from")]
    assert found == [row["accept_if_defectives_le"], row["reject_if_defectives_ge"]]


@pytest.mark.parametrize(
    ("bad", "word", "code"), [(0, "ACCEPT", 0), (60, "REJECT", 10), (21, "UNDECIDED", 11)]
)
def test_where_a_sequence_stands_is_the_exit_code(program: Program, bad: int, word: str, code: int) -> None:
    run = program("plan", "--limit", "5", "--seen", "600", "--bad", bad)
    assert (run.code, run.out.startswith(word)) == (code, True)


def test_a_specs_limits_are_planned_for_the_hardest_at_length(program: Program, tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(
        '[spec]\nname = "s"\n[pieces]\nlong_over_mm = 4.0\nfines_under_mm = 1.0\n'
        "[limits]\nlong_share = { at_most_percent = 2 }\nfines_share = { at_most_percent = 20 }\n"
    )
    run = program("plan", "--spec", tmp_path / "s.toml")
    assert "PLAN  long pieces: at most 2 %" in run.out
    assert any(line.split()[:4] == ["fines", "20", "%", "10"] for line in run.out.splitlines())
    assert set(json.loads(program("plan", "--spec", tmp_path / "s.toml", "--json").out)) == {
        "long pieces",
        "fines",
    }


def test_the_standards_plan_for_a_lot(program: Program) -> None:
    # ISO 2859-1: lot 1201 to 3200 at level II is letter K; K at AQL 1.5 is 125 pieces, accept up to 5 (table 2-A)
    found = json.loads(program("plan", "--lot", "3000", "--aql", "1.5", "--json").out)
    assert found == {"code_letter": "K", "pieces": 125, "accept_up_to": 5}
    assert "Look at 125 pieces" in program("plan", "--lot", "3000", "--aql", "1.5").out


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("--limit", "5", "--good", "7"),
        ("--lot", "3000"),
        ("--lot", "3000", "--aql", "1.7"),
        ("--lot", "3000", "--aql", "1.5", "--level", "IV"),
        ("--limit", "5", "--seen", "10", "--bad", "11"),
        ("--spec", "rigid-1.75", "--seen", "10"),
        ("--spec", "no-such-spec"),
    ],
)
def test_a_plan_that_cannot_be_is_refused(program: Program, words: tuple[str, ...]) -> None:
    run = program("plan", *words)
    assert (run.code, bool(run.err)) == (ExitCode.BAD_INPUT, True)


def test_a_good_share_beyond_the_limit_is_told_in_percent(program: Program) -> None:
    run = program("plan", "--limit", "5", "--good", "6")
    assert run.code == ExitCode.BAD_INPUT
    assert "--good 6 must be less than the limit, 5 %" in " ".join(run.err.split())


# --- spec new, spec check ------------------------------------------------------------------------------------------


def test_a_new_spec_is_written_from_flags_and_passes_its_check(program: Program, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    run = program(
        "spec", "new", path, "--strand", "1.75", "--length", "3", "--channel", "12", "--polymer", "PLA"
    )
    assert (run.code, "traygauge spec check" in run.out) == (0, True)
    spec = read_spec(str(path))
    assert (spec.name, spec.strand.diameter_mm, spec.strand.length_mm, spec.long_over_mm) == (
        "mine",
        1.75,
        3,
        4,
    )
    assert spec.density_g_cm3 is not None
    told = program("spec", "check", path)
    assert told.code == 0
    assert "With one photo of 300 pieces" in " ".join(told.out.split())
    assert max(map(len, told.out.replace(str(path), "").splitlines())) <= 80


def test_a_file_that_is_there_is_kept(program: Program, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("precious")
    assert program("spec", "new", tmp_path / "mine.toml", "--length", "3").code == ExitCode.BAD_INPUT
    assert (tmp_path / "mine.toml").read_text() == "precious"
    assert program("spec", "new", tmp_path / "mine.toml", "--length", "3", "--replace").code == 0


def test_a_person_is_asked_and_may_answer_with_a_comma_or_not_at_all(
    program: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "asked.toml"
    monkeypatch.setattr("sys.stdin", io.StringIO("perhaps\nno\n2,85\n\n16\n\nPETG\n\nlots\n1.5\n"))
    run = program("spec", "new", path, asked=True)
    assert run.code == 0
    assert "'perhaps' is neither yes nor no" in run.out + run.err
    assert "'lots' is no number" in run.out + run.err
    spec = read_spec(str(path))
    assert (spec.strand.diameter_mm, spec.strand.length_mm, spec.screw.screw_diameter_mm) == (2.85, None, 16)
    assert (spec.material.polymer, spec.feeding.throughput_kg_h) == ("PETG", 1.5)


def test_nobody_is_asked_by_a_script_or_when_flags_are_given(program: Program, tmp_path: Path) -> None:
    assert program("spec", "new", tmp_path / "a.toml").code == 0
    assert program("spec", "new", tmp_path / "b.toml", "--length", "3", asked=True).code == 0


@pytest.mark.parametrize("words", [("--polymer", "butter"), ("--hardness", "85A")])
def test_wrong_answers_are_told_and_nothing_is_written(
    program: Program, tmp_path: Path, words: tuple[str, str]
) -> None:
    run = program("spec", "new", tmp_path / "s.toml", *words)
    assert (run.code, "material." in run.err) == (ExitCode.BAD_INPUT, True)
    assert not (tmp_path / "s.toml").exists()


@pytest.mark.parametrize("name", ["nosuch.toml", "folder", "photo.jpg"])
def test_what_is_no_spec_is_told_with_what_to_do(program: Program, tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "photo.jpg").write_bytes(bytes(300_000))
    run = program("spec", "check", tmp_path / name)
    assert run.code == ExitCode.BAD_INPUT
    for part in ("found:", "expected:", "to do:"):
        assert f"\n{part}" in run.err


# --- compare ---------------------------------------------------------------------------------------------------------


def test_a_report_and_a_photo_are_held_against_each_other(program: Program, photos: Path) -> None:
    program("inspect", photos / "good.jpg", "--out", photos / "before")
    run = program("compare", photos / "before", photos / "other.jpg", "--out", photos / "c.html")
    assert (run.code, run.err) == (0, "")
    assert run.out.startswith("COMPARED")
    assert "A: before, 12 pieces on 1 photo" in run.out
    assert "B: other, 8 pieces on 1 photo" in run.out
    assert (photos / "c.html").read_text(encoding="utf-8").count('<svg class="plot"') == 2
    assert max(map(len, run.out.replace(str(photos), "").splitlines())) <= 80


def test_a_large_change_is_told_at_80_columns(program: Program, photos: Path) -> None:
    for name, factor in (("before", 1.0), ("after", 3.0)):
        program("inspect", photos / "good.jpg", "--out", photos / name, "--spec", "rigid-1.75")
        table = photos / name / "pieces.csv"
        rows = list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8-sig"))))
        for row in rows:
            row["length_mm"] = f"{factor * float(row['length_mm'] or 3):.3f}"
        with table.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, rows[0])
            writer.writeheader()
            writer.writerows(rows)
    run = program("compare", photos / "before", photos / "after", "--out", photos / "c.html")
    assert "The share of long pieces has risen" in run.out
    assert max(map(len, run.out.replace(str(photos), "").splitlines())) <= 80


def test_a_batch_does_not_differ_from_itself(program: Program, photos: Path) -> None:
    program("inspect", photos / "good.jpg", "--out", photos / "r", "--spec", "rigid-1.75")
    found = json.loads(
        program("compare", photos / "r", photos / "r", "--out", photos / "c.html", "--json").out
    )
    assert {d["name"] for d in found["differences"]} >= {"long_share", "median_length_mm", "spread_length_mm"}
    for d in found["differences"]:
        assert d["effect"]["low"] <= (1 if d["unit"] == "ratio" else 0) <= d["effect"]["high"]
        assert d["a"] == d["b"]


def test_the_same_scale_is_known_by_print_and_camera_or_said(program: Program, photos: Path) -> None:
    program("sheet", "measured", "kitchen", "--across", "100", "--down", "100")
    for words, same in (((), False), (("--same-scale",), True), (("--print", "kitchen"), True)):
        run = program(
            "compare", photos / "good.jpg", photos / "other.jpg", "--out", photos / "c.html", "--json", *words
        )
        assert json.loads(run.out)["same_scale"] is same


def test_different_specs_are_no_ground_to_compare_on(program: Program, photos: Path) -> None:
    for name in ("rigid-1.75", "regrind"):
        program("inspect", photos / "good.jpg", "--out", photos / name, "--spec", name)
    run = program("compare", photos / "rigid-1.75", photos / "regrind")
    assert (run.code, "different specs" in run.err) == (ExitCode.BAD_INPUT, True)
    words = (
        "compare",
        photos / "rigid-1.75",
        photos / "regrind",
        "--spec",
        "regrind",
        "--out",
        photos / "c.html",
    )
    assert program(*words).code == 0


def test_what_cannot_be_compared_is_refused(program: Program, photos: Path) -> None:
    assert program("compare", photos / "good.jpg", photos / "none.jpg").code == ExitCode.BAD_INPUT
    (photos / "old").mkdir()
    (photos / "old" / "pieces.csv").write_text("nonsense")
    (photos / "old" / "verdict.json").write_text("{}")
    assert program("compare", photos / "old", photos / "good.jpg").code == ExitCode.BAD_INPUT
    run = program("compare", photos / "empty.jpg", photos / "empty.jpg", "--out", photos / "c.html")
    assert run.code == ExitCode.UNDECIDED
    assert not (photos / "c.html").exists()
