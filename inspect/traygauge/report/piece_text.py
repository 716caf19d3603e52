"""What is said about single pieces: every figure rounded once, then used by readout, table, close-ups and terminal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from traygauge.measure.pieces import Pieces
from traygauge.report.model import Fact, TableColumn
from traygauge.report.numbers import NOTHING, column_decimals, fixed, spread, with_unit
from traygauge.words import COLUMNS, MEASURED_STATES, Column
from traygauge_shared.names import printable

#: The columns that a reader is shown, in this order; `pieces.csv` has all of them.
_READ = (
    "length_mm",
    "diameter_mm",
    "aspect_ratio",
    "tail_length_mm",
    "tail_width_mm",
    "burr_mm",
    "cut_angle_deg",
    "bend_radius_mm",
    "feret_max_mm",
    "feret_min_mm",
    "area_mm2",
    "mass_mg",
    "colour",
    "x_mm",
    "y_mm",
)

_LABELS = {
    "length_mm": "cut length",
    "aspect_ratio": "length / diameter",
    "feret_max_mm": "largest extent",
    "feret_min_mm": "smallest extent",
    "x_mm": "place across",
    "y_mm": "place down",
}

_SHORT = {"cut length": "length", "tail length": "tail"}

#: Shown with fewer decimals: where a piece lies, what follows from lengths known to some per cent, and the radius of a
#: bend, which a piece is too short to show better than to a millimetre.
_COARSE = {"x_mm": 1, "y_mm": 1, "area_mm2": 1, "mass_mg": 1, "bend_radius_mm": 0}

_UNIT_ENDINGS = ("_mm2", "_mm3", "_mm", "_deg", "_mg")

_BY_NAME = {c.name: c for c in COLUMNS}


def label_of(column: Column) -> str:
    """Return what a column is called in running text: its name without the unit, in plain words."""
    if column.name in _LABELS:
        return _LABELS[column.name]
    stem = next((column.name.removesuffix(e) for e in _UNIT_ENDINGS if column.name.endswith(e)), column.name)
    return stem.replace("_", " ")


@dataclass(frozen=True, eq=False)
class PieceText:
    """The figures of all pieces as text: column name -> a text a piece, "" where nothing was measured."""

    pieces: Pieces
    texts: dict[str, list[str]]

    def measures(self, place: int) -> tuple[Fact, ...]:
        """Return the few figures that stand under a close-up, with short names."""
        found = self.facts(place, ("length_mm", "diameter_mm", "tail_length_mm", "burr_mm"))
        short = tuple(Fact(_SHORT.get(f.label, f.label), f.text) for f in found)
        return short or self.facts(place, ("feret_max_mm",))

    def facts(self, place: int, names: tuple[str, ...] = _READ) -> tuple[Fact, ...]:
        """Return the non-empty figures of one piece with their units."""
        return tuple(
            Fact(label_of(_BY_NAME[n]), with_unit(text, _BY_NAME[n].unit))
            for n in names
            if (text := self.texts[n][place])
        )

    def names_of(self, place: int) -> str:
        """Return what is to be said of a piece in words: findings, else its state, else its form."""
        findings = str(self.pieces["findings"][place]).replace(";", ", ")
        state = str(self.pieces["state"][place])
        seen = "" if state in MEASURED_STATES or not state else state
        return ", ".join(t for t in (findings, seen) if t) or str(self.pieces["form"][place])

    def spoken(self, place: int) -> str:
        """Return the sentence that names a piece to someone who hears the page."""
        head = f"Piece {int(self.pieces['piece'][place])}, {self.names_of(place)}"
        said = [f"{f.label} {f.text}" for f in self.facts(place, ("length_mm", "diameter_mm"))]
        if tail := self.facts(place, ("tail_length_mm",)):
            said.append(f"tail {tail[0].text}")
        return f"{head}: {', '.join(said) or 'not measured'}"

    def table_columns(self) -> tuple[TableColumn, ...]:
        """Return the columns of the table of all pieces; figures that no piece has are left out."""
        words = tuple(
            TableColumn(n, n, "", _BY_NAME[n].meaning, n == "piece")
            for n in ("photo", "piece", "form", "state", "findings")
        )
        filled = [n for n in _READ if any(self.texts[n]) or not len(self.pieces)]
        return words + tuple(
            TableColumn(n, label_of(c), c.unit, c.meaning, c.kind != "name")
            for n in filled
            for c in (_BY_NAME[n],)
        )

    def table_rows(self) -> tuple[tuple[str, ...], ...]:
        """Return a row of texts a piece, after `table_columns`."""
        names = [c.name for c in self.table_columns()]
        columns = [self.texts.get(n) or [printable(str(v)) for v in self.pieces[n]] for n in names]
        return tuple(zip(*columns, strict=True))


def piece_text(pieces: Pieces) -> PieceText:
    """Return the figures of all pieces as text, each column rounded to its own uncertainty."""
    return PieceText(pieces, {n: _texts(pieces, _BY_NAME[n]) for n in _READ})


def _texts(pieces: Pieces, column: Column) -> list[str]:
    values = pieces[column.name]
    if column.kind == "name":
        return [printable(str(v)) for v in values]
    u = pieces[column.uncertainty] if column.uncertainty else None
    decimals = column_decimals(u, _COARSE.get(column.name, column.decimals))
    spreads = [""] * len(values) if u is None else [spread(float(v), decimals) for v in u]
    shown = [fixed(float(v), decimals) for v in values]
    nil = column.name.startswith(
        ("tail", "burr")
    )  # no tail and no burr are shown as nothing rather than 0.00
    return [
        "" if t == NOTHING or (nil and v == 0) else f"{t} {s}".strip()
        for t, s, v in zip(shown, spreads, np.asarray(values, float), strict=True)
    ]
