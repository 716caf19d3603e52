"""A program to call: its environment in memory, and small drawn photos to call it with."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from traygauge.cli import main
from traygauge.environment import Environment
from traygauge_shared.scenes import draw, simple_scene, write_drawn


@dataclass(frozen=True)
class Run:
    """What a call gave: its exit code and what it said."""

    code: int
    out: str
    err: str


Program = Callable[..., Run]


@pytest.fixture
def program(tmp_path: Path) -> Program:
    """Return a function that calls the program with words and gives a `Run`."""

    def call(*words: str | Path, terminal: bool = False, asked: bool = False) -> Run:
        out, err = io.StringIO(), io.StringIO()
        environment = Environment(out, err, terminal, 80, terminal, tmp_path / "config", asked)
        code = main([str(word) for word in words], environment)
        return Run(code, out.getvalue(), err.getvalue())

    return call


@pytest.fixture(scope="session")
def drawn_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with drawn photos: good.jpg (12 pieces), other.jpg (8), empty.jpg (none)."""
    folder = tmp_path_factory.mktemp("drawn")
    for name, seed, n in (("good", 2, 12), ("other", 5, 8), ("empty", 3, 0)):
        write_drawn(draw(simple_scene(seed=seed, n=n)), folder, name, images=False)
    return folder


@pytest.fixture
def photos(drawn_folder: Path, tmp_path: Path) -> Path:
    """Return a folder of the test's own with the drawn photos in it."""
    for photo in drawn_folder.glob("*.jpg"):
        (tmp_path / photo.name).write_bytes(photo.read_bytes())
    return tmp_path
