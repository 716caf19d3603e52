"""Pieces that are as light as their tray are no empty tray, and black ones on dark blue cannot be measured: refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from traygauge import inspect_photo
from traygauge_shared.errors import UnfitPhotoError
from traygauge_shared.scenes import LIGHTS, Batch, Sheet, draw, tray, write_drawn


def photo_of(folder: Path, colour: str, surface: str, window: str, light: str, count: int = 40) -> Path:
    batch = Batch(count=count, colour=colour, surface=surface)
    write_drawn(draw(tray(batch, seed=91, sheet=Sheet(window=window), light=LIGHTS[light])), folder, "unseen")
    return next(path for path in folder.iterdir() if path.suffix == ".jpg")


@pytest.mark.parametrize(
    ("colour", "surface", "window", "light"),
    [
        ("natural", "translucent", "white", "window"),
        ("natural", "translucent", "white", "softboxes"),
        ("black", "satin", "darkblue", "overcast"),
    ],
)
def test_what_cannot_be_told_from_the_tray_is_refused_with_a_tray_that_would_do(
    tmp_path: Path, colour: str, surface: str, window: str, light: str
) -> None:
    """Of the first two nothing was found, as on an empty tray; of the last diameters were 0.5 mm too small for sure."""
    with pytest.raises(UnfitPhotoError) as caught:
        inspect_photo(photo_of(tmp_path, colour, surface, window, light))
    assert "contrast" in str(caught.value)
    assert "tray of another colour" in caught.value.advice


@pytest.mark.parametrize("light", ["window", "flash"])
def test_an_empty_white_tray_is_empty(tmp_path: Path, light: str) -> None:
    assert len(inspect_photo(photo_of(tmp_path, "white", "matt", "white", light, count=0)).pieces) == 0
