"""Tails begin at their cut face: what lies between that and where a thread stands out from the outline is tail too."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from traygauge.measure.ends import Ends
from traygauge.measure.frame import Frames
from traygauge.measure.tail_rims import from_upper_rim
from traygauge.measure.tails import Tails
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_MOST = 0.4  # of the diameter: further out a thread's root is not this face's
#: A thread that sets out flatter than 45 degrees along the face has bent there, and its root has not.
_LEAST_SLANT = 0.7
_FIRST = 6  # points from a thread's root over which it sets out
#: Threads sag: of the height that they set out at, 1 / e is left after so many diameters (drawn and rendered ones: 2.5
#: to 4.5).
_SAGS = 3.0
#: Standard uncertainty of where a cut face without a lip lies beneath a thread, and the share of what thread and face
#: disagree by (drawn scenes).
_FACE_MM, _DISAGREE = 0.06, 0.25


@dataclass(frozen=True, eq=False)
class _Lines:
    """The points (m, 2) of t lines one after the other, and how many each has, `size` (t,)."""

    points: FloatArray
    size: IntArray

    @classmethod
    def of(cls, lines: tuple[FloatArray, ...], some: IntArray) -> _Lines:
        """Return some lines."""
        picked = [lines[k] for k in some]
        return cls(np.concatenate(picked), np.array([len(line) for line in picked]))

    @property
    def first(self) -> IntArray:
        """Return the place of each line's first point, ndarray (t,)."""
        return np.cumsum(self.size) - self.size

    def ahead(self, steps: IntArray | int) -> FloatArray:
        """Return the points so many steps (or arrays of steps) on from the lines' first, at most their last, (t, ..., 2)."""
        count = np.add.outer(np.zeros_like(self.size), steps)
        last = (self.size - 1).reshape(-1, *([1] * (count.ndim - 1)))
        return self.points[self.first.reshape(last.shape) + np.minimum(count, last)]

    @property
    def arc(self) -> FloatArray:
        """Return the arc at each point, ndarray (m,)."""
        step = np.zeros(len(self.points))
        step[1:] = np.hypot(*np.diff(self.points, axis=0).T)
        step[self.first] = 0.0
        run = np.cumsum(step)
        return np.asarray(run - self.each(run[self.first]), float)

    @property
    def length(self) -> FloatArray:
        """Return the lines' lengths, ndarray (t,)."""
        return self.arc[np.cumsum(self.size) - 1]

    def each(self, values: FloatArray) -> FloatArray:
        """Return the lines' values (t,) at each of their points, ndarray (m,)."""
        return np.repeat(values, self.size)

    def setting_out(self) -> tuple[FloatArray, FloatArray]:
        """Return where the lines begin, and the unit directions in which they set out, ndarrays (t, 2)."""
        start = self.ahead(0)
        way = self.ahead(_FIRST) - start
        return start, way / np.maximum(np.hypot(*way.T), 1e-9)[:, None]

    def begun(self, way: FloatArray, gap_mm: FloatArray) -> _Lines:
        """Return the lines, a point longer, that begin so much earlier, against `way` (t, 2); if negative later, by half at most."""
        arc, length = self.arc, self.length
        off = np.clip(-gap_mm, 0.0, length / 2)
        behind = self.each(np.cumsum(length + 1.0) - length)  # a place of its own on one axis for each line
        kept = np.maximum(arc, self.each(off)) + behind
        points = np.stack([np.interp(kept, arc + behind, along) for along in self.points.T], -1)
        start = points[self.first] - np.maximum(gap_mm, 0.0)[:, None] * way
        return _Lines(np.insert(points, self.first, start, axis=0), self.size + 1)


@dataclass(frozen=True, eq=False)
class _Faces:
    """The cut faces that t threads grow from.

    Parameters
    ----------
    middle, outward : ndarray (t, 2): the face's middle, mm, and the body's direction there.
    slope : ndarray (t,): of the cut across the axis.
    lean : ndarray (t,): how far the cut's upper rim lies further out than its middle, for each mm that it lies higher.
    apart : ndarray (t,): how far that rim is seen further out or in, the same way, whichever it is.
    light : ndarray (t,): the face's, between tray (0) and flank (1).
    u_lip_mm : ndarray (t,): standard uncertainty of where it lies that there might be a lip on it, or none.
    height_mm : ndarray (t,): of the face's middle.
    """

    middle: FloatArray
    outward: FloatArray
    slope: FloatArray
    lean: FloatArray
    apart: FloatArray
    light: FloatArray
    u_lip_mm: FloatArray
    height_mm: FloatArray

    def beside(self, start: FloatArray) -> FloatArray:
        """Return how far points (t, 2) lie beside the axis, ndarray (t,), mm."""
        off = start - self.middle
        return np.asarray(self.outward[:, 0] * off[:, 1] - self.outward[:, 1] * off[:, 0], float)

    def gap(self, start: FloatArray, way: FloatArray, higher: FloatArray | float = 0.0) -> FloatArray:
        """Return how far threads run from the face to points (t, 2), ndarray (t,), mm; negative for one inside it.

        Parameters
        ----------
        way : ndarray (t, 2): unit directions in which they set out.
        higher : than the face's middle, mm, is where they grow from.
        """
        beyond = ((start - self.middle) * self.outward).sum(-1) - self.slope * self.beside(start)
        most = 2 * _MOST * self.height_mm + np.abs(higher) * self.apart
        return np.asarray(np.clip(beyond - self.lean * higher, -most, most) / self.slant(way), float)

    def slant(self, way: FloatArray) -> FloatArray:
        """Return how much of the threads' ways (t, 2) leads outwards, ndarray (t,)."""
        return np.asarray(np.maximum((way * self.outward).sum(-1), _LEAST_SLANT), float)


def rooted(tails: Tails, tray: TrayView, frames: Frames, ends: Ends, body: IntArray) -> Tails:
    """Return tails that begin at the nearer cut face of their body, with lengths and uncertainties that follow.

    A thread crosses the outline at the face's rim in sight and grows from there or from the rim out of sight. Where that
    lies the body's fit knows better than the thread's outline (a face drawn out into its tail passes for body as far as
    it is wider than a thread). It sets out at its rim's height and sags from there: a tail is the mean of what both
    rims make of it, as either is likely (`from_upper_rim`), and how far they differ is in its uncertainty. (Other tails
    keep `view_correction`.)

    Parameters
    ----------
    frames, ends : of the bodies, with their cut lengths.
    body : ndarray (n,): which of them is each region's, -1: none is.
    """
    at = body[tails.owner]
    some = np.flatnonzero(at >= 0)
    if not len(some):
        return tails
    threads = _Lines.of(tails.centrelines_px, some)
    arc = _Lines.of(tails.centrelines_mm, some).arc

    def sagging(higher: FloatArray | float) -> _Lines:
        """Return the threads on the tray if they set out so much higher than half their bodies' height."""
        axis = frames.height_mm[at[some]]
        height = threads.each(axis + higher) * np.exp(-arc / (_SAGS * threads.each(2 * axis)))
        return _Lines(tray.to_mm(threads.points, height), threads.size)

    start, way = sagging(0.0).setting_out()
    faces = _faces(start, frames, ends, at[some])
    half = np.sqrt(np.maximum(faces.height_mm**2 - faces.beside(start) ** 2, 0.0))
    seen, gap = half * faces.apart / faces.slant(way), faces.gap(start, way)
    upper = from_upper_rim(
        tails.scene,
        tray,
        tails.owner[some],
        threads.ahead(np.arange(1, _FIRST + 1)),
        (start - gap[:, None] * way, way),
        faces.height_mm,
        (seen, faces.light),
    )

    def grown(higher: FloatArray) -> _Lines:
        """Return the threads from where they grow, so much higher than the middle of the face."""
        lines = sagging(higher)
        start, way = lines.setting_out()
        return lines.begun(way, faces.gap(start, way, higher))

    high, low = grown(half), grown(-half)
    share = high.each(upper)[:, None]
    mean = _Lines(share * high.points + (1.0 - share) * low.points, high.size)
    rims = np.sqrt(upper * (1.0 - upper)) * (high.length - low.length)
    u_root = np.sqrt(_FACE_MM**2 + faces.u_lip_mm**2 + (_DISAGREE * (gap - seen)) ** 2 + rims**2)
    return _with_lines(tails, some, mean, u_root)


def _with_lines(tails: Tails, some: IntArray, new: _Lines, u_root_mm: FloatArray) -> Tails:
    """Return tails of which some have new lines, mm, and as uncertain roots."""
    lines, length = list(tails.centrelines_mm), tails.length_mm.copy()
    for k, line in zip(some, np.split(new.points, new.first[1:]), strict=True):
        lines[k] = line
    length[some] = new.length
    u, u_root = tails.u_length_mm.copy(), tails.u_root_mm.copy()
    u[some] = np.sqrt(u[some] ** 2 - u_root[some] ** 2 + u_root_mm**2)
    u_root[some] = u_root_mm
    return replace(tails, centrelines_mm=tuple(lines), length_mm=length, u_length_mm=u, u_root_mm=u_root)


def _faces(start: FloatArray, frames: Frames, ends: Ends, at: IntArray) -> _Faces:
    """Return the faces, of both of the bodies `at` (t,) names, that points (t, 2) lie furthest beyond."""
    bodies, row = frames.rows(at), np.arange(len(at))
    tips = np.array([-0.5, 0.5]) * bodies.length_mm[:, None]
    outward = bodies.along(tips) * np.array([-1.0, 1.0])[:, None]
    middle = bodies.point(tips)
    end = ((start[:, None] - middle) * outward).sum(-1).argmax(1)
    slope, view, expected, light, u_lip = (
        x[at, end] for x in (ends.slope, ends.view, ends.view_expected, ends.face, ends.u_lip_mm)
    )
    lean = np.where(light < 1.0, -view, view) - expected
    return _Faces(middle[row, end], outward[row, end], slope, lean, view, light, u_lip, bodies.height_mm)
