"""Which pixels belong to pieces, thin tails included, at the photo's full resolution."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField
from traygauge.segment.contrast import Signal, dimmed, signal_for
from traygauge.segment.glints import notches_closed, rims_joined
from traygauge.segment.look import CoarseLook, main_colour, main_colours
from traygauge.segment.pixels import (
    Mask,
    both,
    closed,
    dilated,
    disc,
    either,
    grown,
    opened,
    over,
    square,
    weighted,
    without,
)
from traygauge.segment.shade import ShadowHue, shadow_mask
from traygauge.segment.window import Window
from traygauge_shared.shrinking import shrunk
from traygauge_shared.threads import in_bands

FloatArray = npt.NDArray[np.float64]
Blocks = tuple[slice, slice]

#: A piece's colour is read this far from its edge.
CORE_MM = 0.25
#: Foreign things are looked at one by one where they take up less than this share of the window.
FEW = 0.2
#: A foreign thing's free edge steps by this share of its contrast, or by the second where nearly all of it is free, as the last
#: says: dark ones lie in their own shadow, and step by less (drawn ones by 0.51 and more but for one in ten, glow by 0.35).
SHARP, SHARP_ALONE, ALONE = 0.6, 0.5, 0.85
#: It steps by this many times what the tray beside it does, where that is grainy (a scan at 300 dpi: patches of tray that step by
#: less than three times as much passed for white pieces among red ones).
ABOVE_BARE = 3.0
#: How dark shadows get is read this far beside what is known, twice coarse pixels, but for so much of it; what is so many times as dark,
#: and takes this share of the tray's code value, is none (drawn trays).
SHADE_REACH, DEEPEST, DEEPER, LEAST_DEPTH = 2, 0.05, 1.5, 0.25
#: What lies along a piece and is narrower than this is no thing of its own.
STRIP_MM = 0.5
#: Beyond the main colour so many more are looked for over the whole tray.
MOST_COLOURS = 3
#: Where hue tells shadows, bits of their rims narrower than this are taken off (threads with them).
FRINGE_MM = 0.4
#: Coloured pieces beside their shadows: share of the pieces' hue that each of their pixels shows at least.
LEAST_HUE = 0.3
#: Threads up to this width are followed below the piece's own threshold.
THREAD_MM = 0.35


def all_pieces(window: Window, field: TrayField, coarse: CoarseLook) -> tuple[Mask, Signal | None]:
    """Return 255 where a pixel shows a piece, and the signal in which most do (None: nothing there).

    Most pieces share one colour, or differ from the tray alike; what that signal does not show, but the coarse
    look does, is looked at in its own colour.
    """
    core = max(1, round(CORE_MM * window.px_per_mm / window.step))
    colours = main_colours(coarse, coarse.likely, core_px=core)
    if not colours:
        return np.zeros_like(window.inside), None
    signals = [signal_for(piece, coarse) for piece in colours]
    signal = signals[0]
    if len(signals) > 1:
        signal = dimmed(max(signals, key=lambda one: _shows(one, coarse)), colours, coarse)
    mask = piece_mask(window, field, coarse, signal)
    for _ in range(MOST_COLOURS):
        left = _unexplained(window, coarse, mask)
        boxes = _boxes(left, window, core)
        if not boxes:
            break
        if sum((b.stop - b.start) * (a.stop - a.start) for b, a in boxes) < FEW * field.bare.size:
            added = [_add_foreign(mask, left, box, window, field, coarse, core) for box in boxes]
            if any(added):  # of two colours that touch one is left for the next round
                continue
            break
        other = main_colour(coarse, left, core_px=core)
        if other is None:
            break
        second = signal_for(other, coarse)
        _add(mask, left, window, piece_mask(window, field, coarse, second), second)
    return mask, signal


def _shows(signal: Signal, coarse: CoarseLook) -> float:
    """Return the share of what likely are pieces that passes a signal's mark, and shows its hue where it asks for one."""
    even = coarse.even[::2, ::2][coarse.likely[::2, ::2] > 0]
    passes = even @ signal.by_code > coarse.tray @ signal.by_code + signal.mark * signal.step
    if signal.hue is not None:
        passes &= even @ signal.hue > coarse.tray @ signal.hue + LEAST_HUE
    return float(passes.mean())


def _unexplained(window: Window, coarse: CoarseLook, mask: Mask) -> Mask:
    """Return what the coarse look shows and the mask does not, the mask's surroundings left out.

    What lies beside a piece and is but darker than the tray is its shadow.
    """
    # highlights on a piece of another colour are no pieces: narrow things explain nothing around them
    known = dilated(opened(over(shrunk(mask, coarse.strong.shape), 64), square(1)), square(2))
    seen = either(coarse.strong, _darker_than_shadows(window, coarse, known))
    left = opened(without(seen, known), square(1))
    dark = left == 128
    if not dark.any():
        return left
    beside = dilated(known, square(2))
    for edge in cv2.findContours(left, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
        x, y = edge[:, 0].T
        if ((left[y, x] == 128) & (beside[y, x] > 0)).any():
            at = slice(y.min(), y.max() + 1), slice(x.min(), x.max() + 1)
            left[at][dark[at]] = 0
    return left


def _darker_than_shadows(window: Window, coarse: CoarseLook, known: Mask) -> Mask:
    """Return 255 where the coarse look is much darker than the shadows beside what is known, ndarray like `known`.

    In a photo of black pieces grey ones are no darker than shadows mostly are; its own shadows say how dark those are here.
    Where the tray mirrors a lamp shadows are darker beside it, but not by themselves.
    """
    # every second pixel will do for what is looked at again
    inside, taken = coarse.inside[::2, ::2], np.ascontiguousarray(known[::2, ::2])
    towards = coarse.tray / float(coarse.tray @ coarse.tray)
    light = weighted(np.maximum(coarse.even[::2, ::2], window.coarse[::2, ::2]), towards)
    beside = (without(dilated(taken, square(SHADE_REACH)), taken) > 0) & (inside > 0)
    if not beside.any():
        return np.zeros_like(known)
    shade = 1.0 - float(np.quantile(light[beside], DEEPEST))
    dark = (light < 1.0 - max(DEEPER * shade, LEAST_DEPTH)) & (inside > 0)
    return grown(dark.astype(np.uint8) * np.uint8(255), known.shape)


def _boxes(left: Mask, window: Window, core: int) -> list[Blocks]:
    """Return the blocks around each unexplained thing with room for a core, as slices (down, across)."""
    found, _ = cv2.findContours(left, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    side = window.block // window.step
    rows, cols = window.grid
    boxes = []
    for x, y, w, h in map(cv2.boundingRect, found):
        if min(w, h) > 2 * core:
            down = slice(max(y // side - 2, 0), min((y + h) // side + 3, rows))
            boxes.append((down, slice(max(x // side - 2, 0), min((x + w) // side + 3, cols))))
    return boxes


def _add_foreign(
    mask: Mask, left: Mask, box: Blocks, window: Window, field: TrayField, coarse: CoarseLook, core: int
) -> bool:
    """Add to the mask what a box holds in a colour of its own, and return whether that is anything."""
    at = window.coarse_of(box)
    here = coarse.part(at)
    piece = main_colour(here, left[at], core_px=core)
    if piece is None:
        return False
    part = window.part(box)
    signal = signal_for(piece, here)
    found = piece_mask(part, field.part(box), here, signal)
    return _add(mask[window.pixels_of(box)], left[at], part, found, signal)


def _add(mask: Mask, left: Mask, window: Window, found: Mask, signal: Signal) -> bool:
    """Add to the mask what was found near `left` and has sharp edges where it is free, and return whether anything was.

    Glow and shadow have none.
    """
    found = without(both(found, grown(dilated(left, square(4)), found.shape)), mask)
    reach = 2 * round(2.5 * max(window.blur_px, 1.0)) + 1
    taken, any_added = dilated(mask, square(3)), False
    for edge in cv2.findContours(found, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
        x, y, w, h = cv2.boundingRect(edge)
        if min(w, h) < reach:
            continue
        rows, cols = slice(max(y - reach, 0), y + h + reach), slice(max(x - reach, 0), x + w + reach)
        level = cv2.blur(weighted(window.pixels[rows, cols], signal.by_code), (3, 3))  # grain makes no step
        step = cv2.morphologyEx(level, cv2.MORPH_GRADIENT, np.ones((reach, reach), np.uint8))
        at = edge[:, 0] - (cols.start, rows.start)
        free = taken[edge[:, 0, 1], edge[:, 0, 0]] == 0
        thick = 2.0 * cv2.contourArea(edge) / len(edge)
        if not free.all() and thick < STRIP_MM * window.px_per_mm:
            continue  # a strip along a piece is its own shaded side, or its glow
        bare = (taken[rows, cols] == 0) & (dilated(found[rows, cols], square(3)) == 0)
        grain = float(np.median(step[bare])) if bare.any() else 0.0
        least = max((SHARP_ALONE if free.mean() > ALONE else SHARP) * signal.step, ABOVE_BARE * grain)
        if free.any() and np.median(step[at[free, 1], at[free, 0]]) > least:
            cv2.drawContours(mask, [edge], 0, (255.0,), cv2.FILLED)
            any_added = True
    return any_added


def piece_mask(window: Window, field: TrayField, coarse: CoarseLook, signal: Signal) -> Mask:
    """Return 255 where a pixel shows a piece, ndarray (h, w), uint8.

    A pixel belongs to a piece where the signal passes a mark between tray and pieces: a low one where shadows
    cannot reach it, because the shaded flank of a piece is darker than its middle; else one between shadows and
    pieces, and thin ridges that pass a lower mark are kept besides.
    """
    by_code, step = signal.by_code, signal.step
    light = (field.lit @ coarse.tray) / float(coarse.tray @ coarse.tray)
    tray_level = field.code @ by_code
    bottom = float(tray_level.min()) - 0.5 * step
    gain = 255.0 / (float((tray_level + step * light).max()) + 0.3 * step - bottom)
    seen = _bytes(window.pixels, by_code * gain, -bottom * gain)
    if signal.coloured:  # the file holds colour at half the resolution
        seen = np.asarray(cv2.blur(seen, (3, 3)), np.uint8)
    mark = _upsampled((tray_level - bottom + signal.mark * step * light) * gain, window)
    mask = np.asarray(cv2.compare(seen, mark, cv2.CMP_GT, mark), np.uint8)
    if signal.mark > signal.ridge_mark:
        width = round(THREAD_MM * window.px_per_mm / 2)
        ridge = np.asarray(cv2.morphologyEx(seen, cv2.MORPH_TOPHAT, square(width)), np.uint8)
        mark = _upsampled(signal.ridge_mark * step * light * gain, window)
        mask = either(mask, np.asarray(cv2.compare(ridge, mark, cv2.CMP_GT), np.uint8))
    if signal.see_through:
        mask = _stripes_closed(mask, coarse, window)
    elif signal.mark > signal.ridge_mark:
        mask = rims_joined(notches_closed(mask, _quarter(coarse, window)))
    if signal.hue is not None:
        scale = 255.0 / 4.0  # shares of the step from -2 to 2
        hue = _bytes(window.pixels, signal.hue * scale, 127.5)
        least = _upsampled((field.code @ signal.hue + LEAST_HUE * light) * scale + 127.5, window)
        mask = both(mask, np.asarray(cv2.compare(hue, least, cv2.CMP_GT), np.uint8))
    if signal.shadow is not None:
        mask = _without_shadows(mask, coarse, signal.shadow, window)
    return np.asarray(cv2.bitwise_and(mask, window.inside, mask), np.uint8)


def _bytes(pixels: npt.NDArray[np.uint8], weights: FloatArray, offset: float) -> Mask:
    """Return the weighted sum of the code values and an offset, clipped to 0..255."""
    turn, out = np.append(weights, offset)[None], np.empty(pixels.shape[:2], np.uint8)

    def weigh(rows: slice) -> None:
        # OpenCV weighs single numbers in half of the time that it takes for bytes, and rounds them alike
        value = cv2.transform(pixels[rows].astype(np.float32), turn)
        cv2.convertScaleAbs(cv2.threshold(value, 0, 0, cv2.THRESH_TOZERO, value)[1], out[rows])

    in_bands(len(pixels), weigh, high=16)
    return out


def _upsampled(blocks: npt.NDArray[np.floating], window: Window) -> Mask:
    """Return block values as an image of the window's size, uint8."""
    return grown(np.clip(np.rint(blocks), 0, 255).astype(np.uint8), window.inside.shape, smooth=True)


def _without_shadows(mask: Mask, coarse: CoarseLook, hue: ShadowHue, window: Window) -> Mask:
    """Return the mask without what has the shadows' hue, and without the bits of rim that are left of shadows."""
    dark = shrunk(mask, coarse.inside.shape) > 127
    shadow = over(grown(shadow_mask(coarse, hue, dark), mask.shape, smooth=True), 127)
    kernel = disc(FRINGE_MM * window.px_per_mm)
    left = opened(closed(without(mask, shadow), kernel), kernel)
    beside = dilated(shadow, kernel)
    smallest = (2.0 * FRINGE_MM * window.px_per_mm) ** 2
    for edge in cv2.findContours(left, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
        if cv2.contourArea(edge) < smallest and beside[edge[:, 0, 1], edge[:, 0, 0]].any():
            cv2.drawContours(left, [edge], 0, (0.0,), cv2.FILLED)
    return left


def _stripes_closed(mask: Mask, coarse: CoarseLook, window: Window) -> Mask:
    """Return the mask with dark stripes of see-through pieces closed: narrower than a quarter of a piece."""
    return closed(mask, _quarter(coarse, window))


def _quarter(coarse: CoarseLook, window: Window) -> Mask:
    """Return the round neighbourhood as wide as a quarter of a piece, 0.8 mm at most."""
    filled = closed(coarse.likely[::2, ::2], square(1))
    depth = cv2.distanceTransform(over(filled, 0), cv2.DIST_L2, 3)
    deep = depth[depth > 0]
    thick = 4 * window.step * float(np.percentile(deep, 97)) if deep.size else 0.0  # twice the depth
    return disc(min(thick / 4, 0.8 * window.px_per_mm))
