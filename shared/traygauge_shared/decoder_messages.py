"""What image libraries written in C print while they decode, caught instead of shown."""

from __future__ import annotations

import os
import tempfile
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

_stderr_lock = threading.Lock()


@contextmanager
def decoder_messages() -> Iterator[list[str]]:
    """Catch Python warnings and what is printed on file descriptor 2, as a list of lines.

    A damaged JPEG still decodes, into rubbish; libjpeg's printed complaint is the only sign of it. A progress bar
    drawn meanwhile by another thread is known by its control characters and passed on.
    """
    lines: list[str] = []
    with _stderr_lock, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            saved = os.dup(2)
        except OSError:  # a program without a console
            saved = -1
        with tempfile.TemporaryFile() as sink:
            os.dup2(sink.fileno(), 2)
            try:
                yield lines
            finally:
                if saved >= 0:
                    os.dup2(saved, 2)
                    os.close(saved)
                elif sink.fileno() != 2:
                    os.close(2)
                sink.seek(0)
                for line in sink.read().splitlines(keepends=True):
                    if b"\x1b" in line or b"\r" in line:
                        if saved >= 0:
                            os.write(2, line)
                    else:
                        lines.append(line.decode("utf-8", "replace").strip())
