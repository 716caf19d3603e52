"""Prints of a sheet: what was measured on the paper, kept in a small file of the user's.

Printers stretch, each in its own way across and along the paper. The two bars of a print, measured once, give
two factors that scale the board's points before the camera is fitted to them.
"""

from __future__ import annotations

import json
import math
import os
import tomllib
from dataclasses import MISSING, dataclass, fields
from pathlib import Path

from traygauge_calib.sheets import SHEETS
from traygauge_shared.errors import RecordError, SpecError
from traygauge_shared.names import typed
from traygauge_shared.saving import write_whole

#: Name of the file in the folder handed in.
PRINTS_FILE = "prints.toml"
#: A bar longer or shorter than its nominal length by more than this was misread, or the sheet not printed at 100 %.
MOST_STRETCH = 0.03
#: The pieces' plane lies at most so far above or below the paper, mm.
MOST_OFFSET_MM = 30.0
_LONGEST_NAME = 60


@dataclass(frozen=True)
class PrintRecord:
    """One print, as measured with a ruler or calliper.

    Parameters
    ----------
    name : written on the paper.
    sheet : "small", "medium" or "large".
    across_mm, down_mm : lengths of its check bars, mm.
    plane_offset_mm : height of the pieces' plane over the ring's paper, mm (card thickness; negative for a tray
        seen through a cut-out).
    glued : whether the paper is glued down flat, so that it cannot sag inside the ring.
    u_bar_mm : standard uncertainty of a bar's length, mm (a ruler read to half a millimetre: 0.15).
    u_plane_offset_mm : standard uncertainty of the plane's height, mm.
    """

    name: str
    sheet: str
    across_mm: float
    down_mm: float
    plane_offset_mm: float = 0.0
    glued: bool = False
    u_bar_mm: float = 0.15
    u_plane_offset_mm: float = 0.1

    def __post_init__(self) -> None:
        """Refuse what cannot be a print, all faults at once."""
        faults = _faults(self)
        if faults:
            raise SpecError(
                f"the print {str(self.name)[:_LONGEST_NAME]!r} is wrong",
                faults=faults,
                advice="measure both bars between the outer edges of their ticks, in mm, and say which sheet it is (--size)",
            )

    @property
    def stretch(self) -> tuple[float, float]:
        """Return (across, down): true over nominal length."""
        bar_mm = SHEETS[self.sheet].bar_mm
        return self.across_mm / bar_mm, self.down_mm / bar_mm

    @property
    def u_stretch(self) -> tuple[float, float]:
        """Return the standard uncertainties of both."""
        relative = max(self.u_bar_mm / SHEETS[self.sheet].bar_mm, 1e-5)
        return relative, relative


def read_prints(folder: str | os.PathLike[str]) -> dict[str, PrintRecord]:
    """Return the prints kept in a folder by name; none where there is no file yet.

    Raises
    ------
    RecordError
        The file is there but cannot be read.
    SpecError
        It holds something else than prints; every fault is named.
    """
    path = Path(folder) / PRINTS_FILE
    try:
        text = path.read_bytes().decode("utf-8")
        entries = tomllib.loads(text).get("print", [])
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise RecordError(
            f"{PRINTS_FILE} cannot be read",
            found=f"{path}: {error.strerror or error}",
            expected="a file that can be read",
            advice="check the folder's rights",
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SpecError(
            f"{PRINTS_FILE} is not TOML",
            found=f"{path}: {error}",
            expected="the file as traygauge sheet measured writes it",
            advice="correct it, or remove it and measure the prints' bars again",
        ) from error
    return _prints_of(entries, path)


def find_print(folder: str | os.PathLike[str], name: str) -> PrintRecord:
    """Return the print of that name.

    Raises
    ------
    SpecError
        There is none; the known ones are named. Else as `read_prints`.
    """
    known = read_prints(folder)
    if name not in known:
        raise SpecError(
            f"there is no print {name!r}",
            found=", ".join(known) or "no prints at all",
            expected="the name of a print whose bars were measured",
            advice=f"traygauge sheet measured {typed(name)} --across ... --down ...",
        )
    return known[name]


def keep_print(folder: str | os.PathLike[str], record: PrintRecord) -> Path:
    """Add a print to those kept in a folder, in place of one of the same name, and return the file's path.

    Raises
    ------
    RecordError, SpecError
        The file cannot be written, or the one that is there cannot be read (it is left alone).
    """
    prints = read_prints(folder) | {record.name: record}
    head = "# Prints of the sheet, as measured. Lengths in mm. Written by traygauge sheet measured.\n"
    try:
        return write_whole(
            Path(folder) / PRINTS_FILE, (head + "".join(map(_entry, prints.values()))).encode()
        )
    except RecordError as error:
        raise RecordError(
            error.wrong,
            found=error.found,
            advice="make that folder one you may write to, or name another one in the variable TRAYGAUGE_CONFIG",
        ) from error


def _entry(record: PrintRecord) -> str:
    lines = [
        f"{field.name} = {json.dumps(getattr(record, field.name), ensure_ascii=False)}"
        for field in fields(record)
    ]
    return "\n[[print]]\n" + "\n".join(lines) + "\n"


def _prints_of(entries: object, path: Path) -> dict[str, PrintRecord]:
    """Return the prints that a file's entries stand for, or raise with all their faults."""
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        entries, faults = [], ["print: found something else, expected [[print]] tables"]
    else:
        faults = []
    known = {field.name: field for field in fields(PrintRecord)}
    prints: dict[str, PrintRecord] = {}
    for number, entry in enumerate(entries):
        wrong = [f"print[{number}].{key}: not known" for key in entry if key not in known]
        wrong += [
            f"print[{number}].{key}: missing"
            for key, field in known.items()
            if field.default is MISSING and key not in entry
        ]
        if not wrong:
            try:
                record = PrintRecord(**entry)
                prints[record.name] = record
            except SpecError as error:
                wrong = [f"print[{number}].{fault}" for fault in error.faults]
        faults += wrong
    if faults:
        raise SpecError(
            f"{PRINTS_FILE} is wrong",
            faults=tuple(faults),
            found=str(path),
            advice="correct it, or remove it and measure the prints' bars again",
        )
    return prints


def _faults(record: PrintRecord) -> tuple[str, ...]:
    """Return what is wrong with a print: field, value found, what is expected."""
    faults = []
    name = record.name
    if not (isinstance(name, str) and name.strip() and len(name) <= _LONGEST_NAME and name.isprintable()):
        faults.append(f"name: {str(name)[:80]!r}, expected 1 to {_LONGEST_NAME} printable characters")
    if record.sheet not in SHEETS:
        faults.append(f"sheet: {record.sheet!r}, expected one of {', '.join(SHEETS)}")
    else:
        bar = SHEETS[record.sheet].bar_mm
        low, high = bar * (1 - MOST_STRETCH), bar * (1 + MOST_STRETCH)
        faults += [_outside(record, key, low, high) for key in ("across_mm", "down_mm")]
    faults.append(_outside(record, "plane_offset_mm", -MOST_OFFSET_MM, MOST_OFFSET_MM))
    faults += [_outside(record, key, 0.0, 2.0) for key in ("u_bar_mm", "u_plane_offset_mm")]
    if not isinstance(record.glued, bool):
        faults.append(f"glued: {record.glued!r}, expected true or false")
    return tuple(fault for fault in faults if fault)


def _outside(record: PrintRecord, key: str, low: float, high: float) -> str:
    """Return the fault of a figure outside its bounds, or ""."""
    value = getattr(record, key)
    number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if number and low <= value <= high:
        return ""
    return f"{key}: {value!r}, expected {low:g} to {high:g} mm"
