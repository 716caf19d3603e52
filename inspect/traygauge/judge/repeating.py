"""Photos of one and the same scoop, by one or several people: how well the whole chain repeats itself."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.judge.gauge_study import GaugeStudy, gauge_study, one_way
from traygauge.judge.matching import is_unmoved, same_pieces
from traygauge.judge.spec import Spec
from traygauge.measure.pieces import Pieces
from traygauge.words import MEASURED_STATES

FloatArray = npt.NDArray[np.float64]

QUANTITIES = {"length_mm": "cut length", "diameter_mm": "diameter"}
#: Photo -> who took it, in the order taken.
People = Mapping[str, str]


@dataclass(frozen=True, eq=False)
class Repeated:
    """One quantity of the same pieces, measured again from photo to photo.

    Parameters
    ----------
    quantity : "length_mm" or "diameter_mm".
    pieces : how many are measured in every photo; found : how many are found in every photo.
    photos : those that entered, as many of each person.
    offsets_mm : ndarray (photos,): how far each photo's mean lies from all photos' mean.
    study : the analysis of variance, mm².
    u_stated_mm : median of the standard uncertainty that was stated for one piece.
    """

    quantity: str
    pieces: int
    found: int
    photos: tuple[str, ...]
    offsets_mm: FloatArray
    study: GaugeStudy
    u_stated_mm: float

    def sentences(self) -> tuple[str, ...]:
        """Return the outcome in plain words."""
        again = math.sqrt(self.study.gauge)
        kept = "which holds" if again <= self.u_stated_mm else "which is too small"
        stated = (
            f"The stated standard uncertainty of one piece is {self.u_stated_mm:.3f} mm, {kept}: it also covers what "
            "repeating can't show, such as scale and the section's other axis."
        )
        return (*self.study.sentences(), stated)


def repeated(pieces: Pieces, people: People, quantity: str, tolerance_mm: float | None = None) -> Repeated:
    """Return how a quantity repeats itself over photos of a tray on which nothing was moved.

    Parameters
    ----------
    pieces : of all photos; people : who took which photo.
    quantity : "length_mm" or "diameter_mm".
    tolerance_mm : width between the limits on it, or None.

    Raises
    ------
    ValueError
        The tray was shuffled between the photos, somebody took fewer than two, or fewer than two pieces are measured
        in all of them.
    """
    photos = _equally_many(people)
    same = same_pieces(pieces, photos)
    if not is_unmoved(pieces, photos, same):
        raise ValueError(
            f"only {len(same)} pieces lie at the same places in all photos: the tray was moved or shuffled"
        )
    value = pieces[quantity].astype(float)[same]
    use = np.isfinite(value).all(1)
    if np.count_nonzero(use) < 2:
        raise ValueError("fewer than two pieces are measured in all photos")
    value = value[use]
    m, k = value.shape
    part, person = np.repeat(np.arange(m), k), np.tile([people[p] for p in photos], m)
    study = gauge_study(part, person, value.ravel(), tolerance=tolerance_mm)
    stated = float(np.nanmedian(pieces[f"u_{quantity}"].astype(float)[same[use]]))
    offsets = value.mean(0) - value.mean()
    return Repeated(quantity, m, len(same), photos, np.asarray(offsets), study, stated)


def _equally_many(people: People) -> tuple[str, ...]:
    """Return the photos that enter: as many of each person as the one with the fewest took."""
    of_person: dict[str, list[str]] = {}
    for photo, person in people.items():
        of_person.setdefault(person, []).append(photo)
    trials = min(map(len, of_person.values()), default=0)
    if trials < 2:
        raise ValueError("everybody must have taken at least two photos that can be used")
    return tuple(photo for photos in of_person.values() for photo in photos[:trials])


def tolerance_mm(spec: Spec | None, quantity: str) -> float | None:
    """Return the width between a spec's limits on single pieces' length or diameter; twice the room where one-sided."""
    if spec is None:
        return None
    if quantity == "length_mm":
        high, low, nominal = spec.long_over_mm, spec.pieces.short_under_mm, spec.strand.length_mm
    else:
        high, low, nominal = spec.thick_over_mm, spec.thin_under_mm, spec.strand.diameter_mm
    if high is not None and low is not None:
        return high - low
    one = high if high is not None else low
    return None if one is None or nominal is None else 2 * abs(one - nominal)


@dataclass(frozen=True)
class ShuffledFigure:
    """One figure of a scoop that was shaken out anew for each photo.

    Parameters
    ----------
    title, unit : of the figure.
    values : one a photo.
    mean : over photos.
    repeatability : standard deviation between one person's photos.
    reproducibility : what another person adds, standard deviation; 0 with one person.
    p_value : chance of so large differences between people who don't differ; NaN with one person.
    """

    title: str
    unit: str
    values: tuple[float, ...]
    mean: float
    repeatability: float
    reproducibility: float
    p_value: float


def shuffled_figures(pieces: Pieces, people: People) -> tuple[ShuffledFigure, ...]:
    """Return how the batch's figures repeat themselves over photos of a scoop shaken out anew for each.

    Raises
    ------
    ValueError
        Fewer than three photos, or nobody took two.
    """
    photos, persons = list(people), list(people.values())
    if len(photos) < 3 or len(photos) == len(set(persons)):
        raise ValueError("at least three photos, and two by one person")
    measured = np.isin(pieces["state"].astype(str), list(MEASURED_STATES))
    found = []
    for title, column, of in _FIGURES:
        value = pieces[column].astype(float)
        rows = [(pieces["photo"].astype(str) == p) & measured & np.isfinite(value) for p in photos]
        if all(r.any() for r in rows):
            found.append(_shuffled(title, [float(of(value[r])) for r in rows], persons))
    return tuple(found)


_FIGURES = (
    ("mean cut length", "length_mm", np.mean),
    ("median cut length", "length_mm", np.median),
    ("D90 of the cut length", "length_mm", lambda v: np.quantile(v, 0.9)),
    ("mean diameter", "diameter_mm", np.mean),
)


def _shuffled(title: str, values: Sequence[float], persons: Sequence[str]) -> ShuffledFigure:
    mean = float(np.mean(values))
    if len(set(persons)) == 1:
        return ShuffledFigure(title, "mm", tuple(values), mean, float(np.std(values, ddof=1)), 0.0, math.nan)
    table = one_way(persons, values)
    sizes = np.unique(persons, return_counts=True)[1].astype(float)
    each = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / (len(sizes) - 1)
    between = (table.ss_between / table.df_between - table.within_sd**2) / each
    p = table.p_value if table.ss_within > 0 else math.nan
    return ShuffledFigure(title, "mm", tuple(values), mean, table.within_sd, math.sqrt(max(between, 0.0)), p)
