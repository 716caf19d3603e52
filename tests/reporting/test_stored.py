"""Batches read back from the folder of their report."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from traygauge.batch import Batch
from traygauge.records import is_stored, kept, read_batch
from traygauge.report import write_report
from traygauge.words import COLUMNS
from traygauge_shared.errors import RecordError


@pytest.fixture
def folder(make_batch: Callable[..., Batch], tmp_path: Path) -> Path:
    """Return the folder of a batch of two photos with names that need care."""
    batch = make_batch(20, names=("=1+1.jpg", "tray.jpg"), photo={"camera_name": "Drawn D1"})
    write_report(batch, tmp_path / "lot 7")
    return tmp_path / "lot 7"


def test_what_was_kept_is_what_is_read(make_batch: Callable[..., Batch], folder: Path) -> None:
    batch = make_batch(20, names=("=1+1.jpg", "tray.jpg"), photo={"camera_name": "Drawn D1"})
    one, two = kept(batch, "lot 7"), read_batch(folder)
    assert is_stored(folder)
    assert (two.name, two.windows_mm, two.spec, two.scales) == (
        "lot 7",
        one.windows_mm,
        one.spec,
        one.scales,
    )
    for column in COLUMNS:
        a, b = one.pieces[column.name], two.pieces[column.name]
        if column.kind == "number":
            np.testing.assert_allclose(b, a, atol=0.51 * 10.0**-column.decimals)
        else:
            assert b.tolist() == a.tolist()


def test_the_shared_uncertainty_comes_back(folder: Path) -> None:
    pieces = read_batch(folder).pieces
    # the fixture's "shared scale" is 0.003 mm in both; its "edge" is each piece's own
    np.testing.assert_allclose(np.hypot(*pieces.u_parts.values(), 0.0), 0.003)


def test_the_scale_hangs_on_print_and_camera(folder: Path) -> None:
    (scale,) = read_batch(folder).scales
    assert (scale.source, scale.sheet, scale.camera) == ("sheet", "small", "Drawn D1")
    assert not scale.is_known  # a sheet whose print has no name: who knows whether it is the same paper


@pytest.mark.parametrize("name", ["pieces.csv", "verdict.json"])
def test_a_folder_without_results_is_none(folder: Path, name: str) -> None:
    (folder / name).unlink()
    assert not is_stored(folder)
    with pytest.raises(RecordError, match="cannot be read"):
        read_batch(folder)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("photos"),
        lambda d: d.update(photos=[]),
        lambda d: d.update(photos="x"),
        lambda d: d["photos"][0].pop("scale"),
        lambda d: d["photos"][0]["scale"].update(window_mm=[None] * 4),
        lambda d: d.update(spec={"spec": {"name": 3}}),
    ],
)
def test_damaged_results_are_told(folder: Path, spoil: Callable[[dict], object]) -> None:
    document = json.loads((folder / "verdict.json").read_text(encoding="utf-8"))
    spoil(document)
    (folder / "verdict.json").write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(RecordError, match="damaged"):
        read_batch(folder)
