"""A spec that asks for more than the photo shows is answered before anything is counted."""

import pytest

from traygauge.judge.judging import judge_pieces
from traygauge.judge.spec import parse_spec
from traygauge.judge.verdict import Answer
from traygauge_calib.sight import Sight

SIGHT = Sight(thread_mm=0.2, crumb_mm=0.5, u_length_mm=0.02)


def judged(pieces, limit: str, what: str = "", sight: Sight | None = SIGHT):
    spec = parse_spec(
        f'[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\n{what}\n[limits]\n{limit} = {{ at_most_percent = 10 }}'
    )
    return judge_pieces(pieces, spec, windows_mm={}, sight=sight)[1]


@pytest.mark.parametrize(
    ("limit", "field", "too_small", "enough"),
    [  # a tail is at least twice as long as wide: 2 x 0.2 mm
        ("stringy_share", "stringy_over_mm", 0.39, 0.4),
        ("tailed_share", "tail_from_mm", 0.39, 0.4),
        ("fines_share", "fines_under_mm", 0.49, 0.5),
        ("burred_share", "burr_over_mm", 0.19, 0.2),
    ],
)
def test_each_limit_is_held_against_what_the_photo_shows(batch, limit, field, too_small, enough):
    pieces = batch([3.0] * 300, tail_length_mm=0.0, burr_mm=0.0)
    known = judged(pieces, limit, f"{field} = {enough}")
    assert known.answer is Answer.ACCEPT
    asked = judged(pieces, limit, f"{field} = {too_small}")
    assert asked.answer is Answer.UNDECIDED
    (result,) = asked.limits
    assert f"{too_small:g} mm" in asked.reason
    assert f"only from {enough:g} mm" in asked.reason
    assert "small sheet" in asked.next_step
    assert (result.with_unmeasured.low, result.with_unmeasured.high) == (0, 100)
    assert (result.deciding.low, result.deciding.high) == (0, 100)
    assert result.looks == ()
    assert result.more_pieces is None


def test_nothing_is_rejected_for_what_the_photo_cannot_show(batch):
    tailed = batch([3.0] * 300, tail_length_mm=0.35)
    assert judged(tailed, "tailed_share", "tail_from_mm = 0.35").answer is Answer.UNDECIDED
    sharper = Sight(0.15, 0.4, 0.01)
    assert judged(tailed, "tailed_share", "tail_from_mm = 0.35", sharper).answer is Answer.REJECT


def test_a_tail_below_what_a_tail_is_wants_another_spec_and_no_other_photo(batch):
    pieces = batch([3.0] * 300, tail_length_mm=0.0)
    verdict = judged(pieces, "tailed_share", "tail_from_mm = 0.2", Sight(0.05, 0.2, 0.01))
    assert verdict.answer is Answer.UNDECIDED
    assert "pieces.tail_from_mm" in verdict.next_step
    assert "0.3 mm" in verdict.next_step


def test_other_limits_are_judged_all_the_same(batch):
    pieces = batch([3.0] * 300, tail_length_mm=0.0)
    spec = parse_spec(
        '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\nfines_under_mm = 0.3\n[limits]\n'
        "long_share = { at_most_percent = 10 }\nfines_share = { at_most_percent = 10 }"
    )
    verdict = judge_pieces(pieces, spec, windows_mm={}, sight=SIGHT)[1]
    assert [r.answer for r in verdict.limits] == [Answer.ACCEPT, Answer.UNDECIDED]
    assert verdict.answer is Answer.UNDECIDED


def test_what_the_photo_shows_is_said_and_unknown_sight_asks_nothing(batch):
    pieces = batch([3.0] * 300, tail_length_mm=0.0)
    note = "Fines from 0.5 mm up and threads from 0.2 mm width up are seen"
    assert any(n.startswith(note) and "± 0.04 mm" in n for n in judged(pieces, "long_share").notes)
    blind = judged(pieces, "fines_share", "fines_under_mm = 0.01", None)
    assert blind.answer is Answer.ACCEPT
    assert not any(n.startswith("Fines from") for n in blind.notes)
