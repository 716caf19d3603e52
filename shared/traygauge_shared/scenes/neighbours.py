"""How pieces stand in each other's light: soft shadows and dark gaps between neighbours.

Each body is taken as a straight cylinder. A lamp's shadow has the penumbra that its size gives at the distance of
what throws it; of the sky, a neighbour takes away about the part of the half sphere it fills (plain approximation,
no source: it has to look right, nothing is measured by it).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.lamps import lamp_vector
from traygauge_shared.scenes.setting import Lighting
from traygauge_shared.scenes.solid import Solid

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_SKY_REACH_MM = 2.0
_GAP_MM = 0.03  # penumbra that even a touching neighbour leaves


def openness(
    point: FloatArray, normal: FloatArray, piece: IntArray, solids: Sequence[Solid], light: Lighting
) -> tuple[FloatArray, FloatArray]:
    """Return what neighbours leave of the sky (n,) and of each lamp (lamps, n) at surface points.

    Parameters
    ----------
    point, normal : ndarray (n, 3), on the pieces, heights as the camera sees them.
    piece : ndarray (n,), which piece each point is on.
    """
    sky, lamps = np.ones(len(piece)), np.ones((len(light.lamps), len(piece)))
    bodies = np.concatenate([solid.capsules for solid in solids])
    owner = np.repeat(np.arange(len(solids)), [len(solid.capsules) for solid in solids])
    order = np.argsort(piece, kind="stable")
    bounds = np.searchsorted(piece[order], np.arange(len(solids) + 1))
    for i, k in _close_pairs(bodies, owner, light):
        if bounds[i] == bounds[i + 1]:
            continue
        at = order[bounds[i] : bounds[i + 1]]
        p, n, body = point[at], normal[at], bodies[k]
        sky[at] *= _sky_left(p, n, body, float(np.mean(solids[owner[k]].rgb)))
        for m, lamp in enumerate(light.lamps):
            lamps[m, at] *= _lamp_left(p, body, lamp_vector(lamp), np.tan(np.radians(lamp.spread_deg)))
    return sky, lamps


def _close_pairs(bodies: FloatArray, owner: IntArray, light: Lighting) -> list[tuple[int, int]]:
    """Return (piece, body of another piece) wherever one may stand in the other's light."""
    from scipy.spatial import cKDTree

    lowest = min((lamp.elevation_deg for lamp in light.lamps), default=90.0)
    high = float(np.abs(bodies[:, [2, 5]]).max() + bodies[:, 6].max())
    reach = max(_SKY_REACH_MM, min(high / np.tan(np.radians(max(lowest, 15.0))), 8.0))
    middle = (bodies[:, :2] + bodies[:, 3:5]) / 2
    half = np.linalg.norm(bodies[:, 3:5] - bodies[:, :2], axis=1) / 2 + bodies[:, 6]
    pairs = cKDTree(middle).query_pairs(2 * float(half.max()) + reach, output_type="ndarray")
    gap = np.linalg.norm(middle[pairs[:, 0]] - middle[pairs[:, 1]], axis=1) - half[pairs].sum(1)
    pairs = pairs[(gap < reach) & (owner[pairs[:, 0]] != owner[pairs[:, 1]])]
    both = np.concatenate([pairs, pairs[:, ::-1]])
    return [(int(owner[a]), int(b)) for a, b in both]


def _sky_left(p: FloatArray, n: FloatArray, body: FloatArray, reflectance: float) -> FloatArray:
    start, end, radius = body[:3], body[3:6], body[6]
    along = end - start
    s = np.clip((p - start) @ along / max(float(along @ along), 1e-9), 0, 1)
    to = start + s[:, None] * along - p
    distance = np.maximum(np.linalg.norm(to, axis=1), 1e-6)
    facing = np.clip(((n * to).sum(1) / distance + 0.5) / 1.5, 0, 1)
    taken = np.minimum((radius / distance) ** 1.5, 1.0) * facing
    return np.asarray(1 - 0.9 * taken * (1 - 0.6 * reflectance))  # a bright neighbour gives some light back


def _lamp_left(p: FloatArray, body: FloatArray, to: FloatArray, spread: float) -> FloatArray:
    start, radius = body[:3], body[6]
    along = body[3:6] - start
    length = float(np.linalg.norm(along))
    axis = along / length if length > 1e-6 else np.array([0.0, 0.0, 1.0])
    w = p - start
    b = float(to @ axis)
    e, f = w @ to, w @ axis
    t = np.maximum((b * f - e) / max(1 - b * b, 1e-3), 0)  # where the ray comes nearest to the axis
    station = f + t * b
    gap = np.linalg.norm(w + t[:, None] * to - station[:, None] * axis, axis=1) - radius
    soft = t * spread + _GAP_MM
    past_end = -np.minimum(station + 0.3 * radius, length + 0.3 * radius - station)
    clear = np.maximum(gap, past_end)
    return np.asarray(np.clip(0.5 + 0.5 * clear / soft, 0, 1))
