"""Pictures that hold no tray, read at a stated scale: refused with an answer, not judged as pieces."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from traygauge import Setup, inspect_batch, load_photo
from traygauge.measure import measure_pieces
from traygauge.segment.find import find_pieces
from traygauge.segment.unlike import share_unlike, thickness_px
from traygauge_calib.scale import calibrate
from traygauge_shared.errors import UnfitPhotoError

SIZE = 1200, 1600
PX_PER_MM = 8.0


def _rings() -> np.ndarray:
    grey = np.full(SIZE, 30, np.uint8)
    rng = np.random.default_rng(1)
    for y in range(80, SIZE[0] - 60, 150):
        for x in range(80, SIZE[1] - 60, 150):
            cv2.circle(grey, (x, y), int(rng.integers(25, 60)), 230, 7, cv2.LINE_AA)
    return grey


def _blob() -> np.ndarray:
    grey = np.full(SIZE, 40, np.uint8)
    cv2.rectangle(grey, (200, 150), (1400, 1050), 200, -1)
    return cv2.GaussianBlur(grey, (0, 0), 15)


def _stripes() -> np.ndarray:
    grey = np.full(SIZE, 20, np.uint8)
    for x in range(0, SIZE[1], 80):
        cv2.line(grey, (x, 0), (x + 300, SIZE[0]), 220, 25, cv2.LINE_AA)
    return grey


def _scribble() -> np.ndarray:
    grey = np.full(SIZE, 20, np.uint8)
    rng = np.random.default_rng(2)
    for _ in range(60):
        line = np.cumsum(rng.normal(0, 40, (60, 2)), 0) + rng.uniform(0, 1, 2) * SIZE[::-1]
        cv2.polylines(grey, [line.astype(np.int32)], False, 215, 10, cv2.LINE_AA)
    return grey


PICTURES = {"rings": _rings, "blob": _blob, "stripes": _stripes, "scribble": _scribble}


@pytest.fixture(params=PICTURES)
def picture(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    grey = cv2.GaussianBlur(PICTURES[request.param](), (0, 0), 0.8)
    noise = np.random.default_rng(0).normal(0, 1.0, SIZE)
    path = tmp_path / f"{request.param}.png"
    cv2.imwrite(str(path), np.clip(grey + noise, 0, 255).astype(np.uint8))
    return path


def test_a_picture_of_no_tray_is_refused(picture: Path) -> None:
    batch = inspect_batch([picture], "rigid-1.75", setup=Setup(px_per_mm=PX_PER_MM))
    assert batch.verdict.answer is None
    [(_, error)] = batch.refused
    assert isinstance(error, UnfitPhotoError)
    assert ("things unlike pieces" in error.wrong) == ("of nothing else" in error.advice)
    assert (
        "things unlike pieces" in error.wrong or picture.stem == "blob"
    )  # which has no contrast to speak of


def test_a_page_of_text_is_too_thin_to_measure(tmp_path: Path) -> None:
    grey = np.full(SIZE, 235, np.uint8)
    rng = np.random.default_rng(7)
    for y in range(40, SIZE[0] - 20, 34):
        words = "".join(rng.choice(list("abcdefghiklmnoprstuvw   "), 110))
        cv2.putText(grey, words, (20, y), cv2.FONT_HERSHEY_SIMPLEX, 0.8, 25, 2, cv2.LINE_AA)
    noise = np.random.default_rng(0).normal(0, 1.0, SIZE)
    path = tmp_path / "page.png"
    cv2.imwrite(str(path), np.clip(cv2.GaussianBlur(grey, (0, 0), 0.8) + noise, 0, 255).astype(np.uint8))
    batch = inspect_batch([path], "rigid-1.75", setup=Setup(px_per_mm=PX_PER_MM))
    assert batch.verdict.answer is None
    [(_, error)] = batch.refused
    assert "thickness" in error.wrong
    assert "go nearer" in error.advice


@pytest.mark.parametrize(("length", "diameter"), [(50.0, 20.0), (20.0, 20.0), (200.0, 10.0)])
def test_thickness_of_a_rod_is_twice_its_area_over_its_perimeter(length: float, diameter: float) -> None:
    line = np.array([[0, 0], [length, 0], [length, diameter], [0, diameter]])
    many = SimpleNamespace(outlines_px=(line,) * 3)
    assert thickness_px(many) == pytest.approx(length * diameter / (length + diameter))
    assert np.isnan(thickness_px(SimpleNamespace(outlines_px=())))


def test_rings_as_pieces_do_not_end_in_a_fault(tmp_path: Path) -> None:
    """A ring shows the tray inside, so that tray and pieces are alike in the usual colour of either."""
    path = tmp_path / "rings.png"
    cv2.imwrite(str(path), _rings())
    regions = find_pieces(calibrate(load_photo(path), px_per_mm=PX_PER_MM))
    assert len(measure_pieces(regions)) == len(regions)


def _discs(radius: int, hole: int = 0) -> np.ndarray:
    grey = np.full((800, 800), 25, np.uint8)
    for x in range(100, 800, 150):
        for y in range(100, 800, 150):
            cv2.circle(grey, (x, y), radius, 210, -1, cv2.LINE_AA)
            cv2.circle(grey, (x, y), hole, 25, -1, cv2.LINE_AA)
    return grey


@pytest.mark.parametrize("hole", [0, 15, 25])
def test_the_hollow_share_is_that_of_the_holes(tmp_path: Path, hole: int) -> None:
    path = tmp_path / "discs.png"
    cv2.imwrite(str(path), cv2.GaussianBlur(_discs(40, hole), (0, 0), 0.8))
    share = share_unlike(find_pieces(calibrate(load_photo(path), px_per_mm=PX_PER_MM)))
    assert share == pytest.approx((hole / 40) ** 2 if hole else 0.0, abs=0.06)


@pytest.mark.parametrize(("px_per_mm", "odd"), [(1.0, True), (2.0, False)])
def test_nothing_as_large_as_a_hand_is_a_piece(tmp_path: Path, px_per_mm: float, *, odd: bool) -> None:
    """Discs 80 px across are 80 or 40 mm wide."""
    path = tmp_path / "discs.png"
    cv2.imwrite(str(path), cv2.GaussianBlur(_discs(40), (0, 0), 0.8))
    share = share_unlike(find_pieces(calibrate(load_photo(path), px_per_mm=px_per_mm)))
    assert (share > 0.95) == odd
    assert (share < 0.05) != odd
