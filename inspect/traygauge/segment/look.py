"""A coarse look: where the picture cannot be the tray, and what colour most of that has."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField
from traygauge.segment.pixels import Mask, both, eroded, grown, opened, over, square
from traygauge.segment.window import Window
from traygauge_shared.threads import in_bands

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]

#: Colours are alike within this share of the way from the tray's to theirs; where fewer than this share of pixels
#: are like their median, each channel's is another colour's: they are a blend, of so many at the most.
ALIKE, SHOWN, MOST_BLENDED = 0.35, 0.1, 4
#: Where more than this share is, the others are left out: a few black and red pieces among blue ones take its hue from their
#: median. Of a blend that is the colour which all show.
MOST = 0.6
#: What colours have beside their grey is alike within this share of it, since shade takes of it, or so many code values.
SAME_HUE, GREYISH = 0.5, 25.0  # common practice, no source
#: What is but darker than the tray counts as pieces where what differs else is less than this share of it.
MOSTLY = 0.3
#: How far a pixel must lie from the tray's colour, in standard deviations of the tray, to be looked at.
FAR = 8.0
#: A faint shadow lies so far from the tray's colour toward dark.
DIM = 6.0
#: A shadow's hue differs from the tray's by up to this share of the tray's code value: its light is another one.
SHADOW_HUE = 0.12
#: A shadow takes at most about this share of the tray's code value (0.4 of it is left: 0.13 of the light).
DARKEST_SHADOW = 0.6
#: From so many dark pixels on, of every fourth row and column, the photo's own shadows are asked.
FEWEST_DARK = 13


@dataclass(frozen=True, eq=False)
class CoarseLook:
    """What the coarse resolution shows.

    Parameters
    ----------
    even : ndarray (h / step, w / step, 3), float32: code values as they would be under the tray's average light.
    strong : ndarray (h / step, w / step), uint8: 255 where the colour cannot be the tray's, lit or in shadow; 128 where
        it can only be told from a shadow by being darker than shadows mostly are.
    inside : ndarray (h / step, w / step), uint8: 255 where the tray can be seen.
    tray : ndarray (3,): the tray's code value under the average light.
    noise : ndarray (3, 3): covariance of the bare tray's code values, pixel by pixel at full resolution.
    px_per_mm : scale of the coarse resolution.
    """

    even: Float32Array
    strong: Mask
    inside: Mask
    tray: FloatArray
    noise: FloatArray
    px_per_mm: float

    @cached_property
    def likely(self) -> Mask:
        """Return 255 where pieces most likely are, like `strong`: what is but dark counts where most is that."""
        bright = cv2.countNonZero(over(self.strong, 200))
        dark = cv2.countNonZero(self.strong) - bright
        return over(self.strong, 0 if bright < MOSTLY * dark else 200)

    def part(self, at: tuple[slice, slice]) -> CoarseLook:
        """Return the look at a part, given by slices of its pixels."""
        return CoarseLook(
            self.even[at], self.strong[at], self.inside[at], self.tray, self.noise, self.px_per_mm
        )


def look(window: Window, field: TrayField) -> CoarseLook:
    """Return where the picture's colour cannot be the tray's, at the coarse resolution.

    A shadow scales the tray's colour toward dark; what differs across that direction, or is brighter than the
    tray, or darker than shadows get, is a piece.
    """
    size = window.coarse.shape[:2]
    inside = grown(window.inside, size)
    tray = field.colour
    even = _even(window, field)
    shade = _shade(even, field)
    deepest = shade.deepest(np.ascontiguousarray(even[::4, ::4]), inside[::4, ::4])
    strong = np.empty(size, np.uint8)

    def judge(rows: slice) -> None:
        along, coloured = shade.judged(even[rows])
        dark, bright = along < -max(FAR, deepest * shade.length), (along > FAR) | coloured
        np.maximum(dark * np.uint8(128), bright * np.uint8(255), out=strong[rows])

    in_bands(size[0], judge)
    noise = _covariance(window.pixels[::17, ::19].astype(np.float32), field.code, field.bare)
    return CoarseLook(even, both(strong, inside), inside, tray, noise, window.px_per_mm / window.step)


def shaded_share(window: Window, field: TrayField) -> float:
    """Return the share of the tray that lies in a little shade of its own hue, 0..1: that of things not seen themselves."""
    even = _even(window, field)
    along, coloured = _shade(even, field).judged(even)
    inside = eroded(grown(window.inside, even.shape[:2]), square(2))
    shaded = opened(both(((along < -DIM) & ~coloured).astype(np.uint8) * np.uint8(255), inside), square(1))
    return cv2.countNonZero(shaded) / max(cv2.countNonZero(inside), 1)


def _shade(even: Float32Array, field: TrayField) -> _Shade:
    covariance = _covariance(even[::9, ::11], np.broadcast_to(field.colour, field.code.shape), field.bare)
    return _Shade.of(field.colour, covariance + np.eye(3) + np.outer(field.colour, field.colour) * 0.01**2)


def _even(window: Window, field: TrayField) -> Float32Array:
    """Return the coarse picture as it would be under the tray's average light."""
    side = window.block // window.step
    gain = (field.colour / np.maximum(field.code, 1.0)).astype(np.float32)
    even: Float32Array = np.empty(window.coarse.shape, np.float32)

    def light(blocks: slice) -> None:
        more = gain[
            max(blocks.start - 1, 0) : blocks.stop + 1
        ]  # the light runs on smoothly from block to block
        wide = cv2.resize(more, (even.shape[1], side * len(more)))
        first = side * min(blocks.start, 1)
        rows = slice(side * blocks.start, side * blocks.stop)
        share = wide[first : first + rows.stop - rows.start]
        cv2.multiply(window.coarse[rows], share, even[rows], dtype=cv2.CV_32F)

    in_bands(len(gain), light, high=8)
    return even


def _covariance(sample: Float32Array, around: npt.NDArray[np.floating], bare: Bool) -> FloatArray:
    """Return the covariance of the bare tray's code values about the field's (or even) ones."""
    down, across = (np.arange(n) * b // n for n, b in zip(sample.shape[:2], bare.shape, strict=True))
    y, x = np.nonzero(bare[np.ix_(down, across)])
    if len(y) < 100:
        return np.eye(3)
    centred = np.ascontiguousarray((sample[y, x] - around[down[y], across[x]]).T)
    centred -= np.median(centred, 1, keepdims=True)
    spread = np.abs(centred).max(0)
    bulk = centred[:, spread <= 5.0 * np.median(spread)].astype(float)
    return np.asarray(
        np.cov(bulk) + np.eye(3) / 12.0, float
    )  # bytes are rounded: 1/12, where nothing else is


@dataclass(frozen=True, eq=False)
class _Shade:
    """The way from the tray's colour to black, and across it, in standard deviations of the tray's colour.

    Parameters
    ----------
    turn : ndarray (3, 4): rows that turn code values and 1 into deviations along that way and twice across it.
    length : how long that way is.
    hue : how far across it a shadow may lie.
    """

    turn: FloatArray
    length: float
    hue: float

    @classmethod
    def of(cls, tray: FloatArray, covariance: FloatArray) -> _Shade:
        whiten = np.linalg.cholesky(np.linalg.inv(covariance)).T
        way = whiten @ np.maximum(tray, 1.0)  # a tray without any light has no hue: a grey one's
        length = float(np.linalg.norm(way))
        axis = way / length
        across = np.linalg.svd(np.eye(3) - np.outer(axis, axis))[0][:, :2].T
        turn = np.vstack([axis, across]) @ whiten
        # the tray's code value in deviations across, the softest way
        hue = SHADOW_HUE * float(np.linalg.norm(tray) / np.linalg.norm(np.linalg.pinv(turn[1:]), 2))
        return cls(np.hstack([turn, -(turn @ tray)[:, None]]), length, hue)

    def judged(self, even: Float32Array) -> tuple[Float32Array, Bool]:
        """Return how far each pixel lies along the way, toward the light, and whether it lies off it."""
        along, one, two = cv2.split(cv2.transform(even, self.turn.astype(np.float32)))
        across = np.asarray(cv2.magnitude(one, two), np.float32)
        return np.asarray(along, np.float32), (across > FAR + self.hue) | ((across > FAR) & (along >= 0))

    def deepest(self, even: Float32Array, inside: Mask) -> float:
        """Return how much of the tray's code value a pixel of its hue must lack to be no shadow.

        That is the middle between the darkest things' depth and the tray's: shadows of the usual kind are lighter.
        """
        along, coloured = self.judged(even)
        depth = along / -self.length
        dark = depth[(depth > 0.25) & ~coloured & (inside > 0)]
        if len(dark) < FEWEST_DARK:
            return DARKEST_SHADOW
        return float(np.clip(0.6 * np.percentile(dark, 90), 0.15, DARKEST_SHADOW))


def main_colour(coarse: CoarseLook, left: Mask, *, core_px: int) -> FloatArray | None:
    """Return the first of `main_colours`, or None for nothing."""
    colours = main_colours(coarse, left, core_px=core_px)
    return colours[0] if colours else None


def main_colours(coarse: CoarseLook, left: Mask, *, core_px: int) -> list[FloatArray]:
    """Return the code values (3,) that most of `left` shows under the tray's average light; of a blend those of each colour.

    Parameters
    ----------
    coarse : the coarse look.
    left : ndarray like `coarse.strong`: where pieces are looked for.
    core_px : pixels of the coarse resolution to stay away from the pieces' edges.
    """
    core = eroded(left, square(core_px))
    at = np.flatnonzero(core > 0)
    if not len(at):
        return []
    found = coarse.even.reshape(-1, 3)[at[:: max(1, len(at) // 5000)]].astype(float)
    middle = np.median(found, 0)
    for _ in range(2):  # where pieces have several colours, the median may lie between them: go to the nearer
        near = np.linalg.norm(found - middle, axis=1) < np.linalg.norm(found - coarse.tray, axis=1)
        if near.any():
            middle = np.median(found[near], 0)
    some = found[:: max(1, len(found) // 400)]
    reach = ALIKE * float(np.linalg.norm(middle - coarse.tray))
    shown = float(_alike(some, middle[None], reach).mean())
    if shown > MOST:
        middle = np.median(found[_alike(found, middle[None], reach)[:, 0]], 0)
    return [np.clip(colour, 0.0, 255.0) for colour in ([middle] if shown > SHOWN else _each(some, reach))]


def _alike(some: FloatArray, others: FloatArray, reach: float) -> Bool:
    """Return which colours (n, 3) are like which others (m, 3): near them, and of about as much colour beside their grey."""
    near = np.linalg.norm(some[:, None] - others, axis=-1) < reach
    one, two = (colour - colour.mean(1, keepdims=True) for colour in (some, others))
    most = np.maximum(np.linalg.norm(one, axis=1)[:, None], np.linalg.norm(two, axis=1))
    apart = np.linalg.norm(one[:, None] - two, axis=-1)
    return np.asarray(near & (apart < np.maximum(GREYISH, SAME_HUE * most)))


def _each(found: FloatArray, reach: float) -> list[FloatArray]:
    """Return the colours (3,) that lie within a reach of most others (n, 3), the commonest first, up to `MOST_BLENDED`."""
    out: list[FloatArray] = []
    while len(found) and len(out) < MOST_BLENDED:
        alike = _alike(found, found, reach)
        first = alike[alike.sum(1).argmax()]
        out.append(np.median(found[first], 0))
        found = found[~first]
    return out
