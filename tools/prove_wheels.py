"""Prove, line by line, that every locked dependency has a wheel for Pythons and systems we do not run on.

For each Python and system pip resolves every line of the lock that applies there (markers are judged for that
system), wheels only, nothing downloaded but metadata; the wheel it names must have a hash that stands in the lock.
Usage: python tools/prove_wheels.py [requirements.lock]. Exit code 1 when a wheel is missing.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from packaging.requirements import Requirement

PYTHONS = ("3.11", "3.12", "3.13", "3.14")


@dataclass(frozen=True)
class System:
    """A system: its name for the reader, pip's platform tags, and what markers see there."""

    name: str
    tags: tuple[str, ...]
    sys_platform: str
    platform_system: str
    machine: str


def _linux(machine: str) -> tuple[str, ...]:
    glibc = [f"manylinux_2_{minor}_{machine}" for minor in range(28, 16, -1)]
    return (*glibc, f"manylinux2014_{machine}", f"manylinux_2_12_{machine}", f"manylinux2010_{machine}",
            f"manylinux_2_5_{machine}", f"manylinux1_{machine}")  # fmt: skip


SYSTEMS = (
    System("Linux x86-64 (glibc 2.28)", _linux("x86_64"), "linux", "Linux", "x86_64"),
    System("Linux arm64 (glibc 2.28)", _linux("aarch64"), "linux", "Linux", "aarch64"),
    System("macOS 14 arm64", ("macosx_14_0_arm64",), "darwin", "Darwin", "arm64"),
    System("macOS 14 x86-64", ("macosx_14_0_x86_64",), "darwin", "Darwin", "x86_64"),
    System("Windows x86-64", ("win_amd64",), "win32", "Windows", "AMD64"),
)


@dataclass(frozen=True)
class Locked:
    """One line of the lock with its hashes."""

    requirement: Requirement
    hashes: frozenset[str]

    def applies(self, python: str, system: System) -> bool:
        """Return whether the line's marker holds on a system."""
        seen = {
            "python_version": python,
            "python_full_version": f"{python}.0",
            "sys_platform": system.sys_platform,
            "platform_system": system.platform_system,
            "platform_machine": system.machine,
            "os_name": "nt" if system.sys_platform == "win32" else "posix",
        }
        return self.requirement.marker is None or self.requirement.marker.evaluate(seen)

    @property
    def pin(self) -> str:
        """Return the line without marker and hashes."""
        return f"{self.requirement.name}{self.requirement.specifier}"


def read_lock(path: Path) -> list[Locked]:
    """Return the lines of a lock file."""
    text = path.read_text().replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    return [
        Locked(Requirement(line.split(" --hash", 1)[0]), frozenset(re.findall(r"--hash=sha256:(\w+)", line)))
        for line in lines
    ]


def wheels(pins: list[str], python: str, system: System) -> dict[str, str] | None:
    """Return name -> SHA-256 of the wheel pip would take for each pin, None when it finds no set."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        command = [
            sys.executable,
            "-m",
            "pip",
            "install",
            "--dry-run",
            "--ignore-installed",
            "--no-deps",
            "-q",
        ]
        command += ["--only-binary=:all:", "--python-version", python, "--implementation", "cp"]
        command += [word for tag in system.tags for word in ("--platform", tag)]
        command += ["--target", folder, "--report", str(report), *pins]
        if subprocess.run(command, check=False, capture_output=True).returncode:
            return None
        installs = json.loads(report.read_text())["install"]
    return {
        item["metadata"]["name"].lower().replace("_", "-").replace(".", "-"): item["download_info"][
            "archive_info"
        ]["hashes"]["sha256"]
        for item in installs
    }


def missing(lines: list[Locked], python: str, system: System) -> list[str]:
    """Return the pins that have no wheel with a locked hash."""
    together = wheels([line.pin for line in lines], python, system)
    if together is None:  # something is missing: ask one by one to say what
        found = {k: v for line in lines for k, v in (wheels([line.pin], python, system) or {}).items()}
    else:
        found = together
    return [line.pin for line in lines if found.get(line.requirement.name.lower()) not in line.hashes]


def main() -> int:
    """Print a table of systems and Pythons; return 1 when anything is missing."""
    lock = read_lock(Path(sys.argv[1] if len(sys.argv) > 1 else "requirements.lock"))
    lacking: list[str] = []
    print("| system | " + " | ".join(f"Python {p}" for p in PYTHONS) + " |")
    print("|---" * (len(PYTHONS) + 1) + "|")
    for system in SYSTEMS:
        cells = []
        for python in PYTHONS:
            lines = [line for line in lock if line.applies(python, system)]
            gone = missing(lines, python, system)
            cells.append(f"{len(lines) - len(gone)} of {len(lines)}")
            lacking += [f"{system.name}, Python {python}: {pin}" for pin in gone]
        print(f"| {system.name} | " + " | ".join(cells) + " |", flush=True)
    print(*(["", "Without a wheel:", *lacking] if lacking else ["", "Every line has a wheel."]), sep="\n")
    return bool(lacking)


if __name__ == "__main__":
    sys.exit(main())
