"""What the tray would look like without pieces: its colour under the photo's own light, everywhere."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.window import Window
from traygauge_shared.light import LINEAR_OF_CODE, srgb_to_linear

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

#: Cells over which the first guess is taken, in blocks: much larger than a piece, much smaller than the window.
CELL = 16
#: The light is followed locally over this many blocks (4 mm): wider than a piece, narrower than a flash spot.
REACH = 8.0


@dataclass(frozen=True, eq=False)
class TrayField:
    """The empty tray.

    Parameters
    ----------
    code : ndarray (rows, columns, 3), float32: sRGB code value 0..255 of the tray at each block.
    bare : ndarray (rows, columns), bool: blocks that show nothing but tray.
    colour : ndarray (3,): the tray's code value under its average light.
    """

    code: Float32Array
    bare: npt.NDArray[np.bool_]
    colour: FloatArray

    def light(self) -> FloatArray:
        """Return the light on each block against the tray's average, in linear light, ndarray (rows, columns)."""
        table = LINEAR_OF_CODE[np.clip(np.rint(self.code), 0, 255).astype(np.uint8)]
        return np.asarray(table.mean(-1) / srgb_to_linear(self.colour / 255.0).mean(), float)

    def part(self, blocks: tuple[slice, slice]) -> TrayField:
        """Return the field of a part, given by slices of its blocks."""
        return TrayField(self.code[blocks], self.bare[blocks], self.colour)


def tray_field(window: Window) -> TrayField:
    """Return the tray's colour and light field, estimated from the photo itself.

    The tray is what most of the window shows, varying smoothly: medians over cells of 8 mm give a robust
    surface; blocks that continue it smoothly (a flash spot, a shade) are added; their local mean is the field.
    """
    rows, cols = window.grid
    blocks = _shrink(window.pixels, (rows, cols)).astype(np.float32)
    visible = cv2.resize(window.inside, (cols, rows), interpolation=cv2.INTER_AREA) == 255
    smooth = visible & ~_rough(window, visible)
    surface = _surface(blocks, smooth if smooth.any() else visible)
    near = np.abs(blocks - surface).max(-1) <= 0.12 * surface.max(-1) + 4.0
    bare = _continued(smooth, smooth & near)
    code = _local_mean(blocks, bare, surface)
    bare &= np.abs(blocks - code).max(-1) <= 0.1 * code.max(-1) + 4.0
    code = _local_mean(blocks, bare, surface)
    colour = np.median(code[bare], 0) if bare.any() else np.median(code.reshape(-1, 3), 0)
    return TrayField(code, bare, colour.astype(float))


def _shrink(image: npt.NDArray[np.uint8], size: tuple[int, int]) -> npt.NDArray[np.uint8]:
    return cv2.resize(image, size[::-1], interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)


def _rough(window: Window, visible: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return the blocks across which the picture changes faster than light on a plain tray does."""
    rows, cols = window.grid
    half = _shrink(window.pixels, (2 * rows, 2 * cols))
    kernel = np.ones((3, 3), np.uint8)
    change = cv2.subtract(cv2.dilate(half, kernel), cv2.erode(half, kernel)).max(-1)
    change = change.reshape(rows, 2, cols, 2).max((1, 3))
    usual = np.percentile(change[visible], 25) if visible.any() else 0.0
    return change > 2.0 * usual + 3.0


def _terms(rows: int, cols: int) -> FloatArray:
    """Return the terms of a quadratic surface over the blocks, ndarray (rows, cols, 6)."""
    v, u = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, cols), indexing="ij")
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], -1)


def _surface(blocks: Float32Array, usable: npt.NDArray[np.bool_]) -> Float32Array:
    """Return a quadratic in log code value through the cells' medians, by reweighted least squares (Tukey)."""
    rows, cols = usable.shape
    down, across = -(-rows // CELL), -(-cols // CELL)
    padded = np.full((down * CELL, across * CELL, 3), np.nan)
    padded[:rows, :cols] = np.where(usable[..., None], np.log(blocks + 1.0), np.nan)
    cells = padded.reshape(down, CELL, across, CELL, 3).swapaxes(1, 2).reshape(down * across, CELL * CELL, 3)
    filled = np.isfinite(cells[..., 0]).sum(1) >= min(CELL, usable.sum())
    value = np.nanmedian(cells[filled], 1)
    terms = _terms(rows, cols)
    place = _cell_terms(down, across, rows, cols)[filled]
    if len(value) < 12:  # too small a window for a surface: a constant
        return np.broadcast_to(np.exp(np.median(value, 0)) - 1.0, blocks.shape).astype(np.float32)
    weight = np.ones(len(value))
    start = np.median(value, 0)
    residual = np.abs(value - start).max(1)
    for step in range(12):
        spread = max(1.4826 * float(np.median(residual)), 0.02)
        weight = (
            np.clip(1.0 - (residual / (4.7 * spread)) ** 2, 0.0, None) ** 2
            if step > 2
            else 1.0 / (residual + 0.05)
        )
        root = np.sqrt(weight)[:, None]
        coefficients = np.linalg.lstsq(place * root, value * root, rcond=None)[0]
        residual = np.abs(value - place @ coefficients).max(1)
    return (np.exp(terms @ coefficients) - 1.0).astype(np.float32)


def _cell_terms(down: int, across: int, rows: int, cols: int) -> FloatArray:
    """Return the surface's terms at the cells' middles, ndarray (down * across, 6)."""
    y = (np.arange(down) * CELL + CELL / 2 - 0.5) / max(rows - 1, 1) * 2 - 1
    x = (np.arange(across) * CELL + CELL / 2 - 0.5) / max(cols - 1, 1) * 2 - 1
    v, u = (a.ravel() for a in np.meshgrid(np.minimum(y, 1), np.minimum(x, 1), indexing="ij"))
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], -1)


def _continued(smooth: npt.NDArray[np.bool_], start: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return the smooth areas that are mostly start: a flash spot flows into the tray, a piece has an edge."""
    _, area = cv2.connectedComponents(smooth.astype(np.uint8), connectivity=4)
    total = np.bincount(area.ravel())
    begun = np.bincount(area.ravel(), start.ravel())
    keep = begun >= 0.5 * total
    keep[0] = False
    return keep[area]


def _local_mean(blocks: Float32Array, bare: npt.NDArray[np.bool_], surface: Float32Array) -> Float32Array:
    """Return the bare blocks' local mean, running out into the surface where none is near."""
    weight = bare.astype(np.float32)
    extra = cv2.GaussianBlur((blocks - surface) * weight[..., None], (0, 0), REACH)
    near = cv2.GaussianBlur(weight, (0, 0), REACH)
    return (surface + extra / (near + 0.02)[..., None]).astype(np.float32)
