"""Whole scenes in one line, for tests, benchmarks and docs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from traygauge_shared.scenes.arrange import cross, end_to_end, fan, side_by_side, tee
from traygauge_shared.scenes.camera import PhoneCamera, SceneCamera, phone_over, scan_of
from traygauge_shared.scenes.place import Area, loose, scatter, scatter_groups, turned
from traygauge_shared.scenes.populate import Batch, make_pieces
from traygauge_shared.scenes.setting import Lamp, Lighting, Scene, Sensor, Sheet
from traygauge_shared.scenes.things import StrandPiece, Thing

#: Light as people have it at a bench.
LIGHTS: dict[str, Lighting] = {
    "softboxes": Lighting(),
    "window": Lighting((Lamp(60, 32, 1.0, 30, (0.94, 1.0, 1.09)),), ambient=0.25),
    "lamp": Lighting((Lamp(110, 47, 1.0, 6, (1.0, 0.86, 0.66)),), ambient=0.42),
    "hard lamp": Lighting((Lamp(200, 30, 1.2, 1.5, (1.0, 0.88, 0.7)),), ambient=0.15),
    "two lamps": Lighting((Lamp(30, 45, 0.6, 4), Lamp(150, 40, 0.5, 4)), ambient=0.15),
    "overcast": Lighting((), ambient=1.0),
    "flash": Lighting((Lamp(30, 84, 0.9, 1.0),), ambient=0.15, gradient=1.4, glare=(100, 60, 6, 0.5)),
    "scanner": Lighting((Lamp(270, 45, 1.0, 15), Lamp(90, 45, 0.45, 15)), ambient=0.05),
    "one-sided scanner": Lighting((Lamp(270, 45, 1.2, 12),), ambient=0.05),
}

#: A flatbed's way from light to file.
SCANNER = Sensor(blur_px=0.7, noise=1.0, bayer=False, sharpen=0.0, tone=0.0, vignette=0.0, file_format="png")


def tray(
    batch: Batch | None = None,
    *,
    seed: int,
    camera: SceneCamera | None = None,
    sheet: Sheet | None = None,
    light: Lighting | None = None,
    sensor: Sensor | None = None,
    area_mm: Area | None = None,
    gap_mm: float = 0.6,
    touching: bool = False,
    crossing: float = 0.0,
) -> Scene:
    """Return a batch on a tray; by default apart, photographed at 12 MP from 35 cm with the longer lens.

    Parameters
    ----------
    area_mm : where the pieces lie; by default the window but for a rim of 9 mm.
    gap_mm : least distance of circles around the pieces where they are thrown apart.
    touching : throw them loosely instead, so that they lie against each other; `crossing` is the chance that one
        which lands on others stays lying on them.
    """
    rng = np.random.default_rng([seed, 3])
    sheet = Sheet() if sheet is None else sheet
    x0, y0, x1, y1 = sheet.window_mm or (12.0, 12.0, 180.0, 120.0)
    area = area_mm or (x0 + 9, y0 + 9, x1 - 9, y1 - 9)
    pieces = make_pieces(batch or Batch(), rng)
    things = (
        loose(pieces, rng, area_mm=area, crossing=crossing)
        if touching
        else scatter(pieces, rng, area_mm=area, gap_mm=gap_mm)
    )
    return Scene(
        tuple(things),
        camera or phone_over(tilt_deg=2.0, tilt_towards_deg=70.0, k1=-0.01),
        sheet,
        light or Lighting(),
        sensor or Sensor(),
        seed=seed,
    )


def small_phone(mpix: float = 2.0, **how: Any) -> PhoneCamera:
    """Return `phone_over` with a 4:3 frame of about so many megapixels."""
    height = round(float(np.sqrt(mpix * 1e6 / 12)) / 4) * 12
    return phone_over(width=height * 4 // 3, height=height, **how)


def simple_scene(seed: int = 0, *, n: int = 30, mpix: float = 2.0, batch: Batch | None = None) -> Scene:
    """Return a small, easy scene: `n` white pieces apart on a black window, a straight view, little noise."""
    camera = small_phone(mpix, tilt_deg=2.0, tilt_towards_deg=70.0)
    return tray(replace(batch or Batch(), count=n), seed=seed, camera=camera)


def scan_scene(seed: int = 0, *, n: int = 60, dpi: float = 300.0, one_sided: bool = False) -> Scene:
    """Return a flatbed scan, white lid, of `n` black pieces apart on 140 x 95 mm of glass."""
    return tray(
        Batch(count=n, colour="black"),
        seed=seed,
        camera=scan_of(dpi=dpi),
        sheet=Sheet(board=None, window="white", texture=0.003),
        light=LIGHTS["one-sided scanner" if one_sided else "scanner"],
        sensor=SCANNER,
        area_mm=(4, 4, 136, 91),
        gap_mm=1.0,
    )


def groups_of(pieces: Sequence[StrandPiece], rng: np.random.Generator) -> list[list[Thing]]:
    """Return strand pieces put together in touching groups of 2 to 10, in every way that `arrange` knows.

    Chains and rows are slipped and bent a little, as they lie when shaken out.
    """
    out: list[list[Thing]] = []
    rest = list(pieces)
    ways = ["side", "end", "tee", "fan", "star", "cross"]
    while len(rest) > 1:
        way = ways[int(rng.integers(len(ways)))]
        size = {"tee": 2, "cross": 2, "star": int(rng.integers(3, 8)), "fan": int(rng.integers(3, 11))}.get(
            way, int(rng.integers(2, 5))
        )
        some, rest = rest[:size], rest[size:]
        if len(some) < 2:
            break
        group: list[StrandPiece]
        if way == "side" or len(some) < size:
            group = side_by_side(some, slips_mm=[float(rng.uniform(-1, 1)) for _ in some])
        elif way == "end":
            group = end_to_end(some, bend_deg=float(rng.uniform(-25, 25)))
        elif way == "tee":
            along = float(rng.uniform(-0.3, 0.3)) * some[0].length_mm
            group = tee(some[0], some[1], along_mm=along, lean_deg=float(rng.uniform(-30, 30)))
        elif way == "cross":
            group = cross(some[0], some[1], angle_deg=float(rng.uniform(35, 145)))
        else:
            group = fan(some, step_deg=None if way == "star" else float(rng.uniform(14, 35)))
        turn = float(rng.uniform(0, 360))
        out.append([turned(piece, turn) for piece in group])
    return out + [[piece] for piece in rest]


def groups_scene(seed: int = 0, *, n: int = 80, mpix: float = 12.0, batch: Batch | None = None) -> Scene:
    """Return `n` strand pieces in touching groups, each group apart from the others."""
    rng = np.random.default_rng([seed, 4])
    plain = replace(
        batch or Batch(cut_deg=(1.0, 1.0)), count=n, upright_fraction=0, leaning_fraction=0, webs=0, strings=0
    )
    pieces = [piece for piece in make_pieces(plain, rng) if isinstance(piece, StrandPiece)]
    groups = scatter_groups(groups_of(pieces, rng), rng, area_mm=(16, 16, 176, 116), gap_mm=1.0)
    camera = small_phone(mpix, tilt_deg=2.0, tilt_towards_deg=70.0, k1=-0.01)
    return Scene(tuple(thing for group in groups for thing in group), camera, seed=seed)
