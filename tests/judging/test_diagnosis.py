"""What the pieces say about the cutter."""

import re

import numpy as np
import pytest
from scipy.special import ndtri

from traygauge.judge.diagnosis import CAUTION, diagnose, is_soft
from traygauge.judge.judging import judge_pieces
from traygauge.judge.sample import sample
from traygauge.judge.spec import parse_spec

SET_3125 = "[cutter]\nstrand_speed_m_min = 10\nrotor_speed_per_min = 400\nknives = 8\n"


def hints(pieces, more: str = ""):
    spec = parse_spec('[spec]\nname = "x"\n' + more)
    return {h.name: h for h in diagnose(sample(pieces, spec, {}))}


def steady(n: int = 200, middle: float = 3.125, spread: float = 0.05, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(middle, spread, n)


def test_a_steady_cut_at_its_set_length_says_nothing(batch):
    pieces = batch(steady(), tail_length_mm=0.0, burr_mm=0.05, cut_angle_deg=2.0, neck_mm=1.72)
    assert hints(pieces, SET_3125) == {}


def test_slip_shows_as_a_short_cut_with_its_figures(batch):
    # v / (N z): 10 m/min, 400 per minute, 8 knives: 3.125 mm (pelletizing texts); slip of 8 % gives 2.875
    found = hints(batch(steady(middle=2.875)), SET_3125)["short cut"]
    assert "set to 3.12 mm" in found.says or "set to 3.13 mm" in found.says
    assert "-8 %" in found.says
    assert "slips" in found.may_be
    assert "long cut" in hints(batch(steady(middle=3.4)), SET_3125)
    # a scale that is uncertain by as much explains it
    assert "short cut" not in hints(batch(steady(middle=2.875), u_shared_mm=0.2), SET_3125)


def test_uneven_cut_is_told_from_measuring_error(batch):
    assert "uneven cut" in hints(batch(steady(spread=0.3)))
    assert "uneven cut" not in hints(batch(steady(spread=0.3), u_mm=0.3))


def test_a_spread_beyond_the_steady_one_never_reads_like_it(batch):
    """It read "varies by 8 %, a steady feed stays below 8 %"."""
    spread = 0.083 * ndtri((np.arange(200) + 0.5) / 200)
    says = hints(batch(3.0 * (1 + spread), u_mm=0.01))["uneven cut"].says
    varies, steady_below = re.findall(r"[0-9.]+(?= %)", says)
    assert float(steady_below) < float(varies) < 8.5


def test_two_populations(batch):
    twice = np.concatenate([steady(), np.full(12, 6.25)])
    assert "12 of 212" in hints(batch(twice))["skipped cuts"].says
    half = np.concatenate([steady(), np.full(12, 1.56)])
    assert "half cuts" in hints(batch(half))
    assert "skipped cuts" not in hints(batch(np.append(steady(), 6.25)))  # a single one is no pattern


def test_drift_over_photos_in_the_order_given(batch):
    photos = np.repeat([f"p{k}" for k in range(6)], 40)
    rng = np.random.default_rng(3)
    level = np.repeat(3.0 + 0.05 * np.arange(6), 40)
    found = hints(batch(level + rng.normal(0, 0.05, 240), photo=photos))
    assert "over 6 photos" in found["drift"].says
    assert "drift" not in hints(batch(3.0 + rng.normal(0, 0.05, 240), photo=photos))
    assert "drift" not in hints(batch(level[:160], photo=photos[:160]))  # four photos are too few


def test_tails_read_differently_on_soft_and_hard_strand(batch):
    pieces = batch(steady(), tail_length_mm=[1.0] * 30 + [0.0] * 170)
    soft = hints(pieces, '[material]\nhardness = "Shore A 85"')["tails"]
    hard = hints(pieces, '[material]\nhardness = "Shore D 75"')["tails"]
    unknown = hints(pieces)["tails"]
    assert "nearly touching" in soft.check_first
    assert "edge" in hard.check_first
    assert len({soft.may_be, hard.may_be, unknown.may_be}) == 3


@pytest.mark.parametrize(
    ("column", "value", "name"),
    [
        ("burr_mm", 0.6, "burrs"),
        ("neck_mm", 1.2, "squeezed ends"),
        ("cut_angle_deg", 25.0, "oblique cut"),
        ("findings", "doubles", "doubles"),
    ],
)
def test_other_signs(batch, column, value, name):
    assert name in hints(batch(steady(), **{column: [value] * 200}))


def test_an_oblique_cut_that_is_meant_is_none(batch):
    pieces = batch(steady(), cut_angle_deg=45.0)
    assert "oblique cut" not in hints(pieces, "[strand]\ncut_angle_deg = 45.0")


def test_hints_are_ranked_and_marked_and_come_with_the_caution(batch):
    pieces = batch(steady(spread=0.3), burr_mm=0.6, findings=["doubles"] * 2 + [""] * 198)
    spec = parse_spec('[spec]\nname = "x"')
    found = diagnose(sample(pieces, spec, {}))
    assert len(found) >= 3
    strengths = [h.strength for h in found]
    assert strengths == sorted(strengths, reverse=True)
    assert all(h.basis == "common practice" and 0 <= h.strength <= 1 for h in found)
    advice = judge_pieces(pieces, spec, windows_mm={})[1].advice
    assert CAUTION in advice
    assert any(
        a.startswith("Cutter: ") and "may be behind it" in a and "common practice" in a for a in advice
    )


def test_softness():
    assert is_soft("Shore A 85")
    assert is_soft("Shore D 40")
    assert is_soft("Shore D 75") is False
    assert is_soft(None) is None


def test_regrind_is_not_blamed_on_a_strand_cutter(batch):
    pieces = batch(steady(spread=0.8), form=["strand"] * 100 + ["flake"] * 100, burr_mm=0.6)
    assert hints(pieces) == {}


def test_few_pieces_say_nothing(batch):
    assert hints(batch([1.0, 3.0, 6.0]), SET_3125) == {}
