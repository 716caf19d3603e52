"""Long bent pieces, as old filament is off its spool."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge_shared.scenes import case_scene


@pytest.mark.parametrize("seed", [1, 2])
def test_filament_off_a_spool_stays_in_one_piece(measured_scene, seed: int) -> None:
    """Parting took those for several rods in a row: of 70 pieces 51 were found and 47 invented, lengths halved."""
    seen = measured_scene(case_scene("off the spool", seed))
    assert (seen.at >= 0).all()
    assert len(seen.pieces) <= len(seen.at) + 1
    off, u = seen.errors_and_u("length_mm", "length_mm")
    assert len(off) > 0.9 * len(seen.at)
    assert np.abs(np.median(off)) < 0.02
    assert (np.abs(off) < 2 * u).mean() > 0.9
    assert np.percentile(np.abs(off), 80) < 0.06
