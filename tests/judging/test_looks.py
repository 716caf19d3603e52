"""Looking again must not break the stated risk."""

import numpy as np
import pytest
from scipy import stats

from traygauge.judge.intervals import share_bounds
from traygauge.judge.looks import MOST_LOOKS, figure_error, share_error, tail


def wrong_decisions(limit: float, size: int, upper: bool, *, paid: bool, looks: int = MOST_LOOKS) -> float:
    """Return the exact chance that a batch on the limit is decided within five looks of `size` pieces each."""
    paths, decided = np.ones(1), 0.0
    for look in range(1, looks + 1):
        n = look * size
        sizes = [size * (k + 1) for k in range(look)]
        error = share_error(0.05, look, limit, sizes, upper=upper) if paid else 0.05
        paths = np.convolve(paths, stats.binom.pmf(np.arange(size + 1), size, limit))
        hits = np.arange(n + 1)
        if upper:
            settled = np.array([error > 0 and share_bounds(k, n, error)[1] <= limit for k in hits])
        else:
            settled = np.array([error > 0 and share_bounds(k, n, error)[0] > limit for k in hits])
        decided += float(paths[settled].sum())
        paths = np.where(settled, 0.0, paths)
    return decided


@pytest.mark.parametrize("limit", [0.02, 0.08, 0.2])
@pytest.mark.parametrize("upper", [True, False])
def test_five_looks_keep_the_stated_error_exactly(limit, upper):
    assert wrong_decisions(limit, 150, upper, paid=True) <= 0.05 + 1e-9


def test_five_plain_looks_do_not():
    # "at a share on the limit, a plain one-sided 95 % rule accepts wrongly 2 % at one look and 10 % at five":
    # 300 pieces a look and a limit of 2 % give just that
    assert wrong_decisions(0.02, 300, upper=True, paid=False, looks=1) == pytest.approx(0.02, abs=0.005)
    assert wrong_decisions(0.02, 300, upper=True, paid=False) == pytest.approx(0.10, abs=0.02)
    assert wrong_decisions(0.02, 300, upper=True, paid=True) <= 0.05


def test_later_looks_still_decide_what_is_far_from_the_limit():
    sizes = [300.0, 600.0]
    error = share_error(0.05, 2, 0.08, sizes, upper=True)
    assert 0 < error < 0.05
    assert share_bounds(0.03 * 600, 600, error)[1] < 0.08
    error = share_error(0.05, 2, 0.08, sizes, upper=False)
    assert share_bounds(0.16 * 600, 600, error)[0] > 0.08


def test_past_five_looks_nothing_is_left_and_one_look_pays_nothing():
    assert share_error(0.05, 1, 0.08, [188.0]) == 0.05
    assert share_error(0.05, 6, 0.08, [100.0 * k for k in range(1, 7)]) == 0.0
    assert sum(figure_error(0.05, look) for look in range(1, 9)) == pytest.approx(0.05)


def test_tail_is_the_binomial_one_and_runs_smoothly_between():
    for k in (-1, 0, 3, 10):
        assert tail(k, 10, 0.3) == pytest.approx(stats.binom.cdf(k, 10, 0.3), abs=1e-12)
    assert tail(3, 10, 0.3) < tail(3.5, 10, 0.3) < tail(4, 10, 0.3)
