"""Bought-in regrind: sizes on sieve openings as projected, fines and overs, and what the pieces are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.judge.clusters import clustering
from traygauge.judge.intervals import clopper_pearson
from traygauge.judge.masses import weighed
from traygauge.judge.sample import Sample
from traygauge.judge.shares import count_share
from traygauge.judge.sieves import SERIES
from traygauge.judge.verdict import Interval

FloatArray = npt.NDArray[np.float64]

#: What the sizes are called, and no more: a sieve also turns pieces, bends them and sees their thickness.
NAME = "mesh size by projection"


@dataclass(frozen=True, eq=False)
class SieveTable:
    """Sizes of a batch on the openings of a sieve series, as projected.

    Parameters
    ----------
    series : "R20", "R20/3" or "R40/3" of ISO 565.
    openings_mm : ndarray (k,), descending; a last class below the smallest opening follows.
    retained : ndarray (k + 1,): share that each opening would hold back, the pan last; sum 1.
    passing : ndarray (k,): share that would pass each opening.
    by : "count", "area" or "mass".
    n : pieces.
    note : what the figures are, in one sentence.
    """

    series: str
    openings_mm: FloatArray
    retained: FloatArray
    passing: FloatArray
    by: str
    n: int
    note: str

    def rows(self) -> list[tuple[str, float, float]]:
        """Return (class, retained %, passing %) a row, coarse to fine, classes without pieces at the ends left out."""
        named = [f"over {opening:g} mm" for opening in self.openings_mm]
        named.append(f"pan, below {self.openings_mm[-1]:g} mm")
        passing = np.append(self.passing, 0.0)
        used = np.nonzero(self.retained > 0)[0]
        keep = range(used[0], used[-1] + 1) if len(used) else range(0)
        return [(named[k], 100 * float(self.retained[k]), 100 * float(passing[k])) for k in keep]


def projected_mesh_mm(sample: Sample) -> FloatArray:
    """Return the opening through which each piece would just pass as seen from above, mm (n,).

    That is its smallest Feret diameter. Thickness and bending are not seen, and on a sieve a piece also turns.
    """
    return np.asarray(sample.pieces["feret_min_mm"].astype(float))


def sieve_table(sample: Sample, series: str = "R20/3", by: str = "count") -> SieveTable:
    """Return the batch's sizes on a series of openings (ISO 565 / ISO 3310-1), called mesh size by projection.

    By mass only where every piece has one (flakes by a stated thickness or a weighed scoop), else by area seen.

    Raises
    ------
    ValueError
        An unknown series or weighting.
    """
    if series not in SERIES or by not in ("count", "area", "mass"):
        raise ValueError(
            f"series one of {', '.join(SERIES)}, by count, area or mass; found {series!r}, {by!r}"
        )
    openings, size = np.array(SERIES[series]), projected_mesh_mm(sample)
    use = sample.base("fines") & np.isfinite(size) & ~sample.reach.is_heap & (sample.weights > 0)
    heavy = use & sample.base("long")
    if by == "mass" and not (heavy.any() and weighed(sample)[heavy].all()):
        by = "area"
    use &= _amount(sample, by) > 0
    amount = sample.weights[use] * _amount(sample, by)[use]
    held = np.searchsorted(-openings, -size[use], side="right")  # first opening smaller than the piece
    retained = np.bincount(held, amount, minlength=len(openings) + 1)
    total = retained.sum()
    retained = retained / total if total > 0 else retained
    passing = 1 - np.cumsum(retained)[:-1]
    note = f"{NAME}, share by {by if by != 'area' else 'area seen'}; no sieve analysis"
    return SieveTable(
        series, openings, np.asarray(retained, float), np.clip(passing, 0, 1), by, int(use.sum()), note
    )


def _amount(sample: Sample, by: str) -> FloatArray:
    if by == "count":
        return np.ones(len(sample.pieces))
    column = "mass_mg" if by == "mass" else "area_mm2"
    return np.asarray(np.nan_to_num(sample.pieces[column].astype(float)))


@dataclass(frozen=True)
class Part:
    """One kind of thing in a regrind: its share with the interval at the spec's confidence, as percent."""

    name: str
    meaning: str
    count: int
    share: Interval
    area_percent: float


def composition(sample: Sample) -> tuple[Part, ...]:
    """Return what a regrind is made of: flakes, strand pieces, crumbs, threads; then fines, overs, foreign colours."""
    pieces, confidence = sample.pieces, sample.spec.judging.confidence
    seen = ~sample.reach.is_heap & (sample.weights > 0)
    area = np.nan_to_num(pieces["area_mm2"].astype(float))
    kinds = [
        (name, meaning, sample.form == name)
        for name, meaning in (
            ("flake", "flakes"),
            ("strand", "strand pieces"),
            ("crumb", "crumbs"),
            ("thread", "loose threads"),
        )
    ]
    kinds += [
        (name, meaning, sample.masks[name])
        for name, meaning in (("fines", "fines"), ("long", "overs"), ("off-colour", "foreign colours"))
        if name in sample.masks
    ]
    found = []
    for name, meaning, mask in kinds:
        hits = mask[seen].astype(float)
        if not len(hits):
            continue
        worth = clustering(hits, sample.photo[seen], sample.spec.judging.within_photo_correlation).effective(
            (1 - confidence) / 2
        )
        i = clopper_pearson(hits.mean() * worth, worth, confidence)
        share = Interval(100 * i.estimate, 100 * i.low, 100 * i.high, confidence)
        of_area = 100 * float(area[seen & mask].sum() / max(area[seen].sum(), 1e-12))
        found.append(Part(name, meaning, int(hits.sum()), share, of_area))
    return tuple(found)


def largest_share_allowed(sample: Sample, finding: str) -> float:
    """Return the largest true share of a finding that this sample cannot rule out, 0..1: what a buyer may meet."""
    counted = count_share(sample, finding, "count", 1 - sample.spec.judging.confidence)
    return counted.bounds(0.5, 1 - sample.spec.judging.confidence, unmeasured=True)[1]
