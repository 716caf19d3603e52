"""Which pixel belongs to which piece, once the rods are known; what no rod explains is parted by its necks."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
LabelArray = npt.NDArray[np.int32]

#: Thinner and smaller ones are none of their own, diameters and square diameters.
_SLIVER, _SPECK = 0.16, 0.2
_SHIFT = 4  # sub-pixel bits of OpenCV's polygons
#: Where an end is looked at: diameters inwards of it, and radii from the axis.
_JUST_INSIDE, _ACROSS = np.array([0.06, 0.1, 0.15]), np.linspace(-0.85, 0.85, 11)


def outline(rod: FloatArray, grown: float = 0.0) -> FloatArray:
    """Return the outline of a rod (6,) as a polygon (k, 2), grown outwards by some pixels."""
    radius = rod[4] / 2 + grown
    turn = np.linspace(-np.pi / 2, np.pi / 2, 9)
    along = rod[3] / 2 + grown + rod[5] * np.cos(turn)
    across = radius * np.sin(turn)
    along, across = np.concatenate([along, -along]), np.concatenate([across, -across])
    c, s = np.cos(rod[2]), np.sin(rod[2])
    return np.stack([rod[0] + along * c - across * s, rod[1] + along * s + across * c], 1)


def labelled(mask: BoolArray, rods: FloatArray, margin: float) -> tuple[LabelArray, BoolArray]:
    """Return labels of the mask's pixels and the pixels that no rod explains.

    Parameters
    ----------
    mask : ndarray (h, w).
    rods : ndarray (n, 6), lowest first: later ones lie above earlier ones.
    margin : how far outside a rod a pixel may lie and still be its own, px.

    Returns
    -------
    labels : ndarray (h, w), int32: 0 outside the rods, k + 1 for rod k.
    left : ndarray (h, w), bool: pixels of the mask in no rod.
    """
    labels = np.zeros(mask.shape, np.int32)
    fringe = np.zeros(mask.shape, np.uint8)
    for k, rod in enumerate(rods):
        polygon = np.rint(outline(rod) * (1 << _SHIFT)).astype(np.int32)
        cv2.fillPoly(labels, [polygon], k + 1, cv2.LINE_8, _SHIFT)
        polygon = np.rint(outline(rod, margin) * (1 << _SHIFT)).astype(np.int32)
        cv2.fillPoly(fringe, [polygon], 1, cv2.LINE_8, _SHIFT)
    labels[~mask] = 0
    return labels, mask & (fringe == 0) & (labels == 0)


def spread(labels: LabelArray, mask: BoolArray) -> LabelArray:
    """Return the labels with every other pixel of the mask given to its nearest label."""
    if not (mask & (labels == 0)).any() or not labels.any():
        return labels
    _, index = cv2.distanceTransformWithLabels(
        (labels == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    at = np.zeros(int(index.max()) + 1, np.int32)
    own = labels > 0
    at[index[own]] = labels[own]
    return np.where(mask, at[index], 0).astype(np.int32)


def ends_hidden(labels: LabelArray, rods: FloatArray) -> FloatArray:
    """Return which share of each end of rods (n, 6), just inside of it, is labelled another's: ndarray (n, 2)."""
    x, y, angle, length, diameter, _ = rods.T[:, :, None, None, None]
    c, s = np.cos(angle), np.sin(angle)
    along = np.array([-1.0, 1.0])[:, None, None] * (length / 2 - _JUST_INSIDE[:, None] * diameter)
    across = _ACROSS * diameter / 2
    at = np.rint([y + along * s + across * c, x + along * c - across * s]).astype(np.int64)
    row, column = (np.clip(a, 0, n - 1) for a, n in zip(at, labels.shape, strict=True))
    found = labels[row, column]
    own = np.arange(1, len(rods) + 1)[:, None, None, None]
    return np.asarray(((found > 0) & (found != own)).mean((2, 3)))


def blobs(left: BoolArray, diameter: float) -> LabelArray:
    """Return what is left of a clump of strand, `diameter` px thick, as numbered blobs, slivers and specks taken off."""
    size = max(1, round(_SLIVER * diameter)) | 1
    core = cv2.morphologyEx(
        left.astype(np.uint8), cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(core, connectivity=4)
    keep = stats[:, cv2.CC_STAT_AREA] >= _SPECK * diameter**2
    keep[0] = False
    number = np.zeros(count, np.int32)
    number[keep] = np.arange(1, int(keep.sum()) + 1)
    return np.asarray(number[labels], np.int32)


def shows(labels: LabelArray, label: int) -> tuple[int, int, float]:
    """Return along how many pixels of others, and of the tray, one label's pixels run, and the largest radius in them, px."""
    y, x = np.nonzero(labels == label)
    box = np.pad(labels, 1)[y.min() : y.max() + 3, x.min() : x.max() + 3]
    own = (box == label).astype(np.uint8)
    beside = (cv2.dilate(own, np.ones((3, 3), np.uint8)) > 0) & (own == 0)
    radius = float(cv2.distanceTransform(own, cv2.DIST_L2, 5).max())
    return int(np.count_nonzero(beside & (box > 0))), int(np.count_nonzero(beside & (box == 0))), radius


def room_px(mask: BoolArray, rod: FloatArray) -> float:
    """Return how long a straight piece can be that shows a rod (6,), px: as far as the clump runs on along its axis.

    Where its end is hidden it may run on below others, and below those next to them; never where the tray shows. The
    clump's largest extent where no rod is known.
    """
    y, x = np.nonzero(mask)
    if not np.isfinite(rod).all():
        return float(np.hypot(np.ptp(x) + 1, np.ptp(y) + 1))
    reach = int(np.hypot(*mask.shape)) + 1
    found = 0.0
    for way in (-1, 1):
        along = way * np.arange(reach)
        at = np.rint(rod[:2] + along[:, None] * np.array([np.cos(rod[2]), np.sin(rod[2])])).astype(np.int64)
        inside = (at >= 0).all(1) & (at < mask.shape[::-1]).all(1)
        inside[inside] = mask[at[inside, 1], at[inside, 0]]
        shown = int(np.ceil(rod[3] / 2))
        found += shown + int(np.argmin(np.append(inside[shown:], False)))
    return found
