"""`pieces.csv`: one row a piece, the columns of `traygauge.words.COLUMNS` in their order.

Numbers have the decimals of that list and a point; what was not measured is empty. Findings are joined by ";".
Text that a spreadsheet would run as a formula (a photo named "=1+1.jpg") gets an apostrophe in front, which reading
takes off again.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from traygauge.measure.pieces import Pieces
from traygauge.words import COLUMNS, Column
from traygauge_shared.errors import RecordError
from traygauge_shared.names import printable

#: What makes a spreadsheet take a cell for a formula, the full-width forms too; an apostrophe in front stops it.
_FORMULA = re.compile(r"^'*[=+\-@\t\r＝＋－＠]")


def pieces_csv(pieces: Pieces) -> bytes:
    r"""Return the piece table as a file's bytes: UTF-8, a header line, lines ended by "\n"; also with no pieces."""
    cells = [_writer(column)(pieces[column.name]) for column in COLUMNS]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([column.name for column in COLUMNS])
    writer.writerows(zip(*cells, strict=True))
    return text.getvalue().encode("utf-8")


def read_pieces_csv(data: bytes) -> Pieces:
    """Return the pieces of a `pieces.csv`; outlines are not in it.

    Columns that an older table lacks are empty, columns that a newer one has beyond ours are left out.

    Raises
    ------
    RecordError
        When it is no such table: not text, a first column other than ours, or a cell that is no number.
    """
    try:
        rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    except (UnicodeDecodeError, csv.Error) as error:
        raise _not_a_table(str(error)) from error
    if not rows or not {"photo", "piece"} <= set(rows[0]):
        raise _not_a_table("a header of " + printable(",".join(rows[0]) if rows else "nothing"))
    header, body = rows[0], [row for row in rows[1:] if row]
    if uneven := [k for k, row in enumerate(body, 2) if len(row) != len(header)]:
        raise _not_a_table(f"line {uneven[0]} with another number of cells than the header")
    place = {name: k for k, name in enumerate(header)}
    given: dict[str, npt.ArrayLike] = {
        c.name: _read(c, [row[place[c.name]] for row in body]) for c in COLUMNS if c.name in place
    }
    return Pieces.of(len(body), given)


def _writer(column: Column) -> Callable[[npt.NDArray[Any]], list[str]]:
    def number(values: npt.NDArray[Any]) -> list[str]:
        rounded = np.round(np.asarray(values, float), column.decimals) + 0.0  # + 0.0: no "-0.000"
        cell = f"%.{column.decimals}f"
        return [cell % v if math.isfinite(v) else "" for v in rounded.tolist()]

    def count(values: npt.NDArray[Any]) -> list[str]:
        return [str(int(v)) for v in values]

    def name(values: npt.NDArray[Any]) -> list[str]:
        return [safe_text(v) for v in values]

    return {"number": number, "count": count, "name": name, "names": name}[column.kind]


def safe_text(value: object) -> str:
    """Return a text, or several joined by ";", as a cell that no spreadsheet runs as a formula."""
    joined = ";".join(map(str, value)) if isinstance(value, (tuple, list)) else str(value)
    shown = printable(joined)
    return f"'{shown}" if _FORMULA.match(shown) else shown


def _read(column: Column, cells: list[str]) -> npt.NDArray[Any]:
    if column.kind in ("name", "names"):
        texts = np.empty(len(cells), object)
        texts[:] = [c[1:] if c.startswith("'") and _FORMULA.match(c[1:]) else c for c in cells]
        return texts
    try:
        if column.kind == "count":
            return np.array([int(c or 0) for c in cells], np.int64)
        return np.array([float(c) if c else np.nan for c in cells], np.float64)
    except ValueError as error:
        raise _not_a_table(f"column {column.name}: {error}") from error


def _not_a_table(found: str) -> RecordError:
    return RecordError(
        "this is no table of pieces",
        found=found,
        expected="a pieces.csv as written by traygauge",
        advice="inspect the photos again",
    )
