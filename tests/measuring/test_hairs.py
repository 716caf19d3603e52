"""Hairs that lie across pieces take no length from them."""

import numpy as np

from traygauge_shared.scenes import case_scene


def test_a_long_piece_keeps_its_length_below_three_hairs(measured_scene):
    """One hair along its flank and two that cross at an end, one of which ties it to another: much outline, hardly any area."""
    found = measured_scene(case_scene("litter", 503))
    true = np.array([float(row["length_mm"]) for row in found.drawn.truth])
    length = found.pieces["length_mm"][found.at[int(true.argmax())]]
    assert true.max() > 8
    assert abs(length - true.max()) < 0.1
