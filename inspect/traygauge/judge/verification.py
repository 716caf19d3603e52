"""Proof on the user's own bench: pieces of known size, measured like any others."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.judge.intervals import mean_bounds
from traygauge.judge.sample import Sample
from traygauge.judge.spec import Spec
from traygauge.judge.spec_words import mm
from traygauge.judge.verdict import Interval
from traygauge.measure.pieces import Pieces

FloatArray = npt.NDArray[np.float64]

#: Measuring error may take up this share of the room between nominal size and limit (four to one, common practice).
ROOM = 0.25


@dataclass(frozen=True, eq=False)
class Verification:
    """Measured pieces of known size.

    Parameters
    ----------
    quantity : "length_mm" or "diameter_mm".
    n : pieces.
    bias : mean error, mm, with its 95 % interval (shared uncertainty included).
    repeatability_mm : standard deviation of the errors.
    en : ndarray (n,): En number of each piece; within -1 and 1 it agrees with what is known.
    en_mean : En number of the mean error.
    agrees : whether the mean agrees and at least 95 % of the pieces do.
    room_mm : smallest distance between the spec's nominal size and a limit on it; NaN where it sets none.
    is_good_enough : whether bias and spread fit the spec at hand; None where it sets no limit on the quantity.
    """

    quantity: str
    n: int
    bias: Interval
    repeatability_mm: float
    en: FloatArray
    en_mean: float
    agrees: bool
    room_mm: float
    is_good_enough: bool | None

    def sentences(self) -> tuple[str, ...]:
        """Return the outcome in plain words."""
        what = "cut length" if self.quantity == "length_mm" else "diameter"
        inside = int((np.abs(self.en) <= 1).sum())
        lines = [
            (
                f"{self.n} pieces of known {what}: read {self.bias.estimate:+z.3f} mm on average "
                f"({self.bias.low:+z.3f} to {self.bias.high:+z.3f}), spread {self.repeatability_mm:.3f} mm."
            ),
            f"{inside} of {self.n} agree within both uncertainties (En up to 1); En of the mean {self.en_mean:+z.2f}: "
            + ("the stated uncertainty is kept." if self.agrees else "the stated uncertainty is not kept."),
        ]
        if self.is_good_enough is not None:
            error = abs(self.bias.estimate) + 2 * self.repeatability_mm
            lines.append(
                f"Error up to about {mm(error)} against {mm(self.room_mm)} between nominal and limit: "
                + ("good enough" if self.is_good_enough else "not good enough")
                + " for this spec (four to one, common practice)."
            )
        return tuple(lines)


def verify(
    sample: Sample, known_mm: npt.ArrayLike, u_known_mm: npt.ArrayLike, quantity: str = "length_mm"
) -> Verification:
    """Return how measured pieces of known size come out.

    Parameters
    ----------
    sample : the measured pieces; those without a value, or whose uncertainty is not stated, are left out.
    known_mm, u_known_mm : known sizes and their standard uncertainties, one for all or one a piece (n,), mm.
    quantity : "length_mm" or "diameter_mm".

    Raises
    ------
    ValueError
        An unknown quantity, or fewer than two measured pieces.
    """
    if quantity not in ("length_mm", "diameter_mm"):
        raise ValueError(f"quantity length_mm or diameter_mm; found {quantity!r}")
    value = sample.pieces[quantity].astype(float)
    use = usable(sample.pieces, known_mm, quantity)
    if np.count_nonzero(use) < 2:
        raise ValueError("at least two measured pieces of known size")
    known = np.broadcast_to(np.asarray(known_mm, float), value.shape)[use]
    u_known = np.broadcast_to(np.asarray(u_known_mm, float), value.shape)[use]
    column = 0 if quantity == "length_mm" else 1
    u = sample.pieces[f"u_{quantity}"][use].astype(float)
    shared = float(sample.u_shared(column)[use].mean())
    error = value[use] - known
    low, high = mean_bounds(error, 0.025, u_shared=math.hypot(shared, float(u_known.mean())))
    en = error / (2 * np.hypot(u, u_known))  # both uncertainties expanded, k = 2 (ISO 13528)
    spread = float(error.std(ddof=1))
    u_mean = math.hypot(shared, spread / math.sqrt(len(error)))
    en_mean = float(error.mean()) / (2 * math.hypot(u_mean, float(u_known.mean())))
    room = _room(sample.spec, quantity)
    enough = None if math.isnan(room) else bool(abs(error.mean()) + 2 * spread <= ROOM * room)
    agrees = bool(abs(en_mean) <= 1 and np.mean(np.abs(en) <= 1) >= 0.95)
    bias = Interval(float(error.mean()), low, high, 0.95)
    return Verification(quantity, len(error), bias, spread, en, en_mean, agrees, room, enough)


def usable(pieces: Pieces, known_mm: npt.ArrayLike, quantity: str) -> npt.NDArray[np.bool_]:
    """Return the mask (n,) of the pieces of known size that were measured, with an uncertainty to be held to."""
    value, u = (pieces[name].astype(float) for name in (quantity, f"u_{quantity}"))
    known = np.broadcast_to(np.asarray(known_mm, float), value.shape)
    return np.asarray(np.isfinite(value) & np.isfinite(u) & np.isfinite(known))


def _room(spec: Spec, quantity: str) -> float:
    if quantity == "length_mm":
        nominal = spec.strand.length_mm
        limits = (spec.long_over_mm, spec.pieces.short_under_mm)
    else:
        nominal, limits = spec.strand.diameter_mm, (spec.thick_over_mm, spec.thin_under_mm)
    rooms = [abs(limit - nominal) for limit in limits if limit is not None and nominal is not None]
    return min(rooms, default=math.nan)
