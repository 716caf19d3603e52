"""Shares of colour groups, and how evenly two kinds of pieces are mixed (Lacey)."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge.judge.judging import judge_pieces
from traygauge.judge.mixing import BLEND_FROM, colour_shares, lacey, mixing
from traygauge.judge.sample import sample
from traygauge.judge.spec import Spec
from traygauge.judge.spec_tables import About

WINDOWS = dict.fromkeys(("a.jpg", "b.jpg", "c.jpg"), (12.0, 12.0, 180.0, 120.0))
SPEC = Spec(spec=About(name="any"))


def test_lacey_of_the_published_formula_s_worked_example() -> None:
    """Ten samples of 50 (Lacey, J. Appl. Chem. 4 (1954) 257; figures recomputed from the formula in open notes)."""
    fractions = [0.10, 0.36, 0.22, 0.44, 0.30, 0.18, 0.50, 0.26, 0.38, 0.26]
    m = lacey([round(50 * f) for f in fractions], [50] * 10)
    assert m.share == pytest.approx(0.30, abs=1e-12)
    assert m.variance == pytest.approx(0.014844, abs=5e-7)
    assert m.unmixed == pytest.approx(0.21, abs=1e-12)
    assert m.random == pytest.approx(0.0042, abs=1e-12)
    assert m.index == pytest.approx(0.948278, abs=5e-7)
    assert m.statistic == pytest.approx(31.81, abs=0.005)
    assert m.degrees == 9
    assert m.p_value == pytest.approx(0.0002, abs=5e-5)


def test_lacey_at_its_ends() -> None:
    # closed form: wholly unmixed samples have s² = p (1 - p) k / (k - 1) over k samples, half of them of each kind
    unmixed = lacey([100, 0, 100, 0], [100] * 4)
    assert unmixed.index == pytest.approx((0.25 - 0.25 * 4 / 3) / (0.25 - 0.0025))
    assert unmixed.p_value < 1e-60
    # every sample alike: no variance, index above 1, and nothing worse than random
    alike = lacey([30, 30, 30], [100] * 3)
    assert alike.index == pytest.approx(1 / (1 - 0.01))
    assert alike.p_value == 1.0


def test_lacey_says_no_more_than_chance_of_random_samples() -> None:
    """Under random mixing the p-value is even: below 0.05 in about one of twenty (binomial bounds at 400 draws)."""
    rng = np.random.default_rng(3)
    p = [lacey(rng.binomial(120, 0.3, 6), [120] * 6).p_value for _ in range(400)]
    assert 8 <= sum(x < 0.05 for x in p) <= 35
    assert np.mean([x.index for x in (lacey(rng.binomial(120, 0.3, 6), [120] * 6) for _ in range(400))]) == (
        pytest.approx(1.0, abs=0.002)
    )


@pytest.mark.parametrize(
    ("hits", "sizes"), [([3], [10]), ([3, 4], [10]), ([0, 0], [9, 9]), ([9, 9], [9, 9]), ([5, 12], [10, 10])]
)
def test_lacey_refuses_what_has_no_answer(hits, sizes) -> None:
    with pytest.raises(ValueError, match=r"samples|two kinds"):
        lacey(hits, sizes)


def test_shares_by_count_and_mass(batch) -> None:
    # 60 white pieces of 3 mm and 40 red ones of 6 mm: 40 % by count; by mass 40 * 6 / (60 * 3 + 40 * 6) = 57.14 %
    pieces = batch(
        [3.0] * 60 + [6.0] * 40, colour=["white"] * 60 + ["red"] * 40, mass_mg=[3.0] * 60 + [6.0] * 40
    )
    white, red = colour_shares(sample(pieces, SPEC, WINDOWS))
    assert (white.name, red.name) == ("white", "red")
    assert red.share.estimate == pytest.approx(40.0)
    assert red.share.low < 40 < red.share.high
    assert red.mass_percent == pytest.approx(57.142857, abs=1e-5)


def test_no_shares_by_mass_where_flakes_have_none(batch) -> None:
    pieces = batch([3.0] * 10, colour=["white"] * 5 + ["red"] * 5, form=["strand"] * 9 + ["flake"])
    assert all(c.mass_percent is None for c in colour_shares(sample(pieces, SPEC, WINDOWS)))


def test_crumbs_and_pieces_of_unknown_colour_are_not_counted(batch) -> None:
    pieces = batch(
        [3.0] * 12, colour=["white"] * 8 + ["red"] * 2 + ["", "red"], form=["strand"] * 11 + ["crumb"]
    )
    assert [c.pieces for c in colour_shares(sample(pieces, SPEC, WINDOWS))] == [8, 2]


def blend(batch, reds: tuple[int, int, int], size: int = 60):
    photo = np.repeat(["a.jpg", "b.jpg", "c.jpg"], size)
    colour = np.concatenate([["red"] * r + ["white"] * (size - r) for r in reds])
    return batch([3.0] * (3 * size), photo=photo, colour=colour)


def test_mixing_between_photos(batch) -> None:
    even, uneven = (mixing(sample(blend(batch, r), SPEC, WINDOWS)) for r in ((20, 21, 19), (5, 20, 35)))
    assert even is not None
    assert uneven is not None
    assert even[0] == uneven[0] == "white"
    assert even[1].p_value > 0.5
    assert uneven[1].p_value < 1e-6
    assert uneven[1].index < even[1].index


def test_one_photo_and_mere_strangers_have_no_mixing(batch) -> None:
    one = batch([3.0] * 60, colour=["white"] * 30 + ["red"] * 30)
    assert mixing(sample(one, SPEC, WINDOWS)) is None
    few = blend(batch, (1, 2, 1))
    assert BLEND_FROM > 4 / 180
    assert mixing(sample(few, SPEC, WINDOWS)) is None


def test_figures_beside_the_verdict(batch) -> None:
    _, verdict = judge_pieces(blend(batch, (20, 21, 19)), None, windows_mm=WINDOWS)
    named = {f.name: f for f in verdict.figures}
    assert named["red_share"].value == pytest.approx(100 * 60 / 180)
    assert "2 degrees of freedom" in named["lacey_mixing"].note
    assert named["lacey_mixing"].basis == "published relation"
    _, apart = judge_pieces(blend(batch, (60, 0, 0)), None, windows_mm=WINDOWS)
    assert {f.name: f for f in apart.figures}[
        "lacey_mixing"
    ].value == 0.0  # not at all mixed is as low as it goes
    _, plain = judge_pieces(batch([3.0] * 60, colour="white"), None, windows_mm=WINDOWS)
    assert not {"white_share", "lacey_mixing"} & {f.name for f in plain.figures}
