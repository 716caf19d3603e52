"""The house stands as drawn: three source roots, one wheel that is complete, nothing of anybody's machine in it."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
import sysconfig
import tomllib
import zipfile
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SOURCE_ROOTS = ("inspect", "calib", "shared")
PACKAGES = ("traygauge", "traygauge_calib", "traygauge_shared")


def settings() -> dict:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def tracked_files() -> list[Path]:
    """Return the files git knows; without git (a source archive) those that are no set-up or cache."""
    try:
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
        names = listed.decode().split("\0")
    except (OSError, subprocess.CalledProcessError):
        names = [str(p.relative_to(ROOT)) for p in ROOT.rglob("*")]
        names = [name for name in names if not re.match(r"\.venv|\.git/|.*_cache|.*__pycache__", name)]
    return [ROOT / name for name in names if name and (ROOT / name).is_file()]


def test_every_error_says_what_to_do() -> None:
    """An error is an answer: what was wrong, found, expected, and what to do (`traygauge_shared.errors`)."""
    kinds = ("PhotoError", "SheetError", "UnfitPhotoError", "SpecError", "RecordError")
    silent, raised = [], 0
    for path in (p for root in SOURCE_ROOTS for p in (ROOT / root).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in kinds:
                raised += 1
                if not {"advice", None} & {keyword.arg for keyword in node.keywords}:
                    silent.append(f"{path.name}:{node.lineno}")
    assert raised > 50
    assert silent == []


def test_the_folder_inspect_does_not_hide_the_standard_library() -> None:
    assert Path(inspect.__file__).parent == Path(sysconfig.get_path("stdlib"))


def test_running_from_the_root_does_not_hide_it_either() -> None:
    code = "import inspect; print(inspect.__file__)"
    ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert Path(ran.stdout.strip()).parent == Path(sysconfig.get_path("stdlib"))


@pytest.mark.parametrize("folder", [*SOURCE_ROOTS, "tests"])
def test_roots_and_test_folders_are_no_packages(folder: str) -> None:
    assert not (ROOT / folder / "__init__.py").exists()
    if folder == "tests":
        assert list((ROOT / folder).rglob("__init__.py")) == []


def test_each_root_holds_one_package_and_the_wheel_lists_it() -> None:
    found = [
        p.parent.relative_to(ROOT).as_posix()
        for root in SOURCE_ROOTS
        for p in (ROOT / root).glob("*/__init__.py")
    ]
    assert found == settings()["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]
    assert [name.split("/")[1] for name in found] == list(PACKAGES)


@pytest.mark.parametrize("package", PACKAGES)
def test_every_folder_with_code_is_a_package(package: str) -> None:
    top = Path(import_module(package).__file__ or "").parent
    folders = {p.parent for p in top.rglob("*.py")}
    assert [str(f) for f in sorted(folders) if not (f / "__init__.py").exists()] == []


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Return the names of the files in the wheel built from this checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(command, cwd=ROOT, capture_output=True, check=True)
    (built,) = folder.glob("*.whl")
    return zipfile.ZipFile(built).namelist()


def test_the_wheel_holds_everything_the_packages_hold(wheel: list[str]) -> None:
    roots = [ROOT / root / package for root, package in zip(SOURCE_ROOTS, PACKAGES, strict=True)]
    held = {
        p.relative_to(root.parent).as_posix()
        for root in roots
        for p in tracked_files()
        if p.is_relative_to(root)
    }
    assert held - set(wheel) == set()
    assert {f"{package}/py.typed" for package in PACKAGES} <= set(wheel)


def test_the_wheel_holds_nothing_else(wheel: list[str]) -> None:
    assert {name.split("/")[0] for name in wheel if ".dist-info/" not in name} == set(PACKAGES)


def test_the_version_stands_once_in_the_code_and_the_same_in_the_settings() -> None:
    assert import_module("traygauge").__version__ == settings()["project"]["version"]


def test_the_lock_has_hashes_and_no_address() -> None:
    text = (ROOT / "requirements.lock").read_text()
    pins = [line for line in text.splitlines() if "==" in line]
    assert len(pins) > 40
    assert all(line.endswith("\\") for line in pins)  # a hash follows each
    assert "://" not in text
    assert "hatchling==" in text
    assert "editables==" in text


def test_the_lock_has_every_dependency_asked_for() -> None:
    groups = [settings()["project"]["dependencies"], *settings()["dependency-groups"].values()]
    names = {re.split(r"[><=\[ ]", line)[0].lower() for group in groups for line in group}
    locked = set(re.findall(r"^([a-z0-9-]+)==", (ROOT / "requirements.lock").read_text(), re.MULTILINE))
    assert names - locked == set()


#: Put together from halves, so that this file does not hold them.
FOREIGN = [
    "/wo" + "rk/",
    "/tmp/" + "bash",
    "/home/" + "[a-z]",
    "pypi" + r"\.org",
    "python" + "hosted",
    "C:" + r"\\Users",
]


def test_no_file_names_a_machine_or_a_package_registry() -> None:
    pattern = re.compile("|".join(FOREIGN).encode())
    assert [str(p.relative_to(ROOT)) for p in tracked_files() if pattern.search(p.read_bytes())] == []


def test_no_test_is_switched_off_without_need() -> None:
    marks = re.compile(
        r"pytest\.mark\." + r"(skip|xfail)\b|pytest\." + r"skip\(|type:" + r" ignore|#" + r" noqa"
    )
    texts = [p.read_text(encoding="utf-8") for p in tracked_files() if p.suffix == ".py"]
    assert sum(len(marks.findall(text)) for text in texts) <= 15
