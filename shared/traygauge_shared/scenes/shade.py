"""The light that a piece's surface sends to the camera.

Plastics as a clear coat over a scattering body: Fresnel's loss at the coat, the same on the way in and out, darkens the
body where a lamp's light ends and towards grazing view (that is what pulls the half-contrast edge of a bright piece
inwards), and the coat mirrors lamps, sky and floor. Radiances are relative: a white, fully lit floor sends 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.lamps import lamp_vector, open_floor_light
from traygauge_shared.scenes.setting import Lighting
from traygauge_shared.scenes.things import Surface

FloatArray = npt.NDArray[np.float64]

_F0 = 0.04  # reflection of plastics (n = 1.49) at normal incidence: ((n - 1) / (n + 1))²


@dataclass(frozen=True)
class Matter:
    """How a surface looks.

    `roughness` of its coat (GGX alpha), what part of its light comes `diffused` from all sides, how `clear` it is,
    and how much `shadow` it throws.
    """

    roughness: float
    diffused: float = 0.0
    clear: float = 0.0
    shadow: float = 1.0


MATTER: dict[Surface, Matter] = {
    "matt": Matter(0.38),
    "satin": Matter(0.2),
    "glossy": Matter(0.09),
    "translucent": Matter(0.25, diffused=0.85, clear=0.45, shadow=0.7),
    "clear": Matter(0.08, diffused=0.9, clear=0.97, shadow=0.3),
}


@dataclass(frozen=True, eq=False)
class Spots:
    """Surface points to be shaded, n each.

    `normal`, `view` (n, 3) unit vectors; `rgb` (n, 3) reflectance; `roughness`, `diffused`, `clear` (n,) as in
    `Matter`; `openness` (n,) the part of the sky that neighbours leave, `lamp_open` (lamps, n) the same for each
    lamp; `clearance` (n,) the part of the floor's light that reaches the spot past the piece's own foot.
    """

    normal: FloatArray
    view: FloatArray
    rgb: FloatArray
    roughness: FloatArray
    diffused: FloatArray
    clear: FloatArray
    openness: FloatArray
    lamp_open: FloatArray
    clearance: FloatArray


def fresnel(cosine: FloatArray) -> FloatArray:
    """Return the reflected part at a plastic's surface (Schlick's approximation, F0 = 0.04)."""
    return np.asarray(_F0 + (1 - _F0) * (1 - np.clip(cosine, 0, 1)) ** 5)


def _strip(spread_deg: float) -> float:
    """Return half the width of an even strip of cosines that varies as they do over a lamp's disc: by half its sine."""
    return float(max(np.sqrt(0.75) * np.sin(np.radians(spread_deg)), 1e-6))


def lamp_cosine(cosine: FloatArray, spread_deg: float) -> FloatArray:
    """Return the mean of max(0, n·l) over a lamp's disc: the hard cosine with a soft foot."""
    s = _strip(spread_deg)
    foot = np.clip(cosine + s, 0, 2 * s) ** 2 / (4 * s)
    return np.where(cosine > s, cosine, foot)


def _lost(roughness: FloatArray) -> FloatArray:
    """Return what part of `fresnel` a coat loses, in or out: a rough one is met by light less slantingly than it lies."""
    return 1 - 0.7 * roughness


def let_in(cosine: FloatArray, spread_deg: float, roughness: FloatArray) -> FloatArray:
    """Return the mean of max(0, n·l) times what the coat lets in over a lamp's disc; `cosine` is n·l of its middle."""
    s = _strip(spread_deg)

    def gone(c: FloatArray) -> FloatArray:
        """Return the integral of c `fresnel`(c) from 0."""
        c = np.clip(c, 0, 1)
        return np.asarray(_F0 * c**2 / 2 + (1 - _F0) * ((1 - c) ** 7 / 7 - (1 - c) ** 6 / 6 + 1 / 42))

    mirrored = (gone(cosine + s) - gone(cosine - s)) / (2 * s)
    return np.asarray(lamp_cosine(cosine, spread_deg) - _lost(roughness) * mirrored)


def radiance(spots: Spots, light: Lighting, floor_rgb: FloatArray) -> FloatArray:
    """Return the radiance (n, 3) that spots send to the camera, over a floor of a reflectance (3,)."""
    n, v = spots.normal, spots.view
    cos_v = np.clip((n * v).sum(1), 0.02, 1)
    sky = light.ambient * np.array(light.ambient_tint)
    floor = floor_rgb * open_floor_light(light)
    up = 0.5 + 0.5 * n[:, 2]
    # the body: sky from above, floor from below (dark in the piece's own foot), lamps
    body = (up * spots.openness)[:, None] * sky + ((1 - up) * spots.clearance)[:, None] * floor
    mirror = 2 * cos_v[:, None] * n - v
    to_sky = np.clip(0.5 + mirror[:, 2] / (0.15 + 1.2 * spots.roughness), 0, 1)[:, None]
    # mirrored rays that go down meet the floor close to the piece's foot, where it is dim
    coat = to_sky * sky * spots.openness[:, None] + (1 - to_sky) * 0.55 * spots.clearance[:, None] * floor
    coat = (fresnel(cos_v) * _grazing(cos_v, spots.roughness))[:, None] * coat
    everywhere = (sky + floor) / 2  # what a body that diffuses all its light gets
    for k, lamp in enumerate(light.lamps):
        to = lamp_vector(lamp)
        power = lamp.strength * np.array(lamp.tint)
        cos_l = lamp_cosine(n @ to, lamp.spread_deg) * spots.lamp_open[k]
        enters = let_in(n @ to, lamp.spread_deg, spots.roughness) * spots.lamp_open[k]
        body = body + enters[:, None] * power
        coat = coat + (_lobe(n, v, to, cos_v, cos_l, spots.roughness, lamp.spread_deg))[:, None] * power
        everywhere = everywhere + 0.5 * power
    diffused = spots.diffused[:, None]
    body = spots.rgb * ((1 - diffused) * body + diffused * (0.8 * everywhere + 0.2 * body))
    # light from within leaves all around
    loss = fresnel(cos_v) * _lost(spots.roughness) * (1 - 0.7 * spots.diffused)
    body = (1 - loss)[:, None] * body
    return np.asarray(_seen_through(spots, body, floor, everywhere, cos_v) + coat)


def _seen_through(
    spots: Spots, body: FloatArray, floor: FloatArray, everywhere: FloatArray, cos_v: FloatArray
) -> FloatArray:
    """Return the body with the floor showing through its middle, and the surroundings through its rim."""
    if not spots.clear.any():
        return body
    middle = np.clip((cos_v - 0.3) / 0.45, 0, 1)[:, None]
    behind = middle * 0.9 * floor + (1 - middle) * 0.55 * everywhere
    clear = spots.clear[:, None]
    return np.asarray(clear * behind * np.sqrt(spots.rgb) + (1 - clear) * body)


def floor_mirror(view: FloatArray, light: Lighting, gloss: float) -> FloatArray:
    """Return the radiance (n, 3) that a glossy floor mirrors of the lamps towards `view` (n, 3).

    `gloss` (0..1) goes from a coat as rough as paper's to a nearly smooth film.
    """
    n = np.broadcast_to(np.array([0.0, 0.0, 1.0]), view.shape)
    cos_v = np.clip(view[:, 2], 0.02, 1)
    rough = np.full(len(view), 0.5 - 0.42 * gloss)
    out = np.zeros_like(view)
    for lamp in light.lamps:
        to = lamp_vector(lamp)
        cos_l = np.full(len(view), to[2])
        out = out + _lobe(n, view, to, cos_v, cos_l, rough, lamp.spread_deg)[
            :, None
        ] * lamp.strength * np.array(lamp.tint)
    return out


def _grazing(cos_v: FloatArray, roughness: FloatArray) -> FloatArray:
    """Return what a rough coat's own relief leaves of its mirror image at grazing view (Smith, GGX)."""
    a2 = roughness**2
    return np.asarray(2 * cos_v / (cos_v + np.sqrt(a2 + (1 - a2) * cos_v**2)))


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
