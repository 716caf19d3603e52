"""A seeded sample of the statistics check: stated risks and coverages hold over drawn batches."""

import importlib
from pathlib import Path

import pytest

BENCH = Path(__file__).parents[2] / "bench"


@pytest.fixture(scope="module")
def bench():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(BENCH))
        yield importlib.import_module("statistics_check")


def test_promises_hold_over_200_batches_each(bench):
    slow = (
        "five looks",
        "1000 pieces",
        "bootstrap",
        "difference",
    )  # exact, or drawn elsewhere in these tests
    found = bench.check(200, seed=7, only=lambda p: not any(word in p.name for word in slow))
    broken = [bench.table([f]) for f in found if not f.holds]
    assert len(found) > 20
    assert not broken, "\n".join(broken)


def test_a_broken_promise_is_seen(bench):
    promise = bench.Promise("heads", 0.95, True, lambda rng: bool(rng.random() < 0.8))
    found = bench.Found(
        promise, 200, sum(promise.draw(bench.np.random.default_rng(k)) for k in range(200)) / 200
    )
    assert not found.holds
    assert "BROKEN" in bench.table([found])
