"""`traygauge inspect`, `sheet`, `spec`, `demo`: what they write, say and give back."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from traygauge.cli import main
from traygauge.commands import demo
from traygauge.commands.inspecting import report_folder
from traygauge.commands.photos import photo_files
from traygauge.environment import Environment
from traygauge.exit_codes import ExitCode
from traygauge_calib.prints import find_print
from traygauge_shared.errors import PhotoError
from traygauge_shared.loading import load_photo
from traygauge_shared.scenes import write_jpeg

#: Called with words, gives a run: exit code, what it said, what it told beside (conftest.py).
Program = Callable[..., Any]

KEEPS = """
[spec]
name = "generous"
[pieces]
long_over_mm = 50.0
[limits]
median_length = { at_least_mm = 0.5, at_most_mm = 50.0 }
"""
BREAKS = KEEPS.replace("generous", "strict").replace("at_least_mm = 0.5", "at_least_mm = 20.0")
OPEN = """
[spec]
name = "open"
[pieces]
long_over_mm = 20.0
[limits]
long_share = { at_most_percent = 1 }
"""


def spec_file(folder: Path, text: str) -> Path:
    path = folder / "my-spec.toml"
    path.write_text(text)
    return path


def test_without_a_spec_pieces_are_measured_and_a_report_lies_beside_the_photo(
    program: Program, photos: Path
) -> None:
    run = program("inspect", photos / "good.jpg")
    assert (run.code, run.err) == (ExitCode.FINE, "")
    assert run.out.startswith("MEASURED")
    assert "--spec" in run.out
    assert f"Report: {photos / 'good' / 'report.html'}" in run.out
    names = {p.name for p in (photos / "good").iterdir()}
    assert names == {"report.html", "pieces.csv", "verdict.json", "good.annotated.jpg"}
    with (photos / "good" / "pieces.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.DictReader(file))) == 12  # as many as were drawn
    assert max(map(len, run.out.replace(str(photos), "").splitlines())) <= 80
    assert "\x1b" not in run.out


@pytest.mark.parametrize(
    ("text", "word", "code"),
    [(KEEPS, "ACCEPT", 0), (BREAKS, "REJECT", 10), (OPEN, "UNDECIDED", 11)],
    ids=["kept", "broken", "too few pieces"],
)
def test_the_exit_code_follows_the_verdict(
    program: Program, photos: Path, text: str, word: str, code: int
) -> None:
    run = program("inspect", photos / "good.jpg", "--spec", spec_file(photos, text))
    assert run.out.startswith(word)
    assert run.code == code


def test_an_empty_tray_is_undecided_and_gives_an_empty_table(program: Program, photos: Path) -> None:
    run = program("inspect", photos / "empty.jpg", "--out", photos / "r")
    assert run.code == ExitCode.UNDECIDED
    lines = (photos / "r" / "pieces.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("photo,piece,x_mm,y_mm,form,length_mm")


def test_one_bad_photo_among_several_is_told_after_the_rest_is_written(
    program: Program, photos: Path
) -> None:
    (photos / "torn.jpg").write_bytes((photos / "good.jpg").read_bytes()[:20_000])
    run = program(
        "inspect", photos / "good.jpg", photos / "torn.jpg", photos / "other.jpg", "--out", photos / "r"
    )
    assert run.code == ExitCode.BAD_INPUT
    assert "torn.jpg: the photo is damaged or cut short" in run.out
    assert {p.name for p in (photos / "r").glob("*.annotated.jpg")} == {
        "good.annotated.jpg",
        "other.annotated.jpg",
    }
    assert "Traceback" not in run.err


def test_a_photo_without_a_sheet_is_refused_with_what_to_do(program: Program, photos: Path) -> None:
    import numpy as np

    plain = write_jpeg(photos / "plain.jpg", np.full((600, 800, 3), 128, np.uint8), focal_35mm=50)
    run = program("inspect", plain)
    assert run.code == ExitCode.BAD_INPUT
    assert "to do:" in run.out


def test_json_is_all_that_stands_on_the_output(program: Program, photos: Path) -> None:
    run = program("inspect", photos / "good.jpg", "--json", "--spec", spec_file(photos, OPEN))
    assert json.loads(run.out)["outcome"] == "undecided"
    assert run.code == ExitCode.UNDECIDED
    assert "report.html" in run.err


def test_a_stated_scale_needs_no_sheet_and_sizes_follow_it(program: Program, photos: Path) -> None:
    pixels = load_photo(photos / "good.jpg").pixels
    high, wide = pixels.shape[0] // 4, pixels.shape[1] // 4
    write_jpeg(photos / "crop.jpg", pixels[high:-high, wide:-wide].copy(), quality=95)

    def largest(px_per_mm: float) -> float:
        folder = photos / f"at {px_per_mm}"
        assert program("inspect", photos / "crop.jpg", "--px-per-mm", px_per_mm, "--out", folder).code == 0
        with (folder / "pieces.csv").open(encoding="utf-8", newline="") as file:
            return max(float(row["feret_max_mm"]) for row in csv.DictReader(file))

    # the same pixels at twice the pixels per mm: things half as large
    assert largest(12) == pytest.approx(largest(6) / 2, rel=0.02)


def test_only_one_thing_can_give_the_scale(program: Program, photos: Path) -> None:
    run = program("inspect", photos / "good.jpg", "--scan", "--px-per-mm", "9")
    assert (run.code, "only one" in run.err) == (ExitCode.BAD_INPUT, True)


def test_a_wrong_spec_is_told_with_every_fault_before_any_photo_is_read(
    program: Program, photos: Path
) -> None:
    spec = spec_file(
        photos,
        "[pieces]\nlong_over_mm = 'x'\nunheard_of = 1\n[limits]\nlong_share = { at_most_percent = 200 }",
    )
    run = program("inspect", photos / "none.jpg", "--spec", spec)
    assert run.code == ExitCode.BAD_INPUT
    for path in ("pieces.long_over_mm", "pieces.unheard_of", "limits.long_share.at_most_percent"):
        assert path in run.err
    assert list(photos.glob("none*")) == []


def test_a_folder_that_cannot_be_written_to_is_no_fault_of_ours(program: Program, photos: Path) -> None:
    run = program("inspect", photos / "empty.jpg", "--out", photos / "good.jpg" / "inside")
    assert run.code == ExitCode.BAD_INPUT
    assert "to do:" in run.err


def test_a_certificate_is_written_when_asked_for(program: Program, photos: Path) -> None:
    from pypdf import PdfReader

    run = program("inspect", photos / "other.jpg", "--certificate", "--spec", spec_file(photos, KEEPS))
    path = photos / "other" / "certificate.pdf"
    assert f"Certificate: {path}" in run.out
    (page,) = PdfReader(path).pages
    assert "generous" in page.extract_text()


def test_a_weighed_scoop_enters_and_the_report_says_so(program: Program, photos: Path) -> None:
    spec = spec_file(photos, KEEPS + "[material]\ndensity_g_cm3 = 1.24\n")
    run = program("inspect", photos / "good.jpg", "--spec", spec, "--scoop-g", "5", "--json")
    verdict = json.loads(run.out)
    assert verdict["settings"]["scoop weighed"] == "5 g"
    # 12 pieces of about 9 mg: 5 g is some fifty times as much
    assert any("5 g" in note and "check density" in note for note in verdict["notes"])


def test_a_reader_who_leaves_early_costs_no_report(program: Program, photos: Path) -> None:
    class Closed(io.StringIO):
        def write(self, _: str) -> int:
            raise BrokenPipeError

    closed = Closed()
    env = Environment(closed, io.StringIO(), False, 80, False, photos / "config")
    assert main(["inspect", str(photos / "empty.jpg"), "--out", str(photos / "r")], env) == 0
    assert (photos / "r" / "report.html").is_file()


# --- which files, which folder ----------------------------------------------------------------------------------


def test_folders_stand_for_the_photos_in_them_once_each_in_order(photos: Path) -> None:
    (photos / "notes.txt").write_text("no photo")
    (photos / ".hidden.jpg").write_bytes(b"")
    (photos / "good.annotated.jpg").write_bytes(b"")  # a picture of ours from an earlier report
    found = photo_files([photos, photos / "good.jpg"])
    assert [p.name for p in found] == ["empty.jpg", "good.jpg", "other.jpg"]


def test_a_report_beside_the_photos_is_passed_over(photos: Path) -> None:
    """`tray*` names the photo and, from the second time on, its report's folder."""
    report = photos / "good"
    report.mkdir()
    (report / "verdict.json").write_text("{}")
    assert photo_files([report, photos / "good.jpg"]) == [photos / "good.jpg"]
    with pytest.raises(PhotoError, match="no photos"):
        photo_files([report])


def test_a_folder_without_photos_is_refused(program: Program, tmp_path: Path) -> None:
    run = program("inspect", tmp_path)
    assert (run.code, "no photos in this folder" in run.err) == (ExitCode.BAD_INPUT, True)


def test_the_report_folder_is_named_after_the_photo(tmp_path: Path) -> None:
    assert report_folder([tmp_path / "a.jpg"]) == tmp_path / "a"
    assert (
        report_folder([tmp_path / "a.jpg", tmp_path / "b.jpg", tmp_path / "c.jpg"])
        == tmp_path / "a and 2 more"
    )
    (tmp_path / "x").write_bytes(b"")  # a photo whose name has no ending
    assert report_folder([tmp_path / "x"]) == tmp_path / "x report"


# --- defaults beside the photos ---------------------------------------------------------------------------------


def test_defaults_beside_the_photos_are_used_and_told_in_the_first_line(
    program: Program, photos: Path
) -> None:
    spec_file(photos, BREAKS)
    (photos / "traygauge.toml").write_text('spec = "my-spec.toml"')
    run = program("inspect", photos / "good.jpg")
    assert run.code == ExitCode.REJECT
    assert (
        run.out.splitlines()[0]
        == f"Defaults from {photos / 'traygauge.toml'}: spec = {photos / 'my-spec.toml'}"
    )
    told = program("inspect", photos / "good.jpg", "--json")
    assert told.err.startswith("Defaults from")
    assert json.loads(told.out)["outcome"] == "reject"


def test_the_command_line_goes_before_the_defaults(program: Program, photos: Path) -> None:
    (photos / "strict.toml").write_text(BREAKS)
    (photos / "traygauge.toml").write_text('spec = "strict.toml"')
    assert program("inspect", photos / "good.jpg", "--spec", spec_file(photos, KEEPS)).code == ExitCode.FINE


@pytest.mark.parametrize(
    ("text", "said"),
    [("spec = 3", "spec: found 3"), ("px_per_mm = true", "px_per_mm: found True"), ("sheat = 1", "sheat: unknown"), ("=", "cannot be read")],
)  # fmt: skip
def test_wrong_defaults_are_told(program: Program, photos: Path, text: str, said: str) -> None:
    (photos / "traygauge.toml").write_text(text)
    run = program("inspect", photos / "good.jpg")
    assert (run.code, said in run.err) == (ExitCode.BAD_INPUT, True)


def test_photos_beside_different_defaults_are_no_batch(program: Program, photos: Path) -> None:
    for name in ("one", "two"):
        (photos / name).mkdir()
        (photos / name / "p.jpg").write_bytes((photos / "good.jpg").read_bytes())
        (photos / name / "traygauge.toml").write_text(f'spec = "{name}"')
    run = program("inspect", photos / "one" / "p.jpg", photos / "two" / "p.jpg")
    assert (run.code, "different" in run.err) == (ExitCode.BAD_INPUT, True)


# --- a person looking -------------------------------------------------------------------------------------------


def test_a_person_sees_how_far_it_is_and_a_log_file_does_not(program: Program, photos: Path) -> None:
    run = program("inspect", photos / "empty.jpg", terminal=True)
    shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", run.err)
    assert "empty.jpg" in shown
    assert "photo 1 of 1" in shown
    assert "photo 1 of 1" not in program("inspect", photos / "empty.jpg").err


# --- the other commands -----------------------------------------------------------------------------------------


def test_a_sheet_is_written_and_the_next_step_told(program: Program, tmp_path: Path) -> None:
    run = program(
        "sheet", "--size", "large", "--window", "white", "--name", "shop", "--out", tmp_path / "s.pdf"
    )
    assert run.code == 0
    assert (tmp_path / "s.pdf").read_bytes().startswith(b"%PDF")
    assert "traygauge sheet measured shop --across MM --down MM --size large" in run.out


@pytest.mark.parametrize(
    "words",
    [("--window", "plaid"), ("--paper", "A0"), ("--size", "huge"), ("--size", "large", "--paper", "A5")],
)
def test_a_sheet_that_cannot_be_is_refused(program: Program, tmp_path: Path, words: tuple[str, ...]) -> None:
    assert program("sheet", *words, "--out", tmp_path / "s.pdf").code == ExitCode.BAD_INPUT
    assert list(tmp_path.iterdir()) == []


def test_what_was_measured_on_a_print_goes_into_the_scale(program: Program, photos: Path) -> None:
    run = program("sheet", "measured", "kitchen", "--across", "101", "--down", "101", "--plane-offset", "0.3")
    assert (run.code, "+1.00 % across and +1.00 % down" in run.out) == (0, True)
    assert find_print(photos / "config", "kitchen").plane_offset_mm == 0.3

    def places(*words: str) -> list[float]:
        assert program("inspect", photos / "good.jpg", *words, "--out", photos / "r").code == 0
        with (photos / "r" / "pieces.csv").open(encoding="utf-8", newline="") as file:
            return [float(row["x_mm"]) for row in csv.DictReader(file)]

    plain, stretched = places(), places("--print", "kitchen")
    ratio = math.fsum(stretched) / math.fsum(plain)
    # every sheet point lies 1 % further out; 0.3 mm nearer to a camera some 300 mm up shrinks by 0.1 % about its foot
    assert ratio == pytest.approx(1.01, abs=0.002)
    assert "kitchen" in (photos / "r" / "report.html").read_text(encoding="utf-8")


def test_the_next_step_can_be_copied_though_a_name_has_a_space(program: Program, photos: Path) -> None:
    run = program("sheet", "measured", "my kitchen", "--across", "100", "--down", "100")
    assert 'inspect PHOTO --print "my kitchen"\n' in run.out
    run = program("inspect", photos / "good.jpg", "--print", "the cellar")
    assert 'sheet measured "the cellar" --across' in run.err


def test_an_unknown_print_is_refused_with_the_known_ones(program: Program, photos: Path) -> None:
    program("sheet", "measured", "kitchen", "--across", "100", "--down", "100")
    run = program("inspect", photos / "good.jpg", "--print", "cellar")
    assert (run.code, "kitchen" in run.err) == (ExitCode.BAD_INPUT, True)


def test_shipped_specs_are_listed_shown_and_pass_their_own_check(program: Program, tmp_path: Path) -> None:
    listed = program("spec", "show").out.splitlines()
    assert max(len(line) for line in listed) <= 80
    names = [line.split()[0] for line in listed if not line.startswith(" ")]
    assert len(names) >= 3
    for name in names:
        (tmp_path / "copy.toml").write_text(program("spec", "show", name).out, encoding="utf-8")
        assert program("spec", "check", tmp_path / "copy.toml").code == 0
    assert program("spec", "show", "nonsense").code == ExitCode.BAD_INPUT


def test_the_demo_measures_every_sample(
    program: Program, drawn_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = tmp_path / "samples"
    samples.mkdir()
    (samples / "good.jpg").write_bytes((drawn_folder / "good.jpg").read_bytes())
    (samples / "strict.toml").write_text(BREAKS)
    (samples / "demo.toml").write_text(
        '[[batch]]\ntitle = "First"\nphotos = ["good.jpg"]\nspec = "rigid-1.75"\n'
        f'[[batch]]\ntitle = "Second"\nphotos = ["good.jpg"]\nspec = "{samples / "strict.toml"}"\n'
    )
    monkeypatch.setattr(demo, "SAMPLES", samples)
    run = program("demo", "--out", tmp_path / "demo")
    assert run.code == 0  # a rejected sample is a demo that worked
    assert "--- First" in run.out
    assert "\nREJECT" in run.out
    assert (tmp_path / "demo" / "good" / "report.html").is_file()


def test_the_demo_draws_a_tray_where_there_are_no_samples(
    program: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo, "SAMPLES", tmp_path / "nothing here")
    run = program("demo", "--out", tmp_path / "demo")
    assert run.code == 0
    assert (tmp_path / "demo" / "drawn_tray_report" / "report.html").is_file()


def test_another_look_without_limits_is_answered(program: Program, photos: Path) -> None:
    for spec in ((), ("--spec", photos / "bare.toml")):
        (photos / "bare.toml").write_text('[spec]\nname = "bare"\n')
        run = program("inspect", photos / "good.jpg", "--look", "9", "--out", photos / "r", *spec)
        assert run.code == 0
        assert "Look 9 was stated and changes nothing" in " ".join(run.out.split())
    run = program("inspect", photos / "good.jpg", "--out", photos / "r")
    assert "was stated" not in run.out


def test_what_is_said_of_prints_and_specs_fits_into_80_columns(program: Program, tmp_path: Path) -> None:
    run = program("sheet", "measured", "a-print-with-a-long-name", "--across", "99.6", "--down", "100.2")
    kept = " ".join(run.out.split())
    assert "Kept: print a-print-with-a-long-name, medium sheet, -0.40 % across and +0.20 % down, in" in kept
    path = tmp_path / "config" / "prints.toml"
    assert str(path) in run.out  # in one piece, so that it can be copied
    assert max(map(len, run.out.replace(str(path), "").splitlines())) <= 80
    spec = tmp_path / "bad.toml"
    spec.write_text(
        '[spec]\nname = "x"\n[limits]\n[limits.long_share]\nat_most_percent = 180\nby = "weight of the pieces"\n'
    )
    run = program("spec", "check", spec)
    assert run.code == ExitCode.BAD_INPUT
    assert max(map(len, run.err.splitlines())) <= 80
    faults = [line for line in run.err.splitlines() if line.startswith("limits.")]
    assert len(faults) == 3  # each begins a line of its own; what does not fit stands below it, set in
    assert "expected 'count', 'mass' or 'area'" in " ".join(run.err.split())
