"""What pieces weigh: volumes from the photo, density from the spec, flakes by thickness or by weighing the scoop."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from traygauge.judge.clusters import clustering
from traygauge.judge.findings import BoolArray, FloatArray
from traygauge.judge.intervals import mean_bounds
from traygauge.judge.misreading import USUAL_SCATTER
from traygauge.judge.sample import Sample
from traygauge.judge.spec import Spec
from traygauge.judge.unmeasured import Reach, reach, unread
from traygauge.judge.verdict import MEASURED, Figure, Interval
from traygauge.measure.pieces import Pieces
from traygauge.measure.shape import strand_volume_mm3


@dataclass(frozen=True)
class Weighing:
    """The very scoop on the photo, weighed.

    Parameters
    ----------
    scoop_g : as weighed; strand_g : computed for the strand pieces, those without a volume by their area.
    flake_thickness_mm : mean thickness of the flakes that makes up the rest; None without flakes.
    ratio : weighed over computed, for a scoop without flakes: 1 when volumes and density are right; None with flakes.
    """

    scoop_g: float
    strand_g: float
    flake_thickness_mm: float | None
    ratio: float | None


def with_masses(pieces: Pieces, density_g_cm3: float | None, flake_thickness_mm: float | None) -> Pieces:
    """Return the pieces with `mass_mg` filled: volume times density; flakes only where their thickness is known."""
    volume = pieces["volume_mm3"].astype(float)
    if flake_thickness_mm is not None:
        flake = pieces["form"] == "flake"
        volume = np.where(flake, flake_thickness_mm * pieces["area_mm2"], volume)
        pieces = pieces.with_columns(volume_mm3=volume)
    return pieces if density_g_cm3 is None else pieces.with_columns(mass_mg=volume * density_g_cm3)


def volumes_mm3(pieces: Pieces, reached: Reach) -> FloatArray:
    """Return the volume of each piece, mm³ (n,); with a length and no volume it is as thick as the batch's median."""
    volume = pieces["volume_mm3"].astype(float)
    at_median = strand_volume_mm3(pieces["length_mm"], reached.diameter_mm)
    return np.where(unread(pieces) & np.isnan(volume), at_median, volume)


def masses_mg(sample: Sample) -> FloatArray:
    """Return what each piece weighs, mg (n,), those whose diameter was not read as well where the density is known."""
    mass = sample.pieces["mass_mg"].astype(float)
    out = unread(sample.pieces) & np.isnan(mass)
    if (density := sample.spec.density_g_cm3) is not None:
        mass[out] = density * volumes_mm3(sample.pieces, sample.reach)[out]
    return mass


def weigh_scoop(pieces: Pieces, spec: Spec, scoop_g: float) -> Weighing | None:
    """Return what weighing the very scoop says: the flakes' mean thickness, or a check of the strand's volume.

    None where the density is unknown, or nothing has a volume to compare with. Threads and crumbs count as nothing.
    """
    density = spec.density_g_cm3
    form = pieces["form"].astype(str)
    strand, flake = ~np.isin(form, ("crumb", "thread", "flake")), form == "flake"
    volume = volumes_mm3(pieces, reach(pieces, spec))
    seen = strand & np.isfinite(volume)
    if density is None or (not seen.any() and not flake.any()):
        return None
    every_area = np.nan_to_num(pieces["area_mm2"].astype(float))
    per_area = float(volume[seen].sum() / every_area[seen].sum()) if every_area[seen].sum() > 0 else 0.0
    # upright pieces show less area than they have volume; heaps show theirs; both are few
    strand_g = (
        density * (float(volume[seen].sum()) + per_area * float(every_area[strand & ~seen].sum())) / 1000
    )
    area = float(every_area[flake].sum())
    if area > 0:
        thickness = max(scoop_g - strand_g, 0.0) * 1000 / (density * area)
        return Weighing(scoop_g, strand_g, thickness if thickness > 0 else None, None)
    return Weighing(scoop_g, strand_g, None, scoop_g / strand_g if strand_g > 0 else None)


def mean_mass_mg(sample: Sample, error: float) -> Interval | None:
    """Return the mean mass of a piece with its interval, each bound missed with the error; None without masses.

    The interval holds sampling, the shared uncertainty of lengths and diameters, that of the diameters that were not
    read, and that of the density.
    """
    density, seen = sample.spec.density_g_cm3, weighed(sample)
    if density is None or np.count_nonzero(seen) < 2:
        return None
    mass = masses_mg(sample)[seen]
    mean = float(mass.mean())
    u_shared = mean * math.hypot(
        _relative_shared(sample, seen),
        _relative_unread(sample, seen),
        sample.spec.u_density_g_cm3 / density,
    )
    clusters = clustering(mass, sample.photo[seen], sample.spec.judging.within_photo_correlation)
    low, high = mean_bounds(
        mass, error, design_effect=clusters.design_effect, degrees=clusters.degrees, u_shared=u_shared
    )
    return Interval(mean, max(low, 0.0), high, 1 - 2 * error)


def weighed(sample: Sample) -> BoolArray:
    """Return the mask (n,) of the pieces that have a mass and are no fines."""
    mass = masses_mg(sample)
    return np.asarray(np.isfinite(mass) & (mass > 0) & sample.base("long"))


def pieces_per_kilogram(sample: Sample, error: float) -> Figure | None:
    """Return how many pieces make a kilogram, from the mean mass; None without density."""
    mass = mean_mass_mg(sample, error)
    if mass is None:
        return None
    left_out = int(sample.base("long").sum() - weighed(sample).sum())
    which = (
        "1 piece whose volume is not seen is"
        if left_out == 1
        else f"{left_out} pieces whose volume is not seen are"
    )
    note = f"{which} left out" if left_out else ""
    return Figure(
        "pieces_per_kilogram",
        "pieces per kilogram",
        "1/kg",
        1e6 / mass.estimate,
        1e6 / mass.high,
        1e6 / mass.low if mass.low > 0 else math.inf,
        MEASURED,
        f"volumes from the photo, density {sample.spec.density_g_cm3:.3g} g/cm³",
        note,
    )


def _relative_unread(sample: Sample, seen: BoolArray) -> float:
    """Return the relative standard uncertainty of the mean mass through the diameters that were not read.

    Each may be off the median by the spread of those that were read, and with it all of them by what the median of so
    many values of a normal distribution is uncertain by.
    """
    out = seen & unread(sample.pieces)
    if not out.any():
        return 0.0
    mass = masses_mg(sample)
    read = sample.pieces["diameter_mm"][seen & ~out].astype(float)
    read = read[np.isfinite(read)]
    spread = float(read.std(ddof=1) / np.median(read)) if len(read) > 1 else USUAL_SCATTER
    u = spread * math.sqrt(1 / np.count_nonzero(out) + math.pi / 2 / max(len(read), 1))
    return 2 * u * float(mass[out].sum() / mass[seen].sum())


def _relative_shared(sample: Sample, seen: BoolArray) -> float:
    """Return the relative standard uncertainty of the mean volume through what all pieces share: 2 u(D)/D + u(L)/L."""
    with np.errstate(invalid="ignore", divide="ignore"):
        length = sample.u_shared(0)[seen] / sample.pieces["length_mm"][seen]
        diameter = sample.u_shared(1)[seen] / sample.pieces["diameter_mm"][seen]
    relative = length + 2 * diameter
    relative = relative[np.isfinite(relative)]
    return float(relative.mean()) if len(relative) else 0.0
