"""How well the whole chain repeats itself: analysis of variance over pieces, people and photos."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import fdtrc

FloatArray = npt.NDArray[np.float64]

#: The interaction is pooled with repeatability when its F test gives more than this.
POOL_ABOVE = 0.25


@dataclass(frozen=True)
class OneWay:
    """One-way analysis of variance: between groups and within them."""

    ss_between: float
    ss_within: float
    df_between: int
    df_within: int

    @property
    def f(self) -> float:
        """Return the F statistic."""
        return (self.ss_between / self.df_between) / (self.ss_within / self.df_within)

    @property
    def p_value(self) -> float:
        """Return the chance of so large an F between groups that do not differ."""
        return float(fdtrc(self.df_between, self.df_within, self.f))

    @property
    def within_sd(self) -> float:
        """Return the residual standard deviation: the repeatability."""
        return math.sqrt(self.ss_within / self.df_within)


def one_way(group: npt.ArrayLike, value: npt.ArrayLike) -> OneWay:
    """Return the one-way analysis of variance of values (n,) in groups (n,).

    The values are centred before they are squared: a plain sum of squares loses all its digits where the values share
    many leading ones.

    Raises
    ------
    ValueError
        Fewer than two groups, or no group with two values.
    """
    y, index = _centred(value), np.unique(np.asarray(group), return_inverse=True)[1]
    sizes = np.bincount(index).astype(float)
    if len(sizes) < 2 or len(y) <= len(sizes):
        raise ValueError("two groups or more, and a repeated value in one of them at least")
    means = np.bincount(index, y) / sizes
    rest = y - means[index]
    means = means + np.bincount(index, rest) / sizes  # what rounding left in the means
    rest = y - means[index]
    between = float((sizes * (means - (sizes * means).sum() / len(y)) ** 2).sum())
    return OneWay(between, float((rest**2).sum()), len(sizes) - 1, len(y) - len(sizes))


@dataclass(frozen=True)
class GaugeStudy:
    """Repeatability and reproducibility by two-way analysis of variance.

    Parameters
    ----------
    parts, people, trials : how many of each.
    mean_squares : name -> mean square: part, person, interaction, repeatability, and pooled where pooled.
    interaction_f, interaction_p : test of the interaction; NaN with one person or one trial.
    is_pooled : whether the interaction was pooled with repeatability (p above 0.25).
    repeatability, reproducibility, part : variance components, unit squared.
    set_to_zero : names of components that came out negative and were set to zero.
    tolerance : width between the limits, or None.
    """

    parts: int
    people: int
    trials: int
    mean_squares: dict[str, float]
    interaction_f: float
    interaction_p: float
    is_pooled: bool
    repeatability: float
    reproducibility: float
    part: float
    set_to_zero: tuple[str, ...]
    tolerance: float | None = None

    @property
    def gauge(self) -> float:
        """Return the gauge's variance: repeatability and reproducibility."""
        return self.repeatability + self.reproducibility

    @property
    def total(self) -> float:
        """Return the total variance."""
        return self.gauge + self.part

    def study_percent(self, variance: float) -> float:
        """Return a standard deviation in percent of the total standard deviation."""
        return 100 * math.sqrt(variance / self.total) if self.total > 0 else math.nan

    @property
    def tolerance_percent(self) -> float:
        """Return six gauge standard deviations in percent of the tolerance; NaN without one."""
        return 600 * math.sqrt(self.gauge) / self.tolerance if self.tolerance else math.nan

    @property
    def categories(self) -> int:
        """Return how many groups of parts can be told apart, 1.41 times part over gauge, cut down, at least 1."""
        if self.gauge <= 0:
            return 1 if self.part <= 0 else 10_000
        return max(1, math.floor(1.41 * math.sqrt(self.part / self.gauge)))

    def sentences(self) -> tuple[str, ...]:
        """Return the study in plain words."""
        again, other = (f"{math.sqrt(v):.2g}" for v in (self.repeatability, self.reproducibility))
        lines = [
            f"The same piece measured again varies with a standard deviation of {again}"
            + (f"; another person adds {other}." if self.people > 1 else "."),
            (
                f"Of all variation seen, {self.study_percent(self.gauge):.0f} % is measuring (standard deviations); "
                f"{self.categories} groups of pieces can be told apart."
            ),
        ]
        if self.tolerance:
            lines.append(f"Measuring takes up {self.tolerance_percent:.0f} % of the tolerance.")
        if self.set_to_zero:
            lines.append(f"Came out negative and were set to zero: {', '.join(self.set_to_zero)}.")
        return tuple(lines)


def gauge_study(
    part: npt.ArrayLike, person: npt.ArrayLike, value: npt.ArrayLike, *, tolerance: float | None = None
) -> GaugeStudy:
    """Return the study of parts measured by people several times each, all equally often (crossed and balanced).

    Interaction pooled with repeatability when its p is above 0.25; components after the expected mean squares; negative
    ones set to zero and named.

    Parameters
    ----------
    part, person : array_like (n,), names or numbers. One person alone leaves reproducibility 0.
    value : array_like (n,), what was measured.
    tolerance : width between the limits, same unit.

    Raises
    ------
    ValueError
        Fewer than two parts, or parts not measured equally often by everybody, or never twice.
    """
    cells = _cells(part, person, value)
    a, b, r = cells.shape
    grand = cells.mean()
    parts, people, both = cells.mean((1, 2)), cells.mean((0, 2)), cells.mean(2)
    ss_part = b * r * float(((parts - grand) ** 2).sum())
    ss_person = a * r * float(((people - grand) ** 2).sum())
    ss_both = r * float(((both - parts[:, None] - people[None, :] + grand) ** 2).sum())
    ss_within = float(((cells - both[:, :, None]) ** 2).sum())
    df = {"part": a - 1, "person": b - 1, "interaction": (a - 1) * (b - 1), "repeatability": a * b * (r - 1)}
    squares = {"part": ss_part, "person": ss_person, "interaction": ss_both, "repeatability": ss_within}
    ms = {name: squares[name] / df[name] for name in squares if df[name] > 0}
    f, p = math.nan, math.nan
    if b > 1 and ms["repeatability"] > 0:
        f = ms["interaction"] / ms["repeatability"]
        p = float(fdtrc(df["interaction"], df["repeatability"], f))
    pooled = b > 1 and p > POOL_ABOVE
    if pooled:
        ms["pooled"] = (ss_both + ss_within) / (df["interaction"] + df["repeatability"])
    return _components(ms, (a, b, r), f, p, pooled, tolerance)


def _components(
    ms: dict[str, float],
    size: tuple[int, int, int],
    f: float,
    p: float,
    pooled: bool,
    tolerance: float | None,
) -> GaugeStudy:
    a, b, r = size
    within = ms["pooled"] if pooled else ms["repeatability"]
    error = within if pooled or b == 1 else ms["interaction"]
    raw = {
        "interaction": 0.0 if pooled or b == 1 else (ms["interaction"] - ms["repeatability"]) / r,
        "person": (ms["person"] - error) / (a * r) if b > 1 else 0.0,
        "part": (ms["part"] - error) / (b * r),
    }
    kept = {name: max(variance, 0.0) for name, variance in raw.items()}
    negative = tuple(name for name, variance in raw.items() if variance < 0)
    return GaugeStudy(
        a,
        b,
        r,
        ms,
        f,
        p,
        pooled,
        within,
        kept["interaction"] + kept["person"],
        kept["part"],
        negative,
        tolerance,
    )


def _cells(part: npt.ArrayLike, person: npt.ArrayLike, value: npt.ArrayLike) -> FloatArray:
    """Return the values as ndarray (parts, people, trials), centred."""
    y = _centred(value)
    _, i = np.unique(np.asarray(part), return_inverse=True)
    _, j = np.unique(np.asarray(person), return_inverse=True)
    a, b = int(i.max(initial=-1)) + 1, int(j.max(initial=-1)) + 1
    counts = np.zeros((a, b), int)
    np.add.at(counts, (i, j), 1)
    if a < 2 or np.ptp(counts) > 0 or counts[0, 0] < 2:
        raise ValueError("two parts or more, each measured equally often, at least twice, by everybody")
    order = np.lexsort((j, i))
    return np.asarray(y[order].reshape(a, b, counts[0, 0]))


def _centred(value: npt.ArrayLike) -> FloatArray:
    y = np.asarray(value, float)
    return np.asarray(y - (y.mean() if len(y) else 0.0))
