"""Drawn trays, measured once for all tests here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest

from traygauge.measure import Pieces, measure_pieces
from traygauge.segment.find import find_pieces
from traygauge.segment.regions import Regions
from traygauge_calib.scale import calibrate
from traygauge_shared.loading import decode_photo
from traygauge_shared.scenes import Drawn, Scene, draw, photo_bytes


@dataclass(frozen=True)
class Measured:
    """A drawn tray and what was measured on it; `at[k]` is the piece that truth k is, -1 where none is near."""

    drawn: Drawn
    regions: Regions
    pieces: Pieces
    at: npt.NDArray[np.intp]

    def errors(self, column: str, truth: str) -> npt.NDArray[np.float64]:
        """Return measured minus true over the truths found and measured."""
        true = np.array([float(row[truth]) for row in self.drawn.truth])
        found = np.append(self.pieces[column], np.nan)[self.at]
        rest = found - true
        return rest[np.isfinite(rest)]

    def errors_and_u(
        self, column: str, truth: str, some: npt.NDArray[np.bool_] | None = None
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Return the errors of strand pieces, or `some` of them, and the standard uncertainties stated, where both are known."""
        rows = np.array([row["kind"] in ("strand", "long", "short") for row in self.drawn.truth])
        rest = np.append(self.pieces[column], np.nan)[self.at] - [float(r[truth]) for r in self.drawn.truth]
        u = np.append(self.pieces[f"u_{column}"], np.nan)[self.at]
        known = rows & np.isfinite(rest) & np.isfinite(u) & (True if some is None else some)
        return rest[known], u[known]


def measured(scene: Scene) -> Measured:
    """Return a scene drawn, written as a photo, read back and measured."""
    drawn = draw(scene)
    tray = calibrate(decode_photo(photo_bytes(drawn), "drawn.jpg"))
    regions = find_pieces(tray)
    pieces = measure_pieces(regions)
    place = np.stack([pieces["x_mm"], pieces["y_mm"]], -1)
    at = []
    for row in drawn.truth:
        gap = (
            np.hypot(*(place - [float(row["x_mm"]), float(row["y_mm"])]).T) if len(place) else np.array([9.0])
        )
        at.append(int(gap.argmin()) if gap.min() < 1.0 else -1)
    return Measured(drawn, regions, pieces, np.array(at))


@pytest.fixture(scope="session")
def measured_scene() -> Callable[[Scene], Measured]:
    """Return what measures a scene."""
    return measured


@pytest.fixture(scope="session")
def good_tray() -> Measured:
    from traygauge_shared.scenes import Batch, tray

    return measured(tray(Batch(count=60, cut_deg=(4.0, 4.0)), seed=11))


__all__ = ["Measured", "measured", "replace"]
