"""What is read from the process that the program runs in."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from traygauge.environment import Environment


@pytest.mark.parametrize(
    ("platform", "variables", "folder"),
    [
        ("linux", {"XDG_CONFIG_HOME": "/x"}, Path("/x/traygauge")),
        ("linux", {"HOME": "/h"}, Path("/h/.config/traygauge")),
        ("darwin", {"HOME": "/h"}, Path("/h/Library/Application Support/traygauge")),
        ("win32", {"APPDATA": "/a"}, Path("/a/traygauge")),
        ("win32", {"HOME": "/h"}, Path("/h/AppData/Roaming/traygauge")),
        ("linux", {"TRAYGAUGE_CONFIG": "/mine"}, Path("/mine")),
    ],
)
def test_the_users_folder_is_where_the_system_keeps_such_things(
    platform: str, variables: dict[str, str], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("XDG_CONFIG_HOME", "APPDATA", "TRAYGAUGE_CONFIG"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "platform", platform)
    assert Environment.of_process().config_folder == folder


class Terminal(io.StringIO):
    """A stream that a person looks at."""

    def isatty(self) -> bool:
        return True


def test_colour_is_for_terminals_that_want_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert not Environment.of_process().colour  # pytest's own streams are no terminal
    monkeypatch.setattr(sys, "stdout", Terminal())
    assert Environment.of_process().colour
    monkeypatch.setenv("NO_COLOR", "1")
    assert not Environment.of_process().colour
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert not Environment.of_process().colour


def test_an_old_console_gets_a_question_mark_and_no_crash(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
    environment = Environment.of_process()
    environment.say("12 °")
    environment.out.flush()
    assert raw.getvalue().split() == [b"12", b"?"]


def test_in_a_log_of_both_streams_a_message_stands_behind_what_was_said_before_it() -> None:
    log = io.BytesIO()
    out, err = io.TextIOWrapper(log, encoding="utf-8"), io.TextIOWrapper(log, write_through=True)
    environment = Environment(out, err, False, 80, False, Path())
    environment.say("said first")
    environment.tell("told then")
    assert log.getvalue().split() == b"said first told then".split()
