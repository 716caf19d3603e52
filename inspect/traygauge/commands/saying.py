"""How commands say what they found: sentences, tables under each other, JSON for scripts, photos that were refused."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import textwrap
from collections.abc import Iterable, Sequence
from enum import Enum
from pathlib import Path
from typing import Any

from traygauge.environment import Environment
from traygauge_shared.errors import TraygaugeError

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=%|mm\b)")


def say_heading(env: Environment, text: str) -> None:
    """Say a line that stands over what follows."""
    env.say(f"\n\x1b[1m{text}\x1b[0m" if env.colour else f"\n{text}")


def say_list(env: Environment, sentences: Iterable[str], *, mark: str = "- ") -> None:
    """Say sentences one under the other, wrapped to the terminal; a number keeps its unit beside it."""
    for sentence in sentences:
        tied = _BEFORE_UNIT.sub("\u00a0", sentence)
        said = textwrap.fill(tied, env.width, initial_indent=mark, subsequent_indent=" " * len(mark))
        env.say(said.replace("\u00a0", " "))


def say_table(env: Environment, rows: Sequence[Sequence[str]], header: Sequence[str] = ()) -> None:
    """Say rows of cells under each other: the first column on the left, the middle ones on the right.

    The last column stands on the right too where it holds numbers, else on the left, and is wrapped.
    """
    lines = [*([tuple(header)] if header else []), *map(tuple, rows)]
    if not lines:
        return
    widths = [max(len(line[k]) for line in lines) for k in range(len(lines[0]))]
    for line in lines:
        first, *middle, last = line
        cells = [first.ljust(widths[0]), *(c.rjust(w) for c, w in zip(middle, widths[1:], strict=False))]
        before = "  " + "  ".join(cells) + "  "
        room = max(env.width - len(before), 20)
        head, *more = textwrap.wrap(last.rjust(widths[-1]) if _is_number(last) else last, room) or [""]
        env.say((before + head).rstrip().replace("\u00a0", " "))
        for rest in more:
            env.say(" " * len(before) + rest)


def _is_number(text: str) -> bool:
    return bool(text) and (text.lstrip("+-−")[:1].isdigit())


def say_json(env: Environment, value: object) -> None:
    """Say a value as JSON: frozen values by their fields, NaN and infinity as null."""
    env.say(json.dumps(_plain(value), indent=2, ensure_ascii=False, allow_nan=False))


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, str | bool | int | None):
        return value
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, Iterable):
        return [_plain(v) for v in value]
    number = float(value)
    return number if math.isfinite(number) else None


def tell_refused(env: Environment, refused: Iterable[tuple[str, TraygaugeError]]) -> None:
    """Tell beside the result which photos (by name) were not used, and what to do about each."""
    from traygauge.records import printable

    for name, error in refused:
        first, *rest = (printable(line, longest=1000) for line in error.lines())
        env.tell(env.wrapped(f"{printable(name)}: {first}"))
        for line in rest:
            env.tell(env.wrapped(line, "  "))
