"""Connected clumps: which need parting, and what parting makes of them."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.mask import THREAD_MM
from traygauge.segment.part import Clump, Parting, StrandPrior, looks_single, part_clumps, strand_prior
from traygauge.segment.window import Window
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Labels = npt.NDArray[np.int32]
Contour = npt.NDArray[np.int32]

#: A thing as convex as this is one piece unless strand pieces explain the whole of it.
CONVEX = 0.9
#: Highlights up to this width cut into a piece's outline where they reach its end.
NOTCH_MM = 0.45
#: Confidence from which on a parted piece explains what is seen.
SURE = 0.4


@dataclass(frozen=True, eq=False)
class Scene:
    """Where things were found.

    Parameters
    ----------
    tray, window : the tray view and its window.
    notched : whether highlights on the pieces can look like the tray, or like shadow.
    """

    tray: TrayView
    window: Window
    notched: bool = False


@dataclass(frozen=True, eq=False)
class Thing:
    """One connected thing, or one piece of a clump.

    Parameters
    ----------
    contour : ndarray (k, 2), int32: the outermost pixels, crop pixels.
    state : whole, or what parting says of it.
    confidence : 0..1, 1 for what lies free.
    heap : number of its clump, -1 for what lies free.
    clump_px : largest extent of the whole clump, px; 0 for what lies free.
    rod : ndarray (5,): the rod that explains it, crop pixels; NaN where there is none.
    """

    contour: Contour
    state: str = "whole"
    confidence: float = 1.0
    heap: int = -1
    clump_px: float = 0.0
    rod: FloatArray = field(default_factory=lambda: np.full(5, np.nan))


def parted(contours: list[Contour], labels: Labels, scene: Scene) -> tuple[list[Thing], Labels]:
    """Return the things that connected contours are, clumps parted, and their label image.

    Parameters
    ----------
    contours : n contours (k, 2), the outermost pixels of each connected thing.
    labels : ndarray (h, w): k + 1 on the pixels of contour k.
    scene : where they were found.
    """
    shape = np.array([_shape(c) for c in contours])
    prior = strand_prior(*shape.T)
    for k in np.flatnonzero(~looks_single(*shape.T, prior)):
        body = _without_threads(labels, contours[k], k + 1, scene.window)
        if body is not None:
            shape[k] = _shape(body)
    prior = strand_prior(*shape.T)
    single = looks_single(*shape.T, prior)
    contours = list(contours)
    for k in map(int, np.flatnonzero(~single) if scene.notched else ()):
        whole = _without_notches(labels, contours[k], k + 1, scene.window)
        single[k] = bool(looks_single(*np.array([_shape(whole)]).T, prior)[0])
        if single[k]:
            contours[k] = whole
            cv2.fillPoly(labels, [whole], k + 1)
    things = [Thing(contours[k]) for k in np.flatnonzero(single)]
    number = np.where(single, np.cumsum(single), 0).astype(np.int32)
    out = np.append(np.int32(0), number)[labels]
    where = [(around(contours[k], labels.shape, 3), k) for k in np.flatnonzero(~single)]
    clumps = [_clump(contours[k], labels[at] == k + 1, at, scene, prior) for at, k in where]
    for heap, ((at, k), parting) in enumerate(zip(where, part_clumps(clumps, prior), strict=True)):
        if shape[k, 1] > CONVEX and not _explained(parting):
            things.append(Thing(contours[k]))
            out[at][labels[at] == k + 1] = len(things)
            continue
        _add_parts(things, out, parting, at, heap, 2.0 * float(cv2.minEnclosingCircle(contours[k])[1]))
    return things, out


def _explained(parting: Parting) -> bool:
    """Return whether every part is a strand piece of its own: else a convex thing is one piece, a flake."""
    return len(parting) > 1 and bool(
        (parting.confidence > SURE).all() and np.isfinite(parting.rod_px).all() and set(parting.state) == {"parted"}
    )


def _clump(contour: Contour, mask: Bool, at: tuple[slice, slice], scene: Scene, prior: StrandPrior | None) -> Clump:
    """Return a clump as parting takes it: the scale is that at half the height of the pieces."""
    tray = scene.tray
    place = tray.to_mm(contour.mean(0) + scene.window.origin_px)
    scale = float(tray.px_per_mm(place))
    if prior is not None:
        scale = float(tray.px_per_mm(place, prior.diameter_px / scale / 2))
    lean = (tray.to_px(place, 1.0) - tray.to_px(place, 0.0)) / scale
    shift = float(lean[0]), float(lean[1])
    return Clump(mask, scene.window.pixels[at], scale, shift, tray.camera_height_mm)


def _add_parts(
    things: list[Thing], out: Labels, parting: Parting, at: tuple[slice, slice], heap: int, span_px: float
) -> None:
    """Add a clump's pieces to `things` and draw them into the labels `out`."""
    corner = np.array([at[1].start, at[0].start], np.int32)
    several = len(parting) > 1
    for part, state in enumerate(parting.state):
        own = parting.labels == part + 1
        found, _ = cv2.findContours(own.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        edge = max(found, key=len)[:, 0].astype(np.int32) + corner
        if len(edge) < 4:
            continue
        rod = parting.rod_px[part] + np.array([*corner, 0, 0, 0])
        confidence = float(parting.confidence[part])
        things.append(Thing(edge, state, confidence, heap if several else -1, span_px, rod))
        out[at][own] = len(things)


def _shape(contour: Contour) -> tuple[float, float, float, float]:
    """Return area, solidity and the sides of the smallest rectangle of a contour, whole pixels counted."""
    hull = cv2.convexHull(contour)
    edge = len(contour) / 2 + 1  # what the pixels stick out beyond the line through their centres
    area = cv2.contourArea(contour) + edge
    full = cv2.contourArea(hull) + cv2.arcLength(hull, True) / 2 + 1
    a, b = cv2.minAreaRect(hull)[1]
    return area, area / full, max(a, b) + 1.0, min(a, b) + 1.0


def around(contour: Contour, shape: tuple[int, ...], margin: int) -> tuple[slice, slice]:
    """Return the rows and columns of an image of a shape that hold a contour, with a margin."""
    x, y, w, h = cv2.boundingRect(contour)
    rows = slice(max(y - margin, 0), min(y + h + margin, shape[0]))
    return rows, slice(max(x - margin, 0), min(x + w + margin, shape[1]))


def _without_notches(labels: Labels, contour: Contour, number: int, window: Window) -> Contour:
    """Return a thing's contour with narrow notches closed: highlights run out of a piece at its ends."""
    width = 2 * round(NOTCH_MM * window.px_per_mm / 2) + 1
    at = around(contour, labels.shape, width)
    mask = (labels[at] == number).astype(np.uint8)
    whole = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width)))
    found, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return max(found, key=len)[:, 0].astype(np.int32) + np.array([at[1].start, at[0].start], np.int32)


def _without_threads(labels: Labels, contour: Contour, number: int, window: Window) -> Contour | None:
    """Return the contour of a thing's largest part after its threads are taken off."""
    width = 2 * round(THREAD_MM * window.px_per_mm / 2) + 1
    at = around(contour, labels.shape, 1)
    mask = (labels[at] == number).astype(np.uint8)
    body = cv2.morphologyEx(mask, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width)))
    found, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return None
    return max(found, key=len)[:, 0].astype(np.int32) + np.array([at[1].start, at[0].start], np.int32)
