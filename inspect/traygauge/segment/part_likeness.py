"""How like the strand a place is, in colour and in light, where a coloured strand lies on a tray brighter than its flanks.

Beside such a piece lies the tray in any shadow, from none to one as dark as the flank or darker: in light alone some shadow
is as dark as the piece, and both its edges pass for the piece's end. None of them has the piece's colour at a light that
its surface gets.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

#: Sine of the angle between strand and tray, as code values, from which on colour tells them apart.
_COLOURED = 0.25
#: A piece's own shading, in shares of its mean code values: a shaded flank gets 0.3 of the light that its top gets
#: (`contrast.SHADED`), a highlight of a satin surface 2.8 times as much (common practice).
_SHADING = 0.58, 1.6
#: What differs by this share of the strand's code values is nothing like it (swept on drawn scenes, 0.5 to 0.8).
_UNLIKE = 0.6


def tells(strand: FloatArray, tray: FloatArray) -> bool:
    """Return whether likeness tells a strand from its tray, mean code values (3,) each.

    The strand is coloured, and the tray is brighter than its shaded flanks: some shadow on it is as dark as they are.
    """
    along = float(tray @ strand) / max(float(strand @ strand), 1.0)
    aside = float(np.linalg.norm(tray - along * strand)) / max(float(np.linalg.norm(tray)), 1.0)
    return along > _SHADING[0] and aside > _COLOURED


def likeness(rgb: npt.NDArray[np.uint8], strand: FloatArray) -> Float32Array:
    """Return how like a strand's code values (3,) each pixel of a picture (h, w, 3) is, ndarray (h, w), 0 to 1."""
    seen, own = rgb.astype(np.float32), strand.astype(np.float32)
    size = np.float32(max(float(strand @ strand), 1.0))
    shading = np.clip(seen @ own / size, np.float32(_SHADING[0]), np.float32(_SHADING[1]))
    apart = np.linalg.norm(seen - shading[..., None] * own, axis=-1) / np.sqrt(size)
    return np.asarray(np.maximum(1.0 - apart / np.float32(_UNLIKE), 0.0), np.float32)
