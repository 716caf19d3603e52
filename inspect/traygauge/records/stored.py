"""Inspected batches: as they come from `inspect_batch`, or as read back from the folder of their report."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from traygauge.batch import Batch
from traygauge.measure.pieces import Pieces
from traygauge.records.table import read_pieces_csv
from traygauge.records.verdict_json import read_verdict_json, verdict_document
from traygauge_shared.errors import RecordError
from traygauge_shared.names import printable

if TYPE_CHECKING:
    from traygauge.judge.spec import Spec

TABLE, VERDICT = "pieces.csv", "verdict.json"
_MOST_BYTES = 512 * 2**20


@dataclass(frozen=True)
class ScaleSource:
    """What a photo's scale hangs on: photos that agree in all of it share the error of their scale."""

    source: str
    sheet: str
    print_name: str
    camera: str

    @property
    def is_known(self) -> bool:
        """Return whether agreeing means the same thing: a named print and a named camera, or the same scanner."""
        return bool(self.camera) and (self.source != "sheet" or bool(self.print_name))


@dataclass(frozen=True, eq=False)
class StoredBatch:
    """What is kept of a batch.

    Parameters
    ----------
    name : of its folder or first photo.
    pieces : the table; without outlines where it was read back, its shared uncertainty as one part.
    windows_mm : photo -> (x0, y0, x1, y1) of its window, sheet mm.
    spec : what it was judged against, or None.
    scales : what the photos' scales hang on.
    """

    name: str
    pieces: Pieces
    windows_mm: dict[str, tuple[float, float, float, float]]
    spec: Spec | None
    scales: frozenset[ScaleSource]


def is_stored(folder: Path) -> bool:
    """Return whether a folder holds an inspected batch."""
    return (folder / TABLE).is_file() and (folder / VERDICT).is_file()


def kept(batch: Batch, name: str) -> StoredBatch:
    """Return what is kept of a batch just inspected."""
    windows = {p.photo.name: p.tray.window_mm for p in batch.photos}
    return StoredBatch(name, batch.pieces, windows, batch.spec, _scales(verdict_document(batch)))


def read_batch(folder: Path) -> StoredBatch:
    """Return the batch that was inspected into a folder.

    Raises
    ------
    RecordError
        The folder holds none, or its files are damaged or do not belong together.
    """
    from pydantic import ValidationError

    from traygauge.judge.spec import Spec

    document = read_verdict_json(_read(folder / VERDICT))
    pieces = read_pieces_csv(_read(folder / TABLE))
    try:
        spec = None if document["spec"] is None else Spec.model_validate(document["spec"])
        windows, scales = _windows(document), _scales(document)
        shared = {str(p["name"]): _shared(p.get("u_shared_mm")) for p in document["photos"]}
    except (KeyError, TypeError, ValueError, AttributeError, ValidationError) as fault:
        raise _damaged(folder, f"{type(fault).__name__} in {VERDICT}") from fault
    if strange := set(pieces["photo"].astype(str)) - set(windows):
        raise _damaged(folder, f"pieces of {printable(min(strange))}, of which {VERDICT} says nothing")
    return StoredBatch(folder.absolute().name, _with_shared(pieces, shared), windows, spec, scales)


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_MOST_BYTES)
    except OSError as error:
        raise RecordError(
            "the results of a batch cannot be read",
            found=f"{path}: {error.strerror or error}",
            expected=f"a folder with {TABLE} and {VERDICT}, as traygauge inspect writes it",
            advice="inspect the photos again",
        ) from error


def _windows(document: dict[str, Any]) -> dict[str, tuple[float, float, float, float]]:
    return {str(p["name"]): tuple(map(float, p["scale"]["window_mm"])) for p in document["photos"]}  # type: ignore[misc]


def _scales(document: dict[str, Any]) -> frozenset[ScaleSource]:
    return frozenset(
        ScaleSource(
            str(p["scale"]["source"]), str(p["scale"]["sheet"]), str(p["scale"]["print"]), str(p["camera"])
        )
        for p in document["photos"]
    )


def _shared(stored: dict[str, float | None] | None) -> tuple[float, float]:
    found = stored or {}
    return float(found.get("length") or 0.0), float(found.get("diameter") or 0.0)


def _with_shared(pieces: Pieces, shared: dict[str, tuple[float, float]]) -> Pieces:
    """Return the pieces with their photo's shared uncertainty as the one part that is known of it."""
    part = np.array([shared[str(name)] for name in pieces["photo"]], float).reshape(-1, 2)
    return Pieces(pieces.columns, u_parts={"shared by the photo": part})


def _damaged(folder: Path, found: str) -> RecordError:
    return RecordError(
        "the results of a batch are damaged",
        found=f"{printable(str(folder), longest=400)}: {found}",
        expected=f"{TABLE} and {VERDICT} as traygauge inspect wrote them",
        advice="inspect the photos again",
    )
