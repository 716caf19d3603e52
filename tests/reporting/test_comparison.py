"""Two batches on one page: the figures of the comparison, nothing lost and nothing let in."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest

from traygauge.batch import Batch
from traygauge.judge.compare import Difference
from traygauge.judge.verdict import Interval
from traygauge.records import kept
from traygauge.report.comparison import comparison_html, comparison_of
from traygauge.report.distributions import distributions
from traygauge.report.plots import two_histograms

BAD = '<script>alert("1")</script>'


def difference(unit: str, a: float, b: float, effect: tuple[float, float, float], p: float) -> Difference:
    return Difference(
        "x", f"figure in {unit}", unit, a, b, Interval(*effect, 0.95), p, 30, 30, f"Said of {unit}.", "a rule"
    )


@pytest.fixture
def page(make_batch: Callable[..., Batch]) -> str:
    differences = (
        difference("%", 2.04, 8.16, (6.12, 1.5, 11.0), 0.0004),
        difference("mm", 3.001, 2.991, (-0.01, -0.06, 0.04), float("nan")),
        difference("ratio", 0.15, 0.30, (2.0, 1.2, 3.1), float("nan")),
    )
    one, two = kept(make_batch(30), BAD), kept(make_batch(24), "after")
    return comparison_html(comparison_of(one, two, differences, same_scale=False)).decode()


def test_every_figure_stands_with_its_change_and_interval_first(page: str) -> None:
    rows = re.findall(r"<tr><td>(.*?)</td></tr>", page, re.DOTALL)
    cells = [[re.sub("<.*?>", "", c) for c in re.split(r"</td><td[^>]*>", row)] for row in rows]
    assert cells == [
        ["figure in %", "2.0\u00a0%", "8.2\u00a0%", "+6.1", "+1.5 to +11.0 points", "&lt; 0.001"],
        ["figure in mm", "3.00\u00a0mm", "2.99\u00a0mm", "-0.01", "-0.06 to +0.04 mm", ""],
        ["figure in ratio", "15\u00a0%", "30\u00a0%", "2.0", "1.2 to 3.1 times", ""],
    ]


def test_the_headline_names_what_changed_and_nothing_else(page: str) -> None:
    assert "Changed: figure in %, figure in ratio." in page
    assert "Said of %." in page
    assert "Said of mm." not in page
    # three intervals at 95 %: 1 - 0.95^3 = 14 %
    assert "up to 14 of 100" in page


def test_names_are_escaped_and_nothing_is_fetched(page: str) -> None:
    assert BAD not in page
    assert "&lt;script&gt;" in page
    assert not re.search(r"(src|href)=|url\((?!#)", page)


def test_nothing_to_compare_is_said(make_batch: Callable[..., Batch]) -> None:
    empty = kept(make_batch(0), "empty")
    told = comparison_of(empty, empty, (), same_scale=True)
    assert told.plots == ()
    assert "too few" in told.caution
    comparison_html(told)


def test_both_distributions_are_drawn_to_one_scale(make_batch: Callable[..., Batch]) -> None:
    shown = distributions(make_batch(40))[0]
    drawing = two_histograms(shown, shown)
    ends = re.findall(r'class="bar" d="M([\d.]+) ([\d.]+)V([\d.]+)H([\d.]+)', drawing)
    shares = 100 * shown.counts / shown.counts.sum()
    heights = np.array([float(base) - float(top) for _, base, top, _ in ends])
    np.testing.assert_allclose(heights / heights.sum(), shares[shares > 0] / 100, atol=0.002)
    outline = re.search(r'class="other" d="M([\d.]+) ([\d.]+)((?:V[\d.]+H[\d.]+)+)', drawing)
    assert outline is not None
    tops = [float(v) for v in re.findall(r"V([\d.]+)H", outline[3])]
    np.testing.assert_allclose(
        [float(outline[2]) - t for t in tops if t < float(outline[2])], heights, atol=0.11
    )


def test_other_bins_cannot_be_drawn_over_each_other(make_batch: Callable[..., Batch]) -> None:
    length, diameter, *_ = distributions(make_batch(40))
    with pytest.raises(ValueError, match="same bins"):
        two_histograms(length, diameter)
