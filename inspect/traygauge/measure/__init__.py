"""From regions to measured pieces: body, cut faces, tails, shape, and the uncertainty of each figure."""

from traygauge.measure.measuring import measure_pieces
from traygauge.measure.pieces import Pieces

__all__ = ["Pieces", "measure_pieces"]
