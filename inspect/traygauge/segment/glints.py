"""Highlights on dark pieces as bright as the tray in shadow: the slits that they cut into the mask, closed.

A gap between two pieces has a whole piece on either side. A highlight lies on one piece: what is left of it beyond the
highlight is a rim thinner than any piece, parallel to the rest all along.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.part_prior import usual_width
from traygauge.segment.pixels import Mask, both, closed, dilated, disc, either, opened, over, square, without
from traygauge_shared.shrinking import shrunk

FloatArray = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

#: What fills this share of its hull has no slit.
CONVEX = 0.95
#: A rim is narrower than this, and longer than that (diameters); the slit beside it is narrower than the last.
RIM, LONG, SLIT = 0.55, 0.7, 0.3
#: Places along a rim at which its slit is looked for, half lengths; share of them that must show it.
ALONG, SHOWN = np.linspace(-0.85, 0.85, 9), 0.75
#: Rim, slit and rest are as wide as a piece (diameters), or the slit is of one width (spread, diameters) all along.
AS_WIDE, EVEN = (0.8, 1.15), 0.1


def notches_closed(mask: Mask, kernel: Mask) -> Mask:
    """Return the mask with the slits closed that a highlight cuts into a dark piece from its end.

    A slit is narrower than the neighbourhood `kernel`, and one connected thing lies on both its sides: gaps between
    pieces stay open.
    """
    reach = len(kernel) // 2 + 1
    out = mask.copy()
    for edge in cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
        area = cv2.contourArea(edge)
        # nothing smaller round than the neighbourhood, twice as wide, has room for a slit
        if len(edge) < 8 * reach or area > CONVEX * cv2.contourArea(cv2.convexHull(edge)):
            continue
        x, y, w, h = cv2.boundingRect(edge)
        at = slice(y, y + h), slice(x, x + w)
        thing = np.zeros((h + 2 * reach, w + 2 * reach), np.uint8)
        cv2.drawContours(thing, [edge - (x - reach, y - reach)], 0, (255.0,), cv2.FILLED)
        inside = slice(reach, reach + h), slice(reach, reach + w)
        thing[inside] = both(thing[inside], mask[at])
        out[at] = either(out[at], closed(thing, kernel)[inside])
    return out


def rims_joined(mask: Mask) -> Mask:
    """Return the mask with the slits filled that highlights cut along the whole of dark strand pieces.

    How wide pieces are, their middle lines say.
    """
    half = over(shrunk(mask, tuple(n // 2 for n in mask.shape)), 127)
    width, _ = usual_width([half > 0])
    if not width:
        return mask
    thin = without(half, opened(half, square(round(RIM * width / 2))))
    diameter = 2.0 * width
    out = mask.copy()
    for edge in cv2.findContours(thin, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
        if len(edge) < 2 * LONG * width:
            continue
        (x, y), sides, turn = cv2.minAreaRect(2 * edge)
        if min(sides) < RIM * diameter and max(sides) > LONG * diameter:
            angle = np.radians(turn if sides[0] > sides[1] else turn + 90.0)
            _join(out, mask, _Rim(np.array([x, y]), float(angle), max(sides)), diameter)
    return out


@dataclass(frozen=True, eq=False)
class _Rim:
    """A thin part of the mask: its middle (x, y), its direction (rad) and its length, px."""

    middle: FloatArray
    angle: float
    length: float


def _join(out: Mask, mask: Mask, rim: _Rim, diameter: float) -> None:
    """Fill in `out` the slit of the mask that runs beside a rim, if one does."""
    room = round(rim.length / 2 + 2 * diameter)
    low = np.maximum(np.rint(rim.middle).astype(int) - room, 0)
    at = slice(low[1], low[1] + 2 * room), slice(low[0], low[0] + 2 * room)
    here = mask[at]
    gap = without(closed(here, disc(SLIT * diameter)), here)
    for side in (-1.0, 1.0):
        slit = _slit(here, gap, _Rim(rim.middle - low, rim.angle, rim.length), side, diameter)
        if slit is not None:
            place = np.zeros_like(here)
            cv2.fillConvexPoly(place, cv2.convexHull(slit), (255.0,))
            out[at] = either(out[at], both(gap, dilated(place, disc(SLIT * diameter))))


def _slit(here: Mask, gap: Mask, rim: _Rim, side: float, diameter: float) -> npt.NDArray[np.int32] | None:
    """Return points (n, 2) on both edges of the slit on one side of a rim; None where there is none."""
    along = np.array([np.cos(rim.angle), np.sin(rim.angle)])
    start = rim.middle + ALONG[:, None] * rim.length / 2 * along
    across = side * np.array([-along[1], along[0]])
    reach = np.arange(round(2 * diameter))
    body = _shown(here, start[:, None] + reach[:, None] * across)
    slit = _shown(gap, start[:, None] + reach[:, None] * across)
    back = _shown(here, start[:, None] - reach[:, None] * across)
    begin = _first(~body, np.zeros(len(body)))
    end = _first(~slit, begin)
    far = _first(~body, end)
    inner = _first(~back, np.zeros(len(back)))
    seen = (begin > 0) & (begin + inner < RIM * diameter) & (end > begin) & (far > end)
    if seen.mean() < SHOWN:
        return None
    width, whole = (end - begin)[seen] / diameter, float(np.percentile((inner + far)[seen], 25)) / diameter
    if not AS_WIDE[0] < whole < AS_WIDE[1] and np.ptp(np.percentile(width, (10, 90))) > EVEN:
        return None
    edges = [start[seen] + where[seen, None] * across for where in (begin, end)]
    return np.asarray(np.rint(np.concatenate(edges)), np.int32)


def _shown(mask: Mask, place: FloatArray) -> Bool:
    """Return whether points (..., 2) lie in a mask; beyond the image nothing does."""
    x, y = np.moveaxis(np.rint(place).astype(np.intp), -1, 0)
    h, w = mask.shape
    inside = (x >= 0) & (y >= 0) & (x < w) & (y < h)
    return np.asarray(inside & (mask[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1)] > 0), bool)


def _first(true: Bool, begin: npt.NDArray[np.integer] | FloatArray) -> npt.NDArray[np.intp]:
    """Return the first place from `begin` (n,) on at which a row (n, m) is true; m where it is nowhere."""
    place = np.arange(true.shape[1])
    found = true & (place >= np.asarray(begin)[:, None])
    return np.asarray(np.where(found.any(1), found.argmax(1), true.shape[1]), np.intp)
