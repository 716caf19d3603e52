"""Tails begin at their cut face: what lies between that and where a thread stands out from the outline is tail too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from traygauge.measure.frame import Frames
from traygauge.measure.tails import Tails

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_MOST = 0.4  # of the diameter: further out a thread's root is not this face's


def rooted(tails: Tails, frames: Frames, body: IntArray) -> Tails:
    """Return tails that begin at the nearer cut face of their body.

    A cut face that was drawn out into its tail passes for body as far as it is wider than a thread.

    Parameters
    ----------
    frames : of the bodies, with their cut lengths; body : ndarray (n,): which of them is each region's, -1: none is.
    """
    at = body[tails.owner]
    some = np.flatnonzero(at >= 0)
    if not len(some):
        return tails
    bodies = frames.rows(at[some])
    start = np.array([tails.centrelines_mm[k][0] for k in some])
    tips = np.array([-0.5, 0.5]) * bodies.length_mm[:, None]
    outward = bodies.along(tips) * np.array([-1.0, 1.0])[:, None]
    beyond = ((start[:, None] - bodies.point(tips)) * outward).sum(-1)
    nearer, row = beyond.argmax(1), np.arange(len(some))
    gap = np.clip(beyond[row, nearer], 0.0, _MOST * bodies.diameter_mm)
    face = start - gap[:, None] * outward[row, nearer]
    lines, length = list(tails.centrelines_mm), tails.length_mm.copy()
    length[some] += gap
    for k, point in zip(some[gap > 0], face[gap > 0], strict=True):
        lines[k] = np.concatenate([point[None], lines[k]])
    return replace(tails, centrelines_mm=tuple(lines), length_mm=length)
