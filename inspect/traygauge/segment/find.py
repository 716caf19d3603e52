"""From the tray view to regions: the steps one after the other."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField, tray_field
from traygauge.segment.colour import LUMINANCE, linear_to_lab
from traygauge.segment.contrast import Signal, linear_light, own_weights
from traygauge.segment.look import CoarseLook, look
from traygauge.segment.mask import all_pieces
from traygauge.segment.outline import Outlines, refine
from traygauge.segment.regions import Regions
from traygauge.segment.window import Window, cut_window
from traygauge_calib.tray_view import TrayView
from traygauge_shared.light import srgb_to_linear

FloatArray = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Labels = npt.NDArray[np.int32]
Contours = list[npt.NDArray[np.int32]]

#: The smallest thing that is a region: crumbs from 0.3 mm, blur and noise taken off.
SMALLEST_MM = 0.27
#: An edge steps by this share of its region's contrast at least: noise, glow and soft shadows do not.
SHARP = 0.25


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
    contours = _reading_order(contours, window)
    labels = _drawn([c[:, 0] for c in contours], gaps, window)
    colour = _mean_colours(labels, len(contours), window, field)
    weight = own_weights(colour, signal, coarse)
    outlines = refine(contours, linear_light(window.pixels), weight, blur_px=window.blur_px)
    keep = _stands_out(outlines, colour, weight, signal, coarse)
    if not keep.any():
        return _nothing(tray, window)
    outlines = outlines.only(keep)
    return _regions(tray, window, coarse, signal, colour[keep], gaps, outlines)


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
        outer.append(contour.astype(np.int32))
        hole = int(tree[0, k, 2])
        if hole >= 0 and area < 0.85 * cv2.contourArea(cv2.convexHull(contour)):
            while hole >= 0:
                if cv2.contourArea(found[hole]) > 2 * smallest:
                    gaps.append(found[hole].astype(np.int32))
                hole = int(tree[0, hole, 0])
    return outer, gaps


def _reading_order(contours: Contours, window: Window) -> Contours:
    """Return the contours line by line (lines of 5 mm), each from left to right."""
    middle = np.array([c[:, 0].mean(0) for c in contours])
    line = np.floor(middle[:, 1] / (5.0 * window.px_per_mm))
    return [contours[i] for i in np.lexsort([middle[:, 0], line])]


def _drawn(contours: Sequence[FloatArray], gaps: Contours, window: Window) -> Labels:
    """Return the label image of contours (k, 2) that run through the rims' pixel centres."""
    labels = np.zeros(window.inside.shape, np.int32)
    for k, contour in enumerate(contours):
        cv2.fillPoly(labels, [contour.astype(np.int32)], k + 1)
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
    shade = srgb_to_linear(field.code / 255.0).mean(-1) / srgb_to_linear(field.colour / 255.0).mean()
    light /= shade[y * 3 // window.block, x * 3 // window.block][:, None]
    count = np.bincount(owner, minlength=n)
    total = np.stack([np.bincount(owner, light[:, c], minlength=n) for c in range(3)], -1)
    return total / np.maximum(count, 1)[:, None]


def _stands_out(
    outlines: Outlines, colour: FloatArray, weight: FloatArray, signal: Signal, coarse: CoarseLook
) -> Bool:
    """Return whether each region's edge steps by a good part of its contrast, and of the usual one."""
    n = len(colour)
    step = _means(outlines.rise, outlines, n)
    own = ((colour - srgb_to_linear(coarse.tray / 255.0)) * weight).sum(1)
    usual = np.where((weight == signal.weight).all(1), signal.step, own)
    return np.asarray((step > SHARP * own) & (step > SHARP * usual), bool)


def _means(value: FloatArray, outlines: Outlines, n: int) -> FloatArray:
    """Return the mean of a value over each region's outline."""
    return np.bincount(outlines.region, value, minlength=n) / np.bincount(outlines.region, minlength=n)


def _regions(
    tray: TrayView,
    window: Window,
    coarse: CoarseLook,
    signal: Signal,
    colour: FloatArray,
    gaps: Contours,
    outlines: Outlines,
) -> Regions:
    """Return the regions with their levels and colours."""
    n = len(colour)
    labels = _drawn(outlines.split(outlines.start), gaps, window)
    split = outlines.split(outlines.points)
    rim = cv2.erode(window.inside, np.ones((3, 3), np.uint8), borderValue=0) == 0
    start = outlines.start.astype(np.intp)
    cut = np.bincount(outlines.region, rim[start[:, 1], start[:, 0]], minlength=n) > 0
    inner, outer = _means(outlines.inner, outlines, n), _means(outlines.outer, outlines, n)
    return Regions(
        tray=tray,
        origin_px=window.origin_px,
        labels=labels,
        outlines_px=tuple(o + np.array(window.origin_px, float) for o in split),
        state=tuple("cut off" if c else "whole" for c in cut),
        contrast=signal.weight,
        level_tray=outer,
        level_piece=inner,
        colour_lab=linear_to_lab(colour),
        confidence=np.ones(n),
        heap=np.full(n, -1, np.int64),
        extent_px=np.array([2 * cv2.minEnclosingCircle(o.astype(np.float32))[1] for o in split]),
        threads_px=((),) * n,
        contrast_to_noise=float(np.median(inner - outer) / signal.noise),
        rod_px=np.full((n, 5), np.nan),
    )


def _nothing(tray: TrayView, window: Window) -> Regions:
    """Return an empty list of regions with every column."""
    return Regions(
        tray=tray,
        origin_px=window.origin_px,
        labels=np.zeros(window.inside.shape, np.int32),
        outlines_px=(),
        state=(),
        contrast=LUMINANCE.copy(),
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
