"""Hard shadows as dark as the pieces: told from them by the hue of the light that still reaches them.

A lamp's shadow is lit by the rest of the room, whose light has another hue than the lamp's. Beside it a small lamp's
shadow has one level all over, which pieces, being round, have not; a wide lamp's has soft edges, which pieces have not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.look import CoarseLook
from traygauge.segment.pixels import Float32Array, Mask, eroded, square

FloatArray = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

#: Hue is averaged over this width: one pixel's is too noisy.
HUE_MM = 0.6
#: Two hues are two things where they explain this share of the hue's variance (one normal hue gives 0.64, hues spread evenly
#: 0.75), and the shadows' level spreads by this share of what the pieces' levels do at most; the second pair where that is
#: clearer.
TWO_HUES = 0.78, 0.75
ONE_LEVEL = 0.85, 0.5
#: Of two hues the one that is darker by this, in its middle and in its darkest tenth, is the pieces'.
DARKER = 0.85
#: Of two things the one whose edges are this many times as wide is a shadow, whatever its level: edges of pieces are as
#: sharp as the photo. The second where that has to make up for two hues that are less clear.
SOFT = 1.5, 2.0
#: An edge's width is read where it is about half as deep as what is dark on its side (four fifths of that is less deep).
HALF, DEEP = (0.35, 0.65), 80
#: The two hues lie apart by this share of the tray's code value at least.
LEAST_HUE = 0.025
#: Of what has no light at all hue is read as of this share of the tray's.
BLACK = 0.005
#: The rarer hue has this share of what is dark at least.
FEWEST = 0.1
#: No shadow's hue lies further from the tray's than by this share of its own code values: its light would have to have four
#: times as much blue to its red as what lights the tray (closed form, by the exponent of sRGB's codes).
FURTHEST = 0.25
#: Levels between these shares of the step are taken for shadow where pieces are at 1.
BETWEEN = 0.35, 0.8


@dataclass(frozen=True, eq=False)
class ShadowHue:
    """The hue that tells shadows from pieces as dark.

    Parameters
    ----------
    weight : ndarray (4,): of even code values R, G, B and 1; the local sum is positive in shadows only.
    coloured : whether the pieces' own hue is none that a shadow can have.
    """

    weight: FloatArray
    coloured: bool


def shadow_hue(coarse: CoarseLook, dark: Bool, piece: FloatArray | None) -> ShadowHue | None:
    """Return the hue that tells shadows from pieces.

    Half shadow lies between tray and full shadow: the deeper, the more hue. So hue is read against depth.

    Parameters
    ----------
    coarse : the coarse look.
    dark : ndarray (h / step, w / step): what is darker than the tray, pieces and shadows alike.
    piece : ndarray (3,): the pieces' code values, where they are of a hue of their own; None where that is not known.
        Then the shadows' hue is the other one where one of the two is none that a shadow can have, else that of soft
        edges, else the other one where one is darker all over, else that of even level.

    Returns
    -------
    None where what is dark has not two hues, one of them of soft edges or of a single level unless the pieces' own is known.
    """
    core = eroded(dark.astype(np.uint8), square(1))[dark] > 0
    if np.count_nonzero(core) < 200:
        return None
    axis, explained, one, two = _two_sides(coarse, dark, core)
    if min(one.share, two.share) < FEWEST:
        return None
    own = piece is not None or max(one.off, two.off) > FURTHEST > min(one.off, two.off)
    even, soft = _ratio(one.spread, two.spread), 1.0 / _ratio(one.width, two.width)
    clearer = even < ONE_LEVEL[1] or soft > SOFT[1]
    told = explained > TWO_HUES[0] or (explained > TWO_HUES[1] and clearer)
    other = own or soft > SOFT[0] or even <= ONE_LEVEL[0]
    apart = abs(one.place - two.place) >= LEAST_HUE * float(np.linalg.norm(coarse.tray))
    if not (told and other and apart):
        return None
    steep = (one.steep + two.steep) / 2
    weight = np.append(axis + steep * _brightness(coarse), -steep)
    if piece is not None:
        first = weight[:3] @ piece + weight[3] < 0
    elif own:
        first = one.off < two.off
    elif soft > SOFT[0]:
        first = one.width > two.width
    else:
        first = _darker(two, one) or (one.spread < two.spread and not _darker(one, two))
    return ShadowHue(np.asarray(weight if first else -weight, float), own)


@dataclass(frozen=True)
class _Side:
    """What is dark and of one of two hues: those of larger place on the axis between them, or the others.

    Parameters
    ----------
    share : of all that is dark.
    place : mean on that axis, by the light's level; steep : how much of it there is to each part of light that is missing.
    off : how far the hue lies from the tray's, in shares of its own code values.
    spread : relative median deviation of the local light that is missing; width : of free edges, pixels.
    levels : of single pixels in the middle and in the darkest tenth, shares of the tray's.
    """

    share: float
    place: float
    steep: float
    off: float
    spread: float
    width: float
    levels: FloatArray


def _two_sides(coarse: CoarseLook, dark: Bool, core: Bool) -> tuple[FloatArray, float, _Side, _Side]:
    """Return the axis (3,) of code values between two hues, the share of variance they explain, and both sides.

    `core` (n,) says which of the n dark pixels lie well inside; but for edges only those are read.
    """
    across = np.linalg.svd(np.outer(coarse.tray, coarse.tray))[0][:, 1:].T
    bright = coarse.even @ _brightness(coarse)
    count = _local(np.ones(dark.shape, np.float32), dark, coarse)[dark].astype(float)
    level = np.maximum(_local(bright, dark, coarse)[dark] / count, BLACK)
    hue = np.stack([_local(coarse.even @ row, dark, coarse)[dark] / count for row in across], -1)
    axis = np.linalg.eigh(np.cov((hue / level[:, None])[core].T))[1][:, 1]
    place = hue @ axis / level
    parting, explained = two_groups(place[core])
    off = np.linalg.norm(hue, axis=1) / (level * np.linalg.norm(coarse.tray))

    def side(of: Bool) -> _Side:
        here = of & core
        if not here.any():
            return _Side(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, np.zeros(2))
        return _Side(
            share=float(here.sum() / core.sum()),
            place=float(place[here].mean()),
            steep=float(np.median((hue @ axis)[here] / (1.0 - level[here]))),
            off=float(np.median(off[here])),
            spread=_spread(1.0 - level[here]),
            width=_edge_width(bright, dark, of),
            levels=np.quantile(bright[dark][here], (0.5, 0.1)),
        )

    return axis @ across, explained, side(place > parting), side(place <= parting)


def _brightness(coarse: CoarseLook) -> FloatArray:
    """Return weights (3,) of code values that make 1 of the tray's colour and nothing of other hues."""
    return np.asarray(coarse.tray / float(coarse.tray @ coarse.tray), float)


def shadow_mask(coarse: CoarseLook, shadow: ShadowHue, dark: Bool) -> Mask:
    """Return 255 where what is dark has the shadows' hue, ndarray (h / step, w / step), uint8."""
    value = coarse.even @ shadow.weight[:3] + shadow.weight[3]
    return ((_local(value, dark, coarse) > 0) & dark).astype(np.uint8) * 255


def mingled(coarse: CoarseLook, rise: Float32Array) -> bool:
    """Return whether most dark things are half as dark as pieces over a good part: shadows that cannot be told.

    Parameters
    ----------
    rise : ndarray (h / 2 step, w / 2 step): share of the step from tray to pieces.
    """
    seen = ((rise > BETWEEN[0]) & (coarse.inside[::2, ::2] > 0)).astype(np.uint8)
    _, area = cv2.connectedComponents(eroded(seen, square(1)))
    total = np.bincount(area.ravel())[1:]
    between = np.bincount(area.ravel(), (rise < BETWEEN[1]).ravel())[1:]
    both = (between > 0.2 * total) & (between < 0.8 * total)
    return bool(total[both].sum() > 0.5 * total.sum())


def _local(value: npt.NDArray[np.floating], where: Bool, coarse: CoarseLook) -> Float32Array:
    """Return the mean of a value over the neighbourhood, counted 0 where `where` is false."""
    inside = np.where(where, value, 0.0).astype(np.float32)
    size = 2 * round(HUE_MM * coarse.px_per_mm / 2) + 1
    return np.asarray(cv2.blur(inside, (size, size)), np.float32)


def two_groups(value: FloatArray) -> tuple[float, float]:
    """Return the value that parts two groups best, and the share of variance that explains (Otsu 1979)."""
    ordered = np.sort(value[:: max(1, len(value) // 20000)])
    n = len(ordered)
    below = np.arange(1, n)
    total = np.cumsum(ordered)
    gap = (total[-1] - total[:-1]) / (n - below) - total[:-1] / below
    between = below * (n - below) * gap**2 / n**2
    best = int(np.argmax(between))
    return float(ordered[best : best + 2].mean()), float(between[best] / max(ordered.var(), 1e-12))


def _edge_width(level: FloatArray, dark: Bool, side: Bool) -> float:
    """Return how wide the free edges of some of what is dark are: depth over steepness at half depth, pixels."""
    even = cv2.GaussianBlur(level.astype(np.float32), (0, 0), 0.7)
    across, down = (cv2.Sobel(even, cv2.CV_32F, dx, 1 - dx, scale=0.125) for dx in (1, 0))
    steep, depth = np.hypot(across, down)[dark][side], 1.0 - even[dark][side]
    deep = float(np.percentile(depth, DEEP))
    half = (depth > HALF[0] * deep) & (depth < HALF[1] * deep)
    return deep / max(float(np.median(steep[half])), 1e-9) if half.any() else np.inf


def _darker(one: _Side, two: _Side) -> bool:
    """Return whether the first of two things is darker all over, in the middle and in its darkest tenth.

    What light shadows get, pieces' shaded sides get as well, and give less of it back than the tray: shadows darker than pieces
    in the lamp's light are still lighter than what is darkest of those.
    """
    return bool((one.levels < DARKER * two.levels).all())


def _ratio(one: float, two: float) -> float:
    """Return the smaller of two over the larger; 1 where that says nothing (0 or endless)."""
    return min(one, two) / max(one, two) if 0.0 < max(one, two) < np.inf else 1.0


def _spread(level: FloatArray) -> float:
    """Return the relative median deviation of a level."""
    middle = np.median(level)
    return float(np.median(np.abs(level - middle)) / middle)
