"""Many small systems of equations at once."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge.measure.solving import solved


@pytest.mark.parametrize("n", [0, 50, 500])
@pytest.mark.parametrize("d", [1, 3, 7])
def test_solutions_fulfil_their_equations(d: int, n: int) -> None:
    rng = np.random.default_rng(d)
    functions = rng.normal(size=(d, 20, n))
    normal = np.einsum("ikn,jkn->ijn", functions, functions)
    right = rng.normal(size=(d, n))
    before = normal.copy()
    x = solved(normal, right)
    assert np.einsum("ijn,jn->in", normal, x) == pytest.approx(right, abs=1e-8)
    assert (normal == before).all()
