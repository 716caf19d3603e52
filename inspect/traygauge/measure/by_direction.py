"""Do diameters depend on which way pieces lie, or are some thinner? A strand's are one: where they are not, the light does it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Fewer pieces say nothing of a direction, nor do those that mostly lie one way (length of their mean direction).
_FEWEST, _ONE_WAY = 15, 0.8
_ROUNDS, _FAR = 6, 2.0  # of weighing down diameters further off than so many robust standard deviations
_ODD, _STRAND = (
    0.2,
    0.85,
)  # of the usual diameter; share of the widths that are a strand's, where all is strand
_TENTH = (
    0.1,
    1.2816,
)  # a quantile, and how many standard deviations below the middle it lies (normal distribution)
_BY_CHANCE = 3.0  # standard errors of the swing that are left out of it


def half_spread_mm(diameter_mm: FloatArray, *, thicker: bool) -> float:
    """Return by how much the thicker, or thinner, half of one strand's pieces spreads, as a standard deviation, mm.

    Where a lamp leaves flanks of some bright pieces in the dark, those look thinner, and none looks thicker; where some dark
    ones' shadows pass for more of them, those look thicker. 0 for few pieces, and where many are no strand's: further than
    `_ODD` from the middle.
    """
    known = diameter_mm[np.isfinite(diameter_mm)]
    if len(known) < _FEWEST:
        return 0.0
    middle = float(np.median(known))
    strand = known[np.abs(known - middle) < _ODD * middle]
    if len(strand) < _STRAND * len(known):
        return 0.0
    away = strand - middle if thicker else middle - strand
    return float(np.quantile(away, 1 - _TENTH[0]) / _TENTH[1])


def swing_mm(diameter_mm: FloatArray, axis_deg: FloatArray) -> float:
    """Return how far diameters swing about their middle with the axis' direction, beyond what chance makes of it, mm.

    One lamp that stands low, with little other light, leaves the dark side of what lies across it as dark as the tray;
    what points at the lamp is seen whole. Axes have no sense, so that the swing goes with twice their angle
    (harmonic regression, robust; common practice).

    Parameters
    ----------
    diameter_mm : ndarray (n,); NaN is left out. With fewer than 15 known, or most lying one way, the swing is 0.
    axis_deg : ndarray (n,).
    """
    known = np.isfinite(diameter_mm) & np.isfinite(axis_deg)
    d, turn = diameter_mm[known], 2 * np.radians(axis_deg[known])
    if len(d) < _FEWEST or abs(np.exp(1j * turn).mean()) > _ONE_WAY:
        return 0.0
    terms = np.stack([np.ones(len(d)), np.cos(turn), np.sin(turn)], 1)
    counts = np.ones(len(d))
    for _ in range(_ROUNDS):
        found = np.linalg.lstsq(np.sqrt(counts)[:, None] * terms, np.sqrt(counts) * d, rcond=None)[0]
        rest = d - terms @ found
        spread = 1.4826 * float(np.median(np.abs(rest))) + 1e-9
        counts = 1 / (1 + (rest / (_FAR * spread)) ** 2)
    error = spread * np.sqrt(np.linalg.inv(terms.T @ terms)[1:, 1:].trace() / 2)
    return float(np.sqrt(max(found[1] ** 2 + found[2] ** 2 - (_BY_CHANCE * error) ** 2, 0.0)))
