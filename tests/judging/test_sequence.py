"""Where a sequence of scoops stands: the plan, the verdict and its sentence speak of the same numbers."""

import itertools

import numpy as np
import pytest
from scipy import stats

from traygauge.judge.judging import judge_pieces
from traygauge.judge.looks import MOST_LOOKS
from traygauge.judge.sampling import plan_sample
from traygauge.judge.sequence import MOST_PHOTOS, about, chances, look_at, looks_ahead, where_it_stands
from traygauge.judge.spec import parse_spec
from traygauge.judge.verdict import Answer, Look


def judged(pieces, limit_percent: float, correlation: float = 0.002, looks: int = 1):
    spec = parse_spec(
        f'[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\n[limits]\nlong_share = {{ at_most_percent = {limit_percent} }}\n'
        f"[judging]\nwithin_photo_correlation = {correlation}"
    )
    windows = dict.fromkeys(pieces["photo"].tolist(), (12.0, 12.0, 180.0, 120.0))
    return judge_pieces(pieces, spec, windows_mm=windows, looks=looks)[1]


def scoops(batch, photos: int, size: int, longs: int):
    """Return a batch of so many photos with the longs spread over them."""
    n = photos * size
    lengths = np.full(n, 3.0)
    lengths[np.linspace(0, n - 1, longs).astype(int)] = 6.0
    return batch(lengths, photo=np.repeat([f"{k}.jpg" for k in range(photos)], size))


def wrong_by_simulation(limit: float, size: int, correlation: float, batches: int) -> tuple[float, float]:
    """Return how often batches on the limit are accepted, and rejected, within five looks (beta-binomial scoops)."""
    rng = np.random.default_rng(20)
    scale = 1 / (1 + (size - 1) * correlation)
    share = np.full((batches, MOST_LOOKS), limit)
    if correlation:
        odds = (1 - correlation) / correlation
        share = rng.beta(limit * odds, (1 - limit) * odds, share.shape)
    bad = np.cumsum(rng.binomial(size, share), axis=1)
    answers = [
        next(
            (a for look, k in zip(looks, row, strict=True) if (a := look.answer(k)) is not Answer.UNDECIDED),
            None,
        )
        for looks, row in zip(
            itertools.repeat(looks_ahead(limit, 0.05, size, scale)), bad.tolist(), strict=False
        )
    ]
    return answers.count(Answer.ACCEPT) / batches, answers.count(Answer.REJECT) / batches


@pytest.mark.parametrize(("limit", "size"), [(0.02, 300), (0.08, 150), (0.08, 300), (0.2, 60)])
@pytest.mark.parametrize("correlation", [0.0, 0.002])
def test_five_looks_at_a_share_on_the_limit_keep_the_risks(limit, size, correlation):
    batches = 4000
    slack = 3 * np.sqrt(0.05 * 0.95 / batches)
    accepted, rejected = wrong_by_simulation(limit, size, correlation, batches)
    assert accepted <= 0.05 + slack
    assert rejected <= 0.05 + slack


def test_the_simulation_sees_looks_that_are_not_paid_for():
    """A plain rule at every look accepts 10 % at a limit of 2 % (see `test_looks`): three errors above what is allowed."""
    plain = [look_at(0.02, 0.05, [300.0 * (k + 1)], 1.0) for k in range(MOST_LOOKS)]
    (*_, (accepted, _)) = chances(plain, 0.02, 1.0)
    assert accepted == pytest.approx(0.10, abs=0.02)


def test_chances_are_those_of_the_binomial_at_one_look():
    look = Look(1, 200, 5, 20)
    ((accepted, rejected),) = chances([look], 0.05, 1.0)
    assert accepted == pytest.approx(stats.binom.cdf(5, 200, 0.05))
    assert rejected == pytest.approx(stats.binom.sf(19, 200, 0.05))


@pytest.mark.parametrize(("n", "limit"), [(300, 0.02), (188, 0.08), (50, 0.05), (59, 0.05)])
def test_the_first_look_is_the_fixed_sample(n, limit):
    look = look_at(limit, 0.05, [float(n)], 1.0)
    most = -1 if look.accept_up_to is None else look.accept_up_to
    assert stats.binom.cdf(most, n, limit) <= 0.05 < stats.binom.cdf(most + 1, n, limit)
    assert (
        stats.binom.sf(look.reject_from - 1, n, limit)
        < 0.05
        <= stats.binom.sf(look.reject_from - 2, n, limit)
    )


def test_59_pieces_are_needed_when_none_may_be_found():
    assert look_at(0.05, 0.05, [58.0], 1.0).accept_up_to is None
    assert look_at(0.05, 0.05, [59.0], 1.0).accept_up_to == 0


@pytest.mark.parametrize("photos", [1, 2, 3])
def test_the_verdict_answers_as_the_plan_says(batch, photos):
    plan = plan_sample(8.0, pieces_per_scoop=150)
    look = plan.looks[photos - 1]
    for bad, answer in (
        (look.accept_up_to, Answer.ACCEPT),
        (look.accept_up_to + 1, Answer.UNDECIDED),
        (look.reject_from - 1, Answer.UNDECIDED),
        (look.reject_from, Answer.REJECT),
    ):
        verdict = judged(scoops(batch, photos, 150, bad), 8.0, looks=photos)
        assert verdict.answer is answer
        assert verdict.limits[0].looks == plan.looks[photos - 1 : photos + 1]
        assert plan.look_after(150 * photos) == look
        assert look.answer(bad) is answer


def test_the_verdict_says_where_the_sequence_stands(batch):
    plan = plan_sample(8.0, pieces_per_scoop=150)
    now, then = plan.looks[1:3]
    bad = now.accept_up_to + 1
    verdict = judged(scoops(batch, 2, 150, bad), 8.0, looks=2)
    stands, counts = verdict.sequence
    assert stands.startswith("Look 2 of at most 5: one more scoop.")
    assert (
        f"Long pieces: {bad} of 300; at most {now.accept_up_to} accept, {now.reject_from} or more" in counts
    )
    assert f"450 pieces in all: at most {then.accept_up_to} accept, {then.reject_from} or more" in counts
    assert f"about {about(verdict.limits[0].more_pieces)} more pieces settle it" in stands
    assert "--look 3" in verdict.next_step
    assert "Look 1 of at most 5: reject" in judged(scoops(batch, 1, 150, 60), 8.0).sequence[0]
    assert "Look 1 of at most 5: accept" in judged(scoops(batch, 1, 150, 0), 8.0).sequence[0]


def test_nobody_is_asked_for_one_more_scoop_where_hundreds_are_needed(batch):
    # 8.4 % of 1000 against a limit of 8 %: to tell them apart takes tens of thousands
    verdict = judged(scoops(batch, 1, 1000, 84), 8.0)
    assert verdict.limits[0].more_pieces > MOST_PHOTOS * 1000
    assert "one more scoop" not in verdict.sequence[0]
    assert "decide for yourself" in verdict.next_step.lower()
    assert about(verdict.limits[0].more_pieces) in verdict.sequence[0]


def test_at_the_end_only_a_fresh_sample_decides(batch):
    fifth = judged(scoops(batch, 5, 100, 38), 8.0, looks=5)
    assert fifth.answer is Answer.UNDECIDED
    assert "fresh sample" in fifth.sequence[0]
    assert len(fifth.limits[0].looks) == 1
    sixth = judged(scoops(batch, 5, 100, 38), 8.0, looks=6)
    (said,) = sixth.sequence
    assert said.startswith("Look 6")
    assert "fresh sample" in said
    assert where_it_stands((), None, 1) == ()


def test_what_was_not_measured_keeps_open_what_the_count_would_accept(batch):
    pieces = batch(
        np.append(np.full(300, 3.0), np.nan),
        state=["whole"] * 300 + ["unresolved"],
        area_mm2=[5.25] * 300 + [400.0],
        feret_max_mm=[3.5] * 300 + [25.0],
        extent_mm=[3.5] * 300 + [25.0],
    )
    verdict = judged(pieces, 5.0)
    assert verdict.answer is Answer.UNDECIDED
    assert "The count alone would accept" in verdict.sequence[1]


@pytest.mark.parametrize("look", [1, 2, 4])
def test_more_pieces_settle_it_at_the_next_look(batch, look):
    """About so many more pieces of the same share decide, at the price of one more look; a third of them do not."""
    size = 150
    longs = round(0.055 * size * look)
    before = judged(scoops(batch, look, size, longs), 8.0, looks=look)
    assert before.answer is Answer.UNDECIDED
    for part, answer in ((1.2, Answer.ACCEPT), (0.33, Answer.UNDECIDED)):
        photos = look + round(part * before.limits[0].more_pieces / size)
        after = look_at(
            0.08,
            0.05,
            [*(float(size * k) for k in range(1, look + 1)), float(size * photos)],
            1 / (1 + (size - 1) * 0.002),
        )
        assert after.answer(round(photos * size * longs / (look * size))) is answer
