"""Which pixels belong to pieces, thin tails included, at the photo's full resolution."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField
from traygauge.segment.contrast import Signal, signal_for
from traygauge.segment.look import CoarseLook, main_colour
from traygauge.segment.shade import shadow_mask
from traygauge.segment.window import Window

FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.uint8]

#: A piece's colour is read this far from its edge, in mm of half resolution pixels.
CORE_MM = 0.125
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
    core = max(1, round(CORE_MM * window.px_per_mm))
    piece = main_colour(coarse, coarse.likely(), core_px=core)
    if piece is None:
        return np.zeros_like(window.inside), None
    signal = signal_for(piece, coarse)
    mask = piece_mask(window, field, coarse, signal)
    for _ in range(MOST_COLOURS):
        left = _unexplained(coarse, mask)
        boxes = _boxes(left, window, core)
        if not boxes:
            break
        if sum((b.stop - b.start) * (a.stop - a.start) for b, a in boxes) < 0.2 * field.bare.size:
            for box in boxes:
                _add_foreign(mask, left, box, window, field, coarse, core)
            break
        other = main_colour(coarse, left, core_px=core)
        if other is None:
            break
        second = signal_for(other, coarse)
        _add(mask, left, window, piece_mask(window, field, coarse, second), second)
    return mask, signal


def _unexplained(coarse: CoarseLook, mask: Mask) -> Mask:
    """Return what the coarse look shows and the mask does not, the mask's surroundings left out.

    What lies beside a piece and is but darker than the tray is its shadow.
    """
    half = cv2.resize(mask, coarse.strong.shape[::-1], interpolation=cv2.INTER_AREA)
    known = cv2.dilate((half > 64).astype(np.uint8) * 255, np.ones((5, 5), np.uint8))
    left = cv2.bitwise_and(coarse.strong, cv2.bitwise_not(known))
    left = cv2.morphologyEx(left, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    beside = cv2.dilate(known, np.ones((5, 5), np.uint8))
    _, area = cv2.connectedComponents((left > 0).astype(np.uint8))
    shadow = np.bincount(area.ravel(), ((beside > 0) & (left == 128)).ravel()) > 0
    shadow[0] = True
    dark = (left == 128) & shadow[area]
    return np.where(dark, 0, left).astype(np.uint8)


def _boxes(left: Mask, window: Window, core: int) -> list[tuple[slice, slice]]:
    """Return the blocks around each unexplained thing with room for a core, as slices (down, across)."""
    found, _ = cv2.findContours(left, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    half = window.block // 2
    rows, cols = window.grid
    boxes = []
    for x, y, w, h in map(cv2.boundingRect, found):
        if min(w, h) > 2 * core:
            down = slice(max(y // half - 2, 0), min((y + h) // half + 3, rows))
            boxes.append((down, slice(max(x // half - 2, 0), min((x + w) // half + 3, cols))))
    return boxes


def _add_foreign(
    mask: Mask,
    left: Mask,
    box: tuple[slice, slice],
    window: Window,
    field: TrayField,
    coarse: CoarseLook,
    core: int,
) -> None:
    """Add to the mask what a box holds in a colour of its own."""
    half = tuple(slice(s.start * window.block // 2, s.stop * window.block // 2) for s in box)
    here = coarse.part((half[0], half[1]))
    piece = main_colour(here, left[half], core_px=core)
    if piece is None:
        return
    part = window.part(box)
    signal = signal_for(piece, here)
    full = tuple(slice(s.start * window.block, s.stop * window.block) for s in box)
    _add(mask[full], left[half], part, piece_mask(part, field.part(box), here, signal), signal)


def _add(mask: Mask, left: Mask, window: Window, found: Mask, signal: Signal) -> None:
    """Add to the mask what was found near `left` and has sharp edges where it is free: glow and shadow have not."""
    near = cv2.dilate(left, np.ones((9, 9), np.uint8))
    near = cv2.resize(near, found.shape[::-1], interpolation=cv2.INTER_NEAREST)
    found = cv2.bitwise_and(cv2.bitwise_and(found, near), cv2.bitwise_not(mask))
    reach = 2 * round(2.5 * max(window.blur_px, 1.0)) + 1
    edges, _ = cv2.findContours(found, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    taken = cv2.dilate(mask, np.ones((7, 7), np.uint8))
    for edge in edges:
        x, y, w, h = cv2.boundingRect(edge)
        if min(w, h) < reach:
            continue
        rows, cols = slice(max(y - reach, 0), y + h + reach), slice(max(x - reach, 0), x + w + reach)
        level = cv2.transform(window.pixels[rows, cols].astype(np.float32), signal.by_code[None])
        step = cv2.morphologyEx(level, cv2.MORPH_GRADIENT, np.ones((reach, reach), np.uint8))
        at = edge[:, 0] - (cols.start, rows.start)
        free = taken[edge[:, 0, 1], edge[:, 0, 0]] == 0
        if free.any() and np.median(step[at[free, 1], at[free, 0]]) > 0.6 * signal.step:
            cv2.drawContours(mask, [edge], 0, 255, cv2.FILLED)


def piece_mask(window: Window, field: TrayField, coarse: CoarseLook, signal: Signal) -> Mask:
    """Return 255 where a pixel shows a piece, ndarray (h, w), uint8.

    A pixel belongs to a piece where the signal passes a mark between tray and pieces: a low one where shadows
    cannot reach it, because the shaded flank of a piece is darker than its middle; else one between shadows and
    pieces, and thin ridges that pass the low mark are kept besides.
    """
    by_code, step = signal.by_code, signal.step
    light = (field.code @ coarse.tray) / float(coarse.tray @ coarse.tray)
    tray_level = field.code @ by_code
    bottom = float(tray_level.min()) - 0.5 * step
    gain = 255.0 / (float((tray_level + step * light).max()) + 0.3 * step - bottom)
    seen = cv2.transform(window.pixels, np.append(by_code * gain, -bottom * gain)[None])
    if (signal.weight > 0).any() and (signal.weight < 0).any():  # colour, which the file holds at half the resolution
        seen = cv2.blur(seen, (3, 3))
    mask = cv2.compare(seen, _upsampled((tray_level - bottom + signal.mark * step * light) * gain, window), cv2.CMP_GT)
    if signal.mark > signal.ridge_mark:
        width = 2 * round(THREAD_MM * window.px_per_mm / 2) + 1
        ridge = cv2.morphologyEx(seen, cv2.MORPH_TOPHAT, np.ones((width, width), np.uint8))
        mask |= cv2.compare(ridge, _upsampled(signal.ridge_mark * step * light * gain, window), cv2.CMP_GT)
    if signal.see_through:
        mask = _closed(mask, coarse, window)
    if signal.hue is not None:
        scale = 255.0 / 4.0  # shares of the step from -2 to 2
        hue = cv2.transform(window.pixels, np.append(signal.hue * scale, 127.5)[None])
        least = (field.code @ signal.hue + LEAST_HUE * light) * scale + 127.5
        mask = cv2.bitwise_and(mask, cv2.compare(hue, _upsampled(least, window), cv2.CMP_GT))
    if signal.shadow is not None:
        mask = _without_shadows(mask, coarse, signal.shadow, window)
    return cv2.bitwise_and(mask, window.inside).astype(np.uint8, copy=False)


def _without_shadows(mask: Mask, coarse: CoarseLook, weight: FloatArray, window: Window) -> Mask:
    """Return the mask without what has the shadows' hue, and without the bits of rim that are left of shadows."""
    dark = cv2.resize(mask, coarse.inside.shape[::-1], interpolation=cv2.INTER_AREA) > 127
    shadow = cv2.resize(shadow_mask(coarse, weight, dark), mask.shape[::-1], interpolation=cv2.INTER_LINEAR)
    shadow = cv2.compare(shadow, 127, cv2.CMP_GT)
    fringe = 2 * round(FRINGE_MM * window.px_per_mm / 2) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (fringe, fringe))
    left = cv2.bitwise_and(mask, cv2.bitwise_not(shadow))
    left = cv2.morphologyEx(cv2.morphologyEx(left, cv2.MORPH_CLOSE, kernel), cv2.MORPH_OPEN, kernel)
    beside = cv2.dilate(shadow, kernel)
    found, _ = cv2.findContours(left, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    for edge in found:
        if cv2.contourArea(edge) < (2 * fringe) ** 2 and beside[edge[:, 0, 1], edge[:, 0, 0]].any():
            cv2.drawContours(left, [edge], 0, 0, cv2.FILLED)
    return left.astype(np.uint8, copy=False)


def _closed(mask: Mask, coarse: CoarseLook, window: Window) -> Mask:
    """Return the mask with dark stripes of see-through pieces closed: narrower than a quarter of a piece."""
    filled = cv2.morphologyEx(coarse.likely()[::2, ::2], cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    depth = cv2.distanceTransform((filled > 0).astype(np.uint8), cv2.DIST_L2, 3)
    if not (depth > 0).any():
        return mask
    width = 4 * 2 * float(np.percentile(depth[depth > 0], 97))  # of the pieces: twice the depth, at full resolution
    size = 2 * round(min(width / 8, 0.4 * window.px_per_mm)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel).astype(np.uint8, copy=False)


def _upsampled(blocks: FloatArray, window: Window) -> Mask:
    """Return block values as an image of the window's size, uint8."""
    values = np.clip(np.round(blocks), 0, 255).astype(np.uint8)
    size = window.pixels.shape[1], window.pixels.shape[0]
    return cv2.resize(values, size, interpolation=cv2.INTER_LINEAR).astype(np.uint8, copy=False)
