"""One difficulty at a time: trays that differ from an easy one in a single named thing.

For checks that a difficulty is come through or honestly refused, and for sweeps along one axis.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from traygauge_shared.scenes.camera import scan_of
from traygauge_shared.scenes.hard import thumb
from traygauge_shared.scenes.populate import Batch, blended
from traygauge_shared.scenes.samples import LIGHTS, SCANNER, small_phone, tray
from traygauge_shared.scenes.setting import Hair, Lamp, Lighting, Litter, Scene, Scratch, Sensor, Sheet, Speck

_WHITE = (0.80, 0.80, 0.79)
_GREY = (0.22, 0.22, 0.22)


@dataclass(frozen=True)
class Case:
    """A difficulty: what differs from the easy tray, given as the arguments of `tray`, and what it is.

    `finish` changes the finished scene where `tray` has no argument for it.
    """

    meaning: str
    how: dict[str, Any]
    finish: Callable[[Scene, np.random.Generator], Scene] | None = None


def _litter(scene: Scene, rng: np.random.Generator) -> Scene:
    """Add hairs, dust and scratches."""

    def place() -> tuple[float, float]:
        return float(rng.uniform(18, 174)), float(rng.uniform(18, 114))

    bright = (0.6, 0.6, 0.58)
    things: list[Litter] = [
        Hair(*place(), float(rng.uniform(5, 35)), 0.07, float(rng.uniform(0, 360)), 90, bright)
        for _ in range(4)
    ]
    things += [Speck(*place(), float(rng.uniform(0.05, 0.25)), bright) for _ in range(60)]
    things += [Scratch(*place(), 20, 0.1, float(rng.uniform(0, 180)), 1.0) for _ in range(4)]
    return replace(scene, litter=tuple(things))


def _blend(scene: Scene, rng: np.random.Generator) -> Scene:
    return replace(scene, pieces=tuple(blended(scene.pieces, rng, {"white": 0.5, "red": 0.3, "yellow": 0.2})))


def _thumb(scene: Scene, rng: np.random.Generator) -> Scene:
    return replace(scene, sheet=replace(scene.sheet, covered=(thumb(rng),)))


CASES: dict[str, Case] = {
    "easy": Case("white pieces apart on black, two soft lights", {}),
    "glossy": Case("glossy white pieces", {"batch": Batch(surface="glossy"), "light": LIGHTS["window"]}),
    "translucent": Case("natural translucent strand", {"batch": Batch(colour="natural", surface="translucent")}),
    "clear": Case("nearly clear strand", {"batch": Batch(colour="clear", surface="clear")}),
    "clear on green": Case(
        "nearly clear strand, its limbs alone are bright",
        {"batch": Batch(colour="natural", surface="clear"), "sheet": Sheet(window="green"), "light": LIGHTS["window"]},
    ),
    "black on black": Case("cannot be told from the tray", {"batch": Batch(colour="black", surface="satin")}),
    "white on white": Case("cannot be told from the tray", {"sheet": Sheet(window=_WHITE)}),
    "grey on grey": Case(
        "little contrast", {"batch": Batch(colour="midgrey", surface="satin"), "sheet": Sheet(window=_GREY)}
    ),
    "grey on green": Case(
        "contrast in colour only", {"batch": Batch(colour="grey", surface="satin"), "sheet": Sheet(window="green")}
    ),
    "mixed colours": Case("a blend of three colours", {}, _blend),
    "gradient": Case(
        "four times brighter on one side",
        {"light": Lighting(gradient=4.0, gradient_deg=20), "sensor": Sensor(exposure_stops=-0.8)},
    ),
    "hard shadows": Case(
        "a bare lamp at 30 degrees over white",
        {"batch": Batch(colour="blue"), "sheet": Sheet(window=_WHITE), "light": LIGHTS["hard lamp"]},
    ),
    "two shadows": Case(
        "two lamps over white",
        {"batch": Batch(colour="red"), "sheet": Sheet(window=_WHITE), "light": LIGHTS["two lamps"]},
    ),
    "flash": Case("a flash's mirror spot on the tray", {"light": LIGHTS["flash"]}),
    "glossy floor": Case(
        "a tray that mirrors a high lamp",
        {
            "sheet": Sheet(window="darkblue", gloss=0.8),
            "light": Lighting((Lamp(40, 76, 0.9, 8),), ambient=0.2),
        },
    ),
    "warm light": Case(
        "a lamp's yellow light, white balance left off",
        {"light": LIGHTS["lamp"], "sensor": Sensor(white_balance=(1.08, 1.0, 0.86))},
    ),
    "streaks": Case("a badly printed window", {"sheet": Sheet(window="darkblue", texture=0.03, streaks=0.05)}),
    "litter": Case("hairs, dust, scratches", {}, _litter),
    "tilt": Case("seen from 15 degrees", {"camera": small_phone(12, tilt_deg=15, tilt_towards_deg=130, across_mm=252)}),
    "wide lens": Case("from 19 cm with the main lens", {"camera": small_phone(12, focal_35mm=26, across_mm=238, k1=-0.03)}),
    "upside down": Case("from the other side of the bench", {"camera": small_phone(12, roll_deg=182)}),
    "thumb": Case("a thumb on the ring", {}, _thumb),
    "curled": Case("paper that rises 1.5 mm at its ends", {"sheet": Sheet(curl_mm=1.5)}),
    "blurred": Case("out of focus", {"sensor": Sensor(blur_px=2.6)}),
    "one side blurred": Case("sharp on one side only", {"sensor": Sensor(defocus_px=2.2, defocus_deg=0)}),
    "noisy": Case("in bad light", {"sensor": Sensor(noise=6.0, quality=70)}),
    "dark": Case("two stops too dark", {"sensor": Sensor(exposure_stops=-2)}),
    "bright": Case("a stop too bright", {"sensor": Sensor(exposure_stops=1.0)}),
    "small": Case("five megapixels", {"camera": small_phone(5, tilt_deg=3)}),
    "blunt": Case(
        "a worn blade: pinched, oblique, tails and burrs",
        {
            "batch": Batch(
                cut_deg=(10, 7), pinch=(0.1, 0.45), tail_fraction=0.4, tail_length_mm=(0.3, 5), burr_fraction=0.4,
                oval_max=1.12, length_sd_mm=0.35, webs=3, strings=3, crumbs=10,
            )
        },
    ),
    "regrind": Case(
        "flakes, crumbs, foreign colours",
        {
            "batch": Batch(
                count=40, flakes=70, crumbs=15, foreign=8, foreign_colours=("red", "blue"), colour="darkgrey",
                length_sd_mm=0.6, surface="satin",
            ),
            "sheet": Sheet(window=_WHITE),
            "light": LIGHTS["overcast"],
        },
    ),
    "off the spool": Case(
        "long pieces of old filament, most of them bent",
        {"batch": Batch(count=36, nominal_mm=12, length_sd_mm=2, bend_fraction=0.8, bend_radius_mm=(15, 80))},
    ),
    "upright": Case("a third stands on end", {"batch": Batch(diameter_mm=2.85, nominal_mm=3.5, upright_fraction=0.35)}),
    "touching": Case("shaken out, most touch", {"touching": True, "area_mm": (55, 38, 137, 94)}),
    "heap": Case("across each other", {"touching": True, "crossing": 0.6, "area_mm": (68, 46, 124, 86)}),
    "past the edge": Case("over the window's edge", {"touching": True, "area_mm": (10, 10, 182, 122)}),
    "scan": Case(
        "flatbed, white lid, light from one side",
        {
            "batch": Batch(colour="black"), "camera": scan_of(), "light": LIGHTS["one-sided scanner"],
            "sheet": Sheet(board=None, window="white", texture=0.003), "sensor": SCANNER,
            "area_mm": (4, 4, 136, 91),
        },
    ),
    "no sheet": Case("pieces on a plain tray", {"sheet": Sheet(board=None)}),
    "empty": Case("a sheet without pieces", {"batch": Batch(count=0)}),
}  # fmt: skip


def case_scene(name: str, seed: int = 0, *, pieces: int | None = None, **how: Any) -> Scene:
    """Return the tray of one of `CASES`.

    Parameters
    ----------
    pieces : strand pieces on it, where not the case's own number.
    how : further arguments of `tray`, which win over the case's.
    """
    case = CASES[name]
    given = case.how | how
    if pieces is not None:
        given["batch"] = replace(given.get("batch", Batch()), count=pieces)
    scene = replace(tray(seed=seed, **given), note=name)
    return case.finish(scene, np.random.default_rng([seed, 6])) if case.finish else scene
