"""What the pieces say about the machine that cut them: ranked hints, each with its figures, never a certainty.

Every statement is common practice. Each has a strength from 0 to 1: how far the figure stands out of what chance and
measuring explain, not how probable the cause is.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from traygauge.judge.intervals import share_bounds, student
from traygauge.judge.regrind import is_regrind
from traygauge.judge.sample import Sample
from traygauge.judge.shares import count_share

FloatArray = npt.NDArray[np.float64]

#: Said with every diagnosis.
CAUTION = (
    "Hands off moving cutters: stop, isolate and lock out before reaching near the knives; they coast after switching "
    "off and cut when turned by hand."
)
#: A spread of cut length beyond this share of the mean is more than a steady feed gives (common practice).
STEADY_SPREAD = 0.08
#: Strand softer than this counts as soft: Shore A, or Shore D below the second figure.
SOFT_SHORE_A, SOFT_SHORE_D = 98, 45


@dataclass(frozen=True)
class Hint:
    """One thing the pieces say about the machine.

    Parameters
    ----------
    name : a word for it, as "long cut".
    says : what was seen, with its figures.
    may_be : what may be behind it, the likeliest first.
    check_first : what to look at first.
    strength : 0..1, for ranking.
    basis : "common practice".
    """

    name: str
    says: str
    may_be: str
    check_first: str
    strength: float
    basis: str = "common practice"


def diagnose(sample: Sample) -> tuple[Hint, ...]:
    """Return hints about the cutter, the strongest first; none where nothing stands out, or where flakes abound."""
    if is_regrind(sample):
        return ()
    looks: tuple[Callable[[Sample], Hint | None], ...] = (
        _set_length,
        _uneven,
        _drift,
        _two_populations,
        _tails,
        _burrs,
        _squeezed,
        _angle,
        _doubles,
    )
    found = [hint for look in looks if (hint := look(sample)) is not None]
    return tuple(sorted(found, key=lambda hint: -hint.strength))


def sentences(hints: tuple[Hint, ...], most: int = 3) -> tuple[str, ...]:
    """Return the strongest hints as sentences for the verdict's advice, with the caution behind them."""
    said = tuple(
        f"Cutter: {hint.says}. What may be behind it: {hint.may_be}. Check first: {hint.check_first} ({hint.basis})."
        for hint in hints[:most]
    )
    return (*said, CAUTION) if said else ()


def is_soft(hardness: str | None) -> bool | None:
    """Return whether a hardness such as "Shore A 85" is soft enough to stretch at the cut; None where not given."""
    if hardness is None or not (found := re.fullmatch(r"Shore ([AD]) (\d+)", hardness)):
        return None
    return int(found[2]) < (SOFT_SHORE_A if found[1] == "A" else SOFT_SHORE_D)


def _measured(sample: Sample, column: str) -> FloatArray:
    value = sample.pieces[column].astype(float)
    use = sample.base("thick") & np.isfinite(value) & (sample.weights > 0) & ~sample.masks["doubles"]
    return np.asarray(value[use])


def _set_length(sample: Sample) -> Hint | None:
    """Compare the median with what the machine is set to: v / (N z)."""
    target, length = sample.spec.cutter.set_length_mm, _measured(sample, "length_mm")
    if target is None or len(length) < 20:
        return None
    median = float(np.median(length))
    u_shared = float(np.mean(sample.u_shared(0)[sample.base("thick")]))
    u = math.hypot(1.2533 * _robust_sd(length) / math.sqrt(len(length)), u_shared)
    off = median - target
    if abs(off) < max(2 * u, 0.01 * target):
        return None
    figures = f"set to {target:.2f} mm, the median is {median:.2f} mm ({100 * off / target:+.0f} %)"
    if off < 0:
        causes = "the strand slips in the feed rolls, or the rotor runs faster than thought"
        return Hint("short cut", figures, causes, "the feed rolls' grip and wear", _strength(off / u, 2))
    causes = "the strand is fed faster or the rotor runs slower than thought, or cuts are skipped"
    return Hint("long cut", figures, causes, "rotor speed under load", _strength(off / u, 2))


def _uneven(sample: Sample) -> Hint | None:
    """Spread of the main population beyond what measuring and a steady feed explain."""
    length = _measured(sample, "length_mm")
    if len(length) < 20:
        return None
    middle, spread = float(np.median(length)), _robust_sd(length)
    own = float(np.median(sample.u_own(0)[sample.base("thick")]))
    true = math.sqrt(max(spread**2 - own**2, 0.0)) / middle
    if true < STEADY_SPREAD:
        return None
    shown = f"{100 * true:.{1 if true < 0.1 else 0}f}"  # near the limit it must not read like the limit
    figures = (
        f"the cut length varies by {shown} % (robust), a steady feed stays below {100 * STEADY_SPREAD:.0f} %"
    )
    causes = "slip in the feed, strand tension that comes and goes, or knives set unevenly"
    return Hint(
        "uneven cut",
        figures,
        causes,
        "grip of the feed rolls, then each knife's gap",
        _strength(true / STEADY_SPREAD, 1),
    )


def _drift(sample: Sample) -> Hint | None:
    """Look for a median that drifts from photo to photo, in the order given: t test of the slope."""
    length = sample.pieces["length_mm"].astype(float)
    use = sample.base("thick") & np.isfinite(length) & (sample.weights > 0)
    photo, length = sample.photo[use], length[use]
    medians = np.array([np.median(length[photo == one]) for one in dict.fromkeys(photo.tolist())])
    k = len(medians)
    if k < 5:
        return None
    order = np.arange(k) - (k - 1) / 2
    slope = float((order * medians).sum() / (order**2).sum())
    rest = medians - medians.mean() - slope * order
    u = math.sqrt(float((rest**2).sum()) / (k - 2) / float((order**2).sum()))
    total = slope * (k - 1)
    if abs(slope) < student(0.995, k - 2) * max(u, 1e-12) or abs(total) < 0.01 * float(medians.mean()):
        return None
    figures = (
        f"the median drifts from {medians[0]:.2f} to {medians[-1]:.2f} mm over {k} photos in the order given"
    )
    causes = "feed rolls that warm up, wear or fill up, or a rotor speed that wanders"
    return Hint(
        "drift", figures, causes, "the feed rolls, then rotor speed over time", _strength(slope / u, 3)
    )


def _two_populations(sample: Sample) -> Hint | None:
    """Pieces near twice (skipped cut) or half (double feed of knives) the usual length."""
    length = _measured(sample, "length_mm")
    if len(length) < 20:
        return None
    ratio = length / np.median(length)
    for name, multiple, causes, first in (
        (
            "skipped cuts",
            2.0,
            "a knife that misses or is nicked, or two pieces cut as one",
            "each knife's edge along its length",
        ),
        (
            "half cuts",
            0.5,
            "a second cut through the same piece: strand thrown back, or a bouncing feed",
            "how pieces leave the knife",
        ),
    ):
        near = int((np.abs(ratio / multiple - 1) < 0.15).sum())
        low, _ = share_bounds(near, len(length), 0.025)
        if near >= 3 and low > 0.005:
            figures = f"{near} of {len(length)} pieces are about {multiple:g} times the usual length"
            return Hint(name, figures, causes, first, _strength(low / 0.005, 1))
    return None


def _tails(sample: Sample) -> Hint | None:
    if "tailed" not in sample.masks:
        return None
    counted = count_share(sample, "tailed", "count", 0.025)
    if counted.hits < 3:
        return None
    low, _ = counted.bounds(0.025, 0.025, unmeasured=False)
    figures = f"{counted.hits} of {counted.n} pieces carry tails ({100 * counted.share:.0f} %)"
    soft = is_soft(sample.spec.material.hardness)
    hardness = sample.spec.material.hardness
    if soft:
        causes = f"soft strand ({hardness}) that stretches before it shears: gap too wide, edge dull, or strand too warm"
        first = "the gap: soft strand wants the knife nearly touching; then the strand's temperature"
    elif soft is False:
        causes = "a dull edge or a knife backed off: strand as hard as this should not string"
        first = "the knife's edge, then the gap"
    else:
        causes = "gap too wide, edge dull, or strand too warm; the softer the strand, the more of each"
        first = "the gap, then the edge, then the strand's temperature"
    if (gap := sample.spec.cutter.knife_gap_mm) is not None:
        first += f" (the spec gives {gap:g} mm)"
    return Hint("tails", figures, causes, first, _strength(low / 0.01, 1))


def _burrs(sample: Sample) -> Hint | None:
    burr = _measured(sample, "burr_mm")
    limit = sample.spec.pieces.burr_over_mm or 0.3
    hits = int((burr > limit).sum())
    if hits < 3:
        return None
    low, _ = share_bounds(hits, len(burr), 0.025)
    figures = f"{hits} of {len(burr)} pieces have a lip over {limit:g} mm on a cut edge"
    causes = "a dull edge that smears, or a gap in which the strand bends before it parts"
    return Hint("burrs", figures, causes, "the knife's edge, then the gap", _strength(low / 0.02, 1))


def _squeezed(sample: Sample) -> Hint | None:
    """Look for ends squeezed flat: a smallest width well below the middle's."""
    neck, diameter = sample.pieces["neck_mm"].astype(float), sample.pieces["diameter_mm"].astype(float)
    use = sample.base("thick") & np.isfinite(neck) & (diameter > 0)
    if use.sum() < 20:
        return None
    pinch = 1 - neck[use] / diameter[use]
    hits, n = int((pinch > 0.15).sum()), int(use.sum())
    low, _ = share_bounds(hits, n, 0.025)
    if hits < 3 or low < 0.03:
        return None
    figures = f"{hits} of {n} pieces are squeezed by more than 15 % of their diameter"
    causes = "a blunt knife that crushes before it cuts, or feed rolls pressed too hard"
    return Hint(
        "squeezed ends",
        figures,
        causes,
        "the knife's edge, then the rolls' pressure",
        _strength(low / 0.03, 1),
    )


def _angle(sample: Sample) -> Hint | None:
    angle = _measured(sample, "cut_angle_deg")
    if len(angle) < 20:
        return None
    nominal = sample.spec.strand.cut_angle_deg or 0.0
    median = float(np.median(angle))
    off = median - nominal
    allowed = 8.0 if nominal == 0 else 5.0  # the larger of two faces' angles is never 0 on a square cut
    if abs(off) < allowed:
        return None
    figures = f"the cut faces stand {median:.0f}° off square (median), nominal {nominal:.0f}°"
    causes = "the strand meets the knife askew, or bends away from it before it parts"
    return Hint(
        "oblique cut",
        figures,
        causes,
        "the strand's guide in front of the knife",
        _strength(abs(off) / allowed, 1),
    )


def _doubles(sample: Sample) -> Hint | None:
    counted = count_share(sample, "doubles", "count", 0.025)
    if counted.hits < 2:
        return None
    low, _ = counted.bounds(0.025, 0.025, unmeasured=False)
    figures = f"{counted.hits} of {counted.n} pieces are doubles ({100 * counted.share:.1f} %)"
    causes = "a nick in the edge or a gap that is not even along the knife: the cut leaves a web"
    return Hint(
        "doubles", figures, causes, "the edge for nicks, the gap at both ends", _strength(low / 0.003, 1)
    )


def _robust_sd(values: FloatArray) -> float:
    """Return 1.4826 times the median absolute deviation."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _strength(figure: float, threshold: float) -> float:
    """Return 0..1: 0.5 where a figure reaches twice its threshold."""
    return float(
        np.clip(2 * ndtr(0.674 * math.log2(max(abs(figure) / threshold, 1.0) + 1e-12)) - 1, 0.0, 1.0)
    )
