"""What shows that a body is two: edges that step aside or turn where those of one strand bend evenly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from traygauge.measure.doubles import crookedness, cut_line_depth
from traygauge.measure.end_light import Apart
from traygauge.measure.frame import Frames
from traygauge.measure.signal import Signal
from traygauge_calib.tray_view import TrayView
from traygauge_shared.scenes import Batch, Scene, Sheet, StrandPiece, phone_over, tray

PX = 16.0
LENGTH, DIAMETER = 5.0, 1.6


@pytest.fixture
def crooked(view: Callable[..., TrayView]) -> Callable[..., float]:
    """Return a function of where a bar's middle line lies: its crookedness; see `bar`."""
    flat = view(np.zeros((160, 160, 3), np.uint8), PX)

    def of(aside, **how) -> float:
        signal, frame, apart = bar(aside, **how)
        return float(crookedness(signal, flat, frame, apart)[0])

    return of


@pytest.fixture
def cut_line(view: Callable[..., TrayView]) -> Callable[..., float]:
    """Return a function of what shows of a straight bar: the depth of the deepest line across it; see `bar`."""
    flat = view(np.zeros((160, 160, 3), np.uint8), PX)

    def of(lit, *, dark: bool = False) -> float:
        signal, frame, apart = bar(lambda x: 0 * x, lit=lit, dark=dark)
        return float(cut_line_depth(signal, flat, frame, apart.tray_level)[0])

    return of


def bar(aside, *, bend: float = 0.0, dark: bool = False, lit=None) -> tuple[Signal, Frames, Apart]:
    """Return the light, frame and surroundings of a bar whose middle line lies `aside(x)` of the axis, x in mm from the middle.

    `lit(x, y)` is what shows where the bar does not, and how much of the bar's own light is missing, 0 to 1.
    """
    # eight samples a pixel: edges are mixed exactly enough
    at = (np.arange(16 * 10 * 8) + 0.5) / PX / 8 - 5.0
    x, y = np.meshgrid(at, at)
    body = ((np.abs(y - aside(x)) < DIAMETER / 2) & (np.abs(x) < LENGTH / 2)).astype(np.float32)
    if lit is not None:
        body = np.where(body > 0, 1 - lit(x, y), lit(x, y)).astype(np.float32)
    light = body.reshape(160, 8, 160, 8).mean((1, 3))
    values = -(0.9 - 0.85 * light) if dark else 0.05 + 0.8 * light
    weights = np.full((1, 3), -1 / 3 if dark else 1 / 3)
    none = np.array([False])
    signal = Signal(values.astype(np.float32), None, (0, 0), weights, none, none, 1.0, False)
    one = np.ones(1)
    frame = Frames(np.full((1, 2), 5.0), np.zeros(1), bend * one, LENGTH * one, DIAMETER * one)
    nothing = np.zeros((160, 160), np.int32)
    apart = Apart(
        nothing, (0, 0), np.ones(1, int), np.array([-0.9 if dark else 0.05]), np.full((1, 2), np.inf)
    )
    return signal, frame, apart


def line(on_top: float, below: float):
    """Return a line 0.25 mm wide across a bar at x = 0.4 that leaves so much missing on one flank and the other."""
    return lambda x, y: np.where(y < 0, on_top, below) * (np.abs(x - 0.4) < 0.125)


def test_a_cut_line_is_as_deep_as_both_flanks_say(cut_line) -> None:
    """Light falls by 0.8 of what is missing, over a tray at 0.05: in shares of the bar's own as much as is missing."""
    assert cut_line(line(0.5, 0.5)) == pytest.approx(0.5, abs=0.03)
    assert cut_line(line(1.0, 0.16)) == pytest.approx(0.4, abs=0.03)  # geometric mean
    assert cut_line(line(1.0, 0.0)) < 0.05  # a nick
    assert cut_line(lambda x, y: 0 * x) < 0.02


def test_a_cleft_in_a_dark_piece_is_darker_than_itself(cut_line) -> None:
    """As ratios, over 0.012 that passes for black: ln 0.912/0.062 = 2.69 over the tray's light, ln 0.912/0.0195 = 3.85 in it."""

    def cleft(x, y):
        return -0.05 * (np.abs(x - 0.4) < 0.125)

    rise = np.log(0.912 / (0.9 - 0.85 * 1.05 + 0.012)) / np.log(0.912 / 0.062) - 1
    assert rise > 0.18
    assert cut_line(cleft, dark=True) == pytest.approx(rise, abs=0.1)  # cubic reading overshoots
    assert cut_line(line(0.5, 0.5), dark=True) > 0.18  # the tray shows through


@pytest.mark.parametrize("dark", [False, True])
def test_a_step_aside_shows_as_a_quarter_of_itself(crooked, dark) -> None:
    """A step's best even bend is a slope: of sgn x it leaves 1 - 3/4 of the square (Legendre), a quarter of the step."""
    step = 0.2 * DIAMETER / 2
    assert crooked(lambda x: step / 2 * np.sign(x), dark=dark) == pytest.approx(0.2 / 4, rel=0.15)


def test_one_strand_straight_slanting_or_bent_is_not_crooked(crooked) -> None:
    assert crooked(lambda x: 0 * x) < 0.005
    assert crooked(lambda x: 0.03 * x) < 0.005
    assert crooked(lambda x: x**2 / 2 / 40, bend=1 / 40) < 0.005
    assert crooked(lambda x: x**2 / 2 / 40) < 0.005


def test_a_highlight_on_half_of_it_makes_no_two(crooked) -> None:
    """It ends within the body: a flank is the last edge, not the first."""

    def streak(x, y):
        return 0.8 * ((x < 0.3) & (np.abs(y - 0.55 * DIAMETER / 2) < 0.08))

    assert crooked(lambda x: 0 * x, dark=True, lit=streak) < 0.008


def test_a_lamps_shadow_makes_no_two(crooked) -> None:
    """Beside a dark piece it is half as dark, less so further off, and begins with the shadow of an end."""

    def shadow(x, y):
        out = y / (DIAMETER / 2) - 1.0
        return np.where((out > 0) & (out < 0.35 * (x + LENGTH / 2)), 0.83 - 0.15 * out, 0.0)

    assert crooked(lambda x: 0 * x, dark=True, lit=shadow) < 0.008


def test_pieces_that_lie_end_to_end_are_not_stated_as_one(measured_scene) -> None:
    """Short dark pieces on a light tray, cut face to cut face, one a little aside or turned: never one long piece."""
    singles = tray(
        Batch(count=40, nominal_mm=2.0, length_sd_mm=0.1, colour="black", long_fraction=0, short_fraction=0),
        sheet=Sheet(window="white"),
        area_mm=(15, 15, 177, 60),
        seed=5,
    )
    pairs = []
    for k in range(12):
        x, y = 24.0 + 12 * k, 75.0 + 12 * (k % 4)
        piece = StrandPiece(
            x, y, axis_deg=0.0, length_mm=2.0, cut_deg=(4, 4), cut_side_deg=(90, 270), colour="black"
        )
        other = replace(piece, x_mm=x + 2.08, y_mm=y + 0.28 + 0.01 * k, axis_deg=5.0)
        pairs += [piece, other]
    scene = Scene((*singles.pieces, *pairs), phone_over(), sheet=Sheet(window="white"))
    pieces = measured_scene(scene).pieces
    assert (pieces["y_mm"] > 66.0).sum() >= 12
    length, u = pieces["length_mm"].astype(float), pieces["u_length_mm"].astype(float)
    assert not ((pieces["y_mm"] > 66.0) & (length > 2.5) & (u < 0.3)).any()
