"""Longs and tails on at least a thousand drawn ones of each, and the coverage of the stated intervals.

python bench/drawn_rates.py [--longs 1000] [--tails 1000]
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from accuracy import HEAD, LONG_MM, TAIL_MM, UNDER, interval, row
from scoring import LONG_GUARD_MM, TAIL_GUARD_MM, Matched, as_truth, match, pooled

from traygauge.measure import measure_pieces
from traygauge.segment.find import find_pieces
from traygauge_calib.scale import calibrate
from traygauge_shared.loading import decode_photo
from traygauge_shared.scenes import (
    Batch,
    Drawn,
    Lamp,
    Lighting,
    Scene,
    Sheet,
    draw,
    phone_over,
    photo_bytes,
    tray,
)

COLOURS = (
    (0.80, 0.79, 0.75),
    (0.75, 0.52, 0.03),
    (0.72, 0.20, 0.02),
    (0.52, 0.03, 0.025),
    (0.03, 0.30, 0.07),
)
TRAYS = ((0.03, 0.03, 0.03), (0.03, 0.04, 0.13))


def scenes(seed: int, batch: Batch) -> Iterator[Scene]:
    """Yield trays without end: pieces of the batch in changing colours, lights and cameras, lying apart."""
    rng = np.random.default_rng(seed)
    while True:
        lamps = (
            Lamp(
                float(rng.uniform(0, 360)),
                float(rng.uniform(30, 60)),
                float(rng.uniform(0.5, 0.9)),
                float(rng.uniform(8, 30)),
            ),
        )
        yield tray(
            replace(batch, colour=COLOURS[int(rng.integers(len(COLOURS)))]),
            seed=int(rng.integers(1 << 30)),
            camera=phone_over(
                tilt_deg=float(rng.uniform(0, 7)),
                tilt_towards_deg=float(rng.uniform(0, 360)),
                k1=float(rng.uniform(-0.03, 0.02)),
            ),
            sheet=Sheet(window=TRAYS[int(rng.integers(2))]),
            light=Lighting(
                lamps,
                ambient=float(rng.uniform(0.2, 0.5)),
                gradient=float(rng.uniform(1, 2)),
                gradient_deg=float(rng.uniform(0, 360)),
            ),
        )


def measured(scene: Scene) -> Matched:
    """Return a drawn scene measured and held against its truth."""
    return measured_and_drawn(scene)[0]


def measured_and_drawn(scene: Scene) -> tuple[Matched, Drawn]:
    """Return a scene measured and held against its truth, and as it was drawn."""
    drawn = draw(scene)
    view = calibrate(decode_photo(photo_bytes(drawn), "drawn.jpg"))
    truth = as_truth(list(drawn.truth))
    return match(truth, measure_pieces(find_pieces(view)), LONG_MM, TAIL_MM), drawn


def until(kind: str, limit: float, guard: float, wanted: int, batch: Batch, seed: int) -> Matched:
    """Return drawn trays measured until there are so many true ones beyond the limit."""
    many: list[Matched] = []
    for scene in scenes(seed, batch):
        many.append(measured(scene))
        got = sum(m.rate(kind, limit, guard)[1] for m in many)
        print(f"\r  {got} of {wanted}", end="", file=sys.stderr, flush=True)
        if got >= wanted:
            break
    print(file=sys.stderr)
    return pooled(many)


def main(longs: int = 1000, tails: int = 1000) -> None:
    """Print the rates."""
    print(HEAD)
    print(UNDER)
    a = until(
        "length_mm",
        LONG_MM,
        LONG_GUARD_MM,
        longs,
        Batch(count=120, long_fraction=0.3, cut_deg=(4.0, 4.0)),
        41,
    )
    print(row("drawn, a third long", a))
    b = until(
        "tail_length_plan_mm",
        TAIL_MM,
        TAIL_GUARD_MM,
        tails,
        Batch(
            count=110,
            tail_fraction=0.5,
            tail_length_mm=(0.4, 4.0),
            tail_width_mm=(0.12, 0.35),
            cut_deg=(6.0, 5.0),
            pinch=(0.0, 0.3),
            burr_fraction=0.1,
        ),
        42,
    )
    print(row("drawn, half tailed", b))
    for title, m, kind, limit, guard in (
        ("longs", a, "length_mm", LONG_MM, LONG_GUARD_MM),
        ("tails", b, "tail_length_plan_mm", TAIL_MM, TAIL_GUARD_MM),
    ):
        hits, true, said = m.rate(kind, limit, guard)
        print(f"{title}: found {interval(hits, true)}; real of those reported {interval(hits, said)}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--longs", type=int, default=1000)
    parser.add_argument("--tails", type=int, default=1000)
    main(**vars(parser.parse_args()))
