"""Is the photo fit to measure from? Each check has its value, its limit, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.camera import PerspectiveCamera
from traygauge_calib.scale import REFUSE_CURL_MM, WARN_CURL_MM
from traygauge_calib.tray_view import TrayView
from traygauge_shared.errors import UnfitPhotoError
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]
Worse = Literal["higher", "lower"]

#: Unit of a check whose answer is no figure: 0 is no, more is yes.
YES_OR_NO = "yes or no"


@dataclass(frozen=True)
class Check:
    """One thing looked at.

    Parameters
    ----------
    name : plain words, as "sharpness".
    value : what was found; unit : its unit.
    warn, refuse : the limits; a value beyond `warn` (in the `worse` direction) warns, beyond `refuse` refuses.
    worse : "higher" or "lower": which direction is worse.
    level : "fine", "warn" or "refuse".
    advice : what to do about it.
    """

    name: str
    value: float
    unit: str
    warn: float
    refuse: float
    worse: Literal["higher", "lower"]
    level: Literal["fine", "warn", "refuse"]
    advice: str

    @property
    def is_yes_or_no(self) -> bool:
        """Return whether its answer is no figure; `fine` is then the answer that does."""
        return self.unit == YES_OR_NO

    @property
    def answer(self) -> str:
        """Return what was found, of a yes or no check."""
        return "yes" if self.value > 0 else "no"

    @property
    def fine(self) -> str:
        """Return what would do, of a yes or no check."""
        return "no" if self.worse == "higher" else "yes"


@dataclass(frozen=True)
class Fitness:
    """All checks of one photo."""

    checks: tuple[Check, ...]

    @property
    def level(self) -> Literal["fine", "warn", "refuse"]:
        """Return the worst level met with."""
        levels = {c.level for c in self.checks}
        return "refuse" if "refuse" in levels else "warn" if "warn" in levels else "fine"

    @property
    def warnings(self) -> tuple[Check, ...]:
        """Return the checks that warn or refuse."""
        return tuple(c for c in self.checks if c.level != "fine")


#: What is looked at: name, unit, from which value on it warns, from which it refuses, which way is worse, advice.
#: The limits are common practice, no source; what each does to the figures was measured on drawn scenes.
_LIMITS: dict[str, tuple[str, float, float, Worse, str]] = {
    "sharpness": (
        "mm",
        0.08,
        0.25,
        "higher",
        "hold the phone still or lean it on something, tap the tray to focus, wipe the lens, use more light",
    ),
    "noise": ("of the contrast", 0.06, 0.2, "higher", "use more light, so that the phone need not amplify"),
    "pixels": ("px/mm", 9.0, 4.0, "lower", "go nearer or use the small sheet, and send the original file"),
    "view from the side": (
        "mm per mm",
        0.75,
        1.3,
        "higher",
        "hold the phone 30-40 cm above the tray and use the longer lens",
    ),
    "tilt": ("°", 10.0, 25.0, "higher", "hold the phone level above the middle of the tray"),
    "camera height": (
        "% uncertain",
        6.0,
        60.0,
        "higher",
        "send the picture as the camera wrote it: not cropped, not zoomed, EXIF kept",
    ),
    "brightness": ("of full scale", 0.12, 0.03, "lower", "use more light, or expose longer"),
    "overexposed paper": (
        "of its area",
        0.05,
        0.8,
        "higher",
        "expose less: tap the paper, or lower the exposure",
    ),
    "light gradient": (
        "brightest / darkest",
        2.5,
        8.0,
        "higher",
        "turn the tray or add a light on the dark side",
    ),
    "flash": (
        YES_OR_NO,
        0.5,
        1.5,
        "higher",
        "switch the flash off and use even light from two sides: pieces right below a flash come out short",
    ),
    "sharpening": ("overshoot", 0.12, 0.5, "higher", "switch off sharpening, HDR and document modes"),
    "sheet flatness": ("mm", WARN_CURL_MM, REFUSE_CURL_MM, "higher", "tape the sheet flat to glass or board"),
    "sheet seen": (
        "of the ring",
        0.75,
        0.3,
        "lower",
        "keep pieces, fingers and cables off the ring of markers",
    ),
    "squared up by a program": (
        YES_OR_NO,
        0.5,
        1.5,
        "higher",
        "send the photo itself, not one that a document scanner has cropped and flattened",
    ),
    "compression": (
        "blockiness",
        2.2,
        10.0,
        "higher",
        "send the original file, not one that a messenger wrote anew",
    ),
    "contrast": (
        "of the noise",
        8.0,
        3.0,
        "lower",
        "take a tray of another colour: white or yellow pieces on dark blue or black, dark ones on white",
    ),
    "told from shadows": (
        YES_OR_NO,
        0.9,
        0.5,
        "lower",
        "use soft light from several sides: these shadows are as dark as the pieces; or take a tray darker than those",
    ),
    "unexplained patches": (
        "of the pieces' area",
        0.5,
        2.0,
        "higher",
        "spread heaps, avoid hard shadows and glare, and use a tray of one colour that no piece comes near",
    ),
    "glare on the tray": (
        "of the window",
        0.005,
        0.04,
        "higher",
        "put out the flash and move the lamp until the tray mirrors neither, or take a matt one: glare hides pieces",
    ),
    "things unlike pieces": (
        "of the area found",
        0.25,
        0.45,
        "higher",
        "take the photo of pieces on a plain tray and of nothing else, sharp, at the scale stated; spread heaps",
    ),
    "thickness": (
        "px",
        8.0,
        6.0,
        "lower",
        "go nearer, use the longer lens or the small sheet: what was found is too thin to be measured in this photo",
    ),
    "lengths": (
        "of the diameter uncertain",
        0.1,
        0.4,
        "higher",
        "use soft light from several sides, a tray of another colour, and spread the pieces",
    ),
    "usual diameter": (
        "of itself uncertain",
        0.1,
        0.35,
        "higher",
        "use soft light from several sides: shadows as dark as the pieces hide where those end",
    ),
    "diameters": (
        "scatter",
        0.04,
        0.08,
        "higher",
        "take hard shadows away with soft light from several sides: what lies in them is measured with them",
    ),
    "diameters by direction": (
        "swing",
        0.025,
        0.08,
        "higher",
        "use light from several sides: one lamp leaves the far side of what lies across it as dark as the tray",
    ),
}


def check_fitness(tray: TrayView, contrast_to_noise: float | None = None) -> Fitness:
    """Return what can be said about whether a photo is fit to measure from.

    Parameters
    ----------
    tray : the tray view.
    contrast_to_noise : between pieces and tray, as the segmentation found it; None or NaN: not looked at.
    """
    grid = _grid(tray)
    scale = tray.px_per_mm(grid)
    values = {
        "sharpness": float((tray.blur_px.at(grid) / scale).max()),
        "pixels": float(scale.min()),
        "compression": blockiness(tray.photo.pixels) if tray.photo.file_format == "JPEG" else 1.0,
    }
    if tray.photo.flash is not None:
        values["flash"] = float(tray.photo.flash)
    values.update(_of_camera(tray, grid))
    values.update(_of_ring(tray, grid))
    if contrast_to_noise is not None and np.isfinite(contrast_to_noise):
        values["contrast"] = float(contrast_to_noise)
    return Fitness(tuple(_check(name, values[name]) for name in _LIMITS if name in values))


def with_found(fitness: Fitness, **values: float) -> Fitness:
    """Return a photo's checks and those of what is known once pieces are found; a NaN is not looked at.

    Parameters
    ----------
    values : `contrast` between pieces and tray over the noise; `told_from_shadows`, 1 where pieces can be told from
        shadows, else 0; `unexplained_patches`, area that looks like pieces and belongs to none, over theirs;
        `glare_on_the_tray`, the share of the free tray that is about as bright as pieces are; `things_unlike_pieces`,
        the share of the area found that looks like none; `thickness` of what was found, twice its area over its
        perimeter, px; `lengths`, the usual standard uncertainty of a length over the diameter; `usual_diameter`, that
        of a diameter over the diameter; `diameters`, their relative scatter; `diameters_by_direction`, their relative
        swing with the way pieces lie.
    """
    named = {name.replace("_", " "): value for name, value in values.items()}
    found = (_check(name, float(value)) for name, value in named.items() if np.isfinite(value))
    return Fitness((*fitness.checks, *found))


def require_fit(fitness: Fitness) -> None:
    """Raise where nothing honest can be measured.

    Raises
    ------
    UnfitPhotoError
        At least one check refuses; it names them all, the first one's advice first.
    """
    bad = [check for check in fitness.checks if check.level == "refuse"]
    if not bad:
        return
    raise UnfitPhotoError(
        "the photo is not fit to measure from: " + ", ".join(check.name for check in bad),
        found=", ".join(map(_found, bad)),
        expected=", ".join(map(_expected, bad)),
        advice="; ".join(dict.fromkeys(check.advice for check in bad)),
    )


def _found(check: Check) -> str:
    if check.is_yes_or_no:
        return f"{check.name}: {check.answer}"
    return f"{check.name} {check.value:.3g} {check.unit}"


def _expected(check: Check) -> str:
    if check.is_yes_or_no:
        return f"{check.name}: {check.fine}"
    return (
        f"{check.name} {'at most' if check.worse == 'higher' else 'at least'} {check.refuse:g} {check.unit}"
    )


def _check(name: str, value: float) -> Check:
    unit, warn, refuse, worse, advice = _LIMITS[name]
    sign = 1.0 if worse == "higher" else -1.0
    level: Literal["fine", "warn", "refuse"] = "fine"
    if sign * value > sign * refuse:
        level = "refuse"
    elif sign * value > sign * warn:
        level = "warn"
    return Check(name, value, unit, warn, refuse, worse, level, advice)


def _grid(tray: TrayView) -> FloatArray:
    """Return 5 x 5 points over the window, ndarray (25, 2), mm."""
    x0, y0, x1, y1 = tray.window_mm
    x, y = np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5))
    return np.stack([x.ravel(), y.ravel()], 1)


def _of_camera(tray: TrayView, grid: FloatArray) -> dict[str, float]:
    """Return what follows from where the camera stood; nothing for a scan."""
    if not isinstance(tray.camera, PerspectiveCamera):
        return {}
    return {
        "view from the side": float(np.linalg.norm(tray.lean(grid), axis=1).max()),
        "tilt": tray.camera.tilt_deg,
        "camera height": 100.0 * tray.scale.height_relative,
    }


def _of_ring(tray: TrayView, grid: FloatArray) -> dict[str, float]:
    """Return what follows from the ring; without one, noise and brightness against the full scale alone."""
    ring = tray.ring
    noise = tray.noise.at(grid)
    if ring is None:
        some = tray.photo.pixels[::7, ::7].max(-1)
        return {
            "noise": float(noise.max()),
            "brightness": float(LINEAR_OF_CODE[round(float(np.percentile(some, 99.9)))]),
        }
    white, black = ring.white.at(grid), ring.black.at(grid)
    return {
        "noise": float((noise / np.maximum(white - black, 1e-3)).max()),
        "brightness": float(white.min()),
        "overexposed paper": ring.clipped,
        "light gradient": float(white.max() / max(white.min(), 1e-3)),
        "sharpening": ring.overshoot,
        "sheet flatness": ring.curl_mm,
        "sheet seen": ring.seen,
        "squared up by a program": float(ring.squared_up) * (1.0 if tray.photo.has_lens else 2.0),
    }


def blockiness(pixels: npt.NDArray[np.uint8]) -> float:
    """Return how much larger steps between a JPEG's 8 x 8 blocks are than steps inside them; 1 without blocks.

    Parameters
    ----------
    pixels : ndarray (H, W, 3), uint8. Some rows and columns of the green channel are looked at.
    """
    green = pixels[..., 1]
    rows = green[:: max(1, len(green) // 120)]
    columns = green[:, :: max(1, green.shape[1] // 120)].T
    return max(_block_steps(lines) for lines in (rows, columns))


def _block_steps(lines: npt.NDArray[np.uint8]) -> float:
    """Return the mean step at the worst phase of eight over the mean step at the others, small steps only."""
    lines = np.ascontiguousarray(lines)
    steps = cv2.absdiff(lines[:, 1:], lines[:, :-1])
    steps = cv2.threshold(steps, 12, 0, cv2.THRESH_TOZERO_INV)[1]  # larger ones are edges of things
    whole = np.asarray(steps[:, : steps.shape[1] // 8 * 8])
    if not whole.size:
        return 1.0
    by_column = np.asarray(cv2.reduce(whole, 0, cv2.REDUCE_SUM, dtype=cv2.CV_32S))
    by_phase = by_column.reshape(-1, 8).mean(0)
    worst = int(by_phase.argmax())
    others = float(np.delete(by_phase, worst).mean())
    return float(by_phase[worst]) / max(others, 0.05 * len(whole))
