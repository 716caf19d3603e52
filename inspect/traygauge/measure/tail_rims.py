"""Which rim of its cut face a thread grows from: one from the upper rim lies before a face in sight, and hides it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from traygauge.measure.tail_patch import signal_at
from traygauge.measure.tails import Scene
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

#: Where light is read: between the rims' images, in half of what lies between them, and before the inner one, in blurs.
_BETWEEN, _BEFORE = np.linspace(-0.6, 0.6, 7), np.array([1.5, 2.0, 2.5, 3.0])
#: Standard deviation of that light between tray (0) and flank (1), and what odds it gives at the most (drawn scenes: one
#: in twenty of either kind is read as the other).
_STRAYS, _SUREST = 0.2, 2.0


def from_upper_rim(
    scene: Scene,
    tray: TrayView,
    owner: IntArray,
    threads_px: FloatArray,
    middle: tuple[FloatArray, FloatArray],
    height_mm: FloatArray,
    face: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Return how likely t threads grow from the upper rims of their faces, ndarray (t,); a half where no light tells.

    Parameters
    ----------
    owner : ndarray (t,): their regions.
    threads_px : ndarray (t, k, 2): some of their points.
    middle : ndarrays (t, 2), mm: where their ways meet the middle of the faces, and unit directions outwards.
    height_mm : ndarray (t,): at which that is.
    face : ndarrays (t,): how far either rim is seen from the face's middle along these ways, mm; and how bright the face
        is between tray (0) and flank (1), 1 where it is out of sight.
    """
    off, light = face
    likely = np.full(len(owner), 0.5)
    some = np.flatnonzero((light < 1.0) & (off > 0.0))
    if not len(some):
        return likely
    blur = scene.sight.blur_px / scene.sight.px_per_mm
    off, light, owner = off[some], light[some], owner[some]
    before = -off[:, None] - blur * _BEFORE
    arc = np.concatenate([off[:, None] * _BETWEEN, before], 1)
    start, way = (x[some] for x in middle)
    places = tray.to_px(start[:, None] + arc[..., None] * way[:, None], height_mm[some, None])
    points = np.concatenate([places, threads_px[some]], 1)
    read = signal_at(scene.regions, points.reshape(-1, 2), np.repeat(owner, points.shape[1]))
    between, flank, thread = np.split(
        read.reshape(len(some), -1), [len(_BETWEEN), len(_BETWEEN) + len(_BEFORE)], axis=1
    )
    flank = np.maximum(np.median(flank, 1), 0.1)
    bright = np.minimum(np.median(thread, 1) / flank, 1.0)
    # what lies between the rims is blurred with the flank before it and the thread beyond
    kept = special.erf(off / (np.sqrt(2) * blur))
    differ = np.maximum(bright - light, 0.0) * kept
    halfway = 1.0 - (1.0 - (bright + light) / 2) * kept
    odds = (between.min(1) / flank - halfway) * differ / _STRAYS**2
    likely[some] = special.expit(np.clip(odds, -_SUREST, _SUREST))
    return likely
