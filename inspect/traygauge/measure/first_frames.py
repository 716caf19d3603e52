"""First guesses of where each body lies, from the outlines alone."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.measure.frame import Frames
from traygauge.measure.signal import local_maps
from traygauge.segment.regions import Regions
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]


def _moments(outlines: tuple[FloatArray, ...]) -> tuple[FloatArray, FloatArray]:
    """Return the centroids (n, 2) and the area's covariance (n, 2, 2) of closed outlines, px."""
    centre, spread = np.zeros((len(outlines), 2)), np.tile(np.eye(2), (len(outlines), 1, 1))
    for k, outline in enumerate(outlines):
        shift = outline.mean(0)  # single precision inside OpenCV: keep the numbers small
        m = cv2.moments((outline - shift).astype(np.float32))
        if abs(m["m00"]) < 1e-3:
            centre[k] = shift
            continue
        centre[k] = shift + np.array([m["m10"], m["m01"]]) / m["m00"]
        spread[k] = np.array([[m["mu20"], m["mu11"]], [m["mu11"], m["mu02"]]]) / m["m00"]
    return centre, spread


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
