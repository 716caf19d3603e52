"""Drawn trays as tray views with their exact camera, so that nothing but segmenting is on trial."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import pytest

from traygauge.segment.find import find_pieces
from traygauge.segment.regions import Regions
from traygauge_calib.camera import FlatCamera, PerspectiveCamera
from traygauge_calib.tray_view import LocalField, ScaleUncertainty, TrayView
from traygauge_shared.photo import Photo
from traygauge_shared.scenes import Drawn, PhoneCamera, Scene, draw

COUNTED = ("strand", "long", "short", "flake", "double_web", "double_string")


def tray_of(drawn: Drawn) -> TrayView:
    """Return the tray view that a perfect calibration would give."""
    camera = drawn.scene.camera
    blur = LocalField.constant(drawn.scene.sensor.blur_px)
    photo = Photo("drawn.jpg", "0", drawn.pixels)
    scale, noise = ScaleUncertainty(0.001), LocalField.constant(0.005)
    if not isinstance(camera, PhoneCamera):
        flat = FlatCamera((camera.px_per_mm, camera.px_per_mm))
        size = camera.width / camera.px_per_mm, camera.height / camera.px_per_mm
        return TrayView(photo, flat, (0.0, 0.0, *size), "scan", scale, blur, noise)
    pinhole = PerspectiveCamera(
        camera.focal_px, camera.principal_px, (camera.k1, 0.0), camera.rotation, camera.centre_mm
    )
    window = drawn.scene.sheet.window_mm
    assert window is not None
    return TrayView(photo, pinhole, window, "sheet", scale, blur, noise)


@dataclass(frozen=True)
class Seen:
    """What was drawn and what was found in it.

    `overlap` has a row a true piece and a column a region: pixels in both over pixels in either.
    """

    drawn: Drawn
    regions: Regions
    overlap: np.ndarray
    counted: np.ndarray
    apart: np.ndarray
    false: int

    @property
    def recall_apart(self) -> float:
        return float((self.overlap[self.apart].max(1, initial=0.0) > 0.5).mean())


def seen(scene: Scene) -> Seen:
    """Return what is found in a scene."""
    drawn = draw(scene)
    regions = find_pieces(tray_of(drawn))
    x, y = regions.origin_px
    height, width = regions.labels.shape
    true = np.zeros((height, width), np.int64)
    part = drawn.labels[y : y + height, x : x + width]
    true[: part.shape[0], : part.shape[1]] = part
    n, m = len(regions), int(drawn.labels.max(initial=0))
    both = np.zeros((m + 1, n + 1))
    np.add.at(both, (true.ravel(), regions.labels.ravel()), 1)
    area_true = np.bincount(drawn.labels.ravel(), minlength=m + 1)
    area_found = both.sum(0)
    either = area_true[1:, None] + area_found[None, 1:] - both[1:, 1:]
    rows = [
        row
        for row in drawn.truth
        if row["kind"] in COUNTED and not row["on_border"] and row["visible_px"] > 0
    ]
    apart = [
        row["id"] - 1
        for row in rows
        if not (row["touching"] or row["upright"]) and row["visible_fraction"] > 0.95
    ]
    false = int((both[0, 1:] > 0.5 * area_found[1:]).sum()) if n else 0
    counted = np.array([row["id"] - 1 for row in rows], int)
    return Seen(drawn, regions, both[1:, 1:] / np.maximum(either, 1), counted, np.array(apart, int), false)


@pytest.fixture(scope="session")
def see() -> Callable[[Scene], Seen]:
    return seen


@pytest.fixture(scope="session")
def disc() -> Callable[..., np.ndarray]:
    """Return a function that draws blurred discs; see `discs`."""
    return discs


def discs(
    size: tuple[int, int],
    middles: np.ndarray,
    radius: float,
    *,
    tray: np.ndarray,
    piece: np.ndarray,
    blur_px: float,
    light: np.ndarray | float = 1.0,
) -> np.ndarray:
    """Return sRGB bytes of discs at exact places: area coverage by 8 x 8 sub-samples, blurred in linear light.

    `tray` and `piece` are linear R, G, B; (0, 0) is the centre of the top left pixel; `light` (h, w) multiplies all.
    """
    fine = (np.arange(8) + 0.5) / 8 - 0.5
    cover = np.zeros(size)
    for x, y in middles:
        r = int(radius) + 3
        x0, y0 = int(x) - r, int(y) - r
        px = x0 + np.arange(2 * r + 1)[:, None] + fine
        py = y0 + np.arange(2 * r + 1)[:, None] + fine
        inside = (px[None, :, None, :] - x) ** 2 + (py[:, None, :, None] - y) ** 2 <= radius**2
        cover[y0 : y0 + 2 * r + 1, x0 : x0 + 2 * r + 1] += inside.mean((2, 3))
    cover = cv2.GaussianBlur(np.clip(cover, 0, 1), (0, 0), blur_px, borderType=cv2.BORDER_REPLICATE)
    image = (tray + cover[..., None] * (piece - tray)) * np.asarray(light)[..., None]
    code = np.where(image <= 0.0031308, 12.92 * image, 1.055 * np.maximum(image, 1e-9) ** (1 / 2.4) - 0.055)
    return np.clip(np.rint(code * 255), 0, 255).astype(np.uint8)
