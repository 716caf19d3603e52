"""Figures that feeding asks for, beside the verdict: each says whether it is measured, computed or common practice."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtri

from traygauge.judge.distribution import distribution
from traygauge.judge.masses import masses_mg, mean_mass_mg, pieces_per_kilogram, volumes_mm3, weighed
from traygauge.judge.packing import SOURCES, void_range
from traygauge.judge.regrind import is_regrind
from traygauge.judge.sample import Sample
from traygauge.judge.shares import count_share
from traygauge.judge.tolerance import tolerance_bounds
from traygauge.judge.unseen import unseen
from traygauge.judge.verdict import MEASURED, PRACTICE, RELATION, Figure

_PACKING = "; ".join(SOURCES.values())
#: Opening over the largest piece that keeps pieces from interlocking: a bulk-solids column in the trade press.
OUTLET = {"round": (6.0, 8.0), "slot": (3.0, 4.0)}
#: A tolerance interval holds this part of the pieces.
MOST = 0.95
#: Pieces of about this share of the channel's width lie across it and bridge: common practice, no source.
BRIDGES_FROM = 7 / 12


def figures(sample: Sample) -> tuple[Figure, ...]:
    """Return the figures beside the verdict, the three most telling first."""
    error = (1 - sample.spec.judging.confidence) / 2
    wanted = (
        _share(sample, "long", "share of long pieces", error) if "long" in sample.masks else None,
        _of_distribution(sample, "length_mm", "median", "median cut length", error),
        pieces_per_kilogram(sample, error),
        _of_distribution(sample, "diameter_mm", "mean", "mean diameter", error),
        _of_distribution(sample, "length_mm", "mean", "mean cut length", error),
        _of_distribution(sample, "length_mm", "D10", "D10 of the cut length", error),
        _of_distribution(sample, "length_mm", "D90", "D90 of the cut length", error),
        _where_most_lie(sample, "length_mm", "cut lengths"),
        _where_most_lie(sample, "diameter_mm", "diameters"),
        _share(sample, "stringy", "share of stringy pieces", error),
        _share(sample, "doubles", "share of doubles", error),
        *_rates(sample, error),
        *_channel(sample),
        *_bulk(sample),
        _outlet(sample),
    )
    return tuple(figure for figure in wanted if figure is not None)


def _share(sample: Sample, finding: str, title: str, error: float) -> Figure | None:
    counted = count_share(sample, finding, "count", error)
    if not counted.n or unseen(sample, finding) is not None:
        return None
    low, high = counted.bounds(error, error, unmeasured=True)
    value = 100 * counted.share
    return Figure(f"{finding}_share", title, "%", value, 100 * low, 100 * high, MEASURED, "", "by count")


def _of_distribution(sample: Sample, column: str, statistic: str, title: str, error: float) -> Figure | None:
    values = distribution(sample, column)
    if values.n < 2:
        return None
    low, high = values.bounds(statistic, error, error, unmeasured=True)
    name = f"{statistic.lower()}_{column}"
    return Figure(name, title, "mm", values.estimate(statistic), low, high, MEASURED)


def _where_most_lie(sample: Sample, column: str, what: str) -> Figure | None:
    """Return the tolerance interval of single pieces, widened by what all of them share; its value is the median."""
    values, confidence = distribution(sample, column), sample.spec.judging.confidence
    low, high, rule = tolerance_bounds(values.values[np.isfinite(values.values)], MOST, confidence)
    if not math.isfinite(low):
        return None
    shared = float(ndtri(0.5 + confidence / 2)) * values.u_shared_of("median")
    title = f"where {100 * MOST:g} % of the {what} lie"
    note = f"tolerance interval around the median, {100 * confidence:g} % confidence: {rule}; pieces that were measured"
    bounds = max(low - shared, 0.0), high + shared
    return Figure(f"tolerance_{column}", title, "mm", values.estimate("median"), *bounds, MEASURED, "", note)


def _rates(sample: Sample, error: float) -> list[Figure]:
    """Return how often pieces and long ones come: per kilogram, and at the throughput where it is given."""
    mass = mean_mass_mg(sample, error)
    if mass is None:
        return []
    found: list[Figure] = []
    throughput = sample.spec.feeding.throughput_kg_h
    longs = count_share(sample, "long", "count", error) if "long" in sample.masks else None
    if longs is not None and longs.n:
        low, high = longs.bounds(error, error, unmeasured=True)
        per_kg = tuple(
            1e6 * p / m if m > 0 else math.inf
            for p, m in ((longs.share, mass.estimate), (low, mass.high), (high, mass.low))
        )
        found.append(_measured("longs_per_kilogram", "long pieces per kilogram", "1/kg", *per_kg))
        if throughput is not None:
            per_min = tuple(throughput / 60 * p for p in per_kg)
            found.append(_measured("longs_per_minute", "long pieces reaching the screw", "1/min", *per_min))
            gap = tuple(60 / p if p > 0 else math.inf for p in (per_min[0], per_min[2], per_min[1]))
            found.append(
                _measured("seconds_between_longs", "time between two long pieces, on average", "s", *gap)
            )
    if throughput is not None:
        rate = tuple(
            throughput / 3.6 * 1000 / m if m > 0 else math.inf for m in (mass.estimate, mass.high, mass.low)
        )
        found.append(_measured("pieces_per_second", "pieces that the throughput needs", "1/s", *rate))
        found += _against_cutter(sample, rate[0])
    return found


def _against_cutter(sample: Sample, needed: float) -> list[Figure]:
    """Return how far the cutter's rate covers the throughput, and how much its stream varies between photos."""
    cutter, found = sample.spec.cutter, []
    if cutter.rotor_speed_per_min is not None and cutter.knives is not None:
        rate = cutter.rotor_speed_per_min * cutter.knives / 60
        note = f"{rate:.3g} cuts a second of one strand; 1 is just enough"
        ratio = rate / needed
        found.append(
            Figure(
                "cutter_over_need", "cutter's rate over the need", "", ratio, ratio, ratio, MEASURED, "", note
            )
        )
    seen = weighed(sample)
    photos = np.unique(sample.photo[seen])
    if len(photos) >= 3:
        mass, photo = masses_mg(sample), sample.photo
        means = np.array([mass[seen & (photo == p)].mean() for p in photos])
        spread = 100 * float(means.std(ddof=1) / means.mean())
        note = "relative standard deviation of the mean mass between photos: how evenly a cutter in the stream feeds"
        found.append(
            Figure("stream_spread", "spread between samples", "%", spread, spread, spread, MEASURED, "", note)
        )
    return found


def _channel(sample: Sample) -> list[Figure]:
    """Return the longest and thickest piece against the channel."""
    spec, found = sample.spec, []
    width, depth = spec.channel_width_mm, spec.screw.channel_depth_mm
    base = sample.base("long") & ~sample.reach.is_heap
    length, diameter = sample.reach.low[base], sample.pieces["diameter_mm"][base].astype(float)
    if width is not None and np.isfinite(length).any():
        ratio = float(np.nanmax(length)) / width
        note = f"a third passes, from about {BRIDGES_FROM:.2f} on a piece lies across and bridges"
        found.append(_practice("longest_over_channel", "longest piece over channel width", ratio, note))
    if depth is not None and np.isfinite(diameter).any():
        ratio = float(np.nanmax(diameter)) / depth
        note = "above 1 a piece cannot enter the channel"
        found.append(_practice("thickest_over_depth", "thickest piece over channel depth", ratio, note))
    return found


def _bulk(sample: Sample) -> list[Figure]:
    """Return void fraction, bulk density and the air that each turn carries, from L/D or from a weighed cup."""
    spec, pieces = sample.spec, sample.pieces
    length, volume = pieces["length_mm"].astype(float), volumes_mm3(pieces, sample.reach)
    diameter = sample.reach.diameter_mm  # 0 where none was read at all
    seen = sample.base("thick") & (length > 0) & (volume > 0) & (diameter > 0)
    density, weighed_bulk = spec.density_g_cm3, spec.feeding.bulk_density_g_cm3
    if weighed_bulk is not None and density is not None:
        void = 1 - weighed_bulk / density
        low, middle, high, basis, source = void, void, void, MEASURED, "bulk density weighed with a cup"
    elif seen.any() and not is_regrind(sample):  # the relations are of cylinders
        low, middle, high = void_range(length[seen] / diameter[seen], volume[seen])
        basis, source = RELATION, _PACKING
    else:
        return []
    compared = _compared_with_nominal(spec.strand.length_mm, spec.strand.diameter_mm, middle)
    found = [Figure("void_fraction", "void fraction", "", middle, low, high, basis, source, compared)]
    if density is not None:
        bulk = [density * (1 - v) for v in (middle, high, low)]
        found.append(
            Figure("bulk_density", "bulk density", "g/cm³", bulk[0], bulk[1], bulk[2], basis, source)
        )
        found += _air_per_turn(sample, (low, middle, high), density, basis, source)
    return found


def _compared_with_nominal(length: float | None, diameter: float | None, void: float) -> str:
    if length is None or diameter is None:
        return ""
    _, nominal, _ = void_range([length / diameter], [1.0])
    return f"the spec's nominal cut (L/D {length / diameter:.2f}) gives {nominal:.3f}, this batch {void:.3f}"


def _air_per_turn(
    sample: Sample, voids: tuple[float, float, float], density: float, basis: str, source: str
) -> list[Figure]:
    """Return the air carried per turn of the screw, cm³: void over solid volume of what a turn takes in."""
    throughput, speed = sample.spec.feeding.throughput_kg_h, sample.spec.feeding.screw_speed_per_min
    if throughput is None or speed is None:
        return []
    solid = throughput * 1000 / (60 * speed) / density
    low, middle, high = (solid * v / (1 - v) for v in voids)
    title = "air carried per turn of the screw"
    return [Figure("air_per_turn", title, "cm³", middle, low, high, basis, source, "if all of it goes in")]


def _outlet(sample: Sample) -> Figure | None:
    """Return the outlet over the largest extent, tails included."""
    outlet, form = sample.spec.feeding.outlet_mm, sample.spec.feeding.outlet_form
    extent = sample.pieces["feret_max_mm"][sample.base("long") & ~sample.reach.is_heap].astype(float)
    if outlet is None or not np.isfinite(extent).any():
        return None
    ratio = outlet / float(np.nanmax(extent))
    few, many = OUTLET[form]
    note = f"{few:g} to {many:g} keeps pieces from interlocking in a {form} outlet (trade press; mainly large pieces)"
    return _practice("outlet_over_extent", "outlet over the largest piece", ratio, note)


def _measured(name: str, title: str, unit: str, value: float, low: float, high: float) -> Figure:
    return Figure(name, title, unit, value, low, high, MEASURED)


def _practice(name: str, title: str, value: float, note: str) -> Figure:
    return Figure(name, title, "", value, value, value, PRACTICE, "", note)
