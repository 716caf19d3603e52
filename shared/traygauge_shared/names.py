"""Names that come from outside (file names, EXIF, notes), made safe to show and to write."""

from __future__ import annotations

import unicodedata
from collections.abc import Container

#: Unicode categories that change the text around them or cannot be encoded: controls, formats (which hold the
#: marks that turn the reading direction), lone surrogates, line and paragraph separators.
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})

#: Device names that some systems open instead of a file, whatever the ending.
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{p}{k}" for p in ("com", "lpt") for k in range(1, 10))})

_LONGEST_STEM = 80  # characters; a name keeps its beginning
_FORBIDDEN = frozenset('/\\:*?"<>|')


def printable(text: str, *, longest: int = 200) -> str:
    r"""Return a text in which everything unseen is written out, so that a name cannot change what stands around it.

    Control characters (also those that a terminal obeys), marks that turn the reading direction and lone surrogates
    become ``\x1b`` or ``\u202e``; what is longer than `longest` characters is shortened in the middle.

    Examples
    --------
    >>> printable("tray\x1b[2J.jpg")
    'tray\\x1b[2J.jpg'
    """
    shown = "".join(_written_out(c) if unicodedata.category(c) in _UNSEEN else c for c in text)
    if len(shown) <= longest:
        return shown
    head = (longest - 1) * 2 // 3
    return f"{shown[:head]}…{shown[len(shown) - (longest - 1 - head) :]}"


def _written_out(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def typed(name: str) -> str:
    """Return a name as it is typed behind a command, in the double quotes that every shell knows where it needs them.

    Examples
    --------
    >>> typed("kitchen"), typed("my kitchen")
    ('kitchen', '"my kitchen"')
    """
    shown = printable(name, longest=400)
    plain = bool(shown) and all(c.isalnum() or c in "-_./\\:~" for c in shown)
    return shown if plain else f'"{shown}"'


def file_stem(name: str, taken: Container[str] = ()) -> str:
    """Return a file name without ending made from a photo's name: one path part, legal everywhere, not yet taken.

    Parameters
    ----------
    name : file name of a photo, from any system.
    taken : stems in use (compared in lower case, as some file systems do).

    Examples
    --------
    >>> file_stem("lot 7.jpg", {"lot 7"})
    'lot 7-2'
    """
    base = name.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]
    stem = base.rsplit(".", 1)[0] if "." in base.lstrip(".") else base
    kept = "".join("_" if c in _FORBIDDEN or unicodedata.category(c) in _UNSEEN else c for c in stem)
    kept = kept[:_LONGEST_STEM].strip(" .") or "photo"
    if kept.lower() in _DEVICES:
        kept = f"_{kept}"
    candidate, number = kept, 2
    while candidate.lower() in taken:
        candidate, number = f"{kept}-{number}", number + 1
    return candidate
