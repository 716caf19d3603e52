"""In which light bodies are measured: the one whose edges are both strong and sharp.

Pieces are found in whatever tells them from tray and shadow best, be it a faint difference of colours. Edges want more:
colour is stored at half size and smoothed, so that luminance, where it differs enough, places them two to three times
better.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.limb import CLEAR_RIM
from traygauge.segment.contrast import FAINT
from traygauge.segment.regions import Regions
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709
_SPARSE = 7  # looked at is every so many pixels each way; JPEG has blocks of 8
#: Added to light before anything is divided by it: stray light and read noise of a phone (common practice).
DARK = 0.02
#: The power of light in which an edge of colour is half of either side: cameras smooth colour as light, and files that hold
#: it at half size as codes. Of flat edges drawn through the drawn camera, of five pairs of colours, none is off by more
#: than 0.1 px (light itself: 0.3 px; files with all of the colour: 0.13 px).
MIXED = 0.75
_ALIKE = 0.2  # step of what colours are divided by, over the larger one, at the most
_UNLIKE = 0.5  # the same of one piece, shade and all
_LEFT = 0.5  # of a colour, once what tells the two apart is taken out of it: noise doubles beside it
#: So many of the darkest pixels beside the pieces are shadow, in all the pieces' own: a lamp's shadows are larger.
_SHADED = 0.25
#: Shadows are nearly as dark as pieces from this share of their step on: there the step from tray to shadow is three times
#: what is left from shadow to piece.
_AS_DARK = 0.75
#: Pieces found by colours of their own are foreign where they rise by less than this share of the usual.
_DIMMER = 0.75
_RIM_PX = 2.0  # how far inside its outline a rim is looked at
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
    foreign : ndarray (n,), bool: which rise from the tray by much less than most, or are of another colour.
    over : ndarray (3,), weights of what the shared light is divided by, both to the power `MIXED`, so that it is colour
        alone: a flank that turns away from the lamp, and a tray in shadow, keep more of their colour than of their
        light. None where it is light.
    """

    weights: FloatArray
    own: FloatArray
    tray_level: FloatArray
    foreign: BoolArray
    over: FloatArray | None

    @property
    def odd(self) -> BoolArray:
        """Return which regions are not read in the shared light: of foreign ones where that is colour alone."""
        return _differs(self.own, self.weights) | (self.over is not None) & self.foreign


def measuring_light(regions: Regions) -> MeasuringLight:
    """Return the light that bodies are measured in.

    Of luminance, the three colours and the light the pieces were found in, that one is taken whose step between tray
    and pieces is largest for its softness, and which shadows cannot be taken for. One of the three colours is divided by a
    light in which tray and pieces are alike, where there is one; so is the best of them where shadows are nearly as dark
    as pieces, and would pass for more of them. Bright rims of clear strand would reach too far in a colour so divided. Pieces
    of a foreign colour have their own.
    """
    step, tray, shadow = _step(regions)
    best, worth = _best_light(regions.contrast, step, tray)
    if best is None or worth <= 0.0:  # rings show the tray inside: no step is usual
        foreign = _differs(regions.own_contrast, regions.contrast)
        return MeasuringLight(regions.contrast, regions.own_contrast, regions.level_tray, foreign, None)
    mixed, pieces = tray**MIXED, (tray + step) ** MIXED
    over = None if best is LUMA else alike(mixed, pieces)
    if over is None and float(best @ (shadow - tray)) < _AS_DARK * float(best @ step) < 0:
        over = alike_in_one(mixed, pieces)
        best = best if over is None else max(np.eye(3), key=lambda one: _worth(one, step, tray))
    best = best * np.sign(best @ step)
    if over is not None and (best >= 0.0).all() and _rims_are_brighter(regions, best, step, tray):
        over = None
    own, foreign = _own_lights(regions, best, step, tray, over)
    level = float(tray @ best if over is None else mixed @ best / (mixed @ over + DARK**MIXED))
    light = MeasuringLight(best, own, np.full(len(own), level), foreign, over)
    return replace(light, tray_level=np.where(light.odd, own @ tray, level))


def _best_light(contrast: FloatArray, step: FloatArray, tray: FloatArray) -> tuple[FloatArray | None, float]:
    """Return the best of luminance and the three colours for a step from a tray, and its worth; None where it is `contrast`."""
    candidates = [LUMA, *np.eye(3), contrast / max(float(np.abs(contrast).sum()), 1e-12)]
    worth = [_worth(weights, step, tray) for weights in candidates]
    best = int(np.argmax(worth))
    return (None if best == len(candidates) - 1 else candidates[best]), worth[best]


def _worth(weights: FloatArray, step: FloatArray, tray: FloatArray) -> float:
    """Return how strong and sharp edges of a step from a tray are in a light of some weights, all (3,)."""
    rise = float(weights @ step)
    if (weights >= 0).all() and rise < 0 and rise > -_DARKER * float(weights @ tray):
        return 0.0  # no darker than the pieces' shadows
    return float(abs(rise) / softness(weights) ** 1.5)


def _rims_are_brighter(regions: Regions, weights: FloatArray, step: FloatArray, tray: FloatArray) -> bool:
    """Return whether most pieces' rims rise by much more than the usual step from the tray, in light of some weights, all (3,).

    Where a blurred rim meets a darker tray most of the light is the rim's, and so is the colour.
    """
    pixels, (h, w) = regions.tray.photo.pixels, regions.tray.photo.pixels.shape[:2]
    rims = [line + _RIM_PX * _towards(line.mean(0) - line) for line in regions.outlines_px]
    x, y = np.rint(np.concatenate(rims)).astype(np.intp).T
    rim = LINEAR_OF_CODE[pixels[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1)]] @ weights - tray @ weights
    return bool(np.median(rim) > CLEAR_RIM * step @ weights > 0.0)


def _towards(way: FloatArray) -> FloatArray:
    return np.asarray(way / np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9))


def _differs(own: FloatArray, shared: FloatArray) -> BoolArray:
    """Return which weights (n, 3) are not the shared ones."""
    return np.asarray((np.abs(own - shared) > 1e-9).any(1))


def _own_lights(
    regions: Regions, best: FloatArray, step: FloatArray, tray: FloatArray, over: FloatArray | None
) -> tuple[FloatArray, BoolArray]:
    """Return each region's weights (n, 3), the shared ones but of foreign colours, and which are of those (n,).

    Foreign is what rises by less than `FAINT` of the usual in the shared one, by less than `_DIMMER` where it was found by
    colours of its own, is read better in another, or has far less or more than the tray of what colours are divided by.
    """
    own = np.tile(best, (len(regions.own_contrast), 1))
    middle = _mean_light(regions)
    rise = (middle - tray) @ best / float(best @ step)
    told = _differs(regions.own_contrast, regions.contrast)
    faint = np.asarray((rise < FAINT) | told & (rise < _DIMMER))
    if over is not None:
        divisor = np.nan_to_num(middle) ** MIXED @ over
        same = float(tray**MIXED @ over)
        faint |= np.abs(divisor - same) > _UNLIKE * np.maximum(divisor, same)
    for k in np.flatnonzero(faint | told):
        light, worth = _best_light(regions.own_contrast[k], middle[k] - tray, tray)
        if light is None or not worth > 0.0:  # so small a thing that no pixel of it was looked at has none
            own[k] = regions.own_contrast[k]
        else:
            own[k] = light * np.sign(light @ (middle[k] - tray))
    return own, faint | _differs(own, best)


def _mean_light(regions: Regions) -> FloatArray:
    """Return the mean linear R, G, B of each region, ndarray (n, 3), of every few pixels; NaN where it holds none."""
    labels, pixels = _sparse(regions)
    seen = labels > 0
    owner, light = labels[seen].astype(np.intp) - 1, LINEAR_OF_CODE[pixels[seen]]
    n = len(regions.own_contrast)
    total = np.stack([np.bincount(owner, light[:, c], minlength=n) for c in range(3)], 1)
    count = np.bincount(owner, minlength=n)[:, None]
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def alike(tray: FloatArray, pieces: FloatArray) -> FloatArray | None:
    """Return the weights nearest to luminance, none negative, in which two colours (3,), powers of light, are alike.

    What is divided by them is as linear in what an edge mixes as it was, so that half of its step is where the edge is:
    divided by luminance, the brighter of two colours outweighs the other. None where they differ by `_ALIKE` even in that,
    or where it is little more than stray light.
    """
    weights = np.maximum(_without(LUMA, pieces - tray), 0.0)
    low, high = sorted((float(weights @ tray), float(weights @ pieces)))
    return weights if high - low < _ALIKE * high and low > (2.0 * DARK) ** MIXED else None


def alike_in_one(tray: FloatArray, pieces: FloatArray) -> FloatArray | None:
    """Return the weights as `alike` does, nearest to the one of R, G, B in which two colours differ least.

    Orange on white is darker in all three, so that no light without negative weights holds as much of both; red less a
    little of the others does. None where less than `_LEFT` of that colour is left, or little more than stray light.
    """
    least = np.eye(3)[int((np.minimum(tray, pieces) / np.maximum(np.maximum(tray, pieces), 1e-12)).argmax())]
    weights = _without(least, pieces - tray)
    left = float(weights @ tray)
    enough = max(_LEFT * min(float(least @ tray), float(least @ pieces)), (2.0 * DARK) ** MIXED)
    return weights if left > enough else None


def _without(weights: FloatArray, step: FloatArray) -> FloatArray:
    """Return the weights (3,) nearest to some that see nothing of a step (3,)."""
    return np.asarray(weights - float(weights @ step) / max(float(step @ step), 1e-12) * step, float)


def _step(regions: Regions) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the usual step of linear R, G, B from tray to pieces, the tray's own, and that of its shadows, (3,) each."""
    labels, pixels = _sparse(regions)
    window = np.zeros(labels.shape, np.uint8)
    corners = (regions.tray.window_px - regions.origin_px) / _SPARSE
    cv2.fillPoly(window, [np.rint(corners).astype(np.int32)], 1)
    # print beside the window is as dark as a shadow
    cv2.erode(window, np.ones((7, 7), np.uint8), dst=window, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    inside, beside = (labels > 0).view(np.uint8), ((labels == 0) & (window > 0)).view(np.uint8)
    if not inside.any() or not beside.any():
        return np.zeros(3), np.zeros(3), np.zeros(3)
    pixels = np.ascontiguousarray(pixels)
    within, around = _counted(pixels, inside), _counted(pixels, beside)
    tray = _middle_light(around)
    shadow = LINEAR_OF_CODE[(around > _SHADED * within[0, -1]).argmax(1)].ravel()
    return _middle_light(within) - tray, tray, np.asarray(shadow, float)


def _sparse(regions: Regions) -> tuple[npt.NDArray[np.integer], npt.NDArray[np.uint8]]:
    """Return every few of the regions' labels (h, w) and of the photo's pixels (h, w, 3)."""
    labels = regions.labels[::_SPARSE, ::_SPARSE]
    x0, y0 = regions.origin_px
    h, w = regions.labels.shape
    pixels = regions.tray.photo.pixels[y0 : y0 + h : _SPARSE, x0 : x0 + w : _SPARSE]
    down, across = pixels.shape[:2]  # regions of a scan may reach past its last pixels
    return labels[:down, :across], pixels


def _counted(pixels: npt.NDArray[np.uint8], mask: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    """Return how many pixels where a mask is set have at most each code of R, G and B, ndarray (3, 256)."""
    counts = [cv2.calcHist([pixels], [c], mask, [256], [0, 256]).ravel() for c in range(3)]
    return np.cumsum(counts, axis=1, dtype=np.int64)


def _middle_light(run: npt.NDArray[np.int64]) -> FloatArray:
    """Return the median of linear R, G, B, ndarray (3,), from the running counts of codes (3, 256)."""
    n = int(run[0, -1])
    middle = [(run > rank).argmax(1) for rank in ((n - 1) // 2, n // 2)]
    return np.asarray(LINEAR_OF_CODE[middle].mean(0), float)
