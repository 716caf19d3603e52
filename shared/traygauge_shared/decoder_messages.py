"""What image libraries written in C print while they decode, caught instead of shown."""

from __future__ import annotations

import os
import tempfile
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

_stderr_lock = threading.Lock()
_MARKS = (b"JPEG", b"JFIF", b"SOS", b"libpng", b"TIFF", b"imgcodecs")


@contextmanager
def decoder_messages() -> Iterator[list[str]]:
    """Catch Python warnings and what image libraries print on file descriptor 2, as a list of lines.

    A damaged JPEG still decodes, into rubbish; libjpeg's printed complaint is the only sign of it. What anybody
    else prints meanwhile (a progress bar in another thread) is passed on.
    """
    lines: list[str] = []
    with _stderr_lock, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            saved = os.dup(2)
        except OSError:  # a program without a console
            yield lines
            return
        with tempfile.TemporaryFile() as sink:
            os.dup2(sink.fileno(), 2)
            try:
                yield lines
            finally:
                os.dup2(saved, 2)
                os.close(saved)
                sink.seek(0)
                for line in sink.read().splitlines(keepends=True):
                    if any(mark in line for mark in _MARKS):
                        lines.append(line.decode("utf-8", "replace").strip())
                    else:
                        os.write(2, line)
