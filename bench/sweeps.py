"""Bias and spread of cut length and diameter over everything that can change them, swept on drawn trays.

    python bench/sweeps.py [--pieces 60] [--only NAME ...] [--out bench/out]

Prints a table a sweep and draws it (SVG): median error with the middle 95 % of errors as a bar. Each setting is a tray
of its own; what is not swept is a matt white strand of 1.75 mm, cut at 3 mm, on black, at 16 px/mm.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scoring import Matched, spread

from traygauge_shared.scenes import Batch, PhoneCamera, Scene, Sensor, Sheet, phone_over, tray
from traygauge_shared.scenes.samples import LIGHTS

FloatArray = npt.NDArray[np.float64]
STRAIGHT = Batch(
    bend_fraction=0.0, cut_deg=(0.0, 0.01), burr_fraction=0.0, long_fraction=0.0, short_fraction=0.0
)
USUAL = Batch(burr_fraction=0.0, long_fraction=0.0, short_fraction=0.0)


def _phone(width: int = 4000, **how: float) -> PhoneCamera:
    return phone_over(width=width, height=width * 3 // 4, tilt_deg=2.0, tilt_towards_deg=70.0, **how)  # type: ignore[arg-type]


def _cuts(degrees: float) -> Scene:
    return tray(replace(USUAL, cut_deg=(degrees, 0.01)), seed=round(10 * degrees) + 1)


def _ratio(ratio: float) -> Scene:
    return tray(
        replace(USUAL, nominal_mm=1.75 * ratio, length_sd_mm=0.02), seed=round(100 * ratio), gap_mm=0.5
    )


def _tray_colour(level: float) -> Scene:
    return tray(USUAL, seed=17, sheet=Sheet(window=(level, level, level)))


#: name -> (axis title, settings, setting -> scene)
SWEEPS: dict[str, tuple[str, tuple[float, ...], Callable[[float], Scene]]] = {
    "cut": ("cut angle, °", (0, 5, 10, 20, 30, 45), _cuts),
    "ratio": ("length / diameter", (0.6, 0.8, 1.0, 1.3, 1.7, 2.5, 4, 8), _ratio),
    "bend": (
        "bend radius, mm",
        (20, 40, 80, 160),
        lambda r: tray(replace(USUAL, bend_fraction=1.0, bend_radius_mm=(r, r)), seed=round(r)),
    ),
    "pinch": (
        "squeeze of the ends",
        (0.0, 0.15, 0.3, 0.45),
        lambda p: tray(replace(USUAL, pinch=(p, p)), seed=23),
    ),
    "blur": (
        "blur, px",
        (0.4, 0.6, 1.0, 1.5, 2.2, 3.0, 4.0),
        lambda b: tray(USUAL, seed=31, sensor=Sensor(blur_px=b)),
    ),
    "noise": ("noise", (0.5, 1, 2, 4), lambda n: tray(USUAL, seed=32, sensor=Sensor(noise=n))),
    "sharpening": (
        "strength",
        (0.0, 0.3, 0.6, 1.0),
        lambda s: tray(USUAL, seed=33, sensor=Sensor(sharpen=s)),
    ),
    "JPEG": ("quality", (60, 75, 85, 95), lambda q: tray(USUAL, seed=34, sensor=Sensor(quality=int(q)))),
    "scale": (
        "px/mm",
        (8, 10, 12, 16, 20),
        lambda s: tray(USUAL, seed=35, camera=_phone(round(244 * s / 4) * 4)),
    ),
    "height": (
        "35-mm focal length, mm",
        (24, 28, 35, 50, 75),
        lambda f: tray(USUAL, seed=36, camera=_phone(focal_35mm=f)),
    ),
    "tray": ("tray's reflectance, white pieces", (0.03, 0.06, 0.12, 0.25), _tray_colour),
    "dark": (
        "tray's reflectance, black pieces",
        (0.3, 0.5, 0.8),
        lambda v: tray(replace(USUAL, colour="black"), seed=18, sheet=Sheet(window=(v, v, v))),
    ),
    "light": (
        "light: " + ", ".join(LIGHTS),
        tuple(range(len(LIGHTS))),
        lambda k: tray(USUAL, seed=37, light=list(LIGHTS.values())[int(k)]),
    ),
}


def measured(scene: Scene, pieces: int) -> Matched:
    """Return a scene of at most so many pieces, measured."""
    from drawn_rates import measured as measure

    return measure(replace(scene, pieces=scene.pieces[:pieces]))


def main() -> None:
    """Print and draw the sweeps."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pieces", type=int, default=60)
    parser.add_argument("--only", nargs="*", choices=list(SWEEPS), default=list(SWEEPS))
    parser.add_argument("--out", type=Path, default=Path("bench/out"))
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    for name in given.only:
        title, settings, scene_of = SWEEPS[name]
        print(
            f"\n{name}: {title}\n{'':>8s} {'measured':>9s}  {'length, µm: bias / robust / 95 %':>34s}  {'diameter, µm':>20s}"
        )
        errors = []
        for value in settings:
            m = measured(scene_of(value), given.pieces)
            length, width = m.errors("length_mm"), m.errors("width_seen_mm")
            errors.append((length, width))
            figures = [
                "{:.0f} / {:.0f} / {:.0f}".format(*(1e3 * x for x in spread(e))) for e in (length, width)
            ]
            print(
                f"{value:8g} {len(length):4d}/{m.recall()[1]:<4d}  {figures[0]:>34s}  {figures[1]:>20s}",
                flush=True,
            )
        (given.out / f"sweep_{name}.svg").write_text(drawing(name, title, settings, errors))


def drawing(
    name: str, title: str, settings: tuple[float, ...], errors: list[tuple[FloatArray, FloatArray]]
) -> str:
    """Return a sweep as SVG: for each setting the median error and the bar that holds 95 % of the errors."""
    wide, high, most = 640, 260, 0.15
    y = lambda v: 20 + (high - 60) * (0.5 - 0.5 * float(np.clip(v / most, -1, 1)))
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" font-family="sans-serif" font-size="12">',
        f'<text x="8" y="14">{name}: error of cut length (left mark) and diameter (right mark), mm</text>',
    ]
    for level in (-0.1, -0.05, 0.0, 0.05, 0.1):
        parts.append(
            f'<path d="M40 {y(level):.1f}H{wide - 10}" stroke="#888" stroke-width="{1.2 if not level else 0.3}"/>'
        )
        parts.append(f'<text x="4" y="{y(level) + 4:.1f}">{level:+.2f}</text>')
    for k, (value, pair) in enumerate(zip(settings, errors, strict=True)):
        x = 60 + k * (wide - 80) / max(len(settings) - 1, 1) - 10
        for shift, colour, e in zip((0, 12), ("#1a4f8a", "#b3541e"), pair, strict=True):
            if len(e):
                low, middle, top = np.quantile(e, (0.025, 0.5, 0.975))
                parts.append(
                    f'<path d="M{x + shift:.1f} {y(low):.1f}V{y(top):.1f}" stroke="{colour}" stroke-width="2"/>'
                )
                parts.append(f'<circle cx="{x + shift:.1f}" cy="{y(middle):.1f}" r="3.5" fill="{colour}"/>')
        parts.append(f'<text x="{x:.1f}" y="{high - 22}">{value:g}</text>')
    parts.append(f'<text x="{wide / 2:.0f}" y="{high - 6}" text-anchor="middle">{title}</text></svg>\n')
    return "\n".join(parts)


if __name__ == "__main__":
    main()
