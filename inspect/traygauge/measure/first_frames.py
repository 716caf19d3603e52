"""First guesses of where each body lies, from the outlines alone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.measure.frame import Frames
from traygauge.measure.signal import local_maps
from traygauge.segment.regions import Regions
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]


def _moments(outlines: tuple[FloatArray, ...]) -> tuple[FloatArray, FloatArray]:
    """Return the centroids (n, 2) and the area's covariance (n, 2, 2) of closed outlines, px (Green's theorem)."""
    size = np.array([len(o) for o in outlines])
    start = np.concatenate([[0], np.cumsum(size)[:-1]])
    shift = np.array([o[0] for o in outlines])
    p = np.concatenate(outlines) - np.repeat(shift, size, 0)  # from a near origin: no cancellation
    after = np.arange(len(p)) + 1
    after[start + size - 1] = start
    q = p[after]
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(values, start, axis=0), float)

    area = total(cross) / 2
    flat = np.abs(area) < 1e-3
    safe = np.where(flat, 1.0, area)
    mean = total((p + q) * cross[:, None]) / (6 * safe[:, None])
    mean = np.where(flat[:, None], total(p) / size[:, None], mean)
    xx, yy = (
        total((a * a + a * b + b * b) * cross) / (12 * safe)
        for a, b in ((p[:, 0], q[:, 0]), (p[:, 1], q[:, 1]))
    )
    xy = p[:, 0] * q[:, 1] + 2 * p[:, 0] * p[:, 1] + 2 * q[:, 0] * q[:, 1] + q[:, 0] * p[:, 1]
    mixed = total(xy * cross) / (24 * safe)
    spread = (
        np.stack([np.stack([xx, mixed], -1), np.stack([mixed, yy], -1)], -1)
        - mean[:, :, None] * mean[:, None]
    )
    return shift + mean, np.where(flat[:, None, None], np.eye(2), spread)


def first_frames(tray: TrayView, outlines: tuple[FloatArray, ...]) -> Frames:
    """Return for each outline the rectangle of the same second moments, in the plane at half its width."""
    centre, spread = _moments(outlines)
    diameter = np.full(len(outlines), 1.0)
    for _ in range(2):  # the height follows from the width, and the scale from the height
        middle = tray.to_mm(centre, diameter / 2)
        _, jac = local_maps(tray, middle, diameter / 2)
        back = np.linalg.inv(jac)
        values, vectors = np.linalg.eigh(back @ spread @ back.transpose(0, 2, 1))
        sides = np.sqrt(12 * np.maximum(values, 1e-4))
        diameter = sides[:, 0]
    axis = vectors[:, :, 1]
    angle = np.arctan2(axis[:, 1], axis[:, 0])
    return Frames(middle, angle, np.zeros(len(outlines)), sides[:, 1], diameter)


def frames_of_rods(regions: Regions, frames: Frames) -> Frames:
    """Return the frames with those of parted regions replaced by the rods that explain them."""
    rod = regions.rod_px
    known = np.asarray(np.isfinite(rod).all(1))
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
