"""The program as a whole: help, version, exit codes, and what becomes of exceptions."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer

import traygauge
from traygauge.commands import inspecting
from traygauge.commands.every import app
from traygauge.exit_codes import ExitCode, worst

#: Called with words, gives a run: exit code, what it said, what it told beside (conftest.py).
Program = Callable[..., Any]

ROOT = Path(__file__).parents[2]
HEAVY = ("numpy", "cv2", "scipy", "pandas", "PIL", "jinja2", "reportlab", "traygauge.batch")


def commands() -> list[tuple[str, ...]]:
    """Return the words of every command there is."""

    def under(command: Any, words: tuple[str, ...]) -> list[tuple[str, ...]]:
        inside = getattr(command, "commands", {})
        return [words, *(found for name, sub in inside.items() for found in under(sub, (*words, name)))]

    return under(typer.main.get_command(app), ())


def test_the_version_is_that_of_the_package(program: Program) -> None:
    run = program("--version")
    assert (run.code, run.out, run.err) == (0, f"traygauge {traygauge.__version__}\n", "")


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_every_command_and_option_has_help_that_fits_80_columns(
    words: tuple[str, ...], program: Program
) -> None:
    run = program(*words, "--help")
    assert run.code == 0
    assert max(map(len, run.out.splitlines())) <= 80
    options = re.findall(
        r"^  (--[a-z-]+)(?: [^a-z\s]\S*(?: [A-Z0-9]+)*)?(?:  +(.*))?$", run.out, re.MULTILINE
    )
    assert all(name for name, _ in options)
    for entry in re.split(r"\n(?=  -)", run.out.partition("Options:")[2])[1:]:
        assert len(entry.split("  ", 2)) == 3, f"no help: {entry}"


@pytest.mark.parametrize("words", commands(), ids=str)
def test_the_help_of_every_command_has_examples(words: tuple[str, ...], program: Program) -> None:
    assert re.search(r"\n    traygauge ", program(*words, "--help").out)


def test_help_imports_nothing_heavy() -> None:
    code = f"import sys; from traygauge.cli import main; main(['--help']); print([m for m in {HEAVY} if m in sys.modules])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.splitlines()[-1] == "[]"


def test_the_installed_program_runs_and_hands_its_exit_code_on(tmp_path: Path) -> None:
    script = Path(sys.executable).with_name("traygauge")
    ran = subprocess.run(
        [script, "inspect", "no-such.jpg"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 2
    assert "no such file" in ran.stdout
    assert list(tmp_path.iterdir()) == []


def test_shell_completion_is_offered(program: Program) -> None:
    assert "--install-completion" in program("--help").out


@pytest.mark.parametrize(
    "words", [(), ("nonsense",), ("inspect",), ("inspect", "--nonsense"), ("sheet", "measured", "a")]
)
def test_a_wrong_call_is_bad_input_and_says_how_it_goes(words: tuple[str, ...], program: Program) -> None:
    run = program(*words)
    assert run.code == ExitCode.BAD_INPUT
    assert "Usage: traygauge" in run.err


@pytest.mark.parametrize(
    "words",
    [
        ("plan",),
        ("spec", "show", "nope"),
        ("inspect", "a.jpg", "--px-per-mm", "abc"),
        ("inspect", "a.jpg", "--scan", "--px-per-mm", "16"),
    ],
    ids=" ".join,
)
def test_what_is_wrong_with_a_call_fits_80_columns(words: tuple[str, ...], program: Program) -> None:
    run = program(*words)
    assert run.code == ExitCode.BAD_INPUT
    assert "Error: " in run.err
    assert max(map(len, run.err.splitlines())) <= 80


def broken(*_: Any, **__: Any) -> None:
    raise RuntimeError("a screw is loose")


def test_a_fault_of_ours_says_what_to_report_without_a_traceback(
    program: Program, photos: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inspecting, "photo_files", broken)
    run = program("inspect", photos / "good.jpg")
    assert run.code == ExitCode.OUR_FAULT == 70
    assert "RuntimeError: a screw is loose" in run.err
    assert f"traygauge {traygauge.__version__}" in run.err
    assert "Traceback" not in run.err
    assert "Traceback" in program("--traceback", "inspect", photos / "good.jpg").err


def test_an_interruption_has_its_own_code(program: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(inspecting, "photo_files", interrupted)
    run = program("inspect", "a.jpg")
    assert (run.code, run.out) == (ExitCode.INTERRUPTED, "")
    assert run.err == "Interrupted. Nothing was left half written.\n"


def test_an_interruption_while_the_program_still_loads_is_no_traceback() -> None:
    code = """
import sys
class Interrupting:
    def find_spec(self, name, *_):
        if name == "typer":
            raise KeyboardInterrupt
sys.meta_path.insert(0, Interrupting())
from traygauge.cli import main
sys.exit(main(["--version"]))
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stdout) == (ExitCode.INTERRUPTED, "")
    assert ran.stderr == "Interrupted. Nothing was left half written.\n"


def test_a_reader_that_has_seen_enough_is_no_fault(drawn_folder: Path, tmp_path: Path) -> None:
    script, photo = Path(sys.executable).with_name("traygauge"), drawn_folder / "empty.jpg"
    with subprocess.Popen(
        [script, "inspect", photo, "--out", tmp_path / "r"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        child.stdout.close()
        assert child.stderr.read() == b""
        assert child.wait() == ExitCode.FINE


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    "words", [("spec", "show"), ("spec", "check", "no-such.toml"), ("inspect", "--help")]
)
def test_a_full_disk_is_told_without_a_traceback(words: tuple[str, ...]) -> None:
    script = Path(sys.executable).with_name("traygauge")
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        ran = subprocess.run([script, *words], stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert ran.returncode == ExitCode.BAD_INPUT
    assert "Traceback" not in ran.stderr
    assert "Exception" not in ran.stderr
    assert ("cannot write the output" in ran.stderr) == ("no-such.toml" not in words)


def test_the_worst_of_several_batches_counts() -> None:
    assert worst([]) == ExitCode.FINE
    assert worst([ExitCode.FINE, ExitCode.UNDECIDED]) == ExitCode.UNDECIDED
    assert worst([ExitCode.REJECT, ExitCode.UNDECIDED]) == ExitCode.REJECT
    assert worst([ExitCode.BAD_INPUT, ExitCode.REJECT]) == ExitCode.BAD_INPUT


def test_the_exit_codes_are_the_documented_ones() -> None:
    # Section 8 of the design; 130 is a shell's own for an interruption
    assert {code.name: int(code) for code in ExitCode} == {
        "FINE": 0, "BAD_INPUT": 2, "REJECT": 10, "UNDECIDED": 11, "OUR_FAULT": 70, "INTERRUPTED": 130
    }  # fmt: skip


def test_every_command_and_option_stands_in_the_readme(program: Program) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for words in commands():
        if words and words[-1] not in {"spec"}:
            assert f"traygauge {' '.join(words)}" in readme
    for option in re.findall(r"^  (--[a-z-]+)", program("inspect", "--help").out, re.MULTILINE):
        assert option in readme or option == "--help"


def test_no_command_s_help_is_cut_off_in_a_list(program: Program) -> None:
    # a list of commands cuts sentences that do not fit beside their names
    for words in ((), ("sheet",), ("spec",)):
        assert "..." not in program(*words, "--help").out.split("Commands:")[1].split("\n\n")[0]


def test_the_next_step_after_a_sheet_keeps_its_size_and_its_plane(program: Program, tmp_path: Path) -> None:
    run = program("sheet", "--size", "small", "--plane-offset", "0.3", "--out", tmp_path / "s.pdf")
    assert "--size small --plane-offset 0.3" in run.out
