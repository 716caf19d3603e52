"""Close looks at some regions at once: their surroundings cut from the photo and laid side by side in one picture.

One picture instead of many small ones, because each image operation then runs once for all regions.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.regions import Regions
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Image = npt.NDArray[np.float32]
Mask = npt.NDArray[np.uint8]

#: Points in a row of the grid in which single points are looked up (an image may not be wider than 32767).
_ROW = 1024

#: A glint along a dark flank is still so much like the piece; the tray between a thread and its body is not.
GLINT = 0.3

#: Code of the tray in the eight-bit picture that gets opened; the brightest place of each patch gets 255.
_ZERO = 30.0


def signal_at(regions: Regions, points: FloatArray, owner: IntArray) -> FloatArray:
    """Return the contrast at the pixels nearest to points (m, 2): 0 tray, 1 piece, by the levels of region `owner`."""
    rows = -(-len(points) // _ROW)
    where = np.zeros((2, rows * _ROW), np.float32)
    where[:, : len(points)] = points.T
    x, y = where.reshape(2, rows, _ROW)
    rgb = np.asarray(
        cv2.remap(regions.tray.photo.pixels, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    )
    linear = np.asarray(cv2.LUT(rgb, LINEAR_OF_CODE), np.float32).reshape(-1, 3)[: len(points)]
    shares = linear * regions.own_contrast.astype(np.float32).take(owner, 0)
    light = np.asarray(cv2.transform(shares[None], np.ones((1, 3), np.float32)))[0]
    step = regions.level_piece - regions.level_tray
    per_step = 1 / np.where(step > 0, step, np.inf)
    return np.asarray((light - regions.level_tray.take(owner)) * per_step.take(owner), float)


def label_at(regions: Regions, points: FloatArray) -> IntArray:
    """Return the label (region + 1, 0 for tray or outside) at points (m, 2)."""
    h, w = regions.labels.shape
    x = np.rint(points[:, 0]).astype(np.int64) - regions.origin_px[0]
    y = np.rint(points[:, 1]).astype(np.int64) - regions.origin_px[1]
    inside = (x >= 0) & (y >= 0) & (x < w) & (y < h)
    found = regions.labels.take(np.where(inside, y * w + x, 0))
    return np.where(inside, found, 0).astype(np.int64)


@dataclass(frozen=True, eq=False)
class Patches:
    """Regions' surroundings side by side in one picture ("board").

    Parameters
    ----------
    region : ndarray (p,): region of each patch.
    shift_px : ndarray (p, 2): photo pixel = board pixel + shift.
    box : ndarray (p, 4): x0, y0, x1, y1 of each patch on the board (x1, y1 not included).
    thin : ndarray (h, w), float32: contrast of what is narrower than the opening disc, in units of the step from tray
        to piece; 0 elsewhere. Of tray much brighter than beside the piece, in whose shade that lies, all is cut off.
    contrast : ndarray (h, w), float32: all there is, in the same units, nothing cut off.
    own : ndarray (h, w), uint8: 1 in the own region, threads and all.
    body : ndarray (h, w), uint8: 1 in the own region's body (threads opened away).
    whole : ndarray (h, w), uint8: 1 in the own body with slits closed (a highlight along the flank cuts into it).
    other : ndarray (h, w), uint8: 1 in the bodies of other regions (threads opened away).
    away : ndarray (h, w), float32: distance to the own body, px.
    """

    region: IntArray
    shift_px: FloatArray
    box: IntArray
    thin: Image
    contrast: Image
    own: Mask
    body: Mask
    whole: Mask
    other: Mask
    away: Image

    @property
    def noise(self) -> float:
        """Return the contrast below which thin things beside bodies are texture, noise and halos of compression.

        Four times what a quarter of the bare tray there exceeds, or twice what a tenth does (threads cover less).
        """
        bare = self.thin[(self.away > 4) & (self.away < 12) & (self.other == 0)]
        if not bare.size:
            return 0.0
        quarter, tenth = np.quantile(bare, (0.75, 0.9))
        return float(max(4 * quarter, 2 * tenth))

    def patch_at(self, points: FloatArray) -> IntArray:
        """Return which patch board points (m, 2) lie in, -1 for none."""
        x, y = points[:, 0, None], points[:, 1, None]
        x0, y0, x1, y1 = self.box.T
        inside = (x >= x0) & (x < x1) & (y >= y0) & (y < y1)
        return np.where(inside.any(1), inside.argmax(1), -1)


def lay_out(
    regions: Regions,
    which: IntArray,
    extents: FloatArray,
    margin_px: float,
    disc_px: float,
    solid: npt.NDArray[np.bool_],
) -> Patches:
    """Return close looks at some regions.

    Parameters
    ----------
    regions : all regions.
    which : ndarray (p,): those to look at.
    extents : ndarray (n, 4): x0, y0, x1, y1 of every region, px.
    margin_px : how far around each.
    disc_px : diameter of the opening disc: what is narrower counts as thin.
    solid : ndarray (n,): regions that are bodies; others (bits of thread, dust) hide nothing.
    """
    boxes = _boxes(regions, which, extents, margin_px, ~solid)
    place, size = _shelves(boxes[:, 2:] - boxes[:, :2])
    eight = np.full((size[1], size[0]), round(_ZERO), np.uint8)
    own = np.zeros_like(eight)
    other = np.zeros_like(eight)
    worth = np.ones(eight.shape, np.float32)  # contrast of one step
    whole = np.zeros(eight.shape, np.float32)
    hides = np.concatenate([[False], solid])
    summed = np.ones((1, 3), np.float32)
    for k, (x0, y0, x1, y1), (px, py) in zip(which, boxes, place, strict=True):
        at = np.s_[py : py + y1 - y0, px : px + x1 - x0]
        table = (LINEAR_OF_CODE[:, None] * regions.own_contrast[k].astype(np.float32))[None]
        signal = cv2.transform(cv2.LUT(regions.tray.photo.pixels[y0:y1, x0:x1], table), summed)
        step = regions.level_piece[k] - regions.level_tray[k]
        contrast = (signal - np.float32(regions.level_tray[k])) * np.float32(1 / step if step > 0 else 0)
        one = np.float32(max(1.0, float(contrast.max())) / (255 - _ZERO))
        worth[at], whole[at] = one, contrast
        eight[at] = np.clip(contrast / one + np.float32(_ZERO), 0, 255).astype(np.uint8)
        ox, oy = regions.origin_px
        labels = regions.labels[y0 - oy : y1 - oy, x0 - ox : x1 - ox]
        own[at] = labels == k + 1
        other[at] = hides[labels] & (labels != k + 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(disc_px), _odd(disc_px)))
    thin = cv2.subtract(eight, cv2.morphologyEx(eight, cv2.MORPH_OPEN, disc))
    radius = disc_px / 2
    core = (cv2.distanceTransform(own, cv2.DIST_L2, cv2.DIST_MASK_5) > radius).astype(np.uint8)
    away = np.maximum(cv2.distanceTransform(1 - core, cv2.DIST_L2, cv2.DIST_MASK_5) - np.float32(radius), 0)
    box = np.concatenate([place, place + boxes[:, 2:] - boxes[:, :2]], axis=1)
    return Patches(
        which,
        (boxes[:, :2] - place).astype(float),
        box,
        thin.astype(np.float32) * worth,
        whole,
        own,
        (away <= 0).astype(np.uint8),
        _without_slits(own, (eight[::2, ::2] - _ZERO) * worth[::2, ::2] > GLINT, disc_px),
        np.asarray(cv2.morphologyEx(other, cv2.MORPH_OPEN, disc), np.uint8),
        away,
    )


def _without_slits(own: Mask, lit: npt.NDArray[np.bool_], disc_px: float) -> Mask:
    """Return bodies with glints (`lit`, at half size) in slits closed and threads opened away."""
    half = own[::2, ::2]
    slit, disc = (
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(d), _odd(d)))
        for d in (0.4 * disc_px, 0.5 * disc_px)
    )
    closed = cv2.morphologyEx(np.ascontiguousarray(half), cv2.MORPH_CLOSE, slit)
    whole = cv2.morphologyEx(np.where(lit, closed, half), cv2.MORPH_OPEN, disc)
    return np.asarray(cv2.resize(whole, own.shape[::-1], interpolation=cv2.INTER_NEAREST), np.uint8)


def _odd(diameter: float) -> int:
    return 2 * max(round((diameter - 1) / 2), 1) + 1


def _boxes(
    regions: Regions, which: IntArray, extents: FloatArray, margin_px: float, bits: npt.NDArray[np.bool_]
) -> IntArray:
    """Return (p, 4) photo boxes x0, y0, x1, y1 around regions and bits of thread beside them, inside the photo."""
    low, high = extents[:, :2], extents[:, 2:]
    bit = np.flatnonzero(bits)
    boxes_low, boxes_high = low[which] - margin_px, high[which] + margin_px + 1
    if len(bit):
        apart = (boxes_low[:, None] >= high[bit]) | (boxes_high[:, None] <= low[bit])
        meets = np.asarray(~apart.any(axis=-1), bool)
        for p in np.flatnonzero(meets.any(axis=1)):
            some = bit[meets[p]]
            boxes_low[p] = np.minimum(boxes_low[p], low[some].min(axis=0) - margin_px / 2)
            boxes_high[p] = np.maximum(boxes_high[p], high[some].max(axis=0) + margin_px / 2)
    h, w = regions.labels.shape
    origin = np.asarray(regions.origin_px)
    first = np.maximum(origin, 0)
    last = np.minimum(origin + np.array([w, h]), [regions.tray.photo.width, regions.tray.photo.height])
    start = np.clip(np.floor(boxes_low).astype(np.int64), first, last - 1)
    stop = np.clip(np.ceil(boxes_high).astype(np.int64), start + 1, last)
    return np.concatenate([start, stop], axis=1)


def _shelves(sizes: IntArray, gap: int = 2) -> tuple[IntArray, tuple[int, int]]:
    """Return places (p, 2) for rectangles of the given (w, h), in rows of falling height, and the board's size."""
    wide = max(int(sizes[:, 0].max()) + 2 * gap, int(1.2 * np.sqrt((sizes + gap).prod(axis=1).sum())))
    place = np.zeros_like(sizes)
    x = y = gap
    tall = 0
    for i in np.argsort(-sizes[:, 1], kind="stable"):
        w, h = sizes[i]
        if x + w + gap > wide:
            x, y, tall = gap, y + tall + gap, 0
        place[i] = x, y
        x, tall = x + int(w) + gap, max(tall, int(h))
    return place, (wide, y + tall + gap)
