"""From threads in the photo to tails on the tray: scale, and what the sideways view hides or shows of a root."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]


def view_correction(
    tray: TrayView,
    lines_px: list[FloatArray],
    lines_mm: list[FloatArray],
    bodies_px: list[FloatArray],
    diameter_mm: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what to add to tails' visible lengths for the sideways view, (t,), and u of root and of tip by it, mm.

    A tail is seen from where it leaves the body's outline. On a cut face turned away from the camera the outline is the
    face's upper rim, at the height radius + c, and hides what is lower: nothing of a tail that starts there, 2 c times
    the lean of one that starts at the lower rim (c: half the face's height at the root). The middle is added. On a face
    turned towards the camera nothing is hidden. The tip may be at any height, which moves it by as much times the lean:
    an uncertainty only (uniform between floor and body's top: diameter / sqrt 12).

    Parameters
    ----------
    tray : the tray view.
    lines_px, lines_mm : t tails, each an ndarray (k, 2) from the root to the tip, in the photo and on the sheet.
    bodies_px : t outlines of their bodies.
    diameter_mm : the bodies' diameter.
    """
    add, u_tip = np.zeros(len(lines_px)), np.zeros(len(lines_px))
    if tray.is_flat or not lines_px:
        return add, np.zeros_like(add), u_tip
    roots = np.array([line[0] for line in lines_mm])
    lean = tray.to_px(roots, diameter_mm) - tray.to_px(roots, 0.0)  # of the whole height, px
    radius = diameter_mm / 2
    for i, (line, body) in enumerate(zip(lines_px, bodies_px, strict=True)):
        scale = float(np.hypot(*(line[-1] - line[0])) / max(np.hypot(*(lines_mm[i][-1] - roots[i])), 1e-9))
        normal, beside = _face(body, line[0])
        k = min(len(line) - 1, 6)
        slant = max(float(_unit(line[k] - line[0]) @ normal), 0.5)
        half_height = np.sqrt(max(1.0 - (beside / scale / radius) ** 2, 0.0)) / 2  # c, in diameters
        add[i] = max(float(lean[i] @ normal), 0.0) / slant * half_height / scale
        u_tip[i] = abs(float(lean[i] @ _unit(line[-1] - line[-1 - k]))) / np.sqrt(12) / scale
    return add, add / np.sqrt(3), u_tip


def _face(body: FloatArray, root: FloatArray) -> tuple[FloatArray, float]:
    """Return the outward direction of the cut face that a root sits on, and the root's offset beside the axis."""
    (cx, cy), (w, h), deg = cv2.minAreaRect((body - body[0]).astype(np.float32))
    along = np.array([np.cos(np.radians(deg)), np.sin(np.radians(deg))])
    axes = np.stack([along, [-along[1], along[0]]])
    offset = axes @ (root - body[0] - [cx, cy])
    share = np.abs(offset) / np.maximum([w / 2, h / 2], 1e-9)
    i = int(np.argmax(share))
    return axes[i] * (1.0 if offset[i] > 0 else -1.0), float(offset[1 - i])


def _unit(v: FloatArray) -> FloatArray:
    return np.asarray(v / max(float(np.hypot(*v)), 1e-12), float)
