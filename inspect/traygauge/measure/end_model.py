"""The model of the light along the axis at an end (`traygauge.measure.ends`): flank, face, and the tray beside it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from traygauge.measure.edge_model import SHARPEN_PX, Optics
from traygauge.measure.end_light import EndLight

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]  # profiles: half the memory, and noise far above its rounding

_FADING_MM = np.float32(0.15)  # over which surroundings come to count nothing
ROUNDING_MM = 0.05  # radius of a cut edge, ± 0.02: smear and wear in the shop (common practice, no source)


def arcs(p: FloatArray, light: EndLight) -> tuple[SingleArray, SingleArray, SingleArray]:
    """Return the outer and inner arc and q (r, e) for parameters (5, e): out, m, t, f, g; a squeezed section is an ellipse."""
    out, m, t = p[:3].astype(np.float32)
    q = np.sqrt(np.maximum((light.radius - np.float32(ROUNDING_MM)) ** 2 - light.v**2, 0)) * light.flat
    line, aside = out + m * light.v, np.abs(t) * q
    return line + aside, line - aside, q


@dataclass(frozen=True, eq=False)
class Model:
    """The model at e ends and what is left unexplained, in the functions of place that its derivatives are made of.

    Parameters
    ----------
    functions : ndarrays (r, m, e): the slope of the inner edge and of the outer one, the face, what is left
        unexplained, and the derivative after g.
    weight : ndarray (r, m, e): what each place counts.
    at_inner, at_outer : ndarray (r, e): how the light changes at the edges where these move outwards.
    across : ndarray (r, e): how far both edges move outwards with m; along : ndarray (r, e), the outer one with t, and
        the inner one inwards.
    even : ndarray (r, e): how the face's light changes with f.
    """

    functions: tuple[SingleArray, ...]
    weight: SingleArray
    at_inner: SingleArray
    at_outer: SingleArray
    across: SingleArray
    along: SingleArray
    even: SingleArray


def model(p: FloatArray, beside: FloatArray, light: EndLight) -> Model:
    """Return the model for parameters p (4, e), out, m, t, f, and g (r, e), the light beside each row."""
    outer, inner, q = arcs(p, light)
    step, bell = tables(light.optics)
    t, f = p[2:].astype(np.float32)
    g = beside.astype(np.float32)
    away = t >= 0  # no face is seen, but the flank up to the rim
    even = np.where(away, np.float32(1), light.even)
    f = np.where(away, np.float32(1), f) * even
    ci, inner_slope = looked_up(inner, light, step, bell)
    co, outer_slope = looked_up(outer, light, step, bell)
    face = co - ci
    shade, tray = _beside(g, 1 - co, light)
    rest = light.share - ci
    rest -= f[:, None] * face
    rest -= shade
    # the surroundings count only as far as they can be taken for even
    near = ((outer + 4 * light.blur + 0.2) / _FADING_MM)[:, None] - light.s / _FADING_MM
    weight = np.multiply(np.clip(near, 0, 1, out=near), light.weight, out=near)
    functions = inner_slope, outer_slope, face, rest, tray
    at_inner, at_outer = (np.divide(rise, light.blur, dtype=np.float32) for rise in (1 - f, f - g))
    return Model(functions, weight, at_inner, at_outer, light.v, np.where(away, q, -q), even)


def _beside(g: SingleArray, tray: SingleArray, light: EndLight) -> tuple[SingleArray, SingleArray]:
    """Return the light of the surroundings (r, m, e) and its derivative after g (r, e), where `tray` shows them.

    Beside a dark piece they are in its shadow. What shades them from the sky as a whole fades away from the piece, down
    to nothing where the tray's own light was read (the sky beside a wall: 1 + d / sqrt(d² + h²) over 2); the full shadow
    of a lamp is even. The darker a shadow is, the more of it is the lamp's.
    """
    level = g[:, None]
    if not light.dark.any():
        return level * tray, tray
    faded = np.where(light.dark, np.clip(light.s / light.tray_at, -0.5, 1.0), np.float32(0))
    sky = np.clip(1 - level, 0, 1)
    return level * (1 - sky * faded) * tray, (1 - (2 * sky - 1) * faded) * tray


#: Distances from an edge, in units of the blur: 1201 places, and the last one again as far as 16 bits count.
_TABLE = np.minimum(np.arange(2**16) - 600, 600) / 100.0


@lru_cache(maxsize=8)
def tables(optics: Optics) -> tuple[SingleArray, SingleArray]:
    """Return a blurred edge, and its slope, over the distance from it as `_TABLE` counts it.

    A camera's sharpening makes the edge overshoot, which else would be taken for the light of a face.
    """
    wide = float(np.hypot(optics.sigma_px, SHARPEN_PX)) / optics.sigma_px
    step = ndtr(_TABLE) + optics.sharpen * (ndtr(_TABLE) - ndtr(_TABLE / wide))
    narrow, broad = (np.exp(-0.5 * (_TABLE / w) ** 2) / np.sqrt(2 * np.pi) / w for w in (1.0, wide))
    return step.astype(np.float32), (narrow + optics.sharpen * (narrow - broad)).astype(np.float32)


def looked_up(arc: SingleArray, light: EndLight, *of: SingleArray) -> list[SingleArray]:
    """Return what tables (`tables`; error below 0.002) hold where each place lies from an arc (r, e), ndarrays (r, m, e).

    Beyond the tables their ends hold; places that are no numbers count as far below.
    """
    scale = np.float32(100.0) / light.blur
    place = (arc * scale + np.float32(600.5))[:, None] - light.s * scale
    if not place.size:
        return [place] * len(of)
    with np.errstate(invalid="ignore"):
        index = np.clip(place, 0, 1200, out=place).astype(np.uint16)
    # with indices of 16 bits OpenCV looks up in half of NumPy's time, from tables that have a place for each
    flat = index.reshape(len(index), -1)
    return [np.asarray(cv2.LUT(flat, table), np.float32).reshape(index.shape) for table in of]
