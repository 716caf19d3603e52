"""A lens model as a small readable file that knows its camera."""

from __future__ import annotations

import json
import math
import os
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

from traygauge_calib.lens import LensModel, LensView
from traygauge_shared.errors import RecordError, SpecError
from traygauge_shared.saving import write_whole

_HEAD = """\
# The lens of one camera, fitted to several photos of a sheet. Written by traygauge lens.
# Pixels are those of photos of the size given; k1 and k2 are OpenCV's radial terms; u_... standard uncertainties.
"""
_MOST_BYTES = 1_000_000


def write_lens(path: str | os.PathLike[str], lens: LensModel) -> Path:
    """Write a lens model, whole or not at all, and return its path.

    Raises
    ------
    RecordError
        The file cannot be written.
    """
    lines = [
        f"{field.name} = {_value(getattr(lens, field.name))}"
        for field in fields(lens)
        if field.name != "views" and getattr(lens, field.name) is not None
    ]
    for view in lens.views:
        lines += [
            "",
            "[[view]]",
            *(f"{field.name} = {_value(getattr(view, field.name))}" for field in fields(view)),
        ]
    return write_whole(path, (_HEAD + "\n".join(lines) + "\n").encode())


def read_lens(path: str | os.PathLike[str]) -> LensModel:
    """Return the lens model in a file.

    Raises
    ------
    RecordError
        The file cannot be read.
    SpecError
        It is no lens model; every fault is named.
    """
    place = Path(path)
    try:
        with open(place, "rb") as file:
            table = tomllib.loads(file.read(_MOST_BYTES).decode("utf-8"))
    except OSError as error:
        raise RecordError(
            "the lens model cannot be read",
            found=f"{place}: {error.strerror or error}",
            expected="a file written by traygauge lens",
            advice="check its path, or fit the lens again",
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SpecError(
            "the lens model is not TOML",
            found=f"{place}: {error}",
            expected="a file written by traygauge lens",
            advice="fit the lens again",
        ) from error
    faults = _faults(table)
    if faults:
        raise SpecError(
            "the lens model is wrong",
            faults=faults,
            found=str(place),
            advice="correct it, or fit the lens again",
        )
    known = {key: table[key] for key in _KINDS if key in table}
    known["size_px"], known["principal_px"] = tuple(table["size_px"]), tuple(table["principal_px"])
    known.setdefault("focal_35mm", None)
    return LensModel(**known, views=tuple(LensView(**view) for view in table.get("view", [])))


#: What each field must be: a kind and, of numbers, their bounds.
_KINDS: dict[str, tuple[str, float, float]] = {
    "camera_name": ("text", 0, 0),
    "focal_35mm": ("number", 5, 1000),
    "size_px": ("pair", 100, 100_000),
    "focal_px": ("number", 100, 1e6),
    "principal_px": ("pair", 0, 100_000),
    "k1": ("number", -2, 2),
    "k2": ("number", -10, 10),
    "u_focal_px": ("number", 0, 1e5),
    "u_principal_px": ("number", 0, 1e5),
    "u_k1": ("number", 0, 10),
    "u_k2": ("number", 0, 100),
    "rms_px": ("number", 0, 100),
    "coverage": ("number", 0, 1),
}


def _faults(table: dict[str, Any]) -> tuple[str, ...]:
    """Return what is wrong with a file's entries, each with its path and value."""
    faults = [f"{key}: not known" for key in table if key not in _KINDS and key != "view"]
    faults += [f"{key}: missing" for key in _KINDS if key not in table and key != "focal_35mm"]
    for key, (kind, low, high) in _KINDS.items():
        if key not in table:
            continue
        value = table[key]
        if kind == "text":
            good = isinstance(value, str)
            wanted = "text"
        else:
            values = value if kind == "pair" and isinstance(value, list) and len(value) == 2 else [value]
            good = len(values) == (2 if kind == "pair" else 1) and all(_within(v, low, high) for v in values)
            wanted = f"{'two numbers' if kind == 'pair' else 'a number'} from {low:g} to {high:g}"
        if not good:
            faults.append(f"{key}: {str(value)[:80]!r}, expected {wanted}")
    names = {field.name for field in fields(LensView)}
    views = table.get("view", [])
    if not isinstance(views, list) or any(not isinstance(v, dict) or set(v) != names for v in views):
        faults.append(f"view: expected [[view]] tables with {', '.join(sorted(names))}")
    return tuple(faults)


def _within(value: object, low: float, high: float) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and math.isfinite(value) and low <= value <= high  # type: ignore[arg-type, operator]


def _value(value: object) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, float):
        return "nan" if math.isnan(value) else repr(float(f"{value:.9g}"))
    return json.dumps(value, ensure_ascii=False)
