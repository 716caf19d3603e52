"""Where tails begin, on bodies and threads made by closed form."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from traygauge.measure.frame import Frames
from traygauge.measure.tail_roots import rooted
from traygauge.measure.tails import Tails


def body(axis: float = 0.0) -> Frames:
    """Return a straight body of 3 mm by 1.75 mm around (10, 20)."""
    one = np.ones(1)
    return Frames(np.array([[10.0, 20.0]]), axis * one, 0 * one, 3 * one, 1.75 * one)


def tails(*lines: list[tuple[float, float]]) -> Tails:
    """Return tails of region 0 along lines that start at the body."""
    lines_mm = tuple(np.array(line) for line in lines)
    given = {
        "owner": np.zeros(len(lines), int),
        "centrelines_mm": lines_mm,
        "length_mm": np.array([np.hypot(*np.diff(line, axis=0).T).sum() for line in lines_mm]),
    }
    return Tails(**{f.name: given.get(f.name) for f in fields(Tails)})


def test_a_thread_seen_late_begins_at_the_cut_face() -> None:
    """The face lies at x = 11.5; the thread stands out from x = 11.7 on."""
    out = rooted(tails([(11.7, 20.3), (13.0, 20.3)]), body(), np.array([0]))
    assert out.length_mm[0] == pytest.approx(1.5)
    np.testing.assert_allclose(out.centrelines_mm[0][0], [11.5, 20.3])


def test_a_thread_on_the_face_stays_as_long_as_it_is() -> None:
    out = rooted(tails([(8.55, 20.0), (7.0, 20.0)]), body(), np.array([0]))
    assert out.length_mm[0] == pytest.approx(1.55)
    assert len(out.centrelines_mm[0]) == 2


def test_turned_bodies_have_turned_faces() -> None:
    out = rooted(tails([(10.0, 22.0), (10.0, 23.0)]), body(np.pi / 2), np.array([0]))
    assert out.length_mm[0] == pytest.approx(1.5)


def test_a_thread_far_from_the_face_is_drawn_no_further_in_than_a_face_can_be_drawn_out() -> None:
    out = rooted(tails([(14.0, 20.0), (15.0, 20.0)]), body(), np.array([0]))
    assert out.length_mm[0] == pytest.approx(1.0 + 0.4 * 1.75)


def test_tails_of_what_was_not_measured_stay_as_they_are() -> None:
    seen = tails([(11.9, 20.0), (13.0, 20.0)])
    assert rooted(seen, body(), np.array([-1])) is seen
