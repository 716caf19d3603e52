"""From the tray view to regions: the steps one after the other."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField, tray_field
from traygauge.segment.clumps import Scene, Thing, around, parted
from traygauge.segment.colour import LUMINANCE, linear_to_lab
from traygauge.segment.contrast import Signal, linear_light, own_weights
from traygauge.segment.look import CoarseLook, look
from traygauge.segment.mask import all_pieces
from traygauge.segment.outline import Outlines, levels, refine
from traygauge.segment.regions import Regions
from traygauge.segment.window import Window, cut_window
from traygauge_calib.tray_view import TrayView
from traygauge_shared.light import srgb_to_linear

FloatArray = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Labels = npt.NDArray[np.int32]
Contours = list[npt.NDArray[np.int32]]

#: The smallest thing that is a region: crumbs from 0.3 mm, with room for their shape.
SMALLEST_MM = 0.23
#: An edge steps by this share of its region's contrast at least: noise, glow and soft shadows do not.
SHARP = 0.25
#: Things smaller than this must do better: noise makes specks.
SPECK_MM, SHARP_SPECK = 0.5, 0.45

#: Beside shadows as dark as themselves pieces are found, but half their edge is seen badly: that much is left of it.
AMONG_SHADOWS = 0.4
#: Specks this near to a piece are bits of its fringe.
FRINGE_MM = 0.2
#: Share of the pieces' contrast that their shaded flanks keep at least where pieces are fit to be measured.
FLANK = 0.1


def find_pieces(tray: TrayView) -> Regions:
    """Return everything that lies on the tray.

    Parameters
    ----------
    tray : the tray view. Tray colour, light and the pieces' colours are found in its photo.

    Returns
    -------
    Regions : in reading order; n = 0 with all arrays present for an empty tray (`contrast_to_noise` is then NaN).
    """
    window = cut_window(tray)
    field = tray_field(window)
    coarse = look(window, field)
    mask, signal = all_pieces(window, field, coarse)
    contours, gaps = _contours(mask, window)
    if signal is None or not contours:
        return _nothing(tray, window)
    labels = _drawn(contours, gaps, window)
    colour = _mean_colours(labels, len(contours), window, field)
    light = linear_light(window.pixels)
    first = refine(contours, light, own_weights(colour, signal, coarse), blur_px=window.blur_px)
    keep = _stands_out(first, colour, signal, coarse, window, field) & ~_beside_others(contours, labels, window)
    contours, first = [c for c, k in zip(contours, keep, strict=True) if k], first.only(keep)
    if not contours:
        return _nothing(tray, window)
    labels = np.append(0, np.where(keep, np.cumsum(keep), 0)).astype(np.int32)[labels]
    things, labels = parted(contours, labels, Scene(tray, window, signal.mark > signal.ridge_mark))
    things, labels = _in_reading_order(things, labels, window)
    colour = _mean_colours(labels, len(things), window, field)
    weight = own_weights(colour, signal, coarse)
    outlines = refine([t.contour for t in things], light, weight, blur_px=window.blur_px, labels=labels)
    labels = _redrawn(labels, things, outlines)
    return _regions(tray, window, signal, things, labels, colour, weight, outlines)


def _contours(mask: npt.NDArray[np.uint8], window: Window) -> tuple[Contours, Contours]:
    """Return the outer contours of what is large enough, and those of the gaps that pieces enclose.

    A hole in a rounded whole is a highlight or a see-through middle, and is filled; a hole in a ragged one is
    tray seen between pieces that touch.
    """
    found, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    smallest = np.pi / 4 * (SMALLEST_MM * window.px_per_mm) ** 2
    outer: Contours = []
    gaps: Contours = []
    for k, contour in enumerate(found):
        area = cv2.contourArea(contour) + len(contour) / 2 + 1  # of the pixels, not between their centres
        if tree[0, k, 3] >= 0 or len(contour) < 4 or area < smallest:
            continue
        outer.append(contour[:, 0].astype(np.int32))
        hole = int(tree[0, k, 2])
        if hole >= 0 and area < 0.85 * cv2.contourArea(cv2.convexHull(contour)):
            while hole >= 0:
                if cv2.contourArea(found[hole]) > 2 * smallest:
                    gaps.append(found[hole].astype(np.int32))
                hole = int(tree[0, hole, 0])
    return outer, gaps


def _in_reading_order(things: list[Thing], labels: Labels, window: Window) -> tuple[list[Thing], Labels]:
    """Return the things line by line (lines of 5 mm), each from left to right, and the labels to match."""
    middle = np.array([t.contour.mean(0) for t in things])
    order = np.lexsort([middle[:, 0], np.floor(middle[:, 1] / (5.0 * window.px_per_mm))])
    number = np.zeros(len(things) + 1, np.int32)
    number[order + 1] = np.arange(1, len(things) + 1)
    return [things[k] for k in order], number[labels]


def _drawn(contours: Contours, gaps: Contours, window: Window) -> Labels:
    """Return the label image of contours (k, 2) that run through the rims' pixel centres."""
    labels = np.zeros(window.inside.shape, np.int32)
    for k, contour in enumerate(contours):
        cv2.fillPoly(labels, [contour], k + 1)
    for gap in gaps:  # OpenCV gives a hole by the piece's pixels round it
        x, y, w, h = cv2.boundingRect(gap)
        inside = np.zeros((h, w), np.uint8)
        cv2.fillPoly(inside, [gap - (x, y)], 1)
        cv2.polylines(inside, [gap - (x, y)], True, 0)
        labels[y : y + h, x : x + w][inside > 0] = 0
    return labels


def _mean_colours(labels: Labels, n: int, window: Window, field: TrayField) -> FloatArray:
    """Return the linear light (n, 3) of each region's inside under the tray's average light."""
    sparse = labels[::3, ::3]
    y, x = np.nonzero(sparse)
    owner = sparse[y, x] - 1
    light = srgb_to_linear(window.pixels[::3, ::3][y, x] / 255.0)
    light /= field.light()[y * 3 // window.block, x * 3 // window.block][:, None]
    count = np.bincount(owner, minlength=n)
    total = np.stack([np.bincount(owner, light[:, c], minlength=n) for c in range(3)], -1)
    return total / np.maximum(count, 1)[:, None]


def _redrawn(labels: Labels, things: list[Thing], outlines: Outlines) -> Labels:
    """Return the label image of the refined outlines: every pixel that they enclose or cross.

    Unresolved heaps keep their own pixels, because they may have gaps.
    """
    drawn = np.zeros_like(labels)
    for k, (thing, line) in enumerate(zip(things, outlines.split(outlines.points), strict=True)):
        if thing.state == "unresolved":
            at = around(thing.contour, labels.shape, 0)
            drawn[at][labels[at] == k + 1] = k + 1
        else:
            cv2.fillPoly(drawn, [np.rint(line * 16).astype(np.int32)], k + 1, shift=4)
    return drawn


def _stands_out(
    outlines: Outlines, colour: FloatArray, signal: Signal, coarse: CoarseLook, window: Window, field: TrayField
) -> Bool:
    """Return which regions are no specks and rise sharply by a good part of their contrast, and of the usual one."""
    weight = own_weights(colour, signal, coarse)
    own = ((colour - srgb_to_linear(coarse.tray / 255.0)) * weight).sum(1)
    usual = np.where((weight == signal.weight).all(1), signal.step, own)
    x, y = (outlines.mean(outlines.points) / window.block).astype(int).T
    light = field.light()
    rise = outlines.mean(outlines.rise) / light[y.clip(0, light.shape[0] - 1), x.clip(0, light.shape[1] - 1)]
    area = np.array([cv2.contourArea(o.astype(np.float32)) for o in outlines.split(outlines.points)])
    size_mm = np.sqrt(4.0 / np.pi * area) / window.px_per_mm
    least = np.where(size_mm < SPECK_MM, SHARP_SPECK, SHARP) * np.maximum(own, usual)
    return np.asarray((rise > least) & (size_mm > SMALLEST_MM), bool)


def _beside_others(contours: Contours, labels: Labels, window: Window) -> Bool:
    """Return which things are specks right beside a larger thing: bits of its fringe."""
    length = np.array([len(c) for c in contours])
    out = np.zeros(len(contours), bool)
    reach = round(FRINGE_MM * window.px_per_mm)
    for k in np.flatnonzero(length < np.pi * SPECK_MM * window.px_per_mm):
        near = labels[around(contours[k], labels.shape, reach)]
        others = near[(near > 0) & (near != k + 1)]
        out[k] = bool((length[others - 1] > 2 * length[k]).any())
    return out


def _regions(
    tray: TrayView,
    window: Window,
    signal: Signal,
    things: list[Thing],
    labels: Labels,
    colour: FloatArray,
    weight: FloatArray,
    outlines: Outlines,
) -> Regions:
    """Return the things as regions, in photo pixels."""
    n = len(things)
    rim = cv2.erode(window.inside, np.ones((3, 3), np.uint8), borderValue=0) == 0
    cut = [bool(rim[t.contour[:, 1], t.contour[:, 0]].any()) for t in things]
    split = outlines.split(outlines.points)
    level_tray, level_piece = levels(outlines).T
    extent = [2.0 * float(cv2.minEnclosingCircle(o.astype(np.float32))[1]) for o in split]
    origin = np.array(window.origin_px, float)
    return Regions(
        tray=tray,
        origin_px=window.origin_px,
        labels=labels,
        outlines_px=tuple(o + origin for o in split),
        state=tuple("cut off" if c else t.state for c, t in zip(cut, things, strict=True)),
        contrast=signal.weight,
        own_contrast=weight,
        level_tray=level_tray,
        level_piece=level_piece,
        colour_lab=linear_to_lab(colour),
        confidence=np.array([t.confidence for t in things]),
        heap=np.array([t.heap for t in things], np.int64),
        extent_px=np.array([max(e, t.clump_px * (t.state == "unresolved")) for e, t in zip(extent, things, strict=True)]),
        threads_px=((),) * n,
        contrast_to_noise=_clearness(level_piece - level_tray, signal),
        rod_px=np.array([t.rod for t in things]) + np.array([*origin, 0, 0, 0]),
    )


def _clearness(step: FloatArray, signal: Signal) -> float:
    """Return the pieces' median contrast over noise, taken down where they vanish into tray or shadow."""
    kept = np.clip(signal.shaded / (FLANK * signal.step), 0.0, 1.0) * signal.clear
    if signal.shadow is not None:
        kept *= AMONG_SHADOWS
    return float(np.median(step) / signal.noise * kept)


def _nothing(tray: TrayView, window: Window) -> Regions:
    """Return an empty list of regions with every column."""
    return Regions(
        tray=tray,
        origin_px=window.origin_px,
        labels=np.zeros(window.inside.shape, np.int32),
        outlines_px=(),
        state=(),
        contrast=LUMINANCE.copy(),
        own_contrast=np.zeros((0, 3)),
        level_tray=np.zeros(0),
        level_piece=np.zeros(0),
        colour_lab=np.zeros((0, 3)),
        confidence=np.zeros(0),
        heap=np.zeros(0, np.int64),
        extent_px=np.zeros(0),
        threads_px=(),
        contrast_to_noise=float("nan"),
        rod_px=np.zeros((0, 5)),
    )
