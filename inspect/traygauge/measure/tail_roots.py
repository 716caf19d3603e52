"""Tails begin at their cut face: what lies between that and where a thread stands out from the outline is tail too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from traygauge.measure.ends import Ends
from traygauge.measure.frame import Frames
from traygauge.measure.tails import Tails
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_MOST = 0.4  # of the diameter: further out a thread's root is not this face's
#: A cut's slope across is fitted on what its thread leaves of the face: so much of it counts (drawn scenes: 0.5 to 0.7).
_SLOPE = 0.5
#: Where the thread's own root lies inside the face, each is as likely right as the other.
_INSIDE = 0.5
#: A thread that sets out flatter than 45 degrees along the face has bent there, and its root has not.
_LEAST_SLANT = 0.7
_FIRST = 6  # points from a thread's root over which it sets out


def rooted(tails: Tails, tray: TrayView, frames: Frames, ends: Ends, body: IntArray) -> Tails:
    """Return tails that begin at the nearer cut face of their body, with lengths and uncertainties that follow.

    A cut face that was drawn out into its tail passes for body as far as it is wider than a thread. A thread crosses
    the outline at the face's rim in sight and starts there or at the rim out of sight, which is as far again beyond the
    middle of the face as seen: so the middle is where it begins in the mean. (Other tails keep `view_correction`.)

    Parameters
    ----------
    frames, ends : of the bodies, with their cut lengths.
    body : ndarray (n,): which of them is each region's, -1: none is.
    """
    at = body[tails.owner]
    some = np.flatnonzero(at >= 0)
    if not len(some):
        return tails
    bodies, row = frames.rows(at[some]), np.arange(len(some))
    # the face's middle is known at half height: threads are compared with it as if they lay there
    start = tray.to_mm(np.array([tails.centrelines_px[k][0] for k in some]), bodies.height_mm)
    tips = np.array([-0.5, 0.5]) * bodies.length_mm[:, None]
    outwards = bodies.along(tips) * np.array([-1.0, 1.0])[:, None]
    off = start[:, None] - bodies.point(tips)
    beyond = (off * outwards).sum(-1)
    end = beyond.argmax(1)
    outward, off = outwards[row, end], off[row, end]
    beside = outward[:, 0] * off[:, 1] - outward[:, 1] * off[:, 0]
    way = np.array([_way(tails.centrelines_mm[k]) for k in some])
    slant = np.maximum((way * outward).sum(-1), _LEAST_SLANT)
    most = _MOST * bodies.diameter_mm
    late = np.clip(beyond[row, end] - _SLOPE * ends.slope[at[some], end] * beside, -most, most) / slant
    half_height = np.sqrt(np.maximum(bodies.height_mm**2 - beside**2, 0.0))

    lines, length, u_length = list(tails.centrelines_mm), tails.length_mm.copy(), tails.u_length_mm.copy()
    for k, ahead, gap in zip(some, way, late, strict=True):
        lines[k] = _begun(lines[k], ahead, gap if gap > 0 else _INSIDE * gap)
        length[k] = _arcs(lines[k])[-1]
    u_length[some] = np.hypot(u_length[some], half_height * ends.view[at[some], end] / slant)
    return replace(tails, centrelines_mm=tuple(lines), length_mm=length, u_length_mm=u_length)


def _way(line: FloatArray) -> FloatArray:
    """Return the unit direction in which a line (k, 2) sets out."""
    ahead = line[min(_FIRST, len(line) - 1)] - line[0]
    return np.asarray(ahead / max(float(np.hypot(*ahead)), 1e-9), float)


def _begun(line: FloatArray, ahead: FloatArray, gap_mm: float) -> FloatArray:
    """Return a line (k, 2) that begins `gap_mm` earlier, against `ahead`; a negative gap takes off as much, half at most."""
    if gap_mm >= 0:
        return np.concatenate([[line[0] - gap_mm * ahead], line]) if gap_mm else line
    arc = _arcs(line)
    off = min(-gap_mm, arc[-1] / 2)
    first = [np.interp(off, arc, along) for along in line.T]
    return np.concatenate([[first], line[arc > off]])


def _arcs(line: FloatArray) -> FloatArray:
    """Return the arc at each point of a line (k, 2), ndarray (k,)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
