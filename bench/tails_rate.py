"""Tails on at least a thousand drawn ones: rates, length and width errors, burrs, through the whole of measuring.

python bench/tails_rate.py [--tails 1000] [--seed 5]
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.measure import measure_pieces
from traygauge.measure.tail_thread import LONGER_THAN_WIDE
from traygauge.measure.tails import find_tails
from traygauge.segment.find import find_pieces
from traygauge_calib.scale import calibrate
from traygauge_shared.loading import decode_photo
from traygauge_shared.scenes import (
    Batch,
    Lamp,
    Lighting,
    Scene,
    Sensor,
    Sheet,
    draw,
    phone_over,
    photo_bytes,
    tray,
)

FloatArray = npt.NDArray[np.float64]

#: Strand and tray colours that tell a thread from the tray by brightness or by colour alone ("grey" on "green").
COLOURS = (
    ("white", "black"),
    ("orange", "darkblue"),
    ("black", "white"),
    ("yellow", "black"),
    ("red", "black"),
    ("blue", "white"),
    ("white", "green"),
    ("grey", "green"),
)
#: A true tail this near a limit counts neither way.
GUARD_MM = 0.1


@dataclass(frozen=True, eq=False)
class Table:
    """One row a drawn piece lying apart: true and found longest tail, its uncertainty, widths, burrs, mm."""

    colours: npt.NDArray[np.str_]
    true: FloatArray
    found: FloatArray
    u: FloatArray
    true_width: FloatArray
    width: FloatArray
    true_burr: FloatArray
    burr: FloatArray


def scene(seed: int) -> Scene:
    """Return a tray of 110 pieces apart, half of them with tails of 0.3 to 5 mm, a quarter with burrs."""
    rng = np.random.default_rng([seed, 5])
    strand, floor = COLOURS[seed % len(COLOURS)]
    soft = rng.random() < 0.5
    batch = Batch(
        count=110,
        length_sd_mm=0.3,
        colour=strand,
        surface="satin" if seed % 3 else "matt",
        cut_deg=(6.0, 5.0),
        pinch=(0.1, 0.4) if soft else (0.0, 0.05),
        tail_fraction=0.5,
        tail_length_mm=(0.3, 5.0),
        tail_width_mm=(0.12, 0.35),
        burr_fraction=0.25,
        burr_mm=(0.15, 0.45),
    )
    camera = phone_over(
        focal_35mm=float(rng.choice([35.0, 52.0])),
        tilt_deg=float(rng.uniform(0, 6)),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        k1=float(rng.uniform(-0.02, 0.02)),
    )
    lamp = Lamp(float(rng.uniform(0, 360)), float(rng.uniform(40, 60)), 0.6, float(rng.uniform(12, 30)))
    sensor = Sensor(
        blur_px=float(rng.uniform(0.4, 1.0)),
        noise=float(rng.uniform(0.7, 1.8)),
        quality=int(rng.choice([80, 90, 95])),
    )
    return tray(
        batch,
        seed=seed,
        camera=camera,
        sheet=Sheet(window=floor),
        light=Lighting((lamp,), ambient=0.35),
        sensor=sensor,
        gap_mm=1.0,
    )


def measured(seed: int) -> tuple[Table, float, int]:
    """Return one drawn tray's table, the CPU seconds that finding tails took, and the number of regions."""
    drawn = draw(scene(seed))
    regions = find_pieces(calibrate(decode_photo(photo_bytes(drawn), "drawn.jpg")))
    start = time.process_time()
    tails = find_tails(regions)
    seconds = time.process_time() - start
    pieces = measure_pieces(regions)
    number = pieces["piece"].astype(int) - 1
    length, u, burr = np.zeros(len(regions)), np.full(len(regions), np.nan), np.zeros(len(regions))
    length[number], u[number] = np.nan_to_num(pieces["tail_length_mm"]), pieces["u_tail_length_mm"]
    burr[number] = pieces["burr_mm"]
    width = tails.longest(tails.width_mm)
    rows = [r for r in drawn.truth if r["kind"] in ("strand", "long", "short") and not r["on_border"]]
    place = regions.tray.to_px(np.array([[float(r["x_mm"]), float(r["y_mm"])] for r in rows]), 0.9)
    xy = np.rint(place).astype(int) - regions.origin_px
    at = regions.labels[xy[:, 1], xy[:, 0]] - 1
    columns = ("tail_length_plan_mm", "tail_width_mm", "burr_mm")
    truth = np.array([[float(r[c]) for c in columns] for r in rows]).T
    names = np.full(len(rows), " on ".join(COLOURS[seed % len(COLOURS)]))

    def of(values: FloatArray, missing: float) -> FloatArray:
        return np.where(at >= 0, values[at], missing)

    table = Table(
        names,
        truth[0],
        of(length, 0.0),
        of(u, np.nan),
        truth[1],
        of(width, np.nan),
        truth[2],
        of(burr, 0.0),
    )
    return table, seconds, len(regions)


def joined(tables: list[Table]) -> Table:
    """Return several tables as one."""
    names = Table.__dataclass_fields__
    return Table(*(np.concatenate([getattr(t, name) for t in tables]) for name in names))


def part(table: Table, pick: npt.NDArray[np.bool_]) -> Table:
    """Return the picked rows."""
    return Table(*(getattr(table, name)[pick] for name in Table.__dataclass_fields__))


def rate(table: Table, limit_mm: float) -> tuple[int, int, int]:
    """Return (hits, true ones, reported ones) of tails longer than a limit.

    Near ones are left out, and stumps that are no tails by definition.
    """
    clear = (np.abs(table.true - limit_mm) > GUARD_MM) & (table.true >= LONGER_THAN_WIDE * table.true_width)
    true, said = clear & (table.true > limit_mm), clear & (table.found > limit_mm)
    return int((true & said).sum()), int(true.sum()), int(said.sum())


def line(name: str, table: Table) -> str:
    """Return one row of the report."""
    cells = [f"{name:18}"]
    for limit in (0.9, 0.4):
        hits, true, said = rate(table, limit)
        cells.append(f"{hits:5d} of {true:5d} {hits / max(true, 1):6.3f} {hits / max(said, 1):6.3f}")
    both = (table.true > 0.5) & (table.true >= LONGER_THAN_WIDE * table.true_width) & (table.found > 0.4)
    error, true = (table.found - table.true)[both], table.true[both]
    if both.any():
        spread = 1.4826 * np.median(np.abs(error - np.median(error)))
        within = (np.abs(error) < np.maximum(0.15, 0.1 * true)).mean()
        stated = (np.abs(error) < 1.96 * table.u[both]).mean()
        wide = np.median((table.width / np.maximum(table.true_width, 1e-9))[both])
        cells.append(f"{np.median(error):+6.3f} {spread:6.3f} {within:6.3f} {stated:6.3f} {wide:6.2f}")
    burrs = table.true_burr > 0.15
    none = (table.true_burr == 0) & (table.true == 0)
    seen, false = (table.burr > 0)[burrs].mean(), (table.burr > 0)[none].mean()
    cells.append(f"{seen:6.2f} {false:6.3f}")
    return " | ".join(cells)


HEAD = (
    f"{'':18} | {'tails >= 1.0: found':>14}  real | {'tails >= 0.5: found':>14}  real | "
    "error: median, spread, within, stated; width ratio | burrs seen, false"
)


def main() -> None:
    """Print the rates."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tails", type=int, default=1000, help="true tails of 0.5 mm or more, at least")
    parser.add_argument("--seed", type=int, default=5)
    given = parser.parse_args()
    tables: list[Table] = []
    seconds, regions, seed = 0.0, 0, given.seed
    while sum(int((t.true > 0.5).sum()) for t in tables) < given.tails:
        table, used, count = measured(seed)
        tables.append(table)
        seconds, regions, seed = seconds + used, regions + count, seed + 1
        print(f"\r{sum(len(t.true) for t in tables)} pieces", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    every = joined(tables)
    print(HEAD)
    for name in dict.fromkeys(every.colours.tolist()):
        print(line(name, part(every, every.colours == name)))
    print(line("all", every))
    print("within: 10 % or 0.15 mm; stated: share of errors within 1.96 stated uncertainties")
    print(f"{1e3 * seconds / max(regions, 1):.2f} ms CPU a piece, half of them tailed ({regions} regions)")


if __name__ == "__main__":
    main()
