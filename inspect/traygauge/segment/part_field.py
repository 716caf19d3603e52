"""What the parting of touching pieces looks at: edges of mask and picture as one field of directed edge energy.

Everything here is in *work pixels*: the crop scaled so that a strand is at most `WORK_DIAMETER` pixels thick, which
makes every constant below a share of the diameter. `edge_seen` turns the energy across a direction into 0..1.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

WORK_DIAMETER = 28.0
#: Energy of the mask's own edge; 1 is the energy at which an edge is as likely as the pieces' shading.
_MASK_ENERGY = 30.0


@dataclass(frozen=True, eq=False)
class Field:
    """Edge energy of one clump.

    Parameters
    ----------
    inside : ndarray (h, w), float32, 0..1: the clump's mask.
    tensor : ndarray (h, w, 3), float32: xx, xy, yy of the edge energy; n' T n is the energy of an edge whose
        normal is n, in units of the pieces' own shading.
    scale : work pixels per crop pixel; the centre of crop pixel x lies at (x + 0.5) * scale - 0.5.
    diameter : the batch's diameter, work pixels.
    lean : (2,) apparent shift per height, along x and y.
    """

    inside: Float32Array
    tensor: Float32Array
    scale: float
    diameter: float
    lean: tuple[float, float]

    def reduced(self, diameter: float) -> Field:
        """Return the field scaled down to a diameter in pixels (itself where it is that small already)."""
        scale = diameter / self.diameter
        if scale > 0.8:
            return self
        size = (
            max(1, round(self.inside.shape[1] * scale)),
            max(1, round(self.inside.shape[0] * scale)),
        )
        return Field(
            f32(cv2.resize(self.inside, size, interpolation=cv2.INTER_AREA)),
            f32(cv2.resize(self.tensor, size, interpolation=cv2.INTER_AREA)),
            self.scale * scale,
            diameter,
            self.lean,
        )


def f32(image: npt.ArrayLike) -> Float32Array:
    """Return an OpenCV result as what it is, an array of float32."""
    return np.asarray(image, np.float32)


def pull(energy: Float32Array) -> Float32Array:
    """Return what draws an outline onto an edge: like `edge_seen`, but still rising where that is full."""
    return f32(energy / (1.0 + energy) + 0.1 * np.log1p(energy))


def edge_seen(energy: Float32Array) -> Float32Array:
    """Return how clearly an edge is seen, 0..1, from its energy."""
    return f32(energy / (1.0 + energy))


def field_of(
    mask: npt.NDArray[np.bool_],
    rgb: npt.NDArray[np.uint8],
    diameter_px: float,
    lean: tuple[float, float],
) -> Field:
    """Return the edge field of a clump.

    The picture is read along the pieces' own mean colour, where shading shows best, and its gradient is measured
    against the median gradient inside the pieces: edges between touching pieces stand out of that, whatever the
    material and the light.
    """
    scale = min(1.0, WORK_DIAMETER / diameter_px)
    if scale > 0.85:
        scale = 1.0
    inside8 = mask.astype(np.uint8)
    colour = np.array(cv2.mean(rgb, inside8)[:3])
    colour = colour / max(float(colour @ colour), 1.0)
    light = f32(cv2.transform(rgb.astype(np.float32), colour[None].astype(np.float32)))
    inside = inside8.astype(np.float32)
    if scale < 1.0:
        size = (max(1, round(mask.shape[1] * scale)), max(1, round(mask.shape[0] * scale)))
        light = f32(cv2.resize(light, size, interpolation=cv2.INTER_AREA))
        inside = f32(cv2.resize(inside, size, interpolation=cv2.INTER_AREA))
    tensor = _tensor(light, inside)
    return Field(inside, tensor, scale, diameter_px * scale, lean)


def _tensor(light: Float32Array, inside: Float32Array) -> Float32Array:
    """Return the edge energy (h, w, 3) of picture and mask together."""
    soft = f32(cv2.GaussianBlur(light, (0, 0), 0.8))
    gx, gy = _gradient(soft)
    core = cv2.erode((inside > 0.5).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    energy = gx * gx + gy * gy
    typical = float(np.median(energy[core])) if core.any() else 1e-4
    energy *= 1.0 / max(3.0 * typical, 1e-6)
    gain = inside / (max(3.0 * typical, 1e-6) * np.maximum(1.0, energy / _MASK_ENERGY))
    mx, my = _gradient(f32(cv2.GaussianBlur(inside, (0, 0), 0.8)))
    unit = _MASK_ENERGY / 0.15
    out = np.empty((*light.shape, 3), np.float32)
    out[..., 0] = gain * gx * gx + unit * mx * mx
    out[..., 1] = gain * gx * gy + unit * mx * my
    out[..., 2] = gain * gy * gy + unit * my * my
    return f32(cv2.GaussianBlur(out, (0, 0), 0.8))


def _gradient(image: Float32Array) -> tuple[Float32Array, Float32Array]:
    return (
        f32(cv2.Scharr(image, cv2.CV_32F, 1, 0, scale=1 / 32)),
        f32(cv2.Scharr(image, cv2.CV_32F, 0, 1, scale=1 / 32)),
    )
