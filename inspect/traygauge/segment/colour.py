"""CIELAB of pieces, the tray's light corrected (CIE 15:2018; sRGB after IEC 61966-2-1)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Linear sRGB to CIE XYZ (IEC 61966-2-1).
XYZ_OF_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
#: Luminance weights of linear R, G, B: the middle row.
LUMINANCE = XYZ_OF_RGB[1]


def linear_to_lab(light: npt.ArrayLike) -> FloatArray:
    """Return CIELAB of linear sRGB light.

    Parameters
    ----------
    light : array (..., 3), linear R, G, B; (1, 1, 1) is the white of reference (D65).

    Returns
    -------
    ndarray (..., 3): L*, a*, b* (CIE 15:2018, 8.2.1).
    """
    xyz = np.asarray(light, float) @ XYZ_OF_RGB.T / XYZ_OF_RGB.sum(1)
    delta = 6.0 / 29.0
    f = np.where(xyz > delta**3, np.cbrt(xyz), xyz / (3 * delta**2) + 4.0 / 29.0)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1)
