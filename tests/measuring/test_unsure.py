"""Lengths and widths that nobody knows are not stated."""

import numpy as np
import pytest

from traygauge.measure.pieces import Pieces
from traygauge.measure.unsure import MOST_U, without_guesses, without_unread


def pieces(u_mm: list[float], **columns) -> Pieces:
    n = len(u_mm)
    given = {
        "photo": ["a.jpg"] * n,
        "piece": np.arange(1, n + 1),
        "form": ["strand"] * n,
        "state": ["whole"] * n,
        "length_mm": [3.0] * n,
        "u_length_mm": u_mm,
        "diameter_mm": [1.75] * n,
        "u_diameter_mm": [0.02] * n,
        "aspect_ratio": [3.0 / 1.75] * n,
        "feret_max_mm": [3.5] * n,
    }
    line = np.array([[0.0, 0.0], [3.0, 0.0]])
    return Pieces.of(
        n,
        given | columns,
        outlines_mm=(line,) * n,
        tails_mm=((),) * n,
        centrelines_mm=(line,) * n,
        u_parts={"fit": np.tile(np.array(u_mm)[:, None], (1, 2))},
    )


def test_a_length_less_certain_than_half_a_diameter_is_emptied():
    limit = MOST_U * 1.75
    found = without_guesses(pieces([0.03, limit - 0.01, limit + 0.01, np.nan]))
    assert found["state"].tolist() == ["whole", "whole", "axis unknown", "whole"]
    assert np.isnan(found["length_mm"]).tolist() == [False, False, True, False]
    assert np.isnan(found["aspect_ratio"][2])
    assert found["diameter_mm"][2] == pytest.approx(1.75)
    assert found["feret_max_mm"][2] == pytest.approx(3.5)
    assert [len(line) for line in found.centrelines_mm] == [2, 2, 0, 2]
    assert np.isnan(found.u_parts["fit"][2]).all()


def test_what_was_parted_badly_may_be_more_than_one_piece():
    found = without_guesses(pieces([4481.0], state=["parted"]))
    assert found["state"].tolist() == ["unresolved"]
    assert np.isnan(found["diameter_mm"]).all()


def test_doubles_keep_their_state_and_sure_pieces_are_left_alone():
    double = pieces([2.0], findings=["stringy;doubles"])
    assert without_guesses(double) is double
    sure = pieces([0.03, 0.1])
    assert without_guesses(sure) is sure
    assert len(without_guesses(Pieces.of(0, {}))) == 0


def test_a_width_that_was_not_read_is_emptied_and_the_length_stays():
    """Of four pieces others lie against the first two, one of which stands."""
    four = pieces([0.03] * 4, state=["parted", "upright", "parted", "whole"], neck_mm=[1.7] * 4)
    found = without_unread(four, np.array([True, True, False, False]))
    for name in ("diameter_mm", "u_diameter_mm", "aspect_ratio", "neck_mm"):
        assert np.isnan(found[name]).tolist() == [True, False, False, False], name
    assert np.isfinite(found["length_mm"]).all()
    assert np.isfinite(found["u_length_mm"]).all()
    assert np.isnan(found.u_parts["fit"]).tolist() == [[False, True]] + [[False, False]] * 3
    assert np.isfinite(four.u_parts["fit"]).all()  # what was given stays as it was
    assert without_unread(four, np.zeros(4, bool)) is four
