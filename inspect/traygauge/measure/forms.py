"""What kind of thing each region is: how well a rod or a standing cylinder explains its outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.measure.body import Bodies
from traygauge.measure.ends import ROUNDING_MM
from traygauge.measure.frame import Frames, usual_diameter
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Outlines:
    """Closed outlines of n bodies in sheet mm, laid end to end, in the plane at half the body's height.

    Parameters
    ----------
    points : ndarray (m, 2), mm; owner : ndarray (m,), which body; start : ndarray (n,), where each begins.
    """

    points: FloatArray
    owner: npt.NDArray[np.intp]
    start: npt.NDArray[np.intp]

    @classmethod
    def of(cls, tray: TrayView, outlines_px: tuple[FloatArray, ...], height_mm: FloatArray) -> Outlines:
        """Return outlines given in photo pixels, seen in planes at the given heights (n,)."""
        sizes = np.array([len(o) for o in outlines_px])
        owner = np.repeat(np.arange(len(sizes)), sizes)
        points = tray.to_mm(np.concatenate(outlines_px), height_mm[owner]) if len(sizes) else np.zeros((0, 2))
        return cls(points, owner, np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.intp))

    def each(self) -> tuple[FloatArray, ...]:
        """Return one ndarray (k, 2) a body."""
        return tuple(np.split(self.points, self.start[1:])) if len(self.start) else ()

    def mean(self, values: FloatArray) -> FloatArray:
        """Return the mean of a value (m,) over each body's vertices, ndarray (n,)."""
        return np.asarray(
            np.add.reduceat(values, self.start) / np.bincount(self.owner, minlength=len(self.start))
        )

    def largest(self, values: FloatArray) -> FloatArray:
        """Return the largest of a value (m,) over each body's vertices, ndarray (n,)."""
        return np.asarray(np.maximum.reduceat(values, self.start))


def rod_misfit(outlines: Outlines, bodies: Bodies, tray: TrayView) -> FloatArray:
    """Return the mean distance (n,) of each outline from its body's silhouette, in diameters.

    The silhouette is that of a straight cylinder between its two cut faces, seen as the camera sees it.
    """
    frames, ends = bodies.frames, bodies.ends
    who = outlines.owner
    rel = outlines.points - frames.centre_mm[who]
    s, v = (rel * frames.along()[who]).sum(1), (rel * frames.across()[who]).sum(1)
    v = v - frames.bend[who] * s**2 / 2
    _, lean = frames.lean(tray, frames.centre_mm[:, None], np.zeros((len(frames), 1)))
    half = frames.diameter_mm / 2 * np.sqrt(1 + lean[:, 0] ** 2)
    q = np.sqrt(np.clip((half - ROUNDING_MM)[who] ** 2 - v**2, 0, None))
    reach = frames.length_mm[who] / 2
    right = s - (reach + ends.slope[who, 1] * v + ends.view[who, 1] * q)
    # across runs the other way round at the end against the axis
    left = -s - (reach - ends.slope[who, 0] * v + ends.view[who, 0] * q)
    distance = np.maximum(np.maximum(right, left), np.abs(v) - half[who])
    return outlines.mean(np.abs(distance)) / frames.diameter_mm


@dataclass(frozen=True, eq=False)
class Standing:
    """Outlines explained as cylinders standing on the tray.

    Parameters
    ----------
    misfit : ndarray (n,): mean distance of the outline from it, in diameters.
    diameter_mm : ndarray (n,): width across the line of sight.
    foot_mm : ndarray (n, 2): middle of the foot.
    """

    misfit: FloatArray
    diameter_mm: FloatArray
    foot_mm: FloatArray


def standing(outlines_tray: Outlines, tray: TrayView) -> Standing:
    """Return how well a standing cylinder explains each outline, given in the tray's own plane.

    Its foot is a disc, its top the same disc moved outwards along the line of sight: together a disc drawn out.
    """
    o = outlines_tray
    n = len(o.start)
    middle = np.stack([o.mean(o.points[:, 0]), o.mean(o.points[:, 1])], -1)
    lean = tray.lean(middle)
    size = np.linalg.norm(lean, axis=1)
    ray = np.where(size[:, None] > 1e-6, lean / np.maximum(size, 1e-6)[:, None], [1.0, 0.0])
    rel = o.points - middle[o.owner]
    along, across = (rel * ray[o.owner]).sum(1), (rel * np.stack([-ray[:, 1], ray[:, 0]], -1)[o.owner]).sum(1)
    low, high = -o.largest(-along), o.largest(along)
    left, right = -o.largest(-across), o.largest(across)
    width = right - left
    drawn = np.maximum(high - low - width, 0.0)
    centre = (left + right) / 2
    first, last = low + width / 2, low + width / 2 + drawn
    nearest = np.clip(along, first[o.owner], last[o.owner])
    distance = np.hypot(along - nearest, across - centre[o.owner]) - width[o.owner] / 2
    foot = middle + first[:, None] * ray + centre[:, None] * np.stack([-ray[:, 1], ray[:, 0]], -1)
    return Standing(o.mean(np.abs(distance)) / np.maximum(width, 1e-6) if n else np.zeros(0), width, foot)


@dataclass(frozen=True, eq=False)
class Kinds:
    """What each of n regions is and how it could be measured.

    Parameters
    ----------
    form, state : ndarray (n,) of words (`traygauge.words`).
    measured : ndarray (n,), bool: a strand body whose cut length stands.
    double : ndarray (n,), bool: two pieces still joined.
    middle_mm : ndarray (n, 2): middle of the body, sheet mm.
    height_mm : ndarray (n,): height of the plane in which its outline is seen.
    diameter_mm : ndarray (n,): NaN where none is seen.
    """

    form: npt.NDArray[np.object_]
    state: npt.NDArray[np.object_]
    measured: BoolArray
    double: BoolArray
    middle_mm: FloatArray
    height_mm: FloatArray
    diameter_mm: FloatArray


#: Outlines further than this from their rod, in diameters, are no strand pieces; rods of another diameter than the
#: batch's and badly explained light count against it too. Chosen between drawn strand pieces and drawn flakes.
_ROD_MISFIT, _LIGHT_MISFIT, _OTHER_WIDTH = 0.055, 1.3, 4.0
_STANDS = 0.04
#: A thing smaller than this share of the batch's diameter, or than so many mm, is a crumb.
_CRUMB_SHARE, _CRUMB_MM = 0.62, 0.8
_DOUBLE = 1.75  # a web-joined piece at least this many times as long as the batch's usual one


def tell_kinds(
    tray: TrayView,
    outlines_px: tuple[FloatArray, ...],
    first: Frames,
    tried: npt.NDArray[np.intp],
    bodies: Bodies | None,
    state: npt.NDArray[np.object_],
) -> Kinds:
    """Return form and state of every region from how rods and standing cylinders explain its outline.

    Parameters
    ----------
    outlines_px : bodies' outlines (tails taken off), photo pixels.
    first : first frames of all n regions; bodies : fitted ones of the regions of index `tried`.
    state : ndarray (n,): what segmenting says; whole and parted ones may turn out upright or of unknown axis.
    """
    n = len(state)
    state, form = state.copy(), np.full(n, "thread", dtype=object)
    measured = np.zeros(n, bool)
    middle, height = first.centre_mm.copy(), np.minimum(first.diameter_mm / 2, 1.5)
    diameter = np.full(n, np.nan)
    form[~np.isin(state, ["whole", "parted"])] = "strand"
    if bodies is None:
        return Kinds(form, state, measured, measured.copy(), middle, height, diameter)
    usual, spread = usual_diameter(bodies.frames.diameter_mm)
    picked = tuple(outlines_px[k] for k in tried)
    rod = rod_misfit(Outlines.of(tray, picked, bodies.frames.height_mm), bodies, tray)
    stand = standing(Outlines.of(tray, picked, np.zeros(len(tried))), tray)
    width_off = np.abs(bodies.frames.diameter_mm - usual) / max(2.5 * spread, 0.04 * usual)
    unlike = (
        rod / _ROD_MISFIT
        + np.maximum(bodies.misfit, 0) / _LIGHT_MISFIT
        + np.minimum(width_off, 8) / _OTHER_WIDTH
    )
    upright = (
        (stand.misfit < _STANDS)
        & (stand.misfit < 0.75 * rod)
        & (np.abs(stand.diameter_mm - usual) < 0.12 * usual)
    )
    biggest = np.hypot(first.length_mm, first.diameter_mm)[tried]
    crumb = biggest < max(_CRUMB_SHARE * usual, _CRUMB_MM) if np.isfinite(usual) else biggest < _CRUMB_MM
    strand = (unlike < 3.0) & ~upright & ~crumb
    form[tried] = np.where(crumb, "crumb", np.where(strand | upright, "strand", "flake"))
    state[tried[upright & ~crumb]] = "upright"
    state[tried[strand & ~bodies.axis_sure]] = "axis unknown"
    known = strand & bodies.axis_sure
    measured[tried] = known
    middle[tried[strand]] = bodies.frames.centre_mm[strand]
    middle[tried[upright]] = stand.foot_mm[upright]
    height[tried[strand]] = bodies.frames.height_mm[strand]
    diameter[tried[known]] = bodies.frames.diameter_mm[known]
    diameter[tried[upright & ~crumb]] = stand.diameter_mm[upright & ~crumb]
    return Kinds(form, state, measured, np.zeros(n, bool), middle, height, diameter)
