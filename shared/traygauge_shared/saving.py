"""Files written beside their place and renamed when whole: what is there is either the old state or the new one."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Mapping
from pathlib import Path

from traygauge_shared.errors import RecordError
from traygauge_shared.names import printable

_ADVICE = {
    errno.ENOSPC: "free some space, or choose another folder with --out",
    errno.EDQUOT: "free some space, or choose another folder with --out",
    errno.EACCES: "choose a folder you may write to with --out",
    errno.EPERM: "choose a folder you may write to with --out",
    errno.EROFS: "choose a folder on a disk that can be written to with --out",
    errno.ENOTDIR: "a file stands where a folder is needed: move it, or choose another folder with --out",
    errno.EEXIST: "a file stands where a folder is needed: move it, or choose another folder with --out",
    errno.EISDIR: "a folder stands where a file is to be written: move it, or choose another folder with --out",
    errno.ENAMETOOLONG: "choose a folder with a shorter path with --out",
}


def write_whole(path: str | os.PathLike[str], data: bytes) -> Path:
    """Write one file whole or not at all, and return its path (see `write_together`)."""
    place = Path(path)
    write_together({place: data})
    return place


def write_together(files: Mapping[Path, bytes]) -> None:
    """Write several files so that a full disk, a missing right or an interruption leaves none of them half written.

    All are first written beside their places, under names of their own; only when every one of them is whole and on
    the disk are they renamed. Missing folders are made, and removed again where nothing came of it.

    Raises
    ------
    RecordError
        When a file cannot be written; what stood at the places before is untouched.
    """
    made: list[Path] = []
    waiting: dict[Path, Path] = {}
    path = Path()
    try:
        for path, data in files.items():
            made += _make_folder(path.parent)
            waiting[path] = _beside(path, data)
        for path, whole in waiting.items():
            os.replace(whole, path)
    except BaseException as error:
        for whole in waiting.values():
            whole.unlink(missing_ok=True)
        _remove_empty(made)
        if isinstance(error, OSError):
            raise _answer(error, path) from error
        raise


def _beside(path: Path, data: bytes) -> Path:
    """Write the bytes into the file's folder under a hidden name of their own and return that path."""
    place = path.with_name(f".{secrets.token_hex(8)}.part")
    handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        place.unlink(missing_ok=True)
        raise
    return place


def _make_folder(folder: Path) -> list[Path]:
    """Make a folder with what it stands in, and return those that were new, the innermost last."""
    missing = [p for p in (folder, *folder.parents) if not p.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return missing[::-1]


def _remove_empty(folders: list[Path]) -> None:
    for folder in reversed(folders):
        try:
            folder.rmdir()
        except OSError:  # not empty, or gone: not ours to remove
            return


def _answer(error: OSError, path: Path) -> RecordError:
    return RecordError(
        f"cannot write {printable(path.name)} to {printable(str(path.parent), longest=400)}",
        found=error.strerror or type(error).__name__,
        advice=_ADVICE.get(error.errno or 0, "choose another folder with --out"),
    )
