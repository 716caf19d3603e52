"""Errors on photos whose truth is known, photo by photo and pooled."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np
from photos import TruePhoto
from scipy.special import betaincinv
from scoring import LONG_GUARD_MM, TAIL_GUARD_MM, Matched, match, pooled, read_truth, spread

from traygauge.measure import Pieces, measure_pieces
from traygauge.segment.find import find_pieces
from traygauge_calib.scale import calibrate
from traygauge_shared.errors import SheetError
from traygauge_shared.loading import load_photo

LONG_MM, TAIL_MM = 4.0, 0.9
HEAD = f"{'':34s} {'found':>9s} {'spare':>5s}  {'cut length, µm':>22s}  {'diameter, µm':>18s}  {'in 95 %':>7s}  {'longs':>12s}  {'tails':>12s}"
UNDER = f"{'':34s} {'':9s} {'':5s}  {'bias / robust / 95 %':>22s}  {'':18s}  {'':7s}  {'of / said':>12s}  {'of / said':>12s}"


def pieces_of(photo: Path) -> Pieces:
    """Return the pieces measured on a photo; without a sheet it is taken for a scan."""
    loaded = load_photo(photo)
    try:
        tray = calibrate(loaded)
    except SheetError:
        tray = calibrate(loaded, scan=True)
    return measure_pieces(find_pieces(tray))


def _figures(errors: np.ndarray) -> str:
    return "–" if not len(errors) else "{:.0f} / {:.0f} / {:.0f}".format(*(1e3 * x for x in spread(errors)))


def _rate(counts: tuple[int, int, int]) -> str:
    hits, true, said = counts
    return f"{hits} {true} / {said}"


def row(name: str, m: Matched, group: str = "apart") -> str:
    """Return one line of the table, for strand pieces of a group."""
    found, all_ = m.recall(group)
    length, diameter = m.errors("length_mm", group), m.errors("width_seen_mm", group)
    return (
        f"{name:34s} {found:4d}/{all_:<4d} {m.spare:5d}  {_figures(length):>22s}  {_figures(diameter):>18s}  "
        f"{_coverage(m, group):>7s}  {_rate(m.rate('length_mm', LONG_MM, LONG_GUARD_MM, group)):>12s}  "
        f"{_rate(m.rate('tail_length_plan_mm', TAIL_MM, TAIL_GUARD_MM, group)):>12s}"
    )


def _coverage(m: Matched, group: str) -> str:
    pick = (
        (m.group == group)
        & np.isfinite(m.measured["length_mm"])
        & np.isin(m.kind, ("strand", "long", "short"))
    )
    if not pick.any():
        return "–"
    z = np.abs(m.measured["length_mm"] - m.truth["length_mm"])[pick] / m.measured["u_length_mm"][pick]
    return f"{100 * (z <= 1.96).mean():.0f} %"


def interval(hits: int, n: int) -> str:
    """Return k of n with its exact two-sided 95 % interval (Clopper-Pearson)."""
    if not n:
        return "none"
    low = betaincinv(hits, n - hits + 1, 0.025) if hits else 0.0
    high = betaincinv(hits + 1, n - hits, 0.975) if hits < n else 1.0
    return f"{hits} of {n} = {hits / n:.3f} ({low:.3f} to {high:.3f})"


def table(photos: Iterable[TruePhoto]) -> Matched | None:
    """Print the table of a folder's photos and return their matches pooled."""
    many: list[Matched] = []
    print(HEAD)
    print(UNDER)
    for photo in photos:
        m = match(read_truth(photo.truth), pieces_of(photo.photo), LONG_MM, TAIL_MM)
        print(row(photo.name, m))
        sys.stdout.flush()
        many.append(m)
    if not many:
        return None
    all_ = pooled(many)
    print(row("all, lying apart", all_))
    if all_.recall("touching")[1]:
        print(row("all, touching", all_, "touching"))
    for title, counts in (
        (f"longs over {LONG_MM:g} mm", all_.rate("length_mm", LONG_MM, LONG_GUARD_MM)),
        (f"tails from {TAIL_MM:g} mm", all_.rate("tail_length_plan_mm", TAIL_MM, TAIL_GUARD_MM)),
    ):
        hits, true, said = counts
        print(f"{title}: found {interval(hits, true)}; real of those reported {interval(hits, said)}")
    return all_
