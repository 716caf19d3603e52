"""Bought-in regrind: what it is made of, fines and overs, and its sizes on sieve openings as projected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from traygauge.judge.clusters import clustering
from traygauge.judge.intervals import share_bounds
from traygauge.judge.sample import Sample
from traygauge.judge.shares import amounts, count_share, has_mass
from traygauge.judge.sieves import R20_3_MM
from traygauge.judge.unmeasured import MOST_FLAKES
from traygauge.judge.verdict import Interval

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: What the sizes are called, and no more: a sieve also turns pieces, bends them and sees their thickness.
NAME = "mesh size by projection"


@dataclass(frozen=True, eq=False)
class SieveTable:
    """Sizes of a batch on the openings of sieve series R20/3 (ISO 565), as projected.

    Parameters
    ----------
    openings_mm : ndarray (k,), descending; a last class below the smallest opening follows.
    retained : ndarray (k + 1,): share that each opening would hold back, the pan last; sum 1.
    passing : ndarray (k,): share that would pass each opening.
    by : "count", "area" or "mass".
    n : pieces.
    note : what the figures are, in one sentence.
    """

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


def sieve_table(sample: Sample, by: Literal["count", "area", "mass"] = "count") -> SieveTable:
    """Return the batch's sizes on sieve openings (series R20/3), called mesh size by projection.

    A piece would just pass the opening of its smallest Feret diameter, as seen from above. By mass only where flakes
    have a thickness (stated, or from a weighed scoop), else by area seen.
    """
    openings, size = np.array(R20_3_MM), sample.pieces["feret_min_mm"].astype(float)
    by = by if by != "mass" or has_mass(sample) else "area"
    use = sample.base("fines") & np.isfinite(size) & _seen(sample)
    amount = np.nan_to_num(amounts(sample, by)[use])
    held = np.searchsorted(-openings, -size[use], side="right")  # first opening smaller than the piece
    retained = np.bincount(held, amount, minlength=len(openings) + 1)
    total = retained.sum()
    retained = retained / total if total > 0 else retained
    passing = 1 - np.cumsum(retained)[:-1]
    note = f"{NAME}, share by {by if by != 'area' else 'area seen'}; no sieve analysis"
    return SieveTable(openings, np.asarray(retained, float), np.clip(passing, 0, 1), by, int(use.sum()), note)


def _seen(sample: Sample) -> BoolArray:
    """Return the mask (n,) of what stands for itself: no heap, and not cut off by the window's edge."""
    return np.asarray(~sample.reach.is_heap & (sample.weights > 0))


@dataclass(frozen=True)
class Part:
    """One kind of thing in a regrind.

    Parameters
    ----------
    name, meaning : as forms and findings are named, and in plain words.
    is_form : whether it is a kind of piece (these add up to the whole) or something found on pieces of any kind.
    count, of : how many there are, among how many.
    share : by count with its interval at the spec's confidence, percent.
    amount_percent : share of the whole by mass, or by area seen where there are no masses (`Regrind.by`).
    """

    name: str
    meaning: str
    is_form: bool
    count: int
    of: int
    share: Interval
    amount_percent: float


@dataclass(frozen=True, eq=False)
class Regrind:
    """What a regrind is made of and how large its pieces are.

    Parameters
    ----------
    parts : kinds of pieces first, then fines, overs and foreign colours.
    by_count, by_amount : sizes on sieve openings, by count and by what pieces weigh (else the area seen).
    """

    parts: tuple[Part, ...]
    by_count: SieveTable
    by_amount: SieveTable

    @property
    def by(self) -> str:
        """Return what amounts are: "mass", or "area" where flakes have no thickness."""
        return self.by_amount.by


def is_regrind(sample: Sample) -> bool:
    """Return whether more of what is seen are flakes than a strand cutter makes."""
    seen = _seen(sample)
    return bool(seen.any()) and float((sample.form[seen] == "flake").mean()) > MOST_FLAKES


def regrind_of(sample: Sample) -> Regrind | None:
    """Return what a regrind is made of and its sizes; None for a batch of strand."""
    if not is_regrind(sample):
        return None
    return Regrind(composition(sample), sieve_table(sample), sieve_table(sample, by="mass"))


def composition(sample: Sample) -> tuple[Part, ...]:
    """Return what a regrind is made of: flakes, strand pieces, crumbs, threads; then fines, overs, foreign colours.

    What is found on pieces is counted as the limits count it.
    """
    forms = (
        ("flake", "flakes"),
        ("strand", "strand pieces"),
        ("crumb", "crumbs"),
        ("thread", "loose threads"),
    )
    found = (("fines", "fines"), ("long", "overs"), ("off-colour", "foreign colours"))
    if not _seen(sample).any():
        return ()
    return (
        *(_form(sample, name, meaning) for name, meaning in forms),
        *(_finding(sample, name, meaning) for name, meaning in found if name in sample.masks),
    )


def _form(sample: Sample, name: str, meaning: str) -> Part:
    seen, error = _seen(sample), (1 - sample.spec.judging.confidence) / 2
    hits = (sample.form == name)[seen].astype(float)
    correlation = sample.spec.judging.within_photo_correlation
    worth = clustering(hits, sample.photo[seen], correlation).effective(error)
    low, high = share_bounds(float(hits.mean()) * worth, worth, error)
    share = _percent(float(hits.mean()), low, high, sample)
    return Part(
        name,
        meaning,
        True,
        int(hits.sum()),
        len(hits),
        share,
        _amount_percent(sample, sample.form == name, seen),
    )


def _finding(sample: Sample, name: str, meaning: str) -> Part:
    error = (1 - sample.spec.judging.confidence) / 2
    counted = count_share(sample, name, "count", error)
    share = _percent(counted.share, *counted.bounds(error, error, unmeasured=False), sample)
    amount = _amount_percent(sample, sample.masks[name], _seen(sample) & sample.base(name))
    return Part(name, meaning, False, counted.hits, counted.n, share, amount)


def _percent(share: float, low: float, high: float, sample: Sample) -> Interval:
    return Interval(100 * share, 100 * low, 100 * high, sample.spec.judging.confidence)


def _amount_percent(sample: Sample, mask: BoolArray, among: BoolArray) -> float:
    amount = np.nan_to_num(amounts(sample, "mass" if has_mass(sample) else "area"))
    return 100 * float(amount[among & mask].sum() / max(amount[among].sum(), 1e-12))
