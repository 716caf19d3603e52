"""Whole scenes in one line, for tests, benchmarks and docs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from traygauge_shared.scenes.camera import SceneCamera, phone_over
from traygauge_shared.scenes.place import scatter
from traygauge_shared.scenes.populate import Batch, make_pieces
from traygauge_shared.scenes.setting import Lighting, Scene, Sensor, Sheet


def tray(
    batch: Batch | None = None,
    *,
    seed: int,
    camera: SceneCamera | None = None,
    sheet: Sheet | None = None,
    light: Lighting | None = None,
    sensor: Sensor | None = None,
    area_mm: tuple[float, float, float, float] | None = None,
    gap_mm: float = 0.6,
) -> Scene:
    """Return a batch thrown apart on a tray; by default photographed at 12 MP from 35 cm with the longer lens.

    `area_mm` is where the pieces lie, by default the window but for a rim of 9 mm (a plain floor: 150 x 92 mm).
    """
    rng = np.random.default_rng([seed, 3])
    sheet = Sheet() if sheet is None else sheet
    x0, y0, x1, y1 = sheet.window_mm or (12.0, 12.0, 180.0, 120.0)
    things = scatter(
        make_pieces(batch or Batch(), rng),
        rng,
        area_mm=area_mm or (x0 + 9, y0 + 9, x1 - 9, y1 - 9),
        gap_mm=gap_mm,
    )
    return Scene(
        tuple(things),
        camera or phone_over(tilt_deg=2.0, tilt_towards_deg=70.0, k1=-0.01),
        sheet,
        light or Lighting(),
        sensor or Sensor(),
        seed=seed,
    )


def simple_scene(seed: int = 0, *, n: int = 30, mpix: float = 2.0, batch: Batch | None = None) -> Scene:
    """Return a small, easy scene: `n` white pieces apart on a black window, a straight view, little noise."""
    height = round(float(np.sqrt(mpix * 1e6 / 12)) / 4) * 12
    camera = phone_over(width=height * 4 // 3, height=height, tilt_deg=2.0, tilt_towards_deg=70.0)
    return tray(replace(batch or Batch(), count=n), seed=seed, camera=camera)
