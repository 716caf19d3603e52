"""What surrounds a run of the program: streams, terminal, folders. Handed to `main`, so that tests hand in their own."""

from __future__ import annotations

import io
import os
import shutil
import sys
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO


@dataclass(frozen=True)
class Environment:
    """Streams, terminal and folders.

    Parameters
    ----------
    out, err : where results and where messages go.
    err_is_terminal : whether a person is looking at the messages.
    width : columns that a result may have.
    colour : whether bold and dim may be used in results.
    config_folder : where the user's own things are kept, such as measured prints.
    in_is_terminal : whether a person can be asked.
    """

    out: TextIO
    err: TextIO
    err_is_terminal: bool
    width: int
    colour: bool
    config_folder: Path
    in_is_terminal: bool = False

    @classmethod
    def of_process(cls) -> Environment:
        """Return the environment of the running process."""
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")  # an old console must not turn "°" into a crash
        terminal = sys.stdout.isatty()
        return cls(
            out=sys.stdout,
            err=sys.stderr,
            err_is_terminal=sys.stderr.isatty(),
            width=min(100, shutil.get_terminal_size((80, 24)).columns) if terminal else 80,
            colour=terminal and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb",
            config_folder=_config_folder(),
            in_is_terminal=sys.stdin is not None and sys.stdin.isatty(),
        )

    def say(self, text: str = "") -> None:
        """Write a line of the result."""
        print(text, file=self.out)

    def tell(self, text: str) -> None:
        """Write a line beside the result: a message, an error; in a log of both it stands behind what was said before."""
        self.out.flush()
        print(text, file=self.err)

    def wrapped(self, text: str, indent: str = "") -> str:
        """Return a sentence in lines no wider than a result may be; paths and options stay whole."""
        lines = textwrap.wrap(
            text,
            self.width,
            initial_indent=indent,
            subsequent_indent=indent + "  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
        return "\n".join(lines)


def _config_folder() -> Path:
    """Return the user's folder for this program's settings, by the habits of the system."""
    if chosen := os.environ.get("TRAYGAUGE_CONFIG"):
        return Path(chosen)
    if sys.platform == "win32":
        base = os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming"
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config"
    return Path(base) / "traygauge"
