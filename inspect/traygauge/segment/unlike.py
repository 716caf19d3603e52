"""Whether what was found looks like pieces at all: strand, flakes and crumbs are solid, print and pictures are not."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.regions import Regions
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]

#: Pieces and their tails fill their convex hulls by this share at least.
SOLID = 0.7
#: A pixel shows the tray below this share of its region's contrast: shaded flanks show more.
BARE = 0.25
#: Nothing that was cut to be fed to a screw, and no flake, is as large as this.
LARGEST_MM = 50.0
#: One pixel of so many is looked at, each way.
STEP_PX = 4


def thickness_px(regions: Regions) -> float:
    """Return how thick what was found is, px: the median over the area found; NaN where nothing is.

    The thickness of an outline is twice its area over its perimeter: 0.6 diameters for strand 1.7 times as long as
    thick, half a diameter at least.
    """
    lines = [line.astype(np.float32) for line in regions.outlines_px]
    if not lines:
        return float("nan")
    area = np.array([cv2.contourArea(line) for line in lines])
    thickness = 2 * area / np.array([max(cv2.arcLength(line, True), 1e-6) for line in lines])
    order = np.argsort(thickness)
    half = int(np.searchsorted(np.cumsum(area[order]), area.sum() / 2))
    return float(thickness[order][min(half, len(order) - 1)])


def share_unlike(regions: Regions) -> float:
    """Return the share of the area found that looks like no piece; 0 where nothing is found.

    That is what parting could not explain, what is ragged (far from its convex hull), what is far too
    large, and of the rest what shows the tray inside: letters, rings, patterns and shades have one or the other,
    strand, flakes and crumbs have none.
    """
    if not len(regions):
        return 0.0
    x0, y0 = regions.origin_px
    pixels = regions.tray.photo.pixels[y0::STEP_PX, x0::STEP_PX]
    labels = regions.labels[::STEP_PX, ::STEP_PX][: pixels.shape[0], : pixels.shape[1]]
    y, x = np.nonzero(labels)
    own = labels[y, x] - 1
    signal = (LINEAR_OF_CODE[pixels[y, x]] * regions.own_contrast[own]).sum(1)
    bare = regions.level_tray + BARE * (regions.level_piece - regions.level_tray)
    state = np.array(regions.state)
    scale = float(
        regions.tray.px_per_mm(np.array([regions.tray.window_mm[:2], regions.tray.window_mm[2:]]).mean(0))
    )
    odd = (state == "unresolved") | (_solidity(regions) < SOLID) | (regions.extent_px > LARGEST_MM * scale)
    return float((odd[own] | (signal < bare[own])).mean()) if len(own) else 0.0


def _solidity(regions: Regions) -> FloatArray:
    """Return each outline's area over that of its convex hull, ndarray (n,)."""
    lines = [line.astype(np.float32) for line in regions.outlines_px]
    area, hull = (
        np.array([cv2.contourArea(x) for x in some]) for some in (lines, map(cv2.convexHull, lines))
    )
    return np.asarray(area / np.maximum(hull, 1e-6), float)
