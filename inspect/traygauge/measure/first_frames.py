"""First guesses of where each body lies, from the outlines alone."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.frame import Frames, usual_diameter
from traygauge.measure.signal import local_maps
from traygauge.segment.bend import STRAIGHT, band_of
from traygauge.segment.part_prior import FILLED
from traygauge.segment.regions import Regions
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Below this ratio of the sides second moments say little of their directions, and nothing of a square's (drawn pieces: a
#: third of those lay more than 15 degrees off, one in a thousand since).
_NEARLY_SQUARE = 1.5

#: Things this slim (sides as moments tell them) are looked at for a bend.
_SLIM = 3.0
#: The rectangle of a bent band's moments is larger than the band by this at least (closed form: of any parallelogram, a straight
#: rod cut obliquely, it is as large; a rise of 0.15 widths adds 0.012).
_HOLLOW = 1.006

#: Strand is as wide as is usual to this, in log.
_AS_WIDE = 0.15
#: Fewer things that look like strand tell nothing.
_ENOUGH = 8


def _moments(points: FloatArray, size: npt.NDArray[np.integer]) -> tuple[FloatArray, FloatArray]:
    """Return the centroids (n, 2) and the area's covariance (n, 2, 2) of closed outlines (Green's theorem).

    Parameters
    ----------
    points : ndarray (m, 2), the outlines one after the other; size : ndarray (n,), how many points each has, 1 or more.
    """
    start = np.cumsum(size) - size
    shift = points[start]
    # seen from near by: no cancellation
    x, y = (p - np.repeat(s, size) for p, s in zip(points.T, shift.T, strict=True))
    after = np.arange(len(points)) + 1
    after[start + size - 1] = start
    u, v = x.take(after), y.take(after)
    cross = x * v - u * y

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(values, start), float)

    area = total(cross) / 2
    flat = np.abs(area) < 1e-3
    safe = np.where(flat, 1.0, area)
    mean = np.stack([total((x + u) * cross), total((y + v) * cross)], -1) / (6 * safe[:, None])
    mean = np.where(flat[:, None], np.stack([total(x), total(y)], -1) / size[:, None], mean)
    xx, yy = (total((a * a + a * b + b * b) * cross) / (12 * safe) for a, b in ((x, u), (y, v)))
    mixed = total((x * v + 2 * x * y + 2 * u * v + u * y) * cross) / (24 * safe)
    spread = np.stack([xx, mixed, mixed, yy], -1).reshape(-1, 2, 2) - mean[:, :, None] * mean[:, None]
    return shift + mean, np.where(flat[:, None, None], np.eye(2), spread)


def _main_axes(spread: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the directions (n,), radians, of the longer axes of covariances (n, 2, 2), and sides (n, 2), long first.

    The sides are those of the rectangle of that covariance (a rectangle's side squared is twelve times its variance).
    """
    xx, yy, xy = spread[:, 0, 0], spread[:, 1, 1], spread[:, 0, 1]
    away = np.hypot((xx - yy) / 2, xy)
    variance = (xx + yy)[:, None] / 2 + away[:, None] * np.array([1.0, -1.0])
    return np.arctan2(2 * xy, xx - yy) / 2, np.sqrt(12 * np.maximum(variance, 1e-4))


def _straight_axes(
    spread: FloatArray,
    axis: FloatArray,
    sides: FloatArray,
    outlines: tuple[FloatArray, ...],
    to_mm: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return axes and sides as `_main_axes` does, those of nearly square ones along the rectangle of least area.

    Two straight flanks are two of its sides, however round the ends look. `to_mm` (n, 2, 2) takes the outlines' steps to mm,
    in which `spread` (n, 2, 2) is.
    """
    axis, sides = axis.copy(), sides.copy()
    for k in np.flatnonzero(sides[:, 0] < _NEARLY_SQUARE * sides[:, 1]):
        turn = np.radians(cv2.minAreaRect((outlines[k] @ to_mm[k].T).astype(np.float32))[2])
        across = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        variance = np.einsum("ij,jk,ik->i", across, spread[k], across)
        axis[k] = turn + np.pi / 2 * variance.argmax()
        sides[k] = np.sqrt(12 * np.maximum(np.sort(variance)[::-1], 1e-4))
    return axis, sides


def first_frames(tray: TrayView, outlines: tuple[FloatArray, ...]) -> Frames:
    """Return for each outline the rectangle of the same second moments, in the plane at half its width."""
    centre, spread = _moments(np.concatenate(outlines), np.array([len(o) for o in outlines]))
    diameter = np.full(len(outlines), 1.0)
    for _ in range(2):  # the height follows from the width, and the scale from the height
        middle = tray.to_mm(centre, diameter / 2)
        _, jac = local_maps(tray, middle, diameter / 2)
        back = np.asarray(np.linalg.inv(jac), float)
        spread_mm = back @ spread @ back.transpose(0, 2, 1)
        axis, sides = _main_axes(spread_mm)
        diameter = sides[:, 1]
    axis, sides = _straight_axes(spread_mm, axis, sides, outlines, back)
    return _bent(
        Frames(middle, axis, np.zeros(len(outlines)), sides[:, 0], sides[:, 1]), centre, outlines, back
    )


def _bent(frames: Frames, centre: FloatArray, outlines: tuple[FloatArray, ...], to_mm: FloatArray) -> Frames:
    """Return the frames with bends where outlines are bands so bent that their moments tell neither middle nor width."""
    long = np.flatnonzero(frames.length_mm > _SLIM * frames.diameter_mm)
    for k in long.tolist():
        area = cv2.contourArea(outlines[k].astype(np.float32)) * abs(float(np.linalg.det(to_mm[k])))
        if frames.length_mm[k] * frames.diameter_mm[k] < _HOLLOW * area:
            continue
        band = band_of((outlines[k] - centre[k]) @ to_mm[k].T)
        if band is None or band.rise < STRAIGHT:
            continue
        frames.centre_mm[k] += band.centre
        frames.axis[k], frames.bend[k] = band.axis, band.bend
        frames.length_mm[k], frames.diameter_mm[k] = band.length, band.width
    return frames


def plain_strand(outlines: tuple[FloatArray, ...]) -> BoolArray:
    """Return which of n things of a regrind look like strand, all where hardly any do: ndarray (n,)."""
    full, short = np.array([_filled(outline) for outline in outlines]).T
    # in photo pixels of a tilted camera, but the width that most share is a narrow one even so
    usual = usual_diameter(short[full > FILLED])[0]
    looks = (full > FILLED) & (np.abs(np.log(np.maximum(short, 1.0) / usual)) < _AS_WIDE)
    return np.asarray(looks if looks.sum() >= _ENOUGH else np.ones(len(looks), bool))


def _filled(outline: FloatArray) -> tuple[float, float]:
    """Return an outline's area over that of the smallest rectangle around it, and the rectangle's shorter side, px."""
    points = outline.astype(np.float32)
    a, b = cv2.minAreaRect(points)[1]
    return cv2.contourArea(points) / max(a * b, 1e-6), min(a, b)


def rods_with_axis(regions: Regions) -> BoolArray:
    """Return which of n regions a rod explains that lies or leans, ndarray (n,)."""
    return np.asarray(np.isfinite(regions.rod_px).all(1) & (np.asarray(regions.state) != "upright"))


def frames_of_rods(regions: Regions, frames: Frames) -> Frames:
    """Return the frames with those of parted regions replaced by the rods that explain them; discs have no axis."""
    rod = regions.rod_px
    known = rods_with_axis(regions)
    if not known.any():
        return frames
    tray = regions.tray
    scale = tray.px_per_mm(frames.centre_mm, frames.height_mm)
    diameter = np.where(known, rod[:, 4] / scale, frames.diameter_mm)
    middle = np.where(known[:, None], tray.to_mm(np.nan_to_num(rod[:, :2]), diameter / 2), frames.centre_mm)
    _, jac = local_maps(tray, middle, diameter / 2)
    direction = np.stack([np.cos(rod[:, 2]), np.sin(rod[:, 2])], -1)
    mm = np.einsum("nij,nj->ni", np.linalg.inv(jac), np.nan_to_num(direction, nan=1.0))
    size = np.linalg.norm(mm, axis=1)
    return Frames(
        middle,
        np.where(known, np.arctan2(mm[:, 1], mm[:, 0]), frames.axis),
        frames.bend,
        np.where(known, np.nan_to_num(rod[:, 3]) * size, frames.length_mm),
        diameter,
    )
