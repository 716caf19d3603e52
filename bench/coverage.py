"""Do the stated 95 % intervals of cut length and diameter hold? On many drawn photos, pooled and photo by photo.

python bench/coverage.py [--photos 200] [--pieces 40]
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
from drawn_rates import measured, scenes
from scoring import spread

from traygauge_shared.scenes import Batch

#: Name -> truth's column, and that of the stated standard uncertainty.
COLUMNS = {"cut length": ("length_mm", "u_length_mm"), "diameter": ("width_seen_mm", "u_diameter_mm")}


def main(photos: int = 200, pieces: int = 40) -> None:
    """Print the share of truths inside value ± 1.96 u, and the errors."""
    batch = Batch(count=pieces, cut_deg=(4.0, 4.0), tail_fraction=0.1, pinch=(0.0, 0.15), long_fraction=0.05)
    inside: dict[str, list[tuple[int, int]]] = {name: [] for name in COLUMNS}
    errors: dict[str, list[np.ndarray]] = {name: [] for name in COLUMNS}
    for k, scene in enumerate(scenes(77, batch)):
        if k == photos:
            break
        m = measured(scene)
        for name, (true, u) in COLUMNS.items():
            e = m.measured[true] - m.truth[true]
            good = (m.group == "apart") & np.isfinite(e) & np.isin(m.kind, ("strand", "long", "short"))
            inside[name].append((int((np.abs(e) <= 1.96 * m.measured[u])[good].sum()), int(good.sum())))
            errors[name].append(e[good])
        print(f"\r  {k + 1} of {photos}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    for name in COLUMNS:
        _print(name, inside[name], np.concatenate(errors[name]))


def _print(name: str, inside: list[tuple[int, int]], errors: np.ndarray) -> None:
    held, n = (sum(x) for x in zip(*inside, strict=True))
    shares = np.array([a / b for a, b in inside if b])
    print(f"{name}: {held} of {n} truths inside the stated 95 % interval = {100 * held / n:.1f} %")
    print(
        "  photo by photo: "
        + ", ".join(f"{q} % of photos below {100 * np.quantile(shares, q / 100):.0f} %" for q in (1, 5, 50))
    )
    print(
        "  errors, µm (bias / robust / 95 %): "
        + "{:.0f} / {:.0f} / {:.0f}".format(*(1e3 * x for x in spread(errors)))
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=200)
    parser.add_argument("--pieces", type=int, default=40)
    main(**vars(parser.parse_args()))
