"""Which pieces are shown first."""

from __future__ import annotations

from typing import Any

import numpy as np

from traygauge.measure.pieces import Pieces
from traygauge.report.first_look import first_look


def pieces(findings: list[str], length: list[float], **more: Any) -> Pieces:
    n = len(findings)
    return Pieces.of(n, {"piece": np.arange(1, n + 1), "findings": findings, "length_mm": length, **more})


def test_the_worst_of_each_finding_comes_before_the_second_of_any() -> None:
    table = pieces(["long", "short", "long", "long", "short"], [5.0, 1.5, 9.0, 6.0, 0.7])
    assert first_look(table, most=3) == [(2, "long"), (3, "long"), (4, "short")]
    assert first_look(table, most=2) == [(2, "long"), (4, "short")]


def test_a_piece_with_several_findings_is_shown_once() -> None:
    shown = first_look(pieces(["long;tailed", "tailed"], [5.0, 3.0], tail_length_mm=[2.0, 1.0]))
    assert shown == [(0, "long"), (1, "tailed")]


def test_small_matters_do_not_fill_the_page() -> None:
    shown = first_look(pieces(["fines"] * 50 + [""], [np.nan] * 50 + [3.0], feret_max_mm=[0.5] * 50 + [3.5]))
    assert [why for _, why in shown].count("fines") == 2
    assert (50, "the longest") in shown


def test_heaps_that_could_not_be_parted_are_shown() -> None:
    table = pieces(["", ""], [np.nan, 3.0], state=["unresolved", "whole"], extent_mm=[20.0, 3.4])
    assert first_look(table)[0] == (0, "unresolved")


def test_without_findings_the_extremes_are_shown() -> None:
    table = pieces(["", "", ""], [3.0, 2.8, 3.3], diameter_mm=[1.7, 1.75, 1.8], state=["whole"] * 3)
    shown = dict(first_look(table))
    assert shown[2] == "the longest"
    assert shown[1] == "the shortest"
    assert shown[0] == "the thinnest"


def test_what_stands_on_end_is_not_the_thickest() -> None:
    state = ["whole", "whole", "upright"]
    table = pieces(["", "", ""], [3.0, 2.8, np.nan], diameter_mm=[1.7, 1.75, 1.95], state=state)
    assert 2 not in dict(first_look(table))


def test_no_pieces_no_look() -> None:
    assert first_look(Pieces.of(0, {})) == []


def test_all_pieces_with_one_finding() -> None:
    table = pieces(["fines"] * 3, [np.nan] * 3, feret_max_mm=[0.4, np.nan, 0.2])
    assert [row for row, _ in first_look(table)][:2] == [2, 0]
