"""Lamps and sky: where their light comes from, and what of it reaches the floor between the pieces."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.coverage import polygon_coverage
from traygauge_shared.scenes.setting import Lamp, Lighting

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

_SKY_DIRECTIONS = 14


def lamp_vector(lamp: Lamp) -> FloatArray:
    """Return the unit vector (3,) towards a lamp."""
    az, el = np.radians([lamp.azimuth_deg, lamp.elevation_deg])
    return np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])


def lamp_directions(lamp: Lamp) -> FloatArray:
    """Return unit vectors (n, 3) towards a lamp, spread evenly over its disc."""
    count = 1 if lamp.spread_deg < 0.2 else 5 if lamp.spread_deg < 3 else 10
    to, az = lamp_vector(lamp), np.radians(lamp.azimuth_deg)
    u = np.array([-np.sin(az), np.cos(az), 0.0])
    v = np.cross(to, u)
    i = np.arange(count) + 0.5
    radius, turn = np.sqrt(i / count) * np.tan(np.radians(lamp.spread_deg)), i * np.pi * (3 - np.sqrt(5))
    if count == 1:
        radius = radius * 0
    out = to + radius[:, None] * (np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v)
    out[:, 2] = np.maximum(out[:, 2], 0.05)
    return np.asarray(out / np.linalg.norm(out, axis=1, keepdims=True))


def sky_directions() -> FloatArray:
    """Return unit vectors (n, 3) spread over the half sphere as an even sky lights a floor (cosine weighted)."""
    i = np.arange(_SKY_DIRECTIONS) + 0.5
    radius, turn = np.sqrt(i / _SKY_DIRECTIONS * 0.94), i * np.pi * (3 - np.sqrt(5))
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), np.sqrt(1 - radius**2)], -1)


class FloorLight:
    """The irradiance of the floor around the pieces, on a grid of its own.

    Parameters
    ----------
    occluders : point sets (n, 3), each taken for its convex hull, and how much light each takes away (0..1).
    grid_px_per_mm : of the grid; shadows of hard lights need the picture's own scale.
    drop_mm : how far the lit background lies below the pieces' plane (a scanner's lid).
    """

    def __init__(
        self,
        light: Lighting,
        occluders: Sequence[tuple[FloatArray, float]],
        grid_px_per_mm: float,
        drop_mm: float = 0.0,
    ) -> None:
        self.open_light = open_floor_light(light)
        self.scale = grid_px_per_mm
        self.grid: Image | None = None
        if not occluders:
            return
        self.points = np.concatenate([p for p, _ in occluders])
        self.points[:, 2] += drop_mm
        self.ends = np.cumsum([len(p) for p, _ in occluders])[:-1]
        self.dark = [dark for _, dark in occluders]
        reach = 6.0 + 2 * float(self.points[:, 2].max())
        self.origin, high = self.points[:, :2].min(0) - reach, self.points[:, :2].max(0) + reach
        width, height = 2 * np.ceil((high - self.origin) * grid_px_per_mm / 2).astype(int)
        self.grid = np.zeros((height, width, 3), np.float32)
        for directions, apart, power in _sources(light):
            coarse = 2 if apart > 0.1 else 1  # wide lights throw soft shadows: half the grid will do
            shade = self._shade(directions, apart, width // coarse, height // coarse, grid_px_per_mm / coarse)
            shade = np.asarray(cv2.resize(shade, (width, height)), np.float32)
            self.grid += (1 - shade)[..., None] * power.astype(np.float32)

    def _shade(self, directions: FloatArray, apart: float, width: int, height: int, scale: float) -> Image:
        """Return the part of a light's directions that is blocked at each place of a grid.

        Each direction stands for all within `apart` radians of it, so its shadow is blurred by as much.
        """
        shade = np.zeros((height, width), np.float32)
        usual = float(np.median(self.points[:, 2]))
        for to in directions:
            fallen = (self.points[:, :2] - self.points[:, 2:] * to[:2] / to[2] - self.origin) * scale
            blocked = self._shadow(np.split(fallen.astype(np.float32), self.ends), width, height)
            blur = max(0.4 * apart * usual / to[2] ** 2 * scale, 0.3)
            shade += cv2.GaussianBlur(blocked, (0, 0), blur)
        return shade / np.float32(len(directions))

    def _shadow(self, loops: list[Image], width: int, height: int) -> Image:
        hulls = [cv2.convexHull(loop) for loop in loops]
        count = np.array([len(hull) for hull in hulls])
        corners = np.concatenate(hulls)[:, 0].astype(float)
        ahead = np.arange(1, len(corners) + 1)
        ahead[np.cumsum(count) - 1] -= count  # each hull closes on its own first corner
        edges = np.concatenate([corners, corners[ahead]], 1)
        cover = polygon_coverage(edges, width, height, np.repeat(self.dark, count))
        return np.minimum(np.abs(cover), np.float32(1))

    def at(self, x_mm: npt.NDArray[np.float32], y_mm: npt.NDArray[np.float32]) -> Image:
        """Return the irradiance (..., 3) at floor points; beyond the grid the open floor's."""
        if self.grid is None:
            return np.broadcast_to(self.open_light.astype(np.float32), (*x_mm.shape, 3))
        u = (x_mm - np.float32(self.origin[0])) * np.float32(self.scale) - np.float32(0.5)
        v = (y_mm - np.float32(self.origin[1])) * np.float32(self.scale) - np.float32(0.5)
        return cv2.remap(
            self.grid,
            u,
            v,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=tuple(float(c) for c in self.open_light),
        ).astype(np.float32)


def _sources(light: Lighting) -> list[tuple[FloatArray, float, FloatArray]]:
    """Return each light as directions (n, 3), their spacing in radians, and its irradiance (3,) of the open floor."""
    out = []
    for lamp in light.lamps:
        to = lamp_directions(lamp)
        apart = float(np.radians(lamp.spread_deg) * np.sqrt(np.pi / len(to))) if len(to) > 1 else 0.0
        power = lamp.strength * np.sin(np.radians(lamp.elevation_deg)) * np.array(lamp.tint)
        out.append((to, apart, power))
    if light.ambient:
        to = sky_directions()
        out.append((to, float(np.sqrt(2 * np.pi / len(to))), light.ambient * np.array(light.ambient_tint)))
    return out


def open_floor_light(light: Lighting) -> FloatArray:
    """Return the irradiance (3,) of the floor where nothing stands in the light."""
    return np.asarray(sum((power for _, _, power in _sources(light)), np.zeros(3)))
