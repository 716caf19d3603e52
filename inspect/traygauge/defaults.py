"""Defaults that stand in a `traygauge.toml` beside the photos."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from traygauge_shared.errors import SpecError

DEFAULTS_FILE = "traygauge.toml"
_MOST_BYTES = 64 * 1024
_KINDS: dict[str, tuple[type, ...]] = {
    "spec": (str,),
    "print": (str,),
    "px_per_mm": (int, float),
    "scan": (bool,),
    "lens": (str,),
}
_EXPECTED = {
    "spec": 'a path or the name of a shipped spec, as "rigid-1.75"',
    "print": "the name of a measured print",
    "px_per_mm": "a number",
    "scan": "true or false",
    "lens": "the path of a lens model",
}


@dataclass(frozen=True)
class Defaults:
    """What a `traygauge.toml` says; None where it says nothing.

    Parameters
    ----------
    path : the file, None where there is none.
    spec : path of the spec (resolved from the file's folder), or the name of a shipped one.
    print_name : which print of the sheet lies under the pieces.
    px_per_mm, scan : where the scale comes from without a sheet.
    lens : path of the lens model (resolved likewise).
    """

    path: Path | None = None
    spec: str | None = None
    print_name: str | None = None
    px_per_mm: float | None = None
    scan: bool = False
    lens: str | None = None

    def in_words(self) -> str:
        """Return one line that says what was taken from where."""
        values = self.spec, self.print_name, self.px_per_mm, self.scan, self.lens
        said = dict(zip(_KINDS, values, strict=True))
        listed = ", ".join(f"{k} = {v}" for k, v in said.items() if v not in (None, False))
        return f"Defaults from {self.path}: {listed or 'none'}"


def read_defaults(photos: Sequence[Path]) -> Defaults:
    """Return the defaults that stand beside the photos of a batch.

    Raises
    ------
    SpecError
        The file is wrong (every fault is named), or the photos lie beside different ones.
    """
    files = {f for p in photos if (f := p.parent / DEFAULTS_FILE).is_file()}
    contents = {f: _table(f) for f in sorted(files)}
    if len({repr(table) for table in contents.values()}) > 1:
        raise SpecError(
            f"the photos lie beside different {DEFAULTS_FILE} files",
            found=", ".join(map(str, contents)),
            expected="one set of defaults for one batch",
            advice="inspect the folders one by one, or say everything on the command line",
        )
    for file, table in contents.items():
        return Defaults(
            file,
            _beside(table.get("spec"), file),
            table.get("print"),
            table.get("px_per_mm"),
            table.get("scan", False),
            _beside(table.get("lens"), file),
        )
    return Defaults()


def _beside(name: str | None, file: Path) -> str | None:
    """Return what lies beside the file by its path, anything else by its name."""
    return str(file.parent / name) if name and (file.parent / name).is_file() else name


def _table(file: Path) -> dict[str, Any]:
    try:
        with file.open("rb") as stream:
            table = tomllib.loads(stream.read(_MOST_BYTES).decode("utf-8-sig"))
    except (OSError, ValueError) as fault:
        raise SpecError(
            f"{DEFAULTS_FILE} cannot be read",
            found=f"{file}: {fault}",
            expected='lines like spec = "my-spec.toml"',
            advice="correct the file, or move it away",
        ) from fault
    faults = [f"{key}: unknown, expected one of {', '.join(_KINDS)}" for key in table if key not in _KINDS]
    faults += [
        f"{key}: found {value!r}, expected {_EXPECTED[key]}"
        for key, value in table.items()
        if key in _KINDS
        and (not isinstance(value, _KINDS[key]) or (key != "scan" and isinstance(value, bool)))
    ]
    if faults:
        raise SpecError(
            f"{DEFAULTS_FILE} is wrong", faults=tuple(faults), found=str(file), advice="correct these lines"
        )
    return table
