"""Colour groups of a batch: the share of each, and how evenly two kinds of pieces are mixed between scoops."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from traygauge.judge.clusters import clustering
from traygauge.judge.intervals import clopper_pearson
from traygauge.judge.masses import masses_mg
from traygauge.judge.sample import Sample
from traygauge.judge.verdict import MEASURED, RELATION, Figure, Interval

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SOURCE = "Lacey, J. Appl. Chem. 4 (1954) 257"
#: From this share on a second colour is part of a blend; below, it is what does not belong (judgement).
BLEND_FROM = 0.05
#: Photos of fewer pieces say nothing about mixing.
FEWEST = 5


@dataclass(frozen=True)
class Mixing:
    """How evenly one kind of pieces is spread over samples, after Lacey (1954), and the test that belongs beside it.

    Parameters
    ----------
    index : (unmixed - found) / (unmixed - random variance): 0 unmixed, 1 as even as chance alone makes it; above 1 by
        chance. An index near 1 can still be worse than random: see `p_value`.
    share : of that kind in all samples together.
    variance, unmixed, random : of the samples' shares: found, share (1 - share), and that of random samples.
    statistic, degrees : chi-square of the samples' shares against one common share.
    p_value : how often random mixing alone would look as uneven as this, or more.
    """

    index: float
    share: float
    variance: float
    unmixed: float
    random: float
    statistic: float
    degrees: int
    p_value: float


def lacey(hits: Sequence[int], sizes: Sequence[int]) -> Mixing:
    """Return how evenly a kind of pieces is mixed, from how many of it each sample holds.

    M = (s0² - s²) / (s0² - sR²) with s0² = p (1 - p) unmixed and sR² = p (1 - p) / n random, n pieces a sample; samples
    of unequal size take the mean of 1 / n. The test is Pearson's chi-square for one common share.

    Parameters
    ----------
    hits : pieces of that kind in each sample; sizes : pieces in each sample.

    Raises
    ------
    ValueError
        Fewer than two samples, an empty one, more hits than pieces, or all pieces of one kind.
    """
    h, n = np.asarray(hits, float), np.asarray(sizes, float)
    if len(h) != len(n) or len(n) < 2 or (n < 2).any() or (h < 0).any() or (h > n).any():
        raise ValueError(
            f"at least two samples of at least two pieces, none with more hits than pieces; found {hits}, {sizes}"
        )
    share = float(h.sum() / n.sum())
    unmixed = share * (1 - share)
    if not unmixed > 0:
        raise ValueError(f"pieces of two kinds; all {int(n.sum())} are of one")
    shares = h / n
    variance, random = float(shares.var(ddof=1)), unmixed * float((1 / n).mean())
    statistic = float((n * (shares - share) ** 2).sum() / unmixed)
    degrees = len(n) - 1
    return Mixing(
        (unmixed - variance) / (unmixed - random),
        share,
        variance,
        unmixed,
        random,
        statistic,
        degrees,
        float(chdtrc(degrees, statistic)),
    )


@dataclass(frozen=True)
class ColourShare:
    """The share of one colour group, in percent: by count with its interval, and by mass where every piece has one."""

    name: str
    pieces: int
    share: Interval
    mass_percent: float | None


def colour_shares(sample: Sample) -> tuple[ColourShare, ...]:
    """Return the share of each colour group, the largest first; crumbs, threads and unparted heaps are left out."""
    counted = _counted(sample)
    colour = sample.pieces["colour"].astype(str)[counted]
    if not len(colour):
        return ()
    mass, confidence = _masses(sample, counted), sample.spec.judging.confidence
    weight, correlation = sample.weights[counted], sample.spec.judging.within_photo_correlation
    found = []
    for name in np.unique(colour):
        hit = (colour == name).astype(float)
        worth = clustering(hit, sample.photo[counted], correlation).effective((1 - confidence) / 2)
        share = float((weight * hit).sum() / weight.sum())
        i = clopper_pearson(share * worth, worth, confidence)
        by_mass = None if mass is None else 100 * float((mass * hit).sum() / mass.sum())
        found.append(
            ColourShare(
                str(name),
                int(hit.sum()),
                Interval(100 * share, 100 * i.low, 100 * i.high, confidence),
                by_mass,
            )
        )
    return tuple(sorted(found, key=lambda c: -c.pieces))


def mixing(sample: Sample) -> tuple[str, Mixing] | None:
    """Return the largest colour group's name and how evenly it is mixed between photos; None where that says nothing.

    That takes two photos of a few pieces each, and two colours that make up a blend.
    """
    shares = colour_shares(sample)
    if len(shares) < 2 or shares[1].share.estimate < 100 * BLEND_FROM:
        return None
    counted = _counted(sample)
    hit = sample.pieces["colour"].astype(str)[counted] == shares[0].name
    sizes = np.bincount(sample.photo[counted])
    enough = sizes >= FEWEST
    hits = np.bincount(sample.photo[counted], hit)[enough]
    if enough.sum() < 2 or not 0 < hits.sum() < sizes[enough].sum():
        return None
    return shares[0].name, lacey([int(h) for h in hits], [int(n) for n in sizes[enough]])


def colour_figures(sample: Sample) -> tuple[Figure, ...]:
    """Return the figures beside the verdict that colours give; none for a batch of one colour."""
    shares = colour_shares(sample)
    if len(shares) < 2:
        return ()
    figures = [_figure(c) for c in shares]
    if (found := mixing(sample)) is not None:
        name, m = found
        said = f"random mixing looks as uneven in {100 * m.p_value:.2g} % of cases (chi-square {m.statistic:.2f}, "
        said += f"{m.degrees} degrees of freedom); {name} against the rest, {m.degrees + 1} photos"
        title = "evenness of mixing between photos, 0 to 1"
        index = min(max(m.index, 0.0), 1.0)  # the variance of few photos can lie beyond what mixing allows
        figures.append(Figure("lacey_mixing", title, "", index, index, index, RELATION, SOURCE, said))
    return tuple(figures)


def _figure(colour: ColourShare) -> Figure:
    by_mass = "" if colour.mass_percent is None else f"; {colour.mass_percent:.1f} % by mass"
    i, name = colour.share, f"{colour.name.replace(' ', '_')}_share"
    return Figure(
        name,
        f"share of {colour.name} pieces",
        "%",
        i.estimate,
        i.low,
        i.high,
        MEASURED,
        "",
        f"by count{by_mass}",
    )


def _counted(sample: Sample) -> BoolArray:
    seen = sample.pieces["colour"].astype(str) != ""
    return np.asarray(seen & sample.base("long") & ~sample.reach.is_heap & (sample.weights > 0))


def _masses(sample: Sample, counted: BoolArray) -> FloatArray | None:
    """Return the mass that each counted piece stands for; None where flakes or most pieces have none.

    One whose volume is not seen counts as the median piece.
    """
    mass = masses_mg(sample)[counted]
    known = np.isfinite(mass) & (mass > 0)
    unweighed_flakes = (~known & (sample.form[counted] == "flake")).any()
    if unweighed_flakes or not len(mass) or known.mean() < 0.5:
        return None
    return np.asarray(np.where(known, mass, np.median(mass[known])) * sample.weights[counted])
