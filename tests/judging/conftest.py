"""Drawn batches and check values for judging."""

import csv
from pathlib import Path

import numpy as np
import pytest

from traygauge.measure.pieces import Pieces

DATA = Path(__file__).parents[1] / "data"


@pytest.fixture
def check_values():
    """Return a reader of a table in tests/data: a list of dictionaries of texts."""

    def read(name: str) -> list[dict[str, str]]:
        with (DATA / f"{name}.csv").open(encoding="utf-8") as file:
            return list(csv.DictReader(line for line in file if not line.startswith("#")))

    return read


def rectangle(x: float, y: float, length: float, width: float, angle: float = 0.0) -> np.ndarray:
    """Return the outline (4, 2) of a rectangle around (x, y)."""
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [length / 2, width / 2]
    c, s = np.cos(angle), np.sin(angle)
    return half @ np.array([[c, s], [-s, c]]) + [x, y]


#: States of pieces of which a part shows.
IN_PART = ("covered", "leaning", "axis unknown", "cut off")


@pytest.fixture
def batch():
    """Return a maker of batches of strand pieces, all columns that judging reads filled in plausibly."""

    def make(length_mm, *, diameter_mm=1.75, photo="a.jpg", u_mm=0.03, u_shared_mm=0.0, **columns) -> Pieces:
        length = np.atleast_1d(np.asarray(length_mm, float))
        n = len(length)
        diameter = np.broadcast_to(np.asarray(diameter_mm, float), (n,))
        x, y = 20 + 5.0 * (np.arange(n) % 30), 20 + 5.0 * (np.arange(n) // 30 % 18)
        given = {
            "photo": np.broadcast_to(np.asarray(photo, dtype=object), (n,)),
            "piece": np.arange(1, n + 1),
            "x_mm": x,
            "y_mm": y,
            "form": ["strand"] * n,
            "state": ["whole"] * n,
            "length_mm": length,
            "u_length_mm": np.full(n, np.hypot(u_mm, u_shared_mm)),
            "diameter_mm": diameter,
            "u_diameter_mm": np.full(n, 0.02),
            "aspect_ratio": length / diameter,
            "feret_max_mm": np.hypot(length, diameter),
            "feret_min_mm": np.minimum(length, diameter),
            "area_mm2": length * diameter,
            "volume_mm3": np.pi / 4 * diameter**2 * length,
            "extent_mm": np.hypot(length, diameter),
        }
        for name, value in columns.items():
            full = np.asarray(value, dtype=object)
            given[name] = np.broadcast_to(full, (n,)) if full.ndim == 0 else full
        area = np.nan_to_num(np.asarray(given["area_mm2"], float), nan=1.0)
        across = np.nan_to_num(np.asarray(given["feret_max_mm"], float))
        seen = np.sqrt(
            np.maximum(across**2 - diameter**2, 0.0)
        )  # the body that shows of a piece without a length
        body = np.where(np.isfinite(length), length, np.where(np.isin(given["state"], IN_PART), seen, 0.0))
        outlines = tuple(  # what has no body lies as a square of its area
            rectangle(cx, cy, ell, d) if ell > 0 else rectangle(cx, cy, a**0.5, a**0.5)
            for cx, cy, ell, d, a in zip(x, y, body, diameter, area, strict=True)
        )
        return Pieces.of(
            n,
            given,
            outlines_mm=outlines,
            tails_mm=((),) * n,
            centrelines_mm=(np.empty((0, 2)),) * n,
            u_parts={
                "edge": np.tile([u_mm, 0.02], (n, 1)),
                "shared scale": np.tile([u_shared_mm, 0.0], (n, 1)),
            },
        )

    return make
