"""Pieces of known size, as a user lists them in a small table: the number of a piece, and how large it is."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.judge.matching import match_places
from traygauge.measure.pieces import Pieces
from traygauge_shared.errors import SpecError
from traygauge_shared.names import printable

FloatArray = npt.NDArray[np.float64]

SIZES = ("length_mm", "u_length_mm", "diameter_mm", "u_diameter_mm")
_EXPECTED = (
    "a first line with piece, length_mm and/or diameter_mm (u_length_mm, u_diameter_mm and photo may stand there "
    "too), then a line a piece"
)
_MOST_BYTES = 4 * 2**20


@dataclass(frozen=True, eq=False)
class KnownPieces:
    """What is known of some pieces.

    Parameters
    ----------
    photo : tuple of n names; "" means the first photo, and the same pieces in the others.
    piece : ndarray (n,), int: numbers as in the report on that photo.
    sizes : "length_mm", "u_length_mm", "diameter_mm", "u_diameter_mm" -> ndarray (n,), mm; NaN where not given.
    """

    photo: tuple[str, ...]
    piece: npt.NDArray[np.int64]
    sizes: dict[str, FloatArray]

    def __len__(self) -> int:
        return len(self.piece)

    def by_row(self, pieces: Pieces, photos: Sequence[str]) -> dict[str, FloatArray]:
        """Return what is known of each row of a table of pieces: name as in `sizes` -> ndarray (rows,), NaN for none.

        Where no photo is named, the numbers are those of the first photo, and the same pieces are looked for at the
        same places of the others.

        Raises
        ------
        SpecError
            A listed piece is not in the photos.
        """
        photo, number = pieces["photo"].astype(str), pieces["piece"]
        rows = [
            np.flatnonzero((photo == (name or photos[0])) & (number == piece))
            for name, piece in zip(self.photo, self.piece, strict=True)
        ]
        lost = [
            f"piece {piece}: not in {printable(name or photos[0])}"
            for name, piece, row in zip(self.photo, self.piece, rows, strict=True)
            if not row.size
        ]
        if lost:
            raise SpecError(
                "the list of known pieces does not fit the photos",
                faults=tuple(lost),
                found=f"photos {', '.join(map(printable, photos))}",
                advice="inspect the photo first and take the numbers from its report",
            )
        known = {key: np.full(len(pieces), np.nan) for key in SIZES}
        again = _found_again(pieces, photos) if "" in self.photo else {}
        for k, (name, row) in enumerate(zip(self.photo, rows, strict=True)):
            everywhere = [*row, *(again.get(int(row[0]), ()) if not name else ())]
            for key in SIZES:
                known[key][everywhere] = self.sizes[key][k]
        return known


def _found_again(pieces: Pieces, photos: Sequence[str]) -> dict[int, list[int]]:
    """Return row of each piece of the first photo -> its rows in the other photos, by place."""
    place = np.stack([pieces["x_mm"], pieces["y_mm"]], -1).astype(float)
    here, *others = (np.flatnonzero(pieces["photo"].astype(str) == name) for name in photos)
    again: dict[int, list[int]] = {int(row): [] for row in here}
    for there in others:
        for row, k in zip(here, match_places(place[here], place[there]), strict=True):
            if k >= 0:
                again[int(row)].append(int(there[k]))
    return again


def read_known(data: bytes, name: str) -> KnownPieces:
    """Return the pieces listed in a table's bytes: CSV with a comma, or a semicolon and decimal commas.

    Raises
    ------
    SpecError
        It is no such table; every fault is named with its line.
    """
    try:
        text = data[:_MOST_BYTES].decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _wrong(name, str(error)) from error
    mark = ";" if ";" in text.partition("\n")[0] else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
    rows = [(reader.line_num, row) for row in reader if any(row)]
    header = [cell.strip() for cell in rows[0][1]] if rows else []
    if "piece" not in header or not {"length_mm", "diameter_mm"} & set(header):
        raise _wrong(name, ",".join(header) or "nothing")
    faults = [f"{cell}: not known" for cell in header if cell not in ("photo", "piece", *SIZES)]
    lines = [line for line, _ in rows[1:]]
    listed = [dict(zip(header, (c.strip() for c in row), strict=False)) for _, row in rows[1:]]
    piece = [_whole(row.get("piece", ""), line, faults) for line, row in zip(lines, listed, strict=True)]
    sizes = {
        key: np.array(
            [_size(row.get(key, ""), key, line, faults) for line, row in zip(lines, listed, strict=True)]
        )
        for key in SIZES
    }
    faults += _listed_twice([row.get("photo", "") for row in listed], piece, lines)
    if faults or not listed:
        raise _wrong(name, f"{len(listed)} pieces", tuple(faults))
    return KnownPieces(tuple(row.get("photo", "") for row in listed), np.array(piece, np.int64), sizes)


def _listed_twice(photos: list[str], pieces: list[int], lines: list[int]) -> list[str]:
    """Return a fault for each line whose piece stands in one before: which of the two sizes holds is not ours to say."""
    first: dict[tuple[str, int], int] = {}
    for photo, piece, line in zip(photos, pieces, lines, strict=True):
        first.setdefault((photo, piece), line)
    return [
        f"line {line}, piece: {piece} stands in line {before} already, expected each piece once"
        for photo, piece, line in zip(photos, pieces, lines, strict=True)
        if piece and (before := first[photo, piece]) != line
    ]


def _whole(cell: str, line: int, faults: list[str]) -> int:
    if cell.isascii() and cell.isdigit() and len(cell) < 10:
        return int(cell)
    faults.append(f"line {line}, piece: found {printable(cell, longest=40)!r}, expected a piece's number")
    return 0


def _size(cell: str, key: str, line: int, faults: list[str]) -> float:
    if not cell:
        return math.nan
    try:
        size = float(cell.replace(",", "."))
    except ValueError:
        size = math.nan
    if not 0 <= size <= 1000 or (size == 0 and not key.startswith("u_")):
        shown = printable(cell, longest=40)
        faults.append(f"line {line}, {key}: found {shown!r}, expected a size in mm up to 1000")
    return size


def _wrong(name: str, found: str, faults: tuple[str, ...] = ()) -> SpecError:
    return SpecError(
        "the list of known pieces is wrong",
        faults=faults,
        found=f"{printable(name)}: {printable(found)}",
        expected=_EXPECTED,
        advice="correct the table; a piece's number stands beside it in the report",
    )
