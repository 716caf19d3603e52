"""Trays full of pieces, drawn at random from a few settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from traygauge_shared.scenes.things import (
    Burr,
    Crumb,
    Double,
    Flake,
    Rgb,
    StrandPiece,
    Surface,
    Tail,
    Thing,
)

Span = tuple[float, float]


@dataclass(frozen=True)
class Batch:
    """What a lot of pieces is like; spans are (low, high), uniform unless said otherwise.

    Parameters
    ----------
    count : strand pieces, doubles among them.
    nominal_mm, length_sd_mm : aimed-at cut length and its normal spread.
    diameter_mm, diameter_sd_mm, oval_max : of the strand.
    bend_fraction, bend_radius_mm : how many are bent, and how tightly.
    cut_deg : mean and standard deviation of the cuts' angles off square, folded at 0, at most `cut_max_deg`.
    pinch : squeeze of each end.
    rounding_mm : of the cut edges.
    tail_fraction, tail_length_mm (log-uniform), tail_width_mm, two_tails : threads.
    burr_fraction, burr_mm : lips.
    long_fraction : of lengths 1.5 to 3 x nominal; short_fraction : 0.2 to 0.6 x nominal.
    upright_fraction : standing on a cut face, where they are short enough to stand.
    leaning_fraction : resting at an angle on nothing that is drawn (a stone, a neighbour).
    webs, strings : doubles; crumbs, flakes : how many, with their sizes `crumb_mm`, `flake_mm`.
    foreign : pieces of one of `foreign_colours`.
    colour, surface : of the strand: a name or linear R, G, B; how it takes the light (`shade.MATTER`).
    """

    count: int = 100
    nominal_mm: float = 3.0
    length_sd_mm: float = 0.15
    diameter_mm: float = 1.75
    diameter_sd_mm: float = 0.02
    oval_max: float = 1.04
    bend_fraction: float = 0.3
    bend_radius_mm: Span = (40.0, 200.0)
    cut_deg: Span = (2.0, 3.0)
    cut_max_deg: float = 45.0
    pinch: Span = (0.0, 0.05)
    rounding_mm: Span = (0.03, 0.07)
    tail_fraction: float = 0.0
    tail_length_mm: Span = (0.3, 3.0)
    tail_width_mm: Span = (0.1, 0.3)
    two_tails: float = 0.15
    burr_fraction: float = 0.05
    burr_mm: Span = (0.15, 0.4)
    long_fraction: float = 0.02
    short_fraction: float = 0.02
    upright_fraction: float = 0.0
    leaning_fraction: float = 0.0
    webs: int = 0
    strings: int = 0
    crumbs: int = 0
    crumb_mm: Span = (0.2, 0.8)
    flakes: int = 0
    flake_mm: Span = (2.0, 6.0)
    foreign: int = 0
    foreign_colours: tuple[str, ...] = ("red",)
    colour: str | Rgb = "white"
    surface: Surface = "matt"


def make_pieces(batch: Batch, rng: np.random.Generator) -> list[Thing]:
    """Return the pieces of a batch, all at the sheet's origin, in random order and direction."""
    out: list[Thing] = []
    longs, shorts = round(batch.count * batch.long_fraction), round(batch.count * batch.short_fraction)
    doubles = batch.webs + batch.strings
    for i in range(batch.count - doubles):
        if i < longs:
            out.append(_strand(batch, rng, batch.nominal_mm * rng.uniform(1.5, 3.0), kind="long"))
        elif i < longs + shorts:
            short = max(0.5, batch.nominal_mm * rng.uniform(0.2, 0.6))
            out.append(_strand(batch, rng, short, kind="short"))
        else:
            out.append(_strand(batch, rng, max(0.4, rng.normal(batch.nominal_mm, batch.length_sd_mm))))
    out += [_double(batch, rng, web=i < batch.webs) for i in range(doubles)]
    out += [_lump(Crumb(0, 0, size_mm=rng.uniform(*batch.crumb_mm)), batch, rng) for _ in range(batch.crumbs)]
    for _ in range(batch.flakes):
        flake = Flake(0, 0, size_mm=rng.uniform(*batch.flake_mm), thickness_mm=rng.uniform(0.5, 1.6))
        out.append(_lump(flake, batch, rng))
    able = [i for i, thing in enumerate(out) if isinstance(thing, StrandPiece | Flake)]
    for i in rng.permutation(able)[: batch.foreign]:
        colour = batch.foreign_colours[int(rng.integers(len(batch.foreign_colours)))]
        out[i] = replace(out[i], colour=colour, foreign=True)
    return [out[i] for i in rng.permutation(len(out))]


def _strand(batch: Batch, rng: np.random.Generator, length: float, **more: Any) -> StrandPiece:
    diameter = max(0.5, rng.normal(batch.diameter_mm, batch.diameter_sd_mm))
    steepest = float(np.degrees(np.arctan(max(length - 0.25, 0.05) * 0.9 / diameter)))
    top = min(batch.cut_max_deg, steepest)
    cuts = np.clip(np.abs(rng.normal(*batch.cut_deg, 2)), 0, top)
    pinch = rng.uniform(*batch.pinch, 2)
    bent = rng.random() < batch.bend_fraction
    kind = more.get("kind", "strand")
    standing = kind == "strand" and length < 2.5 * diameter and rng.random() < batch.upright_fraction
    tilt = 90.0 if standing else rng.uniform(15, 55) if rng.random() < batch.leaning_fraction else 0.0
    tails: list[Tail] = []
    if not standing and rng.random() < batch.tail_fraction:
        first = int(rng.integers(2))
        tails = [
            _tail(batch, rng, (first + k) % 2) for k in range(2 if rng.random() < batch.two_tails else 1)
        ]
    burrs = (_burr(batch, rng),) if not standing and rng.random() < batch.burr_fraction else ()
    return StrandPiece(
        0.0,
        0.0,
        axis_deg=float(rng.uniform(0, 360)),
        length_mm=float(length),
        diameter_mm=float(diameter),
        oval=float(rng.uniform(1, batch.oval_max)),
        oval_deg=float(rng.normal(0, 20) if batch.oval_max > 1.05 else rng.uniform(0, 180)),
        bend_radius_mm=float(rng.uniform(*batch.bend_radius_mm) * rng.choice([-1, 1])) if bent else 0.0,
        cut_deg=(float(cuts[0]), float(cuts[1])),
        cut_side_deg=(float(rng.uniform(0, 360)), float(rng.uniform(0, 360))),
        pinch=(float(pinch[0]), float(pinch[1])),
        pinch_deg=float(rng.normal(90, 12) if pinch.max() > 0.06 else rng.uniform(0, 180)),
        rounding_mm=float(rng.uniform(*batch.rounding_mm)),
        tilt_deg=tilt,
        tails=tuple(tails),
        burrs=burrs,
        colour=batch.colour,
        surface=batch.surface,
        **more,
    )


def _tail(batch: Batch, rng: np.random.Generator, end: int) -> Tail:
    low, high = np.log(batch.tail_length_mm)
    length = float(np.exp(rng.uniform(low, high)))
    return Tail(
        end=end,
        rim_deg=float(rng.uniform(0, 360)),
        length_mm=length,
        width_mm=float(rng.uniform(*batch.tail_width_mm)),
        turn_deg=float(rng.normal(0, 60) * min(1.5, 0.4 + length / 3)),
        splay_deg=float(rng.uniform(-10, 35)),
        seed=int(rng.integers(1 << 31)),
    )


def _burr(batch: Batch, rng: np.random.Generator) -> Burr:
    return Burr(
        end=int(rng.integers(2)),
        rim_deg=float(rng.uniform(0, 360)),
        height_mm=float(rng.uniform(*batch.burr_mm)),
        arc_deg=float(rng.uniform(25, 70)),
        lean_deg=float(rng.uniform(0, 50)),
    )


def _double(batch: Batch, rng: np.random.Generator, *, web: bool) -> Double:
    """Return two plain pieces whose middle lies at the origin."""
    plain = replace(
        batch, tail_fraction=0, burr_fraction=0, bend_fraction=0, upright_fraction=0, pinch=(0, 0)
    )
    plain = replace(plain, cut_deg=(0.0, 0.0), leaning_fraction=0)
    lengths = np.maximum(0.6, rng.normal(batch.nominal_mm, batch.length_sd_mm, 2))
    first = replace(_strand(plain, rng, lengths[0]), oval=1.0)
    second = replace(_strand(plain, rng, lengths[1]), oval=1.0, diameter_mm=first.diameter_mm)
    gap = rng.uniform(0.08, 0.25) if web else rng.uniform(0.8, 4.0)
    bend = np.radians(rng.uniform(-12, 12) if web else rng.uniform(-60, 60))
    axis = np.radians(first.axis_deg)
    one = np.array([np.cos(axis), np.sin(axis)])
    two = np.array([np.cos(axis + bend), np.sin(axis + bend)])
    a = -one * (lengths[0] + gap) / 2
    b = a + one * (lengths[0] / 2 + gap) + two * lengths[1] / 2
    middle = (a + b) / 2
    return Double(
        replace(first, x_mm=float(a[0] - middle[0]), y_mm=float(a[1] - middle[1])),
        replace(
            second,
            x_mm=float(b[0] - middle[0]),
            y_mm=float(b[1] - middle[1]),
            axis_deg=first.axis_deg + float(np.degrees(bend)),
        ),
        "web" if web else "string",
        float(rng.uniform(0.35, 0.6) * first.diameter_mm * 0.92 if web else rng.uniform(0.12, 0.35)),
        int(rng.integers(1 << 31)),
    )


def _lump(thing: Flake | Crumb, batch: Batch, rng: np.random.Generator) -> Flake | Crumb:
    return replace(
        thing,
        axis_deg=float(rng.uniform(0, 360)),
        seed=int(rng.integers(1 << 31)),
        colour=batch.colour,
        surface=batch.surface,
    )


def blended(things: Sequence[Thing], rng: np.random.Generator, shares: Mapping[str, float]) -> list[Thing]:
    """Return things given colours at random by their shares (a blend of two strands, say); foreign ones keep theirs.

    Parameters
    ----------
    shares : colour name to share; the shares add up to 1.
    """
    colours = list(shares)
    drawn = rng.choice(len(colours), len(things), p=np.array(list(shares.values())))
    return [_coloured(thing, colours[int(k)]) for thing, k in zip(things, drawn, strict=True)]


def _coloured(thing: Thing, colour: str) -> Thing:
    if isinstance(thing, Double):
        first, second = (replace(piece, colour=colour) for piece in (thing.first, thing.second))
        return replace(thing, first=first, second=second)
    return thing if thing.foreign else replace(thing, colour=colour)
