"""Do diameters depend on which way pieces lie, or are some thinner? A strand's are one: where they are not, the light does it."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Fewer pieces say nothing of a direction, nor do those that mostly lie one way (length of their mean direction).
_FEWEST, _ONE_WAY = 15, 0.8
_ROUNDS, _FAR = 6, 2.0  # of weighing down diameters further off than so many robust standard deviations
#: How far from the usual diameter a width is a strand's, and the least share of such ones where all is strand.
_ODD, _STRAND = 0.2, 0.85
_TENTH = (
    0.1,
    1.2816,
)  # a quantile, and how far below a normal distribution's middle it lies, in standard deviations
_BY_CHANCE = 3.0  # standard errors of the swing that are left out of it

#: Swings of diameters with the way pieces lie up to the first, in diameters, are what limbs leave under lamps at one side, and
#: average out; beyond it a flank is lost in the dark, and diameters are off by up to three times as much, those seen best as
#: well (drawn trays under one lamp, 25 to 70 degrees high, with 3 to 25 % of other light). Of colours' edges twice that swing is
#: in what is said of them already.
_USUAL_SWING, _OF_SWING, _OF_SWING_END = 0.02, 2.5, 2.0
_MOST_SWING = 0.08  # in diameters: beyond it a photo is refused
#: Under lamps at one side the thinner half of bright strand spreads by the first, in diameters, where no flank is lost, and the
#: thicker half of any strand where neither shadow nor what coats mirror passes for more of it (test and rendered photos 0.012 to
#: 0.024); else diameters are off by about so much of what is beyond it (drawn trays under one lamp, with 5 to 15 % of other light,
#: and of grey strand on black; four path-traced photos were in view).
_USUAL_SPREAD, _OF_SPREAD = 0.02, 1.5
#: Which half of a strand's pieces light may have changed; "" is none.
Half = Literal["thicker", "either", ""]


def u_uneven(
    known_mm: FloatArray,
    axis_deg: FloatArray,
    diameter_mm: FloatArray,
    dark: npt.NDArray[np.bool_],
    of_colour: bool,
    half: Half,
) -> FloatArray:
    """Return the standard uncertainty (n, 2) of lengths and diameters, mm, that a strand's uneven diameters show.

    Parameters
    ----------
    known_mm : ndarray (k,): diameters of the first pieces, which show what is usual; NaN where not read.
    axis_deg, diameter_mm, dark : ndarray (n,): of all; `dark` ones are darker than the tray.
    of_colour : whether their colour is read, rather than their light.
    half : which half of them light may have changed.
    """
    usual = _USUAL_SWING * (2 if of_colour else 1)
    beyond = np.maximum(swing_of(known_mm, axis_deg[: len(known_mm)]) - usual * diameter_mm, 0.0)
    # what swings dark pieces' diameters is shadow, which lies at their ends as well
    at_end = np.where(dark, _OF_SWING_END * np.minimum(beyond, _MOST_SWING * diameter_mm), 0.0)
    halves = {"thicker": (True,), "either": (True, False), "": ()}[half]
    spread = max((half_spread_mm(known_mm, thicker=thicker) for thicker in halves), default=0.0)
    of_spread = _OF_SPREAD * np.maximum(spread - _USUAL_SPREAD * diameter_mm, 0.0)
    return np.stack([at_end, np.hypot(_OF_SWING * beyond, of_spread)], -1)


def half_spread_mm(diameter_mm: FloatArray, *, thicker: bool) -> float:
    """Return by how much the thicker, or thinner, half of one strand's pieces spreads, as a standard deviation, mm.

    Where a lamp leaves flanks of some bright pieces in the dark, those look thinner, and none looks thicker; where some dark
    ones' shadows pass for more of them, or what grey ones mirror at their limbs, those look thicker. 0 for few pieces, and
    where many are no strand's: further than `_ODD` from the middle.
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


def swing_of(figures: FloatArray, axis_deg: FloatArray) -> float:
    """Return how far figures of pieces swing about their middle with the axis' direction, beyond what chance makes of it.

    One lamp that stands low, with little other light, leaves the dark side of what lies across it as dark as the tray;
    what points at the lamp is seen whole. Axes have no sense, so that the swing goes with twice their angle
    (harmonic regression, robust; common practice).

    Parameters
    ----------
    figures : ndarray (n,), as diameters; NaN is left out. With fewer than 15 known, or most lying one way, the swing is 0.
    axis_deg : ndarray (n,).
    """
    known = np.isfinite(figures) & np.isfinite(axis_deg)
    d, turn = figures[known], 2 * np.radians(axis_deg[known])
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
