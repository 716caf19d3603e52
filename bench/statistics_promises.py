"""The list of what is promised of risks and coverages, each with the draw that checks it."""

from __future__ import annotations

from dataclasses import dataclass

from statistics_draws import (
    Draw,
    accepted_in_small_heaps,
    accepted_under_others,
    covered_in_small_heaps,
    covered_under_others,
    difference_covered,
    error_taken_out,
    far_from_limit,
    figure_covered,
    figure_looks,
    five_looks,
    heap_hides_longs,
    mass_covered,
    one_look,
    rejected_in_small_heaps,
    sequence_decides,
    share_covered,
    standing_covered,
    tolerance_held,
)

from traygauge.judge.verdict import Answer

#: The 90 % point of the normal distribution.
Z90 = 1.2815516


@dataclass(frozen=True)
class Promise:
    """One thing promised: at least (or at most) so many of 100 batches."""

    name: str
    stated: float
    at_least: bool
    draw: Draw


def at_most(stated: float, name: str, draw: Draw) -> Promise:
    """Return a promise that something happens no more often than stated."""
    return Promise(name, stated, False, draw)


def at_least(stated: float, name: str, draw: Draw) -> Promise:
    """Return a promise that something happens no less often than stated."""
    return Promise(name, stated, True, draw)


def promises() -> list[Promise]:
    """Return everything that is checked."""
    return [*_looks(), *_decided(), *_shares(), *_figures(), *_differences(), *_plans()]


def _looks() -> list[Promise]:
    """Wrong answers on the limit, at one look and at five."""
    rows = [
        at_most(0.05, f"one look, {n} pieces, limit {limit:.0%}, share on it, {how}: wrong {word}", draw)
        for n, limit in ((300, 0.02), (300, 0.08))
        for how, rho in (("independent", 0.0), ("correlation .002", 0.002))
        for word, draw in (
            ("accept", one_look(limit, limit * (1 + 1e-9), n, rho, rho, {Answer.ACCEPT})),
            ("reject", one_look(limit, limit * (1 - 1e-9), n, rho, rho, {Answer.REJECT})),
        )
    ]
    rows += [
        at_most(
            0.05,
            f"five looks, {n} pieces each, limit {limit:.0%}, correlation {rho:g}: wrong {wrong}",
            five_looks(limit, n, rho, rho, wrong),
        )
        for n, limit in ((300, 0.02), (150, 0.08))
        for rho in (0.0, 0.002)
        for wrong in (Answer.ACCEPT, Answer.REJECT)
    ]
    rows += [
        at_most(0.05, f"five looks at a mean on its limit: wrong {wrong}", figure_looks(wrong))
        for wrong in (Answer.ACCEPT, Answer.REJECT)
    ]
    return [
        *rows,
        at_most(0.05, "longs hidden in a heap: wrong accept", heap_hides_longs),
        at_most(0.05, "a fifth under others, long ones oftener: wrong accept", accepted_under_others),
        at_most(0.05, "a tenth in small heaps, long ones oftener: wrong accept", accepted_in_small_heaps),
        at_most(0.05, "a tenth in small heaps, long ones oftener: wrong reject", rejected_in_small_heaps),
    ]


def _decided() -> list[Promise]:
    return [
        at_least(
            0.90,
            f"decided, {n} pieces in one photo, limit {limit:.0%}, share {'below half' if below else '2 to 4 times'}",
            far_from_limit(limit, n, 0.002, below=below),
        )
        for n, limit in ((300, 0.08), (300, 0.10), (1000, 0.05), (1000, 0.08))
        for below in (True, False)
    ]


def _shares() -> list[Promise]:
    inside = "share in its 95 % interval"
    return [
        at_least(0.95, f"{inside}, one photo of 300, independent", share_covered(1, 300, 0.0)),
        at_least(0.95, f"{inside}, one photo of 300, correlation .002", share_covered(1, 300, 0.002)),
        at_least(0.95, f"{inside}, 8 photos of 60, correlation .01", share_covered(8, 60, 0.01)),
        at_least(0.95, f"{inside}, one photo of 300, by mass", share_covered(1, 300, 0.0, "mass")),
        at_least(0.95, f"{inside}, a fifth under others, long ones oftener", covered_under_others),
        at_least(0.95, f"{inside}, a tenth in small heaps, long ones oftener", covered_in_small_heaps),
        at_least(0.95, f"{inside}, near the limit, error of measuring taken out", error_taken_out),
    ]


def _figures() -> list[Promise]:
    at, inside = "{ at_most_mm = 9 }", "in its 95 % interval"
    spread = ("length_spread = { at_most_percent = 90 }", 100 * 2 * 0.2 * Z90 / 3.0)
    mean = f"mean_length = {at}"
    return [
        at_least(0.95, f"mean {inside}, the short ones standing on end", standing_covered),
        at_least(0.95, f"mean {inside}", figure_covered(mean, 3.0)),
        at_least(0.95, f"mean {inside}, shared scale error", figure_covered(mean, 3.0, shared=0.03)),
        at_least(0.95, f"median {inside}", figure_covered(f"median_length = {at}", 3.0)),
        at_least(0.95, f"D90 {inside}", figure_covered(f"d90_length = {at}", 3.0 + 0.2 * Z90)),
        at_least(0.95, f"D10 {inside}", figure_covered(f"d10_length = {at}", 3.0 - 0.2 * Z90)),
        at_least(0.95, f"spread of 200 {inside} (bootstrap)", figure_covered(*spread)),
        at_least(0.95, f"spread of 60 {inside} (bootstrap)", figure_covered(*spread, n=60)),
        at_least(0.95, f"pieces per kilogram {inside}", mass_covered),
    ]


def _differences() -> list[Promise]:
    inside = "in its 95 % interval"
    return [
        at_least(0.95, f"difference of shares {inside}", difference_covered("long_share", 0.04)),
        at_least(
            0.95, f"difference of medians {inside} (bootstrap)", difference_covered("median_length_mm", 0.05)
        ),
    ]


def _plans() -> list[Promise]:
    return [
        at_least(0.95, "95 % of a skewed population in tolerance bounds", tolerance_held),
        at_most(
            0.05, "sequential plan (Wald), good batch: wrong reject", sequence_decides(0.02, Answer.REJECT)
        ),
        at_most(
            0.05, "sequential plan (Wald), bad batch: wrong accept", sequence_decides(0.06, Answer.ACCEPT)
        ),
    ]
