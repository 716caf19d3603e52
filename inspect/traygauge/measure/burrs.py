"""Burrs: lips on cut edges, which stand out beyond the cut."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from traygauge.measure.body import Bodies
from traygauge.measure.outlines import past_faces
from traygauge.measure.tail_outline import arcs
from traygauge.measure.tails import TAIL, Tails
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

#: What stands out at the corners of ends by less is roughness and noise: 99 % of the ends without a burr stay below
#: 0.07 mm (rendered and drawn trays). In a blurred photo so many blurs are no less.
LOWEST_MM, LOWEST_BLURS = 0.1, 0.8
_ODD = 3.0  # nor is it less than so many spreads of what stands out of all ends
#: What stands out further is a face half lost in the dark, or a thread.
HIGHEST_OF_DIAMETER = 0.3
#: Corners lie further from the axis than this share of the half width, where no row of light is read.
_CORNER = 0.8


def burr_heights(tails: Tails, tray: TrayView, bodies: Bodies, body: IntArray) -> FloatArray:
    """Return the height of each region's largest burr, ndarray (n,), mm; 0 where none is seen.

    Lips on the middle of an edge are known from the fit to its light; at the corners the outline stands out beyond the
    rim of the fitted cut face. Where a tail begins, what stands out is its root.

    Parameters
    ----------
    body : ndarray (n,): which of the bodies is each region's, -1: none is.
    """
    height = np.maximum(_off_roots(tails, tray, bodies, body), _at_corners(tails, tray, bodies, body))
    some = body >= 0
    found = np.zeros(len(body))
    found[some] = height[body[some]].max(1)
    return found


def _off_roots(tails: Tails, tray: TrayView, bodies: Bodies, body: IntArray) -> FloatArray:
    """Return the bodies' lips (k, 2), mm, 0 at ends that a tail grows from."""
    lip, frames = bodies.ends.lip_mm.copy(), bodies.frames
    some = np.flatnonzero(body[tails.owner] >= 0)
    if len(some):
        at = body[tails.owner[some]]
        root = tray.to_mm(np.array([tails.centrelines_px[k][0] for k in some]), frames.height_mm[at])
        along = ((root - frames.centre_mm[at]) * frames.along()[at]).sum(1)
        lip[at, (along > 0).astype(np.intp)] = 0.0
    return lip


def _at_corners(tails: Tails, tray: TrayView, bodies: Bodies, body: IntArray) -> FloatArray:
    """Return how far the outlines stand out at the corners of the bodies' ends (k, 2), mm, 0 where they hardly do."""
    rings, sight, frames = tails.scene.rings, tails.scene.sight, bodies.frames
    kept = np.flatnonzero(_off_tails(tails) & (rings.each(body) >= 0))
    who = body[rings.owner[kept]]
    points = tray.to_mm(rings.points[kept], frames.height_mm[who])
    v, past = past_faces(points, lambda values: values[who], bodies)
    past = np.minimum(past, np.roll(past, 1, 1))  # a lone point of an outline is noise
    first = np.flatnonzero(np.diff(who, prepend=-1))  # points of a body follow one another
    at_corner = np.where(np.abs(v) > _CORNER * frames.diameter_mm[who] / 2, past, 0.0)
    # outlines lie further out where a shadow joins them
    seen, corner = np.zeros((len(first), 2)), np.zeros((len(frames), 2))
    if len(first):
        seen = np.maximum(np.maximum.reduceat(past, first, axis=1).T, 0.0)
        corner[who[first]] = np.maximum.reduceat(at_corner, first, axis=1).T
    usual = float(np.median(seen)) if seen.size else 0.0
    spread = 1.4826 * float(np.median(np.abs(seen - usual))) if seen.size else 0.0
    corner = np.maximum(corner, 0.0) - usual
    lowest = max(LOWEST_MM, LOWEST_BLURS * sight.blur_px / sight.px_per_mm, _ODD * spread)
    most = HIGHEST_OF_DIAMETER * frames.diameter_mm[:, None]
    return np.asarray(np.where((corner > lowest) & (corner < most), corner, 0.0), float)


def _off_tails(tails: Tails) -> BoolArray:
    """Return which ring points belong to a body, ndarray (m,), the swollen corners at tails' roots left out."""
    scene = tails.scene
    rings = scene.rings
    usable = rings.each(scene.solid)
    for k in np.unique(tails.owner):
        arc = arcs(scene.regions.outlines_px[k])
        vertex = np.searchsorted(arc, np.arange(rings.count[k]) * rings.step[k], side="right") - 1
        tail = tails.outline_part[k][np.minimum(vertex, len(tails.outline_part[k]) - 1)] == TAIL
        beside = max(1, round(0.15 * scene.sight.diameter_px / rings.step[k]))
        around = ndimage.binary_dilation(np.concatenate([tail] * 3), iterations=beside)
        usable[rings.start[k] : rings.start[k + 1]] &= ~around[len(tail) : 2 * len(tail)]
    return usable
