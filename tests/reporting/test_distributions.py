"""Distributions: bins, limits, drawings."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from traygauge.batch import Batch
from traygauge.judge.judging import judge_pieces
from traygauge.judge.spec import Spec
from traygauge.judge.verdict import Figure
from traygauge.report.distributions import bin_edges, distributions
from traygauge.report.limit_lines import limit_lines
from traygauge.report.model import Distribution, Line, Strip
from traygauge.report.plots import histogram, interval_strip


@given(
    st.lists(st.floats(0.1, 30), min_size=1, max_size=300),
    st.sampled_from([(), (Line(4.0, "below", "", "long"),)]),
)
def test_bins_hold_every_value_on_round_steps(values: list[float], lines: tuple[Line, ...]) -> None:
    array = np.array(values)
    edges = bin_edges(array, lines)
    assert np.histogram(array, edges)[0].sum() == len(values)
    assert len(edges) <= 90
    step = edges[1] - edges[0]
    np.testing.assert_allclose(np.diff(edges), step)
    assert any(abs(step / 10.0 ** math.floor(math.log10(step) + 1e-9) - s) < 1e-6 for s in (1, 2, 2.5, 5))


def test_a_limit_lies_on_an_edge() -> None:
    values = np.random.default_rng(0).normal(3, 0.4, 500)
    edges = bin_edges(values, (Line(4.03, "below", "", "long"),))
    assert np.abs(edges - 4.03).min() < 1e-9 or edges[-1] < 4.03


def test_the_step_follows_freedman_and_diaconis() -> None:
    # Freedman and Diaconis (1981): width 2 IQR / n^(1/3); of 0..1 evenly filled IQR = 1/2, n = 1000: 0.1
    edges = bin_edges(np.linspace(0, 1, 1000))
    assert edges[1] - edges[0] == pytest.approx(0.1)


def test_limits_on_single_pieces_come_from_the_spec(rigid: Spec) -> None:
    lines = {line.finding: (line.value, line.allowed) for line in limit_lines(rigid, "length_mm")}
    assert lines == {"long": (4.0, "below"), "short": (2.0, "above")}
    width = {line.finding: line.value for line in limit_lines(rigid, "diameter_mm")}
    assert width == pytest.approx({"thick": 1.9, "thin": 1.6})
    assert limit_lines(None, "length_mm") == ()


def test_only_measured_pieces_enter_and_the_others_are_counted(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(40)
    state = batch.pieces["state"].copy()
    state[:5] = "upright"
    length = batch.pieces["length_mm"].copy()
    length[:5] = np.nan
    pieces = batch.pieces.with_columns(state=state, length_mm=length)
    shown = {d.name: d for d in distributions(Batch(batch.photos, pieces, batch.spec, batch.verdict))}
    assert set(shown) == {"length_mm", "diameter_mm"}
    assert shown["length_mm"].pieces == shown["length_mm"].counts.sum() == 35
    assert shown["length_mm"].left_out == 5


def test_its_figures_are_those_of_the_verdict(make_batch: Callable[..., Batch]) -> None:
    """The verdict makes up for lost pieces and measuring error: no other D90 may stand beside the plot."""
    batch = make_batch(40)
    figure = Figure("d90_length_mm", "D90 of the cut length", "mm", 4.56, 4.0, 5.0, "measured")
    verdict = replace(batch.verdict, figures=(figure,))
    shown = distributions(replace(batch, verdict=verdict))[0]
    assert {f.label: f.text for f in shown.facts}["D90"] == "4.56\u00a0mm"


def test_cut_lengths_are_shown_under_every_weighting(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(40)
    windows = {"tray.jpg": batch.photos[0].tray.window_mm}
    pieces, verdict = judge_pieces(batch.pieces, batch.spec, windows_mm=windows)
    length, diameter = distributions(Batch(batch.photos, pieces, batch.spec, verdict))
    assert [w.by for w in length.weighted] == ["number", "length", "area", "volume"]
    first = length.weighted[0]
    shown = [f"{text}\u00a0mm" for text in (first.d10, first.median, first.d90, first.mean)]
    assert shown == [f.text for f in length.facts]
    assert diameter.weighted == ()


def test_regrind_shows_the_extent_of_its_flakes(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(40)
    pieces = batch.pieces.with_columns(form=["flake"] * 40)
    names = [d.name for d in distributions(Batch(batch.photos, pieces, batch.spec, batch.verdict))]
    assert names == ["feret_max_mm"]


def test_nothing_measured_shows_nothing(make_batch: Callable[..., Batch]) -> None:
    assert distributions(make_batch(0)) == ()


def test_a_drawing_has_its_limits_and_its_number(make_batch: Callable[..., Batch]) -> None:
    shown = distributions(make_batch(40))[0]
    drawing = histogram(shown)
    assert drawing.count('class="limit"') == 2
    assert "long over 4 mm" in drawing
    assert "of 40 pieces" in drawing
    bars = re.findall(r"<title>([\d.]+) to ([\d.]+) mm: (\d+)</title>", drawing)
    assert sum(int(n) for _, _, n in bars) == 40
    beyond = re.findall(r'class="bar beyond f-long"', drawing)
    assert len(beyond) == sum(float(a) >= 4.0 for a, _, _ in bars) > 0
    # the tallest bar is as much higher than the lowest as its count says
    heights = [float(h) for h in re.findall(r'class="bar[^"]*" d="M[\d.]+ ([\d.]+)V', drawing)]
    assert len(set(heights)) == 1


def test_bars_are_as_high_as_their_counts(make_batch: Callable[..., Batch]) -> None:
    drawing = histogram(distributions(make_batch(200))[0])
    found = re.findall(r'd="M[\d.]+ ([\d.]+)V([\d.]+)H[^"]*"><title>[^:]*: (\d+)<', drawing)
    rise = np.array([(float(a) - float(b)) / int(n) for a, b, n in found])
    np.testing.assert_allclose(rise, rise[0], rtol=0.05)


@pytest.mark.parametrize(
    ("strip", "hatched"),
    [
        (Strip(7.5, 3.8, 13.1, 2.0, "at most"), (">", 2.0)),
        (Strip(3.0, 2.9, 3.1, 2.5, "at least"), ("<", 2.5)),
        (Strip(0.0, 0.0, math.inf, 5.0, "at most"), (">", 5.0)),
        (Strip(0.0, 0.0, 0.0, 0.0, "at most"), (">", 0.0)),
        (Strip(math.nan, -math.inf, math.inf, 5.0, "at most"), (">", 5.0)),
    ],
)
def test_a_strip_hatches_what_is_not_allowed(strip: Strip, hatched: tuple[str, float]) -> None:
    drawing = interval_strip(strip)
    limit = float(re.search(r'class="limit" d="M([\d.]+)', drawing)[1])
    x, width = (
        float(v) for v in re.search(r'class="no" x="([\d.]+)" y="6" width="([\d.]+)"', drawing).groups()
    )
    assert (x if hatched[0] == ">" else x + width) == pytest.approx(limit, abs=0.11)
    assert "nan" not in drawing
    assert "inf" not in drawing


def test_a_limit_far_off_is_named_at_the_side() -> None:
    values = np.array([1.71, 1.75, 1.76, 1.78])
    lines = (Line(1.9, "below", "thick over 1.9 mm", "thick"), Line(40.0, "below", "far over 40 mm", "thick"))
    edges = bin_edges(values, lines)
    shown = Distribution(
        "diameter_mm", "Diameter", "mm", edges, np.histogram(values, edges)[0], lines, 4, 0, (), 0.02
    )
    drawing = histogram(shown)
    assert "far over 40 mm →" in drawing
    assert drawing.count('class="limit"') == 1


@pytest.mark.parametrize(("short", "long"), [(2.0, 4.0), (1.2, 1.6), (2.0, 8.0), (7.0, 8.5), (1.0, 2.5)])
def test_no_label_of_a_limit_runs_over_another_or_over_another_s_line(short: float, long: float) -> None:
    values = np.linspace(1.0, 9.0, 50)
    lines = (
        Line(long, "below", "long over 4.25 mm", "long"),
        Line(short, "above", "short under 2.25 mm", "short"),
    )
    edges = bin_edges(values)
    counts = np.histogram(values, edges)[0]
    drawing = histogram(Distribution("length_mm", "Cut length", "mm", edges, counts, lines, 50, 0, (), 0.02))
    letter, high = 0.58 * 18, 18.0  # as a phone shows them, in the drawing's own points
    boxes = []
    for x, y, anchor, text in re.findall(
        r'<text x="([\d.]+)" y="([\d.]+)" text-anchor="(\w+)" class="limit-text">([^<]+)', drawing
    ):
        wide = letter * len(text)
        left = float(x) - (wide if anchor == "end" else 0)
        boxes.append((left, left + wide, float(y) - 0.75 * high, float(y) + 0.25 * high))
    marks = [
        (float(x), float(top)) for x, top in re.findall(r'class="limit" d="M([\d.]+) ([\d.]+)V', drawing)
    ]
    (a, b) = boxes
    assert len(marks) == 2
    assert a[1] <= b[0] or b[1] <= a[0] or a[3] <= b[2] or b[3] <= a[2]
    assert all(left >= 0 and right <= 600 for left, right, _, _ in boxes)
    assert not any(left < x < right and top < bottom for left, right, _, bottom in boxes for x, top in marks)


@pytest.mark.parametrize("title", ["Diameter", "Cut length", "Cut length of all"])
@pytest.mark.parametrize("u", [0.0, 0.003, 0.012, 0.0125, 0.013, 0.014, 0.017, 0.0195, 0.025, 0.05, 1.0])
def test_one_piece_s_own_bar_and_its_words_keep_clear_of_the_axis_title(u: float, title: str) -> None:
    """Where pieces are as alike as they can be measured, the bar is as long as the axis."""
    edges = np.linspace(1.68, 1.82, 15)
    drawn = histogram(Distribution("diameter_mm", title, "mm", edges, np.ones(14, int), (), 14, 0, (), u))
    spans = []
    for at, anchor, text in re.findall(
        r'<text x="([0-9.]+)" y="258.0" text-anchor="(\w+)">([^<]+)</text>', drawn
    ):
        wide = 9.5 * len(text)  # as wide as on a small screen
        left = float(at) - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        spans.append((left, left + wide))
    assert len(spans) == 2
    path = re.search(r'class="whisker" d="([^"]+)"', drawn)
    spans += [
        (float(a), float(b)) for a, b in re.findall(r"M([0-9.]+) 254H([0-9.]+)", path[1] if path else "")
    ]
    for k, (a, b) in enumerate(spans):
        assert 0 <= a <= b <= 600
        assert all(b <= c or d <= a for c, d in spans[k + 1 :])
