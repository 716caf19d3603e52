"""From the tray view to regions: the steps one after the other."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField, tray_field
from traygauge.segment.colour import linear_to_lab
from traygauge.segment.contrast import CoarseLook, linear_light, look, main_colour, weights
from traygauge.segment.mask import piece_mask
from traygauge.segment.outline import Outlines, refine
from traygauge.segment.regions import Regions
from traygauge.segment.window import Window, cut_window
from traygauge_calib.tray_view import TrayView
from traygauge_shared.light import srgb_to_linear

FloatArray = npt.NDArray[np.float64]
Contours = list[npt.NDArray[np.int32]]

#: The smallest thing that is a region: crumbs from 0.3 mm, blur and noise taken off.
SMALLEST_MM = 0.27


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
    piece = main_colour(coarse, core_px=max(1, round(0.125 * window.px_per_mm)))
    if piece is None:
        return _nothing(tray, window)
    weight = weights(piece, coarse)
    mask = piece_mask(window, field, coarse, weight, piece)
    contours, gaps = _contours(mask, window)
    if not contours:
        return _nothing(tray, window)
    contours = _reading_order(contours, window)
    light = linear_light(window.pixels)
    outlines = refine(contours, light, np.tile(weight, (len(contours), 1)), blur_px=window.blur_px)
    usual = weight @ (srgb_to_linear(piece / 255.0) - srgb_to_linear(coarse.tray / 255.0))
    keep = _stands_out(outlines, len(contours), float(usual))
    if not keep.any():
        return _nothing(tray, window)
    contours = [c for c, k in zip(contours, keep, strict=True) if k]
    return _regions(tray, window, field, coarse, weight, contours, gaps, outlines.only(keep))


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


def _stands_out(outlines: Outlines, n: int, usual: float) -> npt.NDArray[np.bool_]:
    """Return whether each region's edge steps by a good part of the usual contrast: noise does not."""
    count = np.bincount(outlines.region, minlength=n)
    step = np.bincount(outlines.region, outlines.inner - outlines.outer, minlength=n) / count
    return step > 0.35 * usual


def _reading_order(contours: Contours, window: Window) -> Contours:
    """Return the contours line by line (lines of 5 mm), each from left to right."""
    middle = np.array([c[:, 0].mean(0) for c in contours]).reshape(-1, 2)
    line = np.floor(middle[:, 1] / (5.0 * window.px_per_mm))
    return [contours[i] for i in np.lexsort([middle[:, 0], line])]


def _regions(
    tray: TrayView,
    window: Window,
    field: TrayField,
    coarse: CoarseLook,
    weight: FloatArray,
    contours: Contours,
    gaps: Contours,
    outlines: Outlines,
) -> Regions:
    """Return the regions with their levels and colours."""
    n = len(contours)
    labels = np.zeros(window.inside.shape, np.int32)
    for k, contour in enumerate(contours):
        cv2.fillPoly(labels, [contour], k + 1)
    for gap in gaps:  # OpenCV gives a hole by the piece's pixels round it
        inside = np.zeros_like(
            labels[: int(np.ptp(gap[:, 0, 1])) + 1, : int(np.ptp(gap[:, 0, 0])) + 1], np.uint8
        )
        corner = gap[:, 0].min(0)
        cv2.fillPoly(inside, [gap - corner], 1)
        cv2.polylines(inside, [gap - corner], True, 0)
        crop = labels[corner[1] : corner[1] + inside.shape[0], corner[0] : corner[0] + inside.shape[1]]
        crop[inside > 0] = 0
    rim = cv2.erode(window.inside, np.ones((3, 3), np.uint8), borderValue=0) == 0
    cut = [bool(rim[c[:, 0, 1], c[:, 0, 0]].any()) for c in contours]
    split = outlines.split()
    starts = np.searchsorted(outlines.region, np.arange(n))
    count = np.bincount(outlines.region, minlength=n)
    inner = np.add.reduceat(outlines.inner, starts) / count
    outer = np.add.reduceat(outlines.outer, starts) / count
    slope = srgb_to_linear((coarse.tray + 1) / 255) - srgb_to_linear(coarse.tray / 255)
    variance = weight @ ((coarse.covariance * 2.0 + np.eye(3) / 12) * np.outer(slope, slope)) @ weight
    origin = np.array(window.origin_px, float)
    extent = [cv2.minEnclosingCircle(o.astype(np.float32))[1] * 2 for o in split]
    return Regions(
        tray=tray,
        origin_px=window.origin_px,
        labels=labels,
        outlines_px=tuple(o + origin for o in split),
        state=tuple("cut off" if c else "whole" for c in cut),
        contrast=weight,
        level_tray=outer,
        level_piece=inner,
        colour_lab=_colours(labels, n, window, field),
        confidence=np.ones(n),
        heap=np.full(n, -1, np.int64),
        extent_px=np.array(extent),
        threads_px=((),) * n,
        contrast_to_noise=float(np.median(inner - outer) / np.sqrt(variance)),
        rod_px=np.full((n, 5), np.nan),
    )


def _colours(labels: npt.NDArray[np.int32], n: int, window: Window, field: TrayField) -> FloatArray:
    """Return CIELAB of each region's inside, the tray's light evened out."""
    step = 2
    sparse = labels[::step, ::step]
    y, x = np.nonzero(sparse)
    owner = sparse[y, x] - 1
    code = window.pixels[::step, ::step][y, x]
    light = srgb_to_linear(code / 255.0)
    local = srgb_to_linear(field.code / 255.0)[y * step // window.block, x * step // window.block]
    shade = local.mean(1) / srgb_to_linear(field.colour / 255.0).mean()
    light /= shade[:, None]
    count = np.bincount(owner, minlength=n)
    mean = (
        np.stack([np.bincount(owner, light[:, c], minlength=n) for c in range(3)], -1)
        / np.maximum(count, 1)[:, None]
    )
    return linear_to_lab(mean)


def _nothing(tray: TrayView, window: Window) -> Regions:
    """Return an empty list of regions with every column."""
    return Regions(
        tray=tray,
        origin_px=window.origin_px,
        labels=np.zeros(window.inside.shape, np.int32),
        outlines_px=(),
        state=(),
        contrast=np.array([0.2126, 0.7152, 0.0722]),
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
