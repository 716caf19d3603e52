"""In which light bodies are measured: the one whose edges are both strong and sharp.

Pieces are found in whatever tells them from tray and shadow best, be it a faint difference of colours. Edges want more:
colour is stored at half size and smoothed, so that luminance, where it differs enough, places them two to three times
better.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.regions import Regions
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]

LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709
_SPARSE = 7  # looked at is every so many pixels each way; JPEG has blocks of 8
#: Added to light before anything is divided by it: stray light and read noise of a phone (common practice).
DARK = 0.02
#: The power of light in which an edge of colour is half of either side: cameras smooth colour as light, and files that hold
#: it at half size as codes. Of flat edges drawn through the drawn camera, of five pairs of colours, none is off by more
#: than 0.1 px (light itself: 0.3 px; files with all of the colour: 0.13 px).
MIXED = 0.75
_ALIKE = 0.2  # step of what colours are divided by, over the larger one, at the most
_DARKER = 0.45  # pieces are read as dark ones where they take at least this share of the tray's light


def softness(weights: FloatArray) -> float:
    """Return how much wider edges are in this light than those of the ring (black on white), about.

    Bodies lie above the plane in focus, and colour is stored at half size (JPEG) and smoothed by cameras.
    """
    grey = abs(float(weights @ LUMA)) / float(np.linalg.norm(weights) * np.linalg.norm(LUMA))
    return float(1.3 + 2.0 * (1.0 - grey))


@dataclass(frozen=True, eq=False)
class MeasuringLight:
    """The light in which the bodies of n regions are measured.

    Parameters
    ----------
    weights : ndarray (3,), of linear R, G, B, that most bodies share; own : ndarray (n, 3), each region's.
    tray_level : ndarray (n,): the tray's level beside each.
    over : ndarray (3,), weights of what the shared light is divided by, both to the power `MIXED`, so that it is colour
        alone: a flank that turns away from the lamp, and a tray in shadow, keep more of their colour than of their
        light. None where it is light.
    """

    weights: FloatArray
    own: FloatArray
    tray_level: FloatArray
    over: FloatArray | None


def measuring_light(regions: Regions) -> MeasuringLight:
    """Return the light that bodies are measured in.

    Of luminance, the three colours and the light the pieces were found in, that one is taken whose step between tray
    and pieces is largest for its softness, and which shadows cannot be taken for. One of the three colours is divided by a
    light in which tray and pieces are alike, where there is one. Pieces of a foreign colour keep their own weights.
    """
    step, tray = _step(regions)
    candidates = [LUMA, *np.eye(3), regions.contrast / max(float(np.abs(regions.contrast).sum()), 1e-12)]

    def worth(weights: FloatArray) -> float:
        rise = float(weights @ step)
        if (weights >= 0).all() and rise < 0 and rise > -_DARKER * float(weights @ tray):
            return 0.0  # no darker than the pieces' shadows
        return float(abs(rise) / softness(weights) ** 1.5)

    best = max(candidates, key=worth)
    if best is candidates[-1] or worth(best) <= 0.0:  # rings show the tray inside: no step is usual
        return MeasuringLight(regions.contrast, regions.own_contrast, regions.level_tray, None)
    mixed = tray**MIXED
    over = None if best is LUMA else alike(mixed, (tray + step) ** MIXED)
    best = best * np.sign(best @ step)
    odd = np.asarray((np.abs(regions.own_contrast - regions.contrast) > 1e-9).any(1))
    own = np.where(odd[:, None], regions.own_contrast, best)
    level = float(tray @ best if over is None else mixed @ best / (mixed @ over + DARK**MIXED))
    return MeasuringLight(best, own, np.where(odd, regions.level_tray, level), over)


def alike(tray: FloatArray, pieces: FloatArray) -> FloatArray | None:
    """Return the weights nearest to luminance, none negative, in which two colours (3,), powers of light, are alike.

    What is divided by them is as linear in what an edge mixes as it was, so that half of its step is where the edge is:
    divided by luminance, the brighter of two colours outweighs the other. None where they differ by `_ALIKE` even in that,
    or where it is little more than stray light.
    """
    step = pieces - tray
    weights = np.maximum(LUMA - float(LUMA @ step) / max(float(step @ step), 1e-12) * step, 0.0)
    low, high = sorted((float(weights @ tray), float(weights @ pieces)))
    return weights if high - low < _ALIKE * high and low > (2.0 * DARK) ** MIXED else None


def _step(regions: Regions) -> tuple[FloatArray, FloatArray]:
    """Return the usual step of linear R, G, B from tray to pieces, and the tray's own, ndarray (3,) each."""
    labels = regions.labels[::_SPARSE, ::_SPARSE]
    x0, y0 = regions.origin_px
    h, w = regions.labels.shape
    pixels = regions.tray.photo.pixels[y0 : y0 + h : _SPARSE, x0 : x0 + w : _SPARSE]
    labels = labels[: pixels.shape[0], : pixels.shape[1]]  # regions of a scan may reach past its last pixels
    window = np.zeros(labels.shape, np.uint8)
    corners = (regions.tray.window_px - regions.origin_px) / _SPARSE
    cv2.fillPoly(window, [np.rint(corners).astype(np.int32)], 1)
    inside, beside = (labels > 0).view(np.uint8), ((labels == 0) & (window > 0)).view(np.uint8)
    if not inside.any() or not beside.any():
        return np.zeros(3), np.zeros(3)
    pixels = np.ascontiguousarray(pixels)
    tray = _middle_light(pixels, beside)
    return _middle_light(pixels, inside) - tray, tray


def _middle_light(pixels: npt.NDArray[np.uint8], mask: npt.NDArray[np.uint8]) -> FloatArray:
    """Return the median of linear R, G, B where a mask is set, ndarray (3,), from the counts of codes."""
    counts = [cv2.calcHist([pixels], [c], mask, [256], [0, 256]).ravel() for c in range(3)]
    run = np.cumsum(counts, axis=1, dtype=np.int64)
    n = int(run[0, -1])
    middle = [(run > rank).argmax(1) for rank in ((n - 1) // 2, n // 2)]
    return np.asarray(LINEAR_OF_CODE[middle].mean(0), float)
