"""sRGB code values and linear light (IEC 61966-2-1)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def srgb_to_linear(code: npt.ArrayLike) -> FloatArray:
    """Return linear light in 0..1 for sRGB code values in 0..1 (IEC 61966-2-1)."""
    v = np.asarray(code, float)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.0) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(light: npt.ArrayLike) -> FloatArray:
    """Return sRGB code values in 0..1 for linear light in 0..1 (IEC 61966-2-1)."""
    v = np.asarray(light, float)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 0.0031308) ** (1 / 2.4) - 0.055)


#: Linear light of each 8-bit code value, ndarray of shape (256,), float32.
LINEAR_OF_CODE: npt.NDArray[np.float32] = srgb_to_linear(np.arange(256) / 255.0).astype(np.float32)
