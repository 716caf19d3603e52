"""What the tray would look like without pieces: its colour under the photo's own light, everywhere."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.window import Window
from traygauge_shared.light import LINEAR_OF_CODE, srgb_to_linear
from traygauge_shared.shrinking import shrunk

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]

#: Cells over which the first guess is taken, in blocks: much larger than a piece, much smaller than the window.
CELL = 16
#: The light is followed locally over this many blocks: first over 8 mm, wider than a piece, then over 3 mm, which
#: follows a flash spot.
REACH = 17, 7
#: Where the tray is this many times as bright as the surface through all of it, a lamp is mirrored there.
MIRRORED = 1.15
#: An area is the tray's for sure where it is this share of all that is smooth.
WIDE = 0.3


@dataclass(frozen=True, eq=False)
class TrayField:
    """The empty tray.

    Parameters
    ----------
    code : ndarray (rows, columns, 3), float32: sRGB code value 0..255 of the tray at each block.
    lit : the same by the light alone that pieces get too: without what the tray mirrors of a lamp.
    bare : ndarray (rows, columns), bool: blocks that show nothing but tray.
    colour : ndarray (3,): the tray's code value under its average light.
    """

    code: Float32Array
    lit: Float32Array
    bare: npt.NDArray[np.bool_]
    colour: FloatArray

    @cached_property
    def light(self) -> Float32Array:
        """Return the light on each block against the tray's average, in linear light, ndarray (rows, columns)."""
        code = np.asarray(cv2.convertScaleAbs(np.maximum(self.lit, 0.0)), np.uint8)
        share = LINEAR_OF_CODE / np.float32(srgb_to_linear(self.colour / 255.0).sum())
        return np.asarray(cv2.transform(cv2.LUT(code, share), np.ones((1, 3), np.float32)), np.float32)

    def part(self, blocks: tuple[slice, slice]) -> TrayField:
        """Return the field of a part, given by slices of its blocks."""
        return TrayField(self.code[blocks], self.lit[blocks], self.bare[blocks], self.colour)


def tray_field(window: Window) -> TrayField:
    """Return the tray's colour and light field, estimated from the photo itself.

    The tray is what most of the window shows, varying smoothly: medians over cells of 8 mm give a robust
    surface; blocks that continue it smoothly (a flash spot, a shade) are added; their local mean is the field.
    """
    rows, cols = window.grid
    fine = shrunk(window.coarse, (2 * rows, 2 * cols))
    blocks = shrunk(fine, (rows, cols)).astype(np.float32)
    visible = shrunk(window.inside, (rows, cols)) == 255
    smooth = visible & ~_rough(fine, visible)
    surface = _surface(blocks, _widest(smooth) if smooth.any() else visible)
    bare = _continued(smooth, smooth & _like(blocks, surface, 0.12))
    code = _local_mean(blocks, bare, surface)
    for share in (0.15, 0.1):
        bare &= _like(blocks, code, share)
        code = _local_mean(blocks, bare, surface)
    sparse = code[::2, ::2]  # the field is smooth
    some = bare[::2, ::2]
    colour = np.median(sparse[some] if some.any() else sparse.reshape(-1, 3), 0)
    lit = np.asarray(cv2.min(code, np.float32(MIRRORED) * surface), np.float32)
    return TrayField(code, lit, bare, colour.astype(float))


def _like(blocks: Float32Array, tray: Float32Array, share: float) -> Bool:
    """Return which blocks are the tray's colour within a share of it."""
    far = cv2.absdiff(blocks, tray) - np.float32(share) * tray
    return np.asarray(cv2.max(cv2.max(far[..., 0], far[..., 1]), far[..., 2]) <= 4.0)


def _rough(fine: npt.NDArray[np.uint8], visible: Bool) -> Bool:
    """Return the blocks in which the picture has an edge: bends sharply, where light on a plain tray does not.

    `fine` is the picture at two pixels a block each way; a slope, however steep, is no edge.
    """
    flat = cv2.absdiff(fine, np.asarray(cv2.blur(fine, (3, 3)), np.uint8))
    one, two, three = cv2.split(flat)
    bend = np.asarray(cv2.max(cv2.max(one, two), three))
    bend = np.maximum(
        np.maximum(bend[::2, ::2], bend[1::2, ::2]), np.maximum(bend[::2, 1::2], bend[1::2, 1::2])
    )
    usual = np.percentile(bend[visible][::5], 25) if visible.any() else 0.0
    return np.asarray(bend > 2.0 * usual + 2.0)


def _terms(v: FloatArray, u: FloatArray) -> FloatArray:
    """Return the terms of a quadratic surface over places -1..1 down and across, ndarray (..., 6)."""
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], -1)


def _surface(blocks: Float32Array, usable: Bool) -> Float32Array:
    """Return a quadratic in log code value through the cells' medians, by reweighted least squares (Tukey)."""
    rows, cols = usable.shape
    value, v, u = _cell_medians(blocks, usable)
    if len(value) < 12:  # too small a window for a surface: a constant
        return np.broadcast_to(np.median(value, 0), blocks.shape).astype(np.float32)
    value = np.log(value + 1.0)
    place = _terms(v / rows * 2 - 1, u / cols * 2 - 1)
    residual = np.abs(value - np.median(value, 0)).max(1)
    for step in range(12):
        spread = max(1.4826 * float(np.median(residual)), 0.02)
        tukey = np.clip(1.0 - (residual / (4.7 * spread)) ** 2, 0.0, None) ** 2
        weighted = place.T * (tukey if step > 2 else 1.0 / (residual + 0.05))
        # hardly any pull towards nothing: what the cells do not tell, in a window with few of them, stays small
        coefficients = np.linalg.solve(
            weighted @ place + 1e-9 * weighted[0].sum() * np.eye(6), weighted @ value
        )
        residual = np.abs(value - place @ coefficients).max(1)
    # the quadratic is drawn on a coarse grid: it is smooth
    down, across = np.meshgrid(np.arange(0.5, rows + 8, 8), np.arange(0.5, cols + 8, 8), indexing="ij")
    drawn = np.exp(_terms(down / rows * 2 - 1, across / cols * 2 - 1) @ coefficients) - 1.0
    moved = np.array([[0.125, 0.0, 0.0], [0.0, 0.125, 0.0]])  # column x is at x + 0.5, so is the grid's x / 8
    return cv2.warpAffine(
        drawn.astype(np.float32),
        moved,
        (cols, rows),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float32, copy=False)


def _cell_medians(blocks: Float32Array, usable: Bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the cells' median code values (k, 3) and middles down and across (k,), blocks; empty cells left out."""
    sparse = np.rint(blocks[::3, ::3] * 64).astype(np.int64)
    y, x = np.nonzero(usable[::3, ::3])
    wide = -(-usable.shape[1] // CELL)
    cell = y * 3 // CELL * wide + x * 3 // CELL
    count = np.bincount(cell)
    filled = np.flatnonzero(count >= min(8, count.max()))
    middle = (np.cumsum(count) - count)[filled] + count[filled] // 2
    value = [np.sort((cell << 16) + sparse[y, x, c])[middle] & 0xFFFF for c in range(3)]
    down, across = np.divmod(filled, wide)
    return np.stack(value, -1) / 64.0, (down + 0.5) * CELL, (across + 0.5) * CELL


def _widest(smooth: Bool) -> Bool:
    """Return the largest smooth area, which is tray: in a dense heap most of the rest is pieces' flanks and shadows.

    All of it where no area is large.
    """
    _, area = cv2.connectedComponents(smooth.astype(np.uint8), connectivity=4)
    size = np.bincount(area.ravel())
    size[0] = 0
    largest = int(size.argmax())
    return np.asarray(area == largest) if size[largest] > WIDE * size.sum() else smooth


def _continued(smooth: Bool, start: Bool) -> Bool:
    """Return the smooth areas that are mostly start: a flash spot flows into the tray, a piece has an edge."""
    _, area = cv2.connectedComponents(smooth.astype(np.uint8), connectivity=4)
    total = np.bincount(area.ravel())
    begun = np.bincount(area.ravel(), start.ravel())
    keep = begun >= 0.5 * total
    keep[0] = False
    return np.asarray(keep[area])


def _local_mean(blocks: Float32Array, bare: Bool, surface: Float32Array) -> Float32Array:
    """Return the bare blocks' local mean, running out into the surface where none is near."""
    code = surface
    seen = bare.astype(np.float32)
    for reach in REACH:
        extra, near = cv2.multiply(cv2.subtract(blocks, code), cv2.merge([seen] * 3)), seen
        for _ in range(2):  # two boxes make a triangle
            extra, near = (np.asarray(cv2.blur(image, (reach, reach)), np.float32) for image in (extra, near))
        code = np.asarray(
            cv2.add(code, cv2.multiply(extra, cv2.merge([1.0 / (near + np.float32(0.02))] * 3)))
        )
    return code
