"""Figures that feeding asks for, beside the verdict: each says whether it is measured, computed or common practice."""

from __future__ import annotations

import math

import numpy as np

from traygauge.judge.distribution import distribution
from traygauge.judge.findings import BoolArray
from traygauge.judge.intervals import mean_bounds
from traygauge.judge.sample import Sample
from traygauge.judge.shares import count_share
from traygauge.judge.verdict import Figure
from traygauge.measure.pieces import Pieces


def with_masses(pieces: Pieces, density_g_cm3: float | None, flake_thickness_mm: float | None) -> Pieces:
    """Return the pieces with `mass_mg` filled: volume times density; flakes only where their thickness is stated."""
    if density_g_cm3 is None:
        return pieces
    volume = pieces["volume_mm3"].astype(float)
    if flake_thickness_mm is not None:
        volume = np.where(pieces["form"] == "flake", flake_thickness_mm * pieces["area_mm2"], volume)
    return pieces.with_columns(mass_mg=volume * density_g_cm3)


def figures(sample: Sample) -> tuple[Figure, ...]:
    """Return the figures beside the verdict, the three most telling first."""
    error = (1 - sample.spec.judging.confidence) / 2
    wanted = [
        _share(sample, "long", "share of long pieces", error) if "long" in sample.masks else None,
        _of_distribution(sample, "length_mm", "median", "median cut length", error),
        pieces_per_kilogram(sample),
        _of_distribution(sample, "diameter_mm", "mean", "mean diameter", error),
        _of_distribution(sample, "length_mm", "mean", "mean cut length", error),
        _of_distribution(sample, "length_mm", "D10", "D10 of the cut length", error),
        _of_distribution(sample, "length_mm", "D90", "D90 of the cut length", error),
        _share(sample, "stringy", "share of stringy pieces", error),
        _share(sample, "doubles", "share of doubles", error),
    ]
    return tuple(figure for figure in wanted if figure is not None)


def _share(sample: Sample, finding: str, title: str, error: float) -> Figure | None:
    counted = count_share(sample, finding, "count", error)
    if not counted.n:
        return None
    low, high = counted.bounds(error, error, unmeasured=True)
    return Figure(
        f"{finding}_share", title, "%", 100 * counted.share, 100 * low, 100 * high, "measured", "", "by count"
    )


def _of_distribution(sample: Sample, column: str, statistic: str, title: str, error: float) -> Figure | None:
    values = distribution(sample, column)
    if values.n < 2:
        return None
    low, high = values.bounds(statistic, error, error, unmeasured=True)
    name = f"{statistic.lower()}_{column}"
    return Figure(name, title, "mm", values.estimate(statistic), low, high, "measured")


def pieces_per_kilogram(sample: Sample) -> Figure | None:
    """Return how many pieces make a kilogram, from the mean mass of those weighed by volume; None without density.

    The interval holds sampling, the shared uncertainty of lengths and diameters, and that of the density.
    """
    density = sample.spec.density_g_cm3
    mass = sample.pieces["mass_mg"].astype(float)
    seen = np.isfinite(mass) & (mass > 0) & sample.base("long")
    if density is None or np.count_nonzero(seen) < 2:
        return None
    mean = float(np.mean(mass[seen]))
    u_shared = mean * math.hypot(_relative_shared(sample, seen), sample.spec.u_density_g_cm3 / density)
    error = (1 - sample.spec.judging.confidence) / 2
    effect = distribution(sample, "length_mm").clusters.design_effect
    low, high = mean_bounds(mass[seen], error, design_effect=effect, u_shared=u_shared)
    left_out = int(sample.base("long").sum() - seen.sum())
    note = f"{left_out} pieces whose volume is not seen are left out" if left_out else ""
    return Figure(
        "pieces_per_kilogram",
        "pieces per kilogram",
        "1/kg",
        1e6 / mean,
        1e6 / high,
        1e6 / low if low > 0 else math.inf,
        "measured",
        f"volumes from the photo, density {density:g} g/cm³",
        note,
    )


def _relative_shared(sample: Sample, seen: BoolArray) -> float:
    """Return the relative standard uncertainty of the mean volume through what all pieces share: 2 u(D)/D + u(L)/L."""
    with np.errstate(invalid="ignore", divide="ignore"):
        length = sample.u_shared(0)[seen] / sample.pieces["length_mm"][seen]
        diameter = sample.u_shared(1)[seen] / sample.pieces["diameter_mm"][seen]
    relative = length + 2 * diameter
    relative = relative[np.isfinite(relative)]
    return float(relative.mean()) if len(relative) else 0.0
