"""The report as text: narrow, plain, in the same order."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace

import pytest

from traygauge.batch import Batch
from traygauge.judge.verdict import Interval
from traygauge.report import verdict_text
from traygauge_shared.errors import PhotoError


def lines(batch: Batch, **options: int) -> list[str]:
    return verdict_text(batch, **options).splitlines()


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_no_line_is_wider_than_told(make_batch: Callable[..., Batch], width: int) -> None:
    batch = make_batch(names=("a" * 150 + ".jpg", "b.jpg"))
    batch = replace(batch, refused=(("c" * 150, PhotoError("damaged " * 30, advice="copy it again")),))
    assert max(map(len, lines(batch, width=width))) <= width


def test_the_first_line_has_the_word_and_the_reason(make_batch: Callable[..., Batch]) -> None:
    text = lines(make_batch())
    assert text[0] == "REJECT  3 of 40 pieces are longer than 4 mm."
    assert text[1].strip() == "Next: Cut the lot again."


def test_things_stand_in_the_order_of_the_report(make_batch: Callable[..., Batch]) -> None:
    text = verdict_text(make_batch())
    order = [
        "REJECT", "Next:", "long pieces", "All pieces were measured.", "How this was judged", "Photo: tray.jpg",
        "Pieces to look at first", "Distributions", "Beside the verdict", "Fit to measure", "To bear in mind",
    ]  # fmt: skip
    places = [text.find(t) for t in order]
    assert -1 not in places
    assert places == sorted(places)
    assert "turn the tray" in text


def test_numbers_are_aligned_on_the_decimal(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch()
    median = Interval(3.001, 2.97, 3.03, 0.95)
    short = replace(
        batch.verdict.limits[0], title="median", unit="mm", interval=median, with_unmeasured=median
    )
    text = lines(replace(batch, verdict=replace(batch.verdict, limits=(batch.verdict.limits[0], short))))
    row = {name: next(t for t in text if t.strip().startswith(name)) for name in ("long pieces", "median")}
    assert row["long pieces"].index(".") == row["median"].index(".")


def test_without_colour_there_is_no_control_character(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(names=("a\x1b[2Jb\r\n\u202e.jpg",), photo={"camera_name": "x\x07"})
    plain = verdict_text(batch)
    assert not [c for c in plain if unicodedata.category(c) in {"Cc", "Cf"} and c != "\n"]
    coloured = verdict_text(batch, colour=True)
    for mark in ("\x1b[1;7m", "\x1b[1m", "\x1b[2m", "\x1b[0m"):
        coloured = coloured.replace(mark, "")
    assert coloured == plain


def test_a_log_file_of_any_western_code_page_takes_it(make_batch: Callable[..., Batch]) -> None:
    verdict_text(make_batch()).encode("cp1252")


def test_empty_refused_and_without_a_spec(make_batch: Callable[..., Batch]) -> None:
    assert lines(make_batch(0))[0] == "EMPTY  There are no pieces on the tray."
    measured = lines(make_batch(judged=False))
    assert measured[0].startswith("MEASURED  The pieces are measured, not judged")
    assert any("--spec" in line for line in measured)
    refused = make_batch(
        0,
        names=(),
        refused=(("a.jpg", PhotoError("damaged file", found="half a JPEG", advice="copy it again")),),
    )
    text = verdict_text(refused)
    assert text.startswith("REFUSED")
    assert "damaged file" in text
    assert "to do: copy it again" in text


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_a_regrind_is_told_within_the_width(regrind_batch: Batch, width: int) -> None:
    lines = verdict_text(regrind_batch, width).splitlines()
    assert max(map(len, lines)) <= width
    text = " ".join(" ".join(lines).split())
    assert "What the regrind is made of" in text
    assert "flakes 60 of 100 60.0 (" in text
    assert "over 1.4 mm 90.0" in text


def test_every_figure_beside_the_verdict_says_what_it_rests_on(make_batch: Callable[..., Batch]) -> None:
    beside = "\n".join(lines(make_batch())).partition("Beside the verdict\n")[2].partition("\n\n")[0]
    assert re.search(r" published relation:\n  void fraction +0\.41 ", beside)
