"""Photos with their truth beside them, in a folder."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ENDINGS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic")


@dataclass(frozen=True)
class TruePhoto:
    """A photo and the file that holds its truth."""

    name: str
    photo: Path
    truth: Path


def photos_in(folder: Path) -> Iterator[TruePhoto]:
    """Yield the photos of a folder that have a `NAME.truth.csv` beside them, by name."""
    for truth in sorted(folder.glob("*.truth.csv")):
        name = truth.name.removesuffix(".truth.csv")
        found = [p for p in (folder / (name + e) for e in ENDINGS) if p.exists()]
        if found:
            yield TruePhoto(name, found[0], truth)
