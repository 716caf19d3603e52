"""Distributions of length, diameter and (regrind) largest extent, as bins with their limits."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from traygauge.batch import Batch
from traygauge.report.limit_lines import limit_lines
from traygauge.report.model import Distribution, Fact, FloatArray, Line, WeightedRow
from traygauge.report.numbers import fixed, with_unit

#: Fewer things of a kind are no distribution, unless there is nothing else on the tray.
FEWEST = 5

#: More bars than this are no picture.
MOST_BINS = 40

#: Steps that a reader can follow along an axis, times a power of ten.
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


def distributions(batch: Batch) -> tuple[Distribution, ...]:
    """Return the distributions that this batch has figures for: strand's length and diameter, flakes' extent."""
    pieces = batch.pieces
    strand = np.array([f == "strand" for f in pieces["form"]], bool)
    flake = np.array([f == "flake" for f in pieces["form"]], bool)
    wanted = (
        ("length_mm", "Cut length", strand, pieces.measured),
        ("diameter_mm", "Diameter", strand, pieces.measured),
        ("feret_max_mm", "Largest extent of the flakes", flake, np.ones(len(pieces), bool)),
    )
    made = (_one(batch, name, title, of, usable) for name, title, of, usable in wanted)
    return tuple(d for d in made if d is not None and (d.pieces >= FEWEST or len(pieces) < FEWEST))


def _one(
    batch: Batch, name: str, title: str, of: npt.NDArray[Any], usable: npt.NDArray[Any]
) -> Distribution | None:
    column = np.asarray(batch.pieces[name], float)
    use = of & usable & np.isfinite(column)
    values = column[use]
    if not values.size:
        return None
    lines = limit_lines(batch.spec, name)
    edges = bin_edges(values, lines)
    counts, _ = np.histogram(values, edges)
    u = np.asarray(batch.pieces[f"u_{name}"], float)[use] if f"u_{name}" in batch.pieces.columns else None
    typical = float(np.nanmedian(u)) if u is not None and np.isfinite(u).any() else math.nan
    d10, d50, d90 = np.percentile(values, [10, 50, 90])
    said = (("D10", d10), ("median", d50), ("D90", d90), ("mean", float(values.mean())))
    # what the verdict says of the batch makes up for pieces lost and for measuring error: the report says the same
    judged = {f.name: f.value for f in batch.verdict.figures}
    shown = [(label, judged.get(f"{label.lower()}_{name}", float(v))) for label, v in said]
    facts = [Fact(label, with_unit(fixed(v, 2), "mm")) for label, v in shown]
    left_out = int(of.sum() - use.sum())
    weighted = _weighted(batch) if name == "length_mm" else ()
    return Distribution(
        name, title, "mm", edges, counts, lines, int(values.size), left_out, tuple(facts), typical, weighted
    )


def _weighted(batch: Batch) -> tuple[WeightedRow, ...]:
    """Return the cut lengths by number, length, area and volume."""
    return tuple(
        WeightedRow(d.by, fixed(d.d10_mm, 2), fixed(d.median_mm, 2), fixed(d.d90_mm, 2), fixed(d.mean_mm, 2))
        for d in batch.verdict.cut_lengths
    )


def bin_edges(values: FloatArray, lines: tuple[Line, ...] = ()) -> FloatArray:
    """Return bin edges on round steps that hold all values; the step follows Freedman and Diaconis (1981).

    Limits lie on an edge where the step allows it, so that no bar stands on both sides of one.
    """
    low, high = float(values.min()), float(values.max())
    quarter, three = np.percentile(values, [25, 75])
    wanted = max(2 * (three - quarter) / values.size ** (1 / 3), (high - low) / MOST_BINS, 0.01)
    power = 10.0 ** math.floor(math.log10(wanted))
    step = min((s * power for s in _STEPS), key=lambda s: abs(math.log(s / wanted)))
    anchor = lines[0].value if lines else 0.0
    first, last = (math.floor((v - anchor) / step) for v in (low, high))
    edges = anchor + step * np.arange(first - 1, last + 3)
    start = int(np.searchsorted(edges, low, "right")) - 1
    end = max(int(np.searchsorted(edges, high, "left")), start + 1)
    return np.asarray(edges[start : end + 1], float)
