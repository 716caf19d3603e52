"""What the parting of touching pieces looks at: edges of mask and picture as one field of directed edge energy.

All clumps of a photo are laid side by side in one field, so that the arithmetic runs over all of them at once.
Everything is in *work pixels*: the crops scaled so that a strand is at most about `WORK_DIAMETER` pixels thick, which makes
every constant a share of the diameter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.part_likeness import likeness, tells

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Diameter, px, to which thicker strands are scaled down.
WORK_DIAMETER = 40.0
#: From this scale on crops are left as they are.
_AS_IT_IS = 0.85
#: Energy of the mask's own edge; 1 is the energy at which an edge is as likely as the pieces' shading.
_MASK_ENERGY = 10.0
#: The most that an edge in the picture can have.
_PICTURE_ENERGY = 30.0
#: Work pixels between two clumps in the field.
_GAP = 8
#: Grey level of the pieces' mean brightness.
_MEAN_LIGHT = 150.0


@dataclass(frozen=True, eq=False)
class Clump:
    """One connected thing that may be several pieces.

    Parameters
    ----------
    mask : ndarray (h, w), bool: the clump, nothing else; a few pixels of margin around it.
    rgb : ndarray (h, w, 3), uint8: the photo's crop.
    px_per_mm : local scale at half the pieces' height.
    lean : apparent shift in mm per mm of height, along the *crop's* x and y, at the crop's middle.
    camera_height_mm : height of the camera over the pieces, by which the lean changes across the crop.
    """

    mask: BoolArray
    rgb: npt.NDArray[np.uint8]
    px_per_mm: float
    lean: tuple[float, float]
    camera_height_mm: float = float("inf")


@dataclass(frozen=True, eq=False)
class Field:
    """Edge energy of clumps laid side by side.

    Parameters
    ----------
    inside : ndarray (h, w), float32, 0..1: the clumps' masks.
    tensor : ndarray (h, w, 4), float32: xx, xy, yy of the edge energy; n' T n is the energy of an edge whose
        normal is n, in units of the pieces' own shading; last the brightness, grey levels.
    owner : ndarray (ho, wo), uint16: which clump a place belongs to, at `owner_scale` of the field.
    scale : field pixels per crop pixel; crop pixel x of clump k lies at origin[k] + (x + 0.5) * scale - 0.5.
    diameter : the batch's diameter, field pixels.
    origin : ndarray (n, 2), field pixels.
    lean : ndarray (n, 4): apparent shift per height along x and y at the clump's middle, and that middle's x, y.
    lean_slope : ndarray (n,): change of lean per field pixel.
    likeness : ndarray (h, w, 2), float32: gradient along x and y of how like the strand a place is, its square in units of
        energy, where colour tells strand from shadow (`part_likeness`); None where it does so in no clump.
    """

    inside: Float32Array
    tensor: Float32Array
    owner: npt.NDArray[np.uint16]
    owner_scale: float
    scale: float
    diameter: float
    origin: FloatArray
    lean: FloatArray
    lean_slope: FloatArray
    likeness: Float32Array | None = None

    def owner_at(self, x: FloatArray, y: FloatArray) -> IntArray:
        """Return which clump the places (n,) belong to."""
        xi = np.clip((x * self.owner_scale).astype(np.int64), 0, self.owner.shape[1] - 1)
        yi = np.clip((y * self.owner_scale).astype(np.int64), 0, self.owner.shape[0] - 1)
        return self.owner[yi, xi].astype(np.int64)

    def lean_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the apparent shift per height at places (n,), ndarray (n, 2)."""
        k = self.owner_at(x, y)
        away = np.stack([x, y], 1) - self.lean[k, 2:]
        return np.asarray(self.lean[k, :2] + self.lean_slope[k, None] * away)

    def reduced(self, diameter: float) -> Field:
        """Return the field scaled down to a diameter in pixels (itself where it is that small already)."""
        zoom = diameter / self.diameter
        if zoom > 0.8:
            return self
        size = (max(1, round(self.inside.shape[1] * zoom)), max(1, round(self.inside.shape[0] * zoom)))
        place = self.lean.copy()
        place[:, 2:] = (place[:, 2:] + 0.5) * zoom - 0.5
        return Field(
            f32(cv2.resize(self.inside, size, interpolation=cv2.INTER_AREA)),
            f32(cv2.resize(self.tensor, size, interpolation=cv2.INTER_AREA)),
            self.owner,
            self.owner_scale / zoom,
            self.scale * zoom,
            diameter,
            (self.origin + 0.5) * zoom - 0.5,
            place,
            self.lean_slope / zoom,
        )

    def from_coarse(self, coarse: Field, rods: FloatArray) -> FloatArray:
        """Return rods given in a reduced field's pixels in this one's."""
        zoom = self.scale / coarse.scale
        out = rods * zoom
        out[:, :2] = (rods[:, :2] + 0.5) * zoom - 0.5
        out[:, 2] = rods[:, 2]
        return out

    def in_crop(self, rods: FloatArray, k: IntArray) -> FloatArray:
        """Return rods in the pixels of their own clumps' crops."""
        out = rods / self.scale
        out[:, :2] = (rods[:, :2] - self.origin[k] + 0.5) / self.scale - 0.5
        out[:, 2] = rods[:, 2]
        return out


def f32(image: npt.ArrayLike) -> Float32Array:
    """Return an OpenCV result as what it is, an array of float32."""
    return np.asarray(image, np.float32)


def pull(energy: Float32Array) -> Float32Array:
    """Return what draws an outline onto an edge: like `edge_seen`, but still rising where that is full."""
    return f32(energy / (1.0 + energy) + 0.1 * np.log1p(energy))


def edge_seen(energy: Float32Array) -> Float32Array:
    """Return how clearly an edge is seen, 0..1, from its energy."""
    return f32(energy / (1.0 + energy))


def field_of(clumps: Sequence[Clump], diameter_px: float) -> Field:
    """Return the edge field of clumps.

    The picture is read along the pieces' own mean colour, where shading shows best, and its gradient is measured
    against the median gradient inside the pieces: edges between touching pieces stand out of that, whatever the
    material and the light.
    """
    scale = min(1.0, WORK_DIAMETER / diameter_px)
    scale = 1.0 if scale > _AS_IT_IS else scale
    sizes = [(max(1, round(c.mask.shape[0] * scale)), max(1, round(c.mask.shape[1] * scale))) for c in clumps]
    places, (height, width) = _packed(sizes)
    light = np.zeros((height, width), np.float32)
    inside, like = np.zeros_like(light), np.zeros_like(light)
    owner = np.zeros((height, width), np.uint16)
    for k, (clump, (h, w), (y, x)) in enumerate(zip(clumps, sizes, places, strict=True)):
        at = np.s_[y : y + h, x : x + w]
        light[at], inside[at], like[at] = _light(clump, (h, w))
        owner[y : y + h + _GAP, x : x + w + _GAP] = k
    origin = np.array([(x, y) for y, x in places], float).reshape(-1, 2)
    middle = origin + np.array([(w, h) for h, w in sizes], float).reshape(-1, 2) / 2 - 0.5
    lean = np.concatenate([np.array([c.lean for c in clumps], float).reshape(-1, 2), middle], 1)
    slope = np.array([1 / (c.px_per_mm * c.camera_height_mm * scale) for c in clumps])
    boxes = [np.s_[y : y + h, x : x + w] for (h, w), (y, x) in zip(sizes, places, strict=True)]
    tensor = _tensor(light, inside, boxes)
    falls = _falls(like, inside, boxes) if like.any() else None
    return Field(inside, tensor, owner, 1.0, scale, diameter_px * scale, origin, lean, slope, falls)


def _packed(sizes: list[tuple[int, int]]) -> tuple[list[tuple[int, int]], tuple[int, int]]:
    """Return where boxes (h, w) go on shelves, (y, x) each, and the size of the whole."""
    area = sum((h + _GAP) * (w + _GAP) for h, w in sizes)
    width = max([int(1.2 * area**0.5), *(w + 2 * _GAP for _, w in sizes)])
    places = [(0, 0)] * len(sizes)
    x = y = _GAP
    shelf = 0
    for k in sorted(range(len(sizes)), key=lambda k: -sizes[k][0]):
        h, w = sizes[k]
        if x + w + _GAP > width:
            x, y, shelf = _GAP, y + shelf + _GAP, 0
        places[k] = (y, x)
        x, shelf = x + w + _GAP, max(shelf, h)
    return places, (y + shelf + _GAP, width)


def _light(clump: Clump, size: tuple[int, int]) -> tuple[Float32Array, Float32Array, Float32Array | float]:
    """Return a clump's brightness (grey levels, the pieces' own mean at `_MEAN_LIGHT`), mask and likeness at a size (h, w).

    Brightness is not cut off at white: a tray is many times as bright as black pieces, and a step cut off near its foot lies
    too far in. Likeness is 0 where colour tells nothing.
    """
    inside8 = clump.mask.astype(np.uint8)
    colour = np.array(cv2.mean(clump.rgb, inside8)[:3])
    weight = (_MEAN_LIGHT * colour / max(float(colour @ colour), 1.0)).astype(np.float32)
    planes = [f32(cv2.transform(clump.rgb.astype(np.float32), weight[None])), inside8.astype(np.float32)]
    if tells(colour, np.array(cv2.mean(clump.rgb, 1 - inside8)[:3])):
        planes.append(likeness(clump.rgb, colour))
    if size != clump.mask.shape:
        to = (size[1], size[0])
        planes = [f32(cv2.resize(plane, to, interpolation=cv2.INTER_AREA)) for plane in planes]
    return planes[0], planes[1], planes[2] if len(planes) > 2 else 0.0


def _tensor(light: Float32Array, inside: Float32Array, boxes: list[tuple[slice, slice]]) -> Float32Array:
    """Return the edge energy of picture and mask together, and the brightness: ndarray (h, w, 4)."""
    soft = f32(cv2.GaussianBlur(light, (0, 0), 0.8))
    gx, gy = _gradient(soft)
    energy = gx * gx + gy * gy
    for box, unit in zip(boxes, _usual_energy(energy, inside, boxes), strict=True):
        energy[box] /= unit
        gx[box] /= unit**0.5
        gy[box] /= unit**0.5
    gain = _gain(energy, inside)
    mx, my = _gradient(f32(cv2.GaussianBlur(inside, (0, 0), 0.8)))
    unit = _MASK_ENERGY / 0.15
    out = np.empty((*light.shape, 4), np.float32)
    out[..., 3] = soft
    out[..., 0] = gain * gx * gx + unit * mx * mx
    out[..., 1] = gain * gx * gy + unit * mx * my
    out[..., 2] = gain * gy * gy + unit * my * my
    return f32(cv2.GaussianBlur(out, (0, 0), 0.8))


def _falls(like: Float32Array, inside: Float32Array, boxes: list[tuple[slice, slice]]) -> Float32Array:
    """Return the gradient of likeness, its square in the units of the edge energy: ndarray (h, w, 2)."""
    slope = np.stack(_gradient(f32(cv2.GaussianBlur(_MEAN_LIGHT * like, (0, 0), 1.0))), -1)
    energy = f32((slope * slope).sum(-1))
    for box, unit in zip(boxes, _usual_energy(energy, inside, boxes), strict=True):
        energy[box] /= unit
        slope[box] /= unit**0.5
    return f32(slope * np.sqrt(_gain(energy, inside))[..., None])


def _usual_energy(
    energy: Float32Array, inside: Float32Array, boxes: list[tuple[slice, slice]]
) -> list[float]:
    """Return the energy of each clump's own shading, well inside it, at which an edge is as likely as shading."""
    core = cv2.erode((inside > 0.5).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    own = [energy[box][core[box]] for box in boxes]
    return [max(3.0 * float(np.median(e)) if len(e) else 6.0, 0.02) for e in own]


def _gain(energy: Float32Array, inside: Float32Array) -> Float32Array:
    """Return what the energy of edges in the picture counts: in and near the clumps' masks, and no more than the most."""
    reach = f32(cv2.dilate(inside, np.ones((5, 5), np.uint8)))  # the mask's edge need not be the picture's
    return f32(reach / np.maximum(1.0, energy / _PICTURE_ENERGY))


def _gradient(image: Float32Array) -> tuple[Float32Array, Float32Array]:
    return (
        f32(cv2.Scharr(image, cv2.CV_32F, 1, 0, scale=1 / 32)),
        f32(cv2.Scharr(image, cv2.CV_32F, 0, 1, scale=1 / 32)),
    )
