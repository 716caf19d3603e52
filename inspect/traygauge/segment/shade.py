"""Hard shadows as dark as the pieces: told from them by the hue of the light that still reaches them.

A lamp's shadow is lit by the rest of the room, whose light has another hue than the lamp's. Beside it the shadow has
one level all over, which pieces, being round, have not.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.look import CoarseLook
from traygauge.segment.pixels import Float32Array, Mask, eroded, square

FloatArray = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

#: Hue is averaged over this width: one pixel's is too noisy.
HUE_MM = 0.6
#: Two hues are two things where they explain this share of the hue's variance (one normal hue gives 0.64), and the
#: shadows' level spreads by this share of what the pieces' levels do at most; the second pair where that is clearer.
TWO_HUES = 0.78, 0.70
ONE_LEVEL = 0.85, 0.5
#: The two hues lie apart by this share of the tray's code value at least.
LEAST_HUE = 0.025
#: The rarer hue has this share of what is dark at least.
FEWEST = 0.1
#: Levels between these shares of the step are taken for shadow where pieces are at 1.
BETWEEN = 0.35, 0.8


def shadow_hue(coarse: CoarseLook, dark: Bool, piece: FloatArray | None) -> FloatArray | None:
    """Return weights (4,) of even code values R, G, B and 1 whose local sum is positive in shadows only.

    Half shadow lies between tray and full shadow: the deeper, the more hue. So hue is read against depth.

    Parameters
    ----------
    coarse : the coarse look.
    dark : ndarray (h / step, w / step): what is darker than the tray, pieces and shadows alike.
    piece : ndarray (3,): the pieces' code values, where they are of a hue of their own; None where evenness of level
        is all that tells which of two hues is the shadows'.

    Returns
    -------
    None where what is dark has not two hues, one of them of a single level unless the pieces' own is known.
    """
    brightness = coarse.tray / float(coarse.tray @ coarse.tray)
    across = np.linalg.svd(np.outer(coarse.tray, coarse.tray))[0][:, 1:].T
    at = eroded(dark.astype(np.uint8), square(1)) > 0
    if np.count_nonzero(at) < 200:
        return None
    count = _local(np.ones(dark.shape, np.float32), dark, coarse)[at].astype(float)
    level = _local(coarse.even @ brightness, dark, coarse)[at] / count
    hue = np.stack([_local(coarse.even @ row, dark, coarse)[at] / count for row in across], -1)
    axis = np.linalg.eigh(np.cov((hue / level[:, None]).T))[1][:, 1]
    place = hue @ axis / level
    parting, explained = two_groups(place)
    one, two = place > parting, place <= parting
    spread = [_spread(1.0 - level[side]) for side in (one, two)]
    evenness = min(spread) / max(spread)
    told = explained > TWO_HUES[0] or (explained > TWO_HUES[1] and evenness < ONE_LEVEL[1])
    if not told or (piece is None and evenness > ONE_LEVEL[0]) or min(one.mean(), two.mean()) < FEWEST:
        return None
    if abs(place[one].mean() - place[two].mean()) < LEAST_HUE * float(np.linalg.norm(coarse.tray)):
        return None
    steep = sum(float(np.median(hue[side] @ axis / (1.0 - level[side]))) for side in (one, two)) / 2
    weight = np.append(axis @ across + steep * brightness, -steep)
    first = spread[0] < spread[1] if piece is None else weight[:3] @ piece + weight[3] < 0
    return np.asarray(weight if first else -weight, float)


def shadow_mask(coarse: CoarseLook, weight: FloatArray, dark: Bool) -> Mask:
    """Return 255 where what is dark has the shadows' hue, ndarray (h / step, w / step), uint8."""
    return ((_local(coarse.even @ weight[:3] + weight[3], dark, coarse) > 0) & dark).astype(np.uint8) * 255


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


def _spread(level: FloatArray) -> float:
    """Return the relative median deviation of a level."""
    middle = np.median(level)
    return float(np.median(np.abs(level - middle)) / middle)
