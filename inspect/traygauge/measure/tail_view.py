"""From threads in the photo to tails on the tray: scale, and what the sideways view hides or shows of a root."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]


def view_correction(
    tray: TrayView, line_mm: FloatArray, body_mm: FloatArray, diameter_mm: float
) -> tuple[float, float]:
    """Return what to add to a tail's visible length for the sideways view, and its standard uncertainty, mm.

    A point at height z appears moved by z times the lean. A tail is seen from where it leaves the body's outline. On a
    face turned away from the camera the outline is the face's upper rim, at the height radius + c, and hides the tail's
    first part; on a face turned towards it, the lower rim, at radius - c (c: half the face's height at the root). The
    tip may be at any height between the floor and the body's top, in the middle on average. So either way c times the
    lean is lost on average, and the tip's unknown height is the uncertainty (uniform: diameter / sqrt 12).

    Parameters
    ----------
    tray : the tray view.
    line_mm : ndarray (k, 2): the tail from the root, sheet mm.
    body_mm : ndarray (m, 2): the body's outline.
    diameter_mm : the body's diameter.
    """
    root, tip = line_mm[0], line_mm[-1]
    radius = diameter_mm / 2
    lean = tray.lean(root, radius)
    if not lean.any():
        return 0.0, 0.0
    normal, beside = _face(body_mm, root)
    k = min(len(line_mm) - 1, 6)
    slant = max(float(_unit(line_mm[k] - root) @ normal), 0.5)
    half_height = float(np.sqrt(max(radius**2 - beside**2, 0.0)))
    hidden = abs(float(lean @ normal)) / slant * half_height
    u_tip = abs(float(lean @ _unit(tip - line_mm[-1 - k]))) * diameter_mm / np.sqrt(12)
    return 0.5 * hidden, float(np.hypot(u_tip, 0.5 * hidden))


def _face(body_mm: FloatArray, root: FloatArray) -> tuple[FloatArray, float]:
    """Return the outward direction of the cut face that a root sits on, and the root's offset beside the axis."""
    (cx, cy), (w, h), deg = cv2.minAreaRect((body_mm - body_mm[0]).astype(np.float32))
    along = np.array([np.cos(np.radians(deg)), np.sin(np.radians(deg))])
    axes = np.stack([along, [-along[1], along[0]]])
    offset = axes @ (root - body_mm[0] - [cx, cy])
    share = np.abs(offset) / np.maximum([w / 2, h / 2], 1e-9)
    i = int(np.argmax(share))
    return axes[i] * (1.0 if offset[i] > 0 else -1.0), float(offset[1 - i])


def _unit(v: FloatArray) -> FloatArray:
    return np.asarray(v / max(float(np.hypot(*v)), 1e-12), float)
