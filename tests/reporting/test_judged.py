"""The verdict as it is shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from traygauge.batch import Batch
from traygauge.judge.next_steps import GEOMETRY
from traygauge.judge.verdict import Answer, Figure, Interval, LimitResult
from traygauge.report.judged import headline, key_figures, limit_row, notes, plain_figure, rules, tied
from traygauge_shared.errors import PhotoError

NBSP = "\u00a0"


@pytest.fixture
def limit(make_batch: Callable[..., Batch]) -> LimitResult:
    return make_batch().verdict.limits[0]


def test_numbers_keep_their_units() -> None:
    assert tied("over 4 mm, 7.5 % of 30 pieces") == f"over 4{NBSP}mm, 7.5{NBSP}% of 30 pieces"
    assert tied("14 marked pieces") == "14 marked pieces"
    assert tied("known to ± 0.02 mm") == f"known to ±{NBSP}0.02{NBSP}mm"


def test_the_bounds_that_decided_are_shown(limit: LimitResult) -> None:
    held = replace(limit, deciding=Interval(7.5, 4.2, 12.4, 0.95))
    row = limit_row(held)
    assert (row.estimate, row.low, row.high) == ("7.5", "4.2", "12.4")
    assert row.interval == f"3.8 to 13.1{NBSP}% (95{NBSP}%)"
    top, _ = key_figures((held,), ())
    assert top[0].spread == "4.2 to 12.4"
    assert limit_row(limit).high == "14.9"  # nothing decided: with what was not measured


def test_what_would_settle_it_is_said_in_round_numbers(limit: LimitResult) -> None:
    said = limit_row(replace(limit, answer=Answer.UNDECIDED, more_pieces=5001)).more
    assert said == "about 5100 more pieces would settle it"
    assert "120" in limit_row(replace(limit, more_pieces=117)).more


def test_a_figure_that_a_limit_shows_is_not_shown_twice(limit: LimitResult) -> None:
    figures = tuple(
        Figure(name, name, "mm", 3.0, 2.9, 3.1, "measured")
        for name in ("long_share", "median_length_mm", "void")
    )
    median = replace(limit, path="limits.median_length.at_least_mm")
    top, further = key_figures((limit, median), figures)
    assert [f.title for f in (*top, *further)] == [limit.title, limit.title, "void"]


def test_a_figure_says_where_it_comes_from() -> None:
    figure = Figure("void", "void fraction", "", 0.381, 0.327, 0.420, "published relation", "a source")
    shown = plain_figure(figure)
    assert (shown.value, shown.spread) == ("0.38", "0.33 to 0.42")
    assert (shown.basis, shown.note) == ("published relation", "a source")
    per_kg = plain_figure(Figure("x", "pieces per kilogram", "1/kg", 102567.0, 95611.0, 110634.0, "measured"))
    assert (per_kg.value, per_kg.unit) == (f"102{NBSP}600", "")  # "102 600 1/kg" reads like one number
    share = plain_figure(Figure("x", "share of white pieces", "%", 99.31, 95.46, 99.99, "measured"))
    assert (share.value, share.spread) == ("99.3", "95.5 to 100.0")  # of 146 pieces, more is not known
    assert plain_figure(Figure("x", "x", "", 0.73, 0.73, 0.73, "measured")).spread == ""


def test_rules_are_said_once_with_what_they_spoke_of(limit: LimitResult) -> None:
    row = limit_row(limit)
    title = f"{row.title[:1].upper()}{row.title[1:]}"
    assert rules((row, row))[1:] == (f"{title}: one look at a fixed sample.",)
    other = replace(row, title="doubles")
    assert rules((row, other))[1:] == (f"{title}; doubles: one look at a fixed sample.",)
    assert rules(()) == ()


def test_what_was_not_measured_stands_on_top_and_the_rest_below(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch()
    verdict = replace(batch.verdict, notes=("Not measured: 2 stand on end.", "Density assumed.", GEOMETRY))
    top, below = notes(replace(batch, verdict=verdict))
    assert top == ("Not measured: 2 stand on end.",)
    assert below[:2] == ("Density assumed.", GEOMETRY)
    assert sum("eometry" in n for n in below) == 1
    top, below = notes(replace(batch, verdict=replace(verdict, unmeasured={})))
    assert top == ()
    assert below[0] == "Not measured: 2 stand on end."


@pytest.mark.parametrize(("answer", "word"), [(a, a.capitalize()) for a in Answer])
def test_every_answer_has_its_word(make_batch: Callable[..., Batch], answer: Answer, word: str) -> None:
    batch = make_batch()
    assert headline(replace(batch, verdict=replace(batch.verdict, answer=answer))).word == word


def test_where_most_pieces_lie_is_a_range_without_a_middle() -> None:
    shown = plain_figure(Figure("tolerance_length_mm", "where 95 % lie", "mm", 3.1, 1.02, 8.96, "measured"))
    assert (shown.value, shown.unit, shown.spread) == ("", "", f"1.0 to 9.0{NBSP}mm")


def test_after_the_last_look_no_more_pieces_settle_anything(limit: LimitResult) -> None:
    assert limit_row(replace(limit, answer=Answer.UNDECIDED, more_pieces=5001), is_last_look=True).more == ""


def test_a_refusal_says_what_to_do_in_a_sentence_and_cautions_of_nothing(
    make_batch: Callable[..., Batch],
) -> None:
    batch = make_batch()
    empty = replace(batch.verdict, answer=None, notes=(), next_step="check the name")
    refused = replace(
        batch,
        photos=(),
        refused=(("a.jpg", PhotoError("gone", found="x", expected="y", advice="z")),),
        verdict=empty,
    )
    assert headline(refused).next_step == "Check the name."
    assert notes(refused) == ((), ())
