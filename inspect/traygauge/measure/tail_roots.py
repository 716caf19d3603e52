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
#: A cut's slope across is fitted on what its thread leaves of the face: so much of it counts (drawn scenes).
_SLOPE = 0.75
#: Where the thread's own root lies inside the face, that counts too: a burr moves a face outwards (drawn scenes: 0.55 to 0.85).
_INSIDE = 0.7
#: A thread that sets out flatter than 45 degrees along the face has bent there, and its root has not.
_LEAST_SLANT = 0.7
_FIRST = 6  # points from a thread's root over which it sets out
#: Threads sag: of the height that they set out at, 1 / e is left after so many diameters (drawn and rendered ones: 2.5
#: to 4.5).
_SAGS = 3.0
#: Standard uncertainty of where a cut face lies beneath a thread, and the share of what thread and face disagree by.
_FACE_MM, _DISAGREE = 0.08, 0.5


def rooted(tails: Tails, tray: TrayView, frames: Frames, ends: Ends, body: IntArray) -> Tails:
    """Return tails that begin at the nearer cut face of their body, with lengths and uncertainties that follow.

    A thread crosses the outline at the face's rim in sight and grows from there or from the rim out of sight: seen from
    above both lie where the face does, which the body's fit knows better than the thread's outline (a face drawn out
    into its tail passes for body as far as it is wider than a thread). In the mean over both rims it sets out at half
    height, and sags from there. (Other tails keep `view_correction`.)

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
    seen = _sagging(tails, tray, some, bodies)
    start = np.array([line[0] for line in seen])
    tips = np.array([-0.5, 0.5]) * bodies.length_mm[:, None]
    outwards = bodies.along(tips) * np.array([-1.0, 1.0])[:, None]
    off = start[:, None] - bodies.point(tips)
    beyond = (off * outwards).sum(-1)
    end = beyond.argmax(1)
    outward, off = outwards[row, end], off[row, end]
    beside = outward[:, 0] * off[:, 1] - outward[:, 1] * off[:, 0]
    way = np.array([_way(line) for line in seen])
    slant = np.maximum((way * outward).sum(-1), _LEAST_SLANT)
    most = _MOST * bodies.diameter_mm
    late = np.clip(beyond[row, end] - _SLOPE * ends.slope[at[some], end] * beside, -most, most) / slant
    # a cut that leans up or down has its two rims apart, and which of them a thread grows from no photo says
    half_height = np.sqrt(np.maximum(bodies.height_mm**2 - beside**2, 0.0))
    leans = np.maximum(ends.view - np.abs(ends.view_expected), 0.0)[at[some], end]
    u_root = np.sqrt(_FACE_MM**2 + (_DISAGREE * late) ** 2 + (half_height * leans / slant) ** 2)

    lines, length = list(tails.centrelines_mm), tails.length_mm.copy()
    for k, line, ahead, gap in zip(some, seen, way, late, strict=True):
        lines[k] = _begun(line, ahead, gap if gap > 0 else _INSIDE * gap)
        length[k] = _arcs(lines[k])[-1]
    u, u_was = tails.u_length_mm.copy(), tails.u_root_mm.copy()
    u[some] = np.sqrt(u[some] ** 2 - u_was[some] ** 2 + u_root**2)
    u_was[some] = u_root
    return replace(tails, centrelines_mm=tuple(lines), length_mm=length, u_length_mm=u, u_root_mm=u_was)


def _sagging(tails: Tails, tray: TrayView, some: IntArray, bodies: Frames) -> list[FloatArray]:
    """Return the lines (k, 2) of some tails on the tray, mm, if they set out at half height and sag."""
    arc = [_arcs(tails.centrelines_mm[k]) for k in some]
    size = [len(one) for one in arc]
    height, reach = (np.repeat(x, size) for x in (bodies.height_mm, _SAGS * bodies.diameter_mm))
    px = np.concatenate([tails.centrelines_px[k] for k in some])
    lines = tray.to_mm(px, height * np.exp(-np.concatenate(arc) / reach))
    return np.split(lines, np.cumsum(size)[:-1])


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
