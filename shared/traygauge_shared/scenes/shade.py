"""The light that a piece's surface sends to the camera.

Plastics as a clear coat over a scattering body: Fresnel's loss at the coat darkens the body towards grazing view
(that is what pulls the half-contrast edge of a bright piece inwards), and the coat mirrors lamps, sky and floor.
Radiances are relative: a white, fully lit floor sends 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.setting import Lamp, Lighting
from traygauge_shared.scenes.things import Surface

FloatArray = npt.NDArray[np.float64]

_F0 = 0.04  # reflection of plastics (n = 1.49) at normal incidence: ((n - 1) / (n + 1))²
#: Roughness (GGX alpha) of each surface.
ROUGHNESS: dict[Surface, float] = {"matt": 0.38, "satin": 0.2, "glossy": 0.09, "translucent": 0.22}


@dataclass(frozen=True, eq=False)
class Spots:
    """Surface points to be shaded, n each: unit normals and views (n, 3), reflectance (n, 3), roughness (n,).

    `see_through` (n,) is 0 for opaque, up to 1 for clear; `floor` (n, 3) the radiance of the floor around;
    `openness` (n,) the part of the sky that neighbours leave, `lamp_open` (lamps, n) the same for each lamp.
    """

    normal: FloatArray
    view: FloatArray
    rgb: FloatArray
    roughness: FloatArray
    see_through: FloatArray
    floor: FloatArray
    openness: FloatArray
    lamp_open: FloatArray
    clearance: FloatArray


def fresnel(cosine: FloatArray) -> FloatArray:
    """Return the reflected part at a plastic's surface (Schlick's approximation, F0 = 0.04)."""
    return np.asarray(_F0 + (1 - _F0) * (1 - np.clip(cosine, 0, 1)) ** 5)


def lamp_cosine(cosine: FloatArray, spread_deg: float) -> FloatArray:
    """Return the mean of max(0, n·l) over a lamp's disc: the hard cosine with a soft foot."""
    s = max(np.sin(np.radians(spread_deg)), 1e-6)
    foot = np.clip(cosine + s, 0, 2 * s) ** 2 / (4 * s)
    return np.where(cosine > s, cosine, foot)


def _lamp_vector(lamp: Lamp) -> FloatArray:
    az, el = np.radians([lamp.azimuth_deg, lamp.elevation_deg])
    return np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])


def radiance(spots: Spots, light: Lighting) -> FloatArray:
    """Return the radiance (n, 3) that spots send to the camera."""
    n, v = spots.normal, spots.view
    cos_v = np.clip((n * v).sum(1), 0.02, 1)
    up = 0.5 + 0.5 * n[:, 2]
    sky = light.ambient * np.array(light.ambient_tint)
    # the body: sky from above, floor from below (dark in the piece's own foot), lamps
    bounce = ((1 - up) * np.clip(spots.clearance, 0, 1))[:, None] * spots.floor
    body = (up * spots.openness)[:, None] * sky + bounce
    mirror = 2 * cos_v[:, None] * n - v
    to_sky = np.clip(0.5 + mirror[:, 2] / (0.15 + 1.2 * spots.roughness), 0, 1)[:, None]
    coat = to_sky * sky * spots.openness[:, None] + (1 - to_sky) * spots.floor * spots.clearance[:, None]
    coat = fresnel(cos_v)[:, None] * coat
    for k, lamp in enumerate(light.lamps):
        to = _lamp_vector(lamp)
        power = lamp.strength * np.array(lamp.tint)
        cos_l = lamp_cosine(n @ to, lamp.spread_deg) * spots.lamp_open[k]
        body = body + (cos_l * (1 - fresnel(n @ to)))[:, None] * power
        coat = coat + (_lobe(n, v, to, cos_v, cos_l, spots.roughness, lamp.spread_deg))[:, None] * power
    body = spots.rgb * body
    body = body + spots.see_through[:, None] * (spots.floor - body) * (0.25 + 0.75 * cos_v[:, None])
    return np.asarray((1 - fresnel(cos_v))[:, None] * body + coat)


def _lobe(
    n: FloatArray,
    v: FloatArray,
    to: FloatArray,
    cos_v: FloatArray,
    cos_l: FloatArray,
    roughness: FloatArray,
    spread_deg: float,
) -> FloatArray:
    """Return the coat's mirror lobe (n,) for a lamp: GGX (Walter et al., 2007), widened by the lamp's own size."""
    half = v + to
    half = half / np.maximum(np.linalg.norm(half, axis=1, keepdims=True), 1e-9)
    a2 = roughness**2 + (np.radians(spread_deg) / 3) ** 2
    cos_h = np.clip((n * half).sum(1), 0, 1)
    d = a2 / (np.pi * (cos_h**2 * (a2 - 1) + 1) ** 2)
    cos_d = (v * half).sum(1)
    shadowing = 1 / np.maximum(
        (cos_l * np.sqrt(a2 + (1 - a2) * cos_v**2) + cos_v * np.sqrt(a2 + (1 - a2) * cos_l**2)), 1e-3
    )
    # radiances are in units of E / pi, hence the factor pi
    return np.asarray(np.pi * fresnel(cos_d) * d * 0.5 * shadowing * cos_l)
