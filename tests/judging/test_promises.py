"""A seeded sample of the statistics check: stated risks and coverages hold over drawn batches."""

import importlib.util
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def bench():
    path = Path(__file__).parents[2] / "bench" / "statistics_check.py"
    spec = importlib.util.spec_from_file_location("statistics_check", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["statistics_check"] = module  # its dataclasses look themselves up
    spec.loader.exec_module(module)
    return module


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
