"""The certificate: one page, whatever is put on it."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pypdf import PdfReader

from traygauge.batch import Batch
from traygauge.report.certificate import MOST_LIMITS, certificate_pdf, write_certificate
from traygauge_shared.errors import PhotoError, RecordError

MADE = datetime(2025, 3, 4, 5, 6, tzinfo=UTC)


def read(batch: Batch) -> tuple[int, str]:
    """The number of pages and the text of a batch's certificate."""
    pages = PdfReader(io.BytesIO(certificate_pdf(batch, made=MADE))).pages
    return len(pages), " ".join(pages[0].extract_text().split())


def test_it_states_the_verdict_the_limits_and_the_photo(make_batch: Callable[..., Batch]) -> None:
    pages, text = read(make_batch())
    assert pages == 1
    for part in (
        "Reject",
        "3 of 40 pieces are longer than 4 mm.",
        "Cut the lot again.",
        "at most 2 %",
        "3.8 to 14.9 %",
        "pieces per kilogram",
        "rigid strand",
        "2025-03-04 05:06",
        "0f0f0f0f0f0f0f0f",
        "long over 4 mm",
        "Geometry only",
        "signature",
    ):
        assert part in text


def test_too_much_still_gives_one_page(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(names=tuple(f"{k} {'long name ' * 12}.jpg" for k in range(3)))
    limits = tuple(replace(batch.verdict.limits[0], title=f"limit {k}") for k in range(25))
    wordy = "A very long sentence about this batch. " * 40
    verdict = replace(batch.verdict, limits=limits, reason=wordy, next_step=wordy, notes=(wordy, wordy))
    pages, text = read(replace(batch, verdict=verdict))
    assert pages == 1
    assert f"and {25 - MOST_LIMITS} more in the report" in text
    assert "signature" in text


def test_markup_and_foreign_letters_are_shown_as_they_are(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(names=("<b>&x; \u7c92\x1b[2J.jpg",))
    pages, text = read(replace(batch, verdict=replace(batch.verdict, reason="<i>more & more</i>")))
    assert pages == 1
    assert "<b>&x; \\u7c92" in text
    assert "<i>more & more</i>" in text
    assert "\x1b" not in text


@pytest.mark.parametrize(("n", "names"), [(0, ("tray.jpg",)), (0, ())])
def test_without_pieces_or_photos(make_batch: Callable[..., Batch], n: int, names: tuple[str, ...]) -> None:
    pages, text = read(make_batch(n, names=names, refused=(("a.jpg", PhotoError("damaged")),)))
    assert pages == 1
    assert ("Empty" if names else "Refused") in text


def test_the_same_batch_gives_the_same_bytes(make_batch: Callable[..., Batch]) -> None:
    assert certificate_pdf(make_batch(), made=MADE) == certificate_pdf(make_batch(), made=MADE)


def test_it_is_written_whole_or_answered(make_batch: Callable[..., Batch], tmp_path: Path) -> None:
    path = write_certificate(make_batch(), tmp_path / "new" / "certificate.pdf", made=MADE)
    assert path.read_bytes().startswith(b"%PDF-")
    with pytest.raises(RecordError):
        write_certificate(make_batch(), path / "below.pdf")


def test_a_regrind_shows_what_it_is_made_of_and_its_sizes(regrind_batch: Batch) -> None:
    pages, text = read(regrind_batch)
    assert pages == 1
    for part in (
        "What it is made of",
        "flakes 60 of 100",
        "Mesh size by projection (no sieve analysis)",
        "over 1.4 mm",
    ):
        assert part in text
    assert "food, toys or medical use" in text  # the last of the cautions


def test_it_says_where_the_sequence_stands(make_batch: Callable[..., Batch]) -> None:
    assert "Look 1 of at most 5: reject" in read(make_batch())[1]


def test_of_several_photos_the_one_with_the_worst_piece_is_shown(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(names=("clean.jpg", "longs.jpg"))
    n = len(batch.photos[0].pieces)
    findings = [""] * n + list(batch.pieces["findings"][n:])
    _, text = read(replace(batch, pieces=batch.pieces.with_columns(findings=findings)))
    assert "longs.jpg: long 3" in text
    assert "clean.jpg:" not in text
