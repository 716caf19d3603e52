"""The measured pieces: columns over all pieces of one or more photos, and an outline each."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from traygauge.words import COLUMNS, MEASURED_STATES, Column

if TYPE_CHECKING:
    import pandas as pd

Array = npt.NDArray[Any]
_DTYPE = {"number": np.float64, "count": np.int64, "name": object, "names": object}


def _empty(column: Column, n: int) -> Array:
    fill = {"number": np.nan, "count": 0, "name": "", "names": ""}[column.kind]
    return np.full(n, fill, dtype=_DTYPE[column.kind])


@dataclass(frozen=True, eq=False)
class Pieces:
    """Columns over pieces, after `traygauge.words.COLUMNS`. Empty numbers are NaN, never guessed.

    Parameters
    ----------
    columns : name -> ndarray (n,); every column of the list is there, also when n is 0.
    outlines_mm : tuple of n ndarrays (k, 2): whole outline (tails included) in sheet mm, in the pieces' plane at
        half the piece's height.
    tails_mm : tuple of n tuples of ndarrays (k, 2): centreline of each tail, sheet mm.
    centrelines_mm : tuple of n ndarrays (k, 2): the body's centreline from cut face to cut face; (0, 2) where none.
    u_parts : name of an uncertainty component -> ndarray (n, 2) of its share in u(length), u(diameter), mm. Names
        starting with "shared " belong to what all pieces of a photo share.
    """

    columns: dict[str, Array]
    outlines_mm: tuple[npt.NDArray[np.float64], ...] = ()
    tails_mm: tuple[tuple[npt.NDArray[np.float64], ...], ...] = ()
    centrelines_mm: tuple[npt.NDArray[np.float64], ...] = ()
    u_parts: dict[str, npt.NDArray[np.float64]] = field(default_factory=dict)

    @classmethod
    def of(cls, n: int, given: dict[str, npt.ArrayLike], **parts: Any) -> Pieces:
        """Return pieces with the given columns, every other one empty. Unknown names are a KeyError."""
        known = {c.name: c for c in COLUMNS}
        if unknown := set(given) - set(known):
            raise KeyError(f"no such columns: {sorted(unknown)}")
        columns = {
            c.name: np.asarray(given[c.name]).astype(_DTYPE[c.kind]) if c.name in given else _empty(c, n)
            for c in COLUMNS
        }
        if wrong := [k for k, v in columns.items() if v.shape != (n,)]:
            raise ValueError(f"columns of another length than {n}: {wrong}")
        return cls(columns, **parts)

    def __len__(self) -> int:
        return len(self.columns["piece"])

    def __getitem__(self, name: str) -> Array:
        return self.columns[name]

    @property
    def measured(self) -> npt.NDArray[np.bool_]:
        """Return which pieces are measured (n,), bool: those that lie, and leaning ones whose length could be told."""
        state = self["state"].astype(str)
        lies = np.isin(state, sorted(MEASURED_STATES))
        return np.asarray(lies | (state == "leaning") & np.isfinite(self["length_mm"]))

    def take(self, index: npt.ArrayLike) -> Pieces:
        """Return the pieces of an index or mask, in that order."""
        i = np.arange(len(self))[np.asarray(index)]
        return Pieces(
            {k: v[i] for k, v in self.columns.items()},
            tuple(self.outlines_mm[k] for k in i),
            tuple(self.tails_mm[k] for k in i),
            tuple(self.centrelines_mm[k] for k in i),
            {k: v[i] for k, v in self.u_parts.items()},
        )

    def with_columns(self, **given: npt.ArrayLike) -> Pieces:
        """Return the same pieces with some columns replaced."""
        known = {c.name: c for c in COLUMNS}
        new = {k: np.asarray(v).astype(_DTYPE[known[k].kind]) for k, v in given.items()}
        return replace(self, columns={**self.columns, **new})

    @classmethod
    def joined(cls, many: list[Pieces]) -> Pieces:
        """Return the pieces of several photos in one table (an empty list gives an empty table)."""
        if not many:
            return cls.of(0, {})
        return cls(
            {c.name: np.concatenate([p.columns[c.name] for p in many]) for c in COLUMNS},
            tuple(o for p in many for o in p.outlines_mm),
            tuple(t for p in many for t in p.tails_mm),
            tuple(c for p in many for c in p.centrelines_mm),
            _joined_parts(many),
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the columns as a pandas DataFrame, a row a piece."""
        import pandas as pd

        return pd.DataFrame(self.columns)

    def _repr_html_(self) -> str:
        return str(self.to_frame().round(3).to_html(max_rows=20))

    def __repr__(self) -> str:
        return f"Pieces({len(self)} pieces, {len(set(self['photo']))} photos)"


def _joined_parts(many: list[Pieces]) -> dict[str, npt.NDArray[np.float64]]:
    names = sorted({k for p in many for k in p.u_parts})
    return {k: np.concatenate([p.u_parts.get(k, np.zeros((len(p), 2))) for p in many]) for k in names}
