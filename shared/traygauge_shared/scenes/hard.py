"""An endless stream of difficult trays, for statistical checks from end to end.

What is drawn at random: frame, lens, tilt, roll, orientation; window, paper, light, shadows, glare; blur, noise,
JPEG; strand, colours, cuts, tails, doubles, flakes; lying apart, touching, across each other, over the window's
edge; hairs, dust, scratches; a thumb on the ring. The ranges are wider than those of the test photos (judgement,
no source); each scene's `note` says what is special about it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from traygauge_shared.light import linear_to_srgb
from traygauge_shared.scenes.camera import PhoneCamera, phone_over
from traygauge_shared.scenes.place import Area, loose, scatter
from traygauge_shared.scenes.populate import Batch, make_pieces
from traygauge_shared.scenes.setting import (
    Hair,
    Lamp,
    Lighting,
    Litter,
    Scene,
    Scratch,
    Sensor,
    Sheet,
    Speck,
)
from traygauge_shared.scenes.things import COLOURS, Rgb, Surface, colour_rgb

_WINDOWS: tuple[str | Rgb, ...] = (
    "black",
    "white",
    "darkblue",
    "green",
    (0.18, 0.18, 0.18),
    (0.45, 0.40, 0.30),
)
_PIECES = ("white", "natural", "black", "grey", "darkgrey", "red", "green", "blue", "yellow", "orange")
_SURFACES: tuple[Surface, ...] = ("matt", "matt", "satin", "satin", "glossy")
_LEAST_CONTRAST = 45.0  # code values, largest channel: below, a scene is noted as low in contrast


def hard_scenes(
    seed: int, count: int | None = None, *, mpix: float | None = None, pieces: int | None = None
) -> Iterator[Scene]:
    """Yield difficult scenes, the same ones for the same seed; `count` None: without end.

    Parameters
    ----------
    mpix : of every frame, by default 5 to 16.
    pieces : strand pieces in each, by default 40 to 320.
    """
    k = 0
    while count is None or k < count:
        yield hard_scene(seed * 100_003 + k, mpix=mpix, pieces=pieces)
        k += 1


def hard_scene(seed: int, *, mpix: float | None = None, pieces: int | None = None) -> Scene:
    """Return one difficult scene (see `hard_scenes`)."""
    rng = np.random.default_rng([seed, 5])
    notes: list[str] = []
    sheet = _sheet(rng, notes)
    batch = _batch(rng, sheet, pieces, notes)
    assert sheet.window_mm is not None
    things = make_pieces(batch, rng)
    area, touching, crossing = _placing(rng, sheet.window_mm, notes)
    if touching:
        things = loose(things, rng, area_mm=area, crossing=crossing, pile=bool(rng.random() < 0.3))
    else:
        things = scatter(things, rng, area_mm=area, gap_mm=float(rng.uniform(0.2, 1.0)))
    camera, light = _camera(rng, mpix, notes), _light(rng, notes)
    return Scene(
        tuple(things),
        camera,
        sheet,
        light,
        _sensor(rng, light.gradient, notes),
        _litter(rng, sheet.window_mm, notes),
        seed=seed,
        note=", ".join(notes),
    )


def _rgb(values: npt.ArrayLike) -> Rgb:
    r, g, b = (float(v) for v in np.asarray(values, float))
    return r, g, b


def _one_of(rng: np.random.Generator, choices: tuple[str, ...]) -> str:
    return choices[int(rng.integers(len(choices)))]


def _camera(rng: np.random.Generator, mpix: float | None, notes: list[str]) -> PhoneCamera:
    size = mpix or float(rng.choice([5, 8, 12, 12, 16]))
    height = round(float(np.sqrt(size * 1e6 / 12)) / 4) * 12
    width = height * 4 // 3
    focal = float(rng.choice([24, 26, 28, 35, 50, 52, 70]))
    tilt = float(rng.uniform(0, 6) if rng.random() < 0.7 else rng.uniform(6, 15))
    across = 210.0 / float(rng.uniform(0.72, 0.92)) / np.cos(np.radians(tilt)) ** 2
    quarter = rng.random() < 0.1
    if quarter:  # photographed from the side: the sheet's long side has to fit the frame's short one
        across *= width / height
    nearest, farthest = (d * width * 43.2666 / np.hypot(width, height) / focal for d in (150.0, 400.0))
    across = float(np.clip(across, max(nearest, 228.0), max(farthest, 228.0)))
    roll = float(rng.normal(0, 4) + rng.choice([0, 0, 180]) + (90 if quarter else 0))
    notes.append(f"tilt {tilt:.0f}")
    return phone_over(
        (96 + float(rng.normal(0, 2)), 66 + float(rng.normal(0, 2))),
        width=width,
        height=height,
        focal_35mm=focal,
        across_mm=across,
        tilt_deg=tilt,
        tilt_towards_deg=float(rng.uniform(0, 360)),
        roll_deg=roll,
        k1=float(rng.uniform(-0.04, 0.03)),
        principal_shift_px=(float(rng.normal(0, 0.003)) * width, float(rng.normal(0, 0.003)) * width),
        orientation=int(rng.choice([1, 1, 3, 6, 8])),
    )


def _sheet(rng: np.random.Generator, notes: list[str]) -> Sheet:
    window = _rgb(np.maximum(colour_rgb(_WINDOWS[int(rng.integers(len(_WINDOWS)))]), 0.03))
    streaks, gloss, curl = 0.0, 0.0, 0.0
    covered: tuple[tuple[tuple[tuple[float, float], ...], Rgb], ...] = ()
    if rng.random() < 0.2:
        streaks = float(rng.uniform(0.01, 0.04))
        notes.append("streaks")
    if rng.random() < 0.15:
        gloss = float(rng.uniform(0.3, 0.9))
        notes.append("glossy floor")
    if rng.random() < 0.1:
        curl = float(rng.uniform(0.3, 1.5))
        notes.append(f"curl {curl:.1f} mm")
    if rng.random() < 0.1:
        covered = (thumb(rng),)
        notes.append("thumb")
    return Sheet(
        window=window,
        texture=float(rng.uniform(0.004, 0.025)),
        streaks=streaks,
        gloss=gloss,
        curl_mm=curl,
        covered=covered,
        table=_rgb(rng.uniform(0.05, 0.5) * np.array([1.0, 0.85, 0.7])),
    )


def thumb(rng: np.random.Generator) -> tuple[tuple[tuple[float, float], ...], Rgb]:
    """Return a thumb's outline lying over a corner of the ring."""
    corner = np.array([(0.0, 0.0), (192.0, 0.0), (192.0, 132.0), (0.0, 132.0)][int(rng.integers(4))])
    inwards = np.sign(np.array([96.0, 66.0]) - corner)
    a = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    shape = np.stack([16 * np.cos(a), 9 * np.sin(a)], -1)
    turn = np.arctan2(inwards[1], inwards[0])
    c, s = np.cos(turn), np.sin(turn)
    at = corner - inwards * rng.uniform(0, 6, 2)
    points = shape @ np.array([[c, s], [-s, c]]) + at
    return tuple((float(x), float(y)) for x, y in points), (0.55, 0.33, 0.25)


def _batch(rng: np.random.Generator, sheet: Sheet, pieces: int | None, notes: list[str]) -> Batch:
    colour = _one_of(rng, _PIECES)
    if _contrast(colour, sheet.window) < _LEAST_CONTRAST and rng.random() < 0.9:
        colour = max(_PIECES, key=lambda name: _contrast(name, sheet.window) * rng.uniform(0.4, 1))
    if _contrast(colour, sheet.window) < _LEAST_CONTRAST:
        notes.append("low contrast")
    surface = _SURFACES[int(rng.integers(len(_SURFACES)))]
    if colour == "natural" and rng.random() < 0.6:
        surface = "translucent"
        notes.append("translucent")
    wear = float(rng.beta(1.2, 2.5))  # sharp to blunt
    diameter = float(rng.choice([1.75, 1.75, 1.75, 2.85, rng.uniform(1.1, 3.0)]))
    nominal = float(rng.uniform(1.2, 2.4) * diameter)
    count = pieces or int(rng.integers(40, 320))
    notes.append(f"wear {wear:.1f}")
    flaky = rng.random() < 0.2
    return Batch(
        count=count,
        nominal_mm=nominal,
        length_sd_mm=float(rng.uniform(0.03, 0.16)) * nominal,
        diameter_mm=diameter,
        diameter_sd_mm=0.012 * diameter,
        oval_max=float(1 + rng.uniform(0.01, 0.15) * wear + 0.02),
        bend_fraction=float(rng.uniform(0, 0.6)),
        bend_radius_mm=(25.0, 200.0),
        cut_deg=(2 + 8 * wear, 2 + 6 * wear),
        pinch=(0.0, 0.03 + 0.45 * wear * float(rng.random() < 0.5)),
        tail_fraction=float(rng.uniform(0, 0.6)) * wear,
        tail_length_mm=(0.3, 5.0),
        tail_width_mm=(0.1, 0.2 * diameter),
        burr_fraction=0.5 * wear,
        long_fraction=float(rng.choice([0.0, 0.01, 0.03, 0.06, 0.12])),
        short_fraction=float(rng.uniform(0, 0.05)),
        upright_fraction=float(rng.choice([0.0, 0.05, 0.2])),
        leaning_fraction=0.01,
        webs=int(rng.poisson(1.5 * wear)),
        strings=int(rng.poisson(1.5 * wear)),
        crumbs=int(rng.poisson(8 * wear)),
        flakes=int(rng.integers(5, 40)) if flaky else 0,
        foreign=int(rng.integers(1, 6)) if rng.random() < 0.2 else 0,
        foreign_colours=("red", "black", "blue", "orange"),
        colour=colour,
        surface=surface,
    )


def _contrast(colour: str | Rgb, window: str | Rgb) -> float:
    """Return the largest difference of two colours' channels, code values 0..255."""
    a, b = (linear_to_srgb(np.array(colour_rgb(c))) for c in (colour, window))
    return float(np.abs(a - b).max() * 255)


def _placing(rng: np.random.Generator, window: Area, notes: list[str]) -> tuple[Area, bool, float]:
    """Return where pieces are thrown, whether they may touch, and how often one stays lying on others."""
    x0, y0, x1, y1 = window
    past_edge = rng.random() < 0.15
    rim = -2.0 if past_edge else 4.0
    if past_edge:
        notes.append("past the edge")
    touching = rng.random() < 0.6
    shrink = 0.0
    if touching:
        crossing = float(rng.choice([0.0, 0.1, 0.4]))
        shrink = float(rng.uniform(0, 0.5))
        notes.append(f"touching, crossing {crossing:.1f}")
    else:
        crossing = 0.0
        notes.append("apart")
    width, height = (x1 - x0) * shrink / 2, (y1 - y0) * shrink / 2
    return (x0 + rim + width, y0 + rim + height, x1 - rim - width, y1 - rim - height), touching, crossing


def _light(rng: np.random.Generator, notes: list[str]) -> Lighting:
    lamps = []
    tints: tuple[Rgb, ...] = ((1.0, 1.0, 1.0), (1.0, 0.86, 0.66), (0.92, 1.0, 1.1), (1.0, 0.95, 0.85))
    for _ in range(int(rng.choice([0, 1, 1, 2, 2]))):
        spread = float(rng.choice([0.5, 2.0, 6.0, 12.0, 20.0, 32.0]))
        lamps.append(
            Lamp(
                azimuth_deg=float(rng.uniform(0, 360)),
                elevation_deg=float(rng.uniform(28, 70)),
                strength=float(rng.uniform(0.4, 1.0)),
                spread_deg=spread,
                tint=tints[int(rng.integers(len(tints)))],
            )
        )
        if spread <= 2:
            notes.append("hard shadows")
    gradient = float(rng.uniform(1, 1.6) if rng.random() < 0.75 else rng.uniform(1.6, 4))
    if gradient > 2:
        notes.append(f"gradient {gradient:.1f}")
    glare: tuple[float, float, float, float] | None = None
    if rng.random() < 0.12:
        glare = (float(rng.uniform(40, 150)), float(rng.uniform(30, 100)), float(rng.uniform(3, 9)), 0.8)
        notes.append("glare")
    ambient = float(rng.uniform(0.1, 0.6)) if lamps else 1.0
    return Lighting(
        tuple(lamps),
        ambient=ambient,
        gradient=gradient,
        gradient_deg=float(rng.uniform(0, 360)),
        glare=glare,
    )


def _sensor(rng: np.random.Generator, gradient: float, notes: list[str]) -> Sensor:
    blur = float(rng.uniform(0.4, 0.9) if rng.random() < 0.75 else rng.uniform(0.9, 1.8))
    defocus = float(rng.uniform(0.3, 1.5)) if rng.random() < 0.3 else 0.0
    quality = int(rng.choice([60, 75, 85, 90, 95]))
    notes.append(f"blur {blur:.1f}+{defocus:.1f}, JPEG {quality}")
    return Sensor(
        blur_px=blur,
        defocus_px=defocus,
        defocus_deg=float(rng.uniform(0, 180)),
        noise=float(np.exp(rng.uniform(np.log(0.6), np.log(4)))),
        sharpen=float(rng.uniform(0, 1)),
        tone=float(rng.uniform(0, 0.5)),
        # a phone exposes for the bright side, more or less
        exposure_stops=float(rng.uniform(-0.7, 0.25) - rng.uniform(0.6, 1.0) * np.log2(gradient) / 2),
        white_balance=_rgb(rng.normal(1, 0.04, 3)),
        vignette=float(rng.uniform(0, 0.4)),
        quality=quality,
        subsampling=int(rng.choice([0, 2, 2])),
    )


def _litter(rng: np.random.Generator, window: Area, notes: list[str]) -> tuple[Litter, ...]:
    low, high = np.array(window[:2]) + 3, np.array(window[2:]) - 3
    out: list[Litter] = []

    def place() -> tuple[float, float]:
        x, y = rng.uniform(low, high)
        return float(x), float(y)

    if rng.random() < 0.25:
        notes.append("hairs")
        for _ in range(int(rng.integers(1, 4))):
            tone = colour_rgb(_one_of(rng, tuple(COLOURS)))
            turn, axis = float(rng.normal(0, 120)), float(rng.uniform(0, 360))
            length, width = float(rng.uniform(3, 40)), float(rng.uniform(0.04, 0.1))
            out.append(Hair(*place(), length, width, axis, turn, tone))
    if rng.random() < 0.4:
        notes.append("dust")
        for _ in range(int(rng.integers(5, 60))):
            tone = _rgb(np.full(3, rng.uniform(0.05, 0.7)))
            out.append(Speck(*place(), float(rng.uniform(0.05, 0.3)), tone))
    if rng.random() < 0.2:
        notes.append("scratches")
        for _ in range(int(rng.integers(1, 6))):
            axis, strength = float(rng.uniform(0, 180)), float(rng.uniform(-0.5, 1.5))
            out.append(
                Scratch(*place(), float(rng.uniform(4, 40)), float(rng.uniform(0.04, 0.12)), axis, strength)
            )
    return tuple(out)
