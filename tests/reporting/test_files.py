"""Writing: whole or not at all."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from traygauge_shared.errors import RecordError
from traygauge_shared.saving import write_together, write_whole


def test_files_and_missing_folders_are_written(tmp_path: Path) -> None:
    one, two = tmp_path / "new" / "deep" / "a.txt", tmp_path / "b.txt"
    write_together({one: b"one", two: b"two"})
    assert one.read_bytes() == b"one"
    assert two.read_bytes() == b"two"
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["a.txt", "b.txt", "deep", "new"]


def test_what_stood_there_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes(b"old and longer")
    assert write_whole(path, b"new") == path
    assert path.read_bytes() == b"new"


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EACCES, errno.EROFS, errno.EIO])
def test_a_failing_disk_leaves_everything_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    kept = tmp_path / "a.txt"
    kept.write_bytes(b"old")
    done = 0

    def failing(handle: int) -> None:
        nonlocal done
        done += 1
        if done == 2:
            raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", failing)
    with pytest.raises(RecordError) as caught:
        write_together({kept: b"new", tmp_path / "fresh" / "b.txt": b"b"})
    assert os.strerror(code) in caught.value.found
    assert caught.value.advice
    assert kept.read_bytes() == b"old"
    assert [p.name for p in tmp_path.rglob("*")] == ["a.txt"]


def test_an_interruption_leaves_everything_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(handle: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "a.txt", b"new")
    assert list(tmp_path.iterdir()) == []


def test_a_file_where_a_folder_is_needed_is_answered(tmp_path: Path) -> None:
    (tmp_path / "out").write_bytes(b"")
    with pytest.raises(RecordError, match="folder is needed"):
        write_whole(tmp_path / "out" / "report.html", b"x")


def test_a_folder_where_a_file_is_to_be_written_is_answered(tmp_path: Path) -> None:
    (tmp_path / "report.html").mkdir()
    with pytest.raises(RecordError, match="a folder stands"):
        write_whole(tmp_path / "report.html", b"x")
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_permissions_follow_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        path = write_whole(tmp_path / "a.txt", b"x")
    finally:
        os.umask(before)
    if os.name == "posix":
        assert path.stat().st_mode & 0o777 == 0o640
