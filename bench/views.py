"""Do errors of length and diameter depend on where a piece lies, or which way? Under several lights, on drawn trays.

    python bench/views.py [--trays 3]

A piece of diameter D that lies a from the camera's foot point, H below it, looks up to D a / H longer and D a² / 2 H² wider
than it is, whether its end faces are lit or dark. Printed are the slopes of the errors on both, with their standard errors,
and by how much else they change: from the window's middle to its right and lower rim, and from lying across the first lamp
to pointing at it; `rest` is the spread that is left. Sections are round and ends not squeezed, so that what is left of the
errors is the view's and the light's.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from drawn_rates import measured_and_drawn
from scoring import as_truth

from traygauge_shared.scenes import LIGHTS, Batch, Lamp, Lighting, Scene, Sheet, phone_over, tray

FloatArray = npt.NDArray[np.float64]
ROUND = Batch(
    count=200, burr_fraction=0.0, long_fraction=0.0, short_fraction=0.0, oval_max=1.0, pinch=(0.0, 0.0)
)
WHITE = Sheet(window=(0.80, 0.80, 0.79))
ONE_LAMP = Lighting((Lamp(30.0, 50.0, 0.91, 20.0),), ambient=0.3)
#: What differs: colour of the pieces, tray, light.
SETTINGS: dict[str, tuple[str, Sheet, Lighting]] = {
    **{
        f"white, {light}": ("white", Sheet(), LIGHTS[light])
        for light in ("softboxes", "window", "lamp", "hard lamp", "two lamps", "overcast")
    },
    "white, one soft lamp": ("white", Sheet(), ONE_LAMP),
    **{f"black, {light}": ("black", WHITE, LIGHTS[light]) for light in ("softboxes", "overcast")},
}
#: As the scenes are drawn: the window from its middle to its right and lower rim, mm.
_HALF_WINDOW = np.array([84.0, 54.0])
_STRAY = 0.15  # mm off the middle: burrs and what was taken for another piece are another matter


@dataclass(frozen=True, eq=False)
class Seen:
    """n pieces: errors, and what they may depend on.

    `along`, `across` : D a / H along the axis and D a² / 2 H² across it, mm. `place` (n, 2): from the window's middle,
    1 at its rim. `facing` : 1 where a piece points at the first lamp, -1 where it lies across.
    """

    length: FloatArray
    diameter: FloatArray
    along: FloatArray
    across: FloatArray
    place: FloatArray
    facing: FloatArray

    @classmethod
    def joined(cls, many: list[Seen]) -> Seen:
        """Return the pieces of several trays."""
        return cls(*(np.concatenate([getattr(one, name) for one in many]) for name in cls.__annotations__))


def scene_of(setting: str, seed: int) -> Scene:
    """Return a tray seen by a wide lens from near; its lamps stand elsewhere on each."""
    colour, sheet, light = SETTINGS[setting]
    lamps = tuple(replace(one, azimuth_deg=one.azimuth_deg + 67.0 * seed) for one in light.lamps)
    return tray(
        replace(ROUND, colour=colour),
        seed=100 + seed,
        camera=phone_over(focal_35mm=26.0, tilt_deg=2.0, tilt_towards_deg=70.0 + 77.0 * seed),
        sheet=sheet,
        light=replace(light, lamps=lamps),
        area_mm=(16.0, 16.0, 176.0, 116.0),
    )


def seen(scene: Scene) -> Seen:
    """Return a drawn tray's pieces that lie apart."""
    m, drawn = measured_and_drawn(scene)
    truth = as_truth(list(drawn.truth))
    inside = truth["on_border"] != 1
    x, y, axis, width = (
        truth[k].astype(float)[inside] for k in ("x_mm", "y_mm", "axis_deg", "width_seen_mm")
    )
    axis, foot = np.radians(axis), drawn.camera.centre_mm
    slope = (np.stack([x, y], -1) - foot[:2]) / foot[2]
    along = np.abs(slope[:, 0] * np.cos(axis) + slope[:, 1] * np.sin(axis))
    across = slope[:, 1] * np.cos(axis) - slope[:, 0] * np.sin(axis)
    lamp = np.radians(scene.light.lamps[0].azimuth_deg) if scene.light.lamps else 0.0
    place = (np.stack([x, y], -1) - np.array([96.0, 66.0])) / _HALF_WINDOW
    length, diameter = (m.measured[k] - m.truth[k] for k in ("length_mm", "width_seen_mm"))
    good = (m.group == "apart") & np.isfinite(length) & np.isfinite(diameter)
    columns = length, diameter, width * along, width * across**2 / 2, place, np.cos(2 * (axis - lamp))
    return Seen(*(column[good] for column in columns))


def trend(error: FloatArray, *on: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return coefficients of least squares (constant first), their standard errors, and the spread that is left."""
    near = np.abs(error - np.median(error)) < _STRAY
    terms = np.column_stack([np.ones(near.sum()), *(column[near] for column in on)])
    found = np.linalg.lstsq(terms, error[near], rcond=None)[0]
    rest = error[near] - terms @ found
    variance = (rest @ rest) / (len(rest) - terms.shape[1])
    return found, np.sqrt(variance * np.diag(np.linalg.inv(terms.T @ terms))), float(np.sqrt(variance))


def main(trays: int = 3) -> None:
    """Print the table, a line a light for either error."""
    print(
        f"{'':30s} {'pieces':>6s} {'slope':>16s}   µm: {'mean':>4s} {'right':>5s} {'lower':>5s} {'to lamp':>9s} {'rest':>5s}"
    )
    for setting in SETTINGS:
        pieces = Seen.joined([seen(scene_of(setting, seed)) for seed in range(trays)])
        for name, error, view in (
            ("length", pieces.length, pieces.along),
            ("diameter", pieces.diameter, pieces.across),
        ):
            slope, u_slope, _ = trend(error, view)
            more, u_more, rest = trend(error, view, *pieces.place.T, pieces.facing)
            mean, right, lower, lamp = 1e3 * np.array([np.median(error), *more[2:4], 2 * more[4]])
            print(
                f"{setting + ', ' + name:30s} {len(error):6d} {slope[1]:+8.3f} ± {u_slope[1]:.3f}      "
                f"{mean:+5.0f} {right:+5.0f} {lower:+5.0f} {lamp:+4.0f} ± {2e3 * u_more[4]:.0f} {1e3 * rest:5.0f}",
                flush=True,
            )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--trays", type=int, default=3)
    main(**vars(parser.parse_args()))
