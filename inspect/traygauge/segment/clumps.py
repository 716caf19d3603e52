"""Connected clumps: which need parting, and what parting makes of them."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects

from traygauge.segment.bend import is_bent_strand
from traygauge.segment.mask import THREAD_MM
from traygauge.segment.outline import Outlines
from traygauge.segment.part import Clump, StrandPrior, looks_single, part_clumps, strand_prior
from traygauge.segment.part_bent import bent_joined
from traygauge.segment.part_double import doubles
from traygauge.segment.part_label import room_px, spread
from traygauge.segment.part_result import GAP, Parting
from traygauge.segment.pixels import Mask, closed, dilated, disc, eroded, opened, square
from traygauge.segment.regions import Labels
from traygauge.segment.window import Window
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]
Contour = npt.NDArray[np.int32]

#: What is left of a thing without threads is several bodies where the second is this share of the first.
SECOND = 0.1
#: Pixels around a clump that parting sees.
MARGIN = 3
#: A thing as convex as this is one piece unless strand pieces explain the whole of it.
CONVEX = 0.9
#: What is no wider than this (diameters) and so straight (by its convexity) is one piece or a double.
SLIM, STRAIGHT = 1.06, 0.94
#: Highlights up to this width cut into a piece's outline where they reach its end.
NOTCH_MM = 0.45
#: What stands for the rod of a thing that none explains.
NO_ROD = np.full(6, np.nan)
#: Confidence from which on a parted piece explains what is seen.
SURE = 0.4
#: So much of a convex clump may be left over by strand pieces that explain the rest: shade that fills the gap between them.
REST = 0.08


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
    source : number of the connected contour that it is, or is part of.
    changed : whether its contour is not that one as it was.
    state : whole, or what parting says of it.
    confidence : 0..1, 1 for what lies free.
    heap : number of its clump, -1 for what lies free.
    clump_px : largest extent of the whole clump, px, along a covered piece's axis; 0 for what lies free.
    rod : ndarray (6,): the rod that explains it, crop pixels; NaN where there is none.
    patch : rows, columns and pixels (bool) of what parting gave it; None for what lies free.
    """

    contour: Contour
    source: int
    changed: bool = False
    state: str = "whole"
    confidence: float = 1.0
    heap: int = -1
    clump_px: float = 0.0
    rod: FloatArray = field(default_factory=lambda: NO_ROD)
    patch: tuple[tuple[slice, slice], Bool] | None = None

    def draw(self, labels: Labels, number: int) -> None:
        """Draw the thing's pixels into a label image."""
        if self.patch is None:
            cv2.fillPoly(labels, [self.contour], number)
        else:
            at, mask = self.patch
            labels[at][mask] = number


def parted(
    contours: list[Contour],
    labels: Labels,
    number: IndexArray,
    scene: Scene,
    outlines: Outlines,
    foreign: Bool,
) -> tuple[list[Thing], float]:
    """Return the things that connected contours are, clumps parted, and the share of flakes among what lies free.

    Parameters
    ----------
    contours : n contours (k, 2), the outermost pixels of each connected thing.
    labels : ndarray (h, w), and the contours' numbers (n,) in it.
    scene : where they were found.
    outlines : of the contours, each in its own colour; foreign : ndarray (n,): whose colour is not that of most.
    """

    def found(some: Bool) -> list[_Found]:
        return [_Found(k, contours[k], int(number[k]), labels) for k in np.flatnonzero(some).tolist()]

    shape = _shapes(contours, outlines, foreign)
    prior = _prior(shape)
    thread = _thread_px(prior, scene.window)
    for f in found(~_single(shape, prior)):
        shape[f.source] = contour_shape(f.without_threads(thread))
    prior = _prior(shape)
    single = _single(shape, prior)
    things = [Thing(contours[k], k) for k in np.flatnonzero(single).tolist()]
    doubtful = found(~single)
    doubtful = _rest(doubtful, [f.has_body(thread) for f in doubtful], things)
    if scene.notched:
        whole = [f.without_notches(scene.window) for f in doubtful]
        mended = _single(np.array([contour_shape(c) for c in whole]).reshape(-1, 4), prior)
        things += [Thing(c, f.source, True) for f, c, m in zip(doubtful, whole, mended, strict=True) if m]
        doubtful = [f for f, m in zip(doubtful, mended, strict=True) if not m]
    one = too_little_for_two(shape, prior)
    doubtful = _rest(doubtful, [not one[f.source] for f in doubtful], things)
    if prior is not None:
        size, picture = prior.diameter_px, scene.window.pixels
        bent = [is_bent_strand(f.without_threads(thread), size, picture) for f in doubtful]
        doubtful = _rest(doubtful, [not b for b in bent], things)
    clumps = _clumps(doubtful, scene, prior, thread)
    found_in = zip(doubtful, clumps, part_clumps(clumps, prior), strict=True)
    for heap, (f, clump, parting) in enumerate(found_in):
        if prior is not None:
            parting = bent_joined(parting, clump.rgb, prior.diameter_px)
        if shape[f.source, 1] > CONVEX and not explains_all(parting):
            things.append(Thing(f.contour, f.source))
        elif len(parting) < 2:
            things.append(_whole(f, parting))
        else:
            things += _parts(f, parting, heap, clump.rgb)
    return things, 0.0 if prior is None else prior.flakes


def _rest(doubtful: list[_Found], still: list[bool], things: list[Thing]) -> list[_Found]:
    """Return what is still doubtful; the others are added to the things as one each."""
    things += [Thing(f.contour, f.source) for f, open_ in zip(doubtful, still, strict=True) if not open_]
    return [f for f, open_ in zip(doubtful, still, strict=True) if open_]


def too_little_for_two(shape: FloatArray, prior: StrandPrior | None) -> Bool:
    """Return which things need no look inside: convex ones that could not be taken for two pieces of the strand.

    Two pieces, each as short as the batch's shortest usual ones, have more area; in one straight line they are a double.
    """
    area, solidity, _, short = shape.T
    if prior is None:
        return np.zeros(len(shape), bool)
    shortest = prior.length_px - max(3.0 * prior.length_sd_px, 0.3 * prior.length_px)
    small = (solidity > CONVEX) & (area < 2.0 * shortest * prior.diameter_px)
    return np.asarray(small | ((solidity > STRAIGHT) & (short < SLIM * prior.diameter_px)))


def explains_all(parting: Parting) -> bool:
    """Return whether every part, but for a little shade, is a strand piece of its own: else a convex thing is one, a flake.

    One of them must show a flank, lying or leaning: two discs alone, as of pieces on end, explain any oval flake.
    """
    rods: Bool = np.asarray(np.isfinite(parting.rod_px).all(1))
    area = np.bincount(np.maximum(parting.labels, 0).ravel(), minlength=len(parting) + 1)[1:]
    state = {word for word, rod in zip(parting.state, rods, strict=True) if rod}
    return bool(
        rods.sum() > 1
        and (parting.confidence[rods] > SURE).all()
        and area[~rods].sum() < REST * area.sum()
        and state <= {"parted", "leaning", "upright"}
        and state != {"upright"}
    )


@dataclass(frozen=True, eq=False)
class _Found:
    """A connected thing in its label image."""

    source: int
    contour: Contour
    number: int
    labels: Labels

    def cut(self, margin: int) -> tuple[tuple[slice, slice], Bool]:
        """Return rows, columns and pixels of the thing, with a margin."""
        at = around(self.contour, self.labels.shape, margin)
        return at, self.labels[at] == self.number

    def without_threads(self, width_px: float) -> Contour:
        """Return the contour after threads up to a width are taken off; as it is where bodies hang on both ends."""
        at, mask = self.cut(round(width_px) + 1)
        bodies = opened(mask.astype(np.uint8), disc(width_px))
        found, _ = cv2.findContours(bodies, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        sizes = sorted(cv2.contourArea(c) for c in found)
        if len(sizes) > 1 and sizes[-2] > SECOND * sizes[-1]:
            return self.contour
        return _rim(bodies, at, self.contour)

    def has_body(self, thread_px: float) -> bool:
        """Return whether any part of the thing is thicker than a thread."""
        _, mask = self.cut(MARGIN)
        return bool(eroded(mask.astype(np.uint8), disc(thread_px)).any())

    def body(self, thread_px: float) -> Bool:
        """Return the thing's pixels in its cut without threads, but with the corners that opening takes."""
        _, mask = self.cut(MARGIN)
        thick = opened(mask.astype(np.uint8), disc(thread_px))
        return mask & (dilated(thick, disc(thread_px / 2)) > 0) if thick.any() else mask

    def without_notches(self, window: Window) -> Contour:
        """Return the contour with narrow notches closed: highlights run out of a piece at its ends."""
        width = NOTCH_MM * window.px_per_mm
        at, mask = self.cut(round(width) + 1)
        return _rim(closed(mask.astype(np.uint8), disc(width)), at, self.contour)


def _threads_given_back(labels: Labels, mask: Bool) -> Labels:
    """Return the labels with the clump's threads: each goes to the piece that it hangs on, or to the nearest."""
    whole = spread(labels, mask & (labels != GAP))
    left = mask & (labels == 0)
    _, threads = cv2.connectedComponents(left.astype(np.uint8))
    for k, box in enumerate(find_objects(threads)):
        near = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in box)
        own = threads[near] == k + 1
        beside = labels[near][dilated(own.astype(np.uint8), square(1)) > 0]
        hung = np.unique(beside[beside > 0])
        if len(hung) == 1:
            whole[near][own] = hung[0]
    return whole


def _rim(mask: Mask, at: tuple[slice, slice], otherwise: Contour) -> Contour:
    """Return the outermost pixels of a mask's largest part, in the whole image's pixels."""
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return otherwise
    return max(found, key=len)[:, 0].astype(np.int32) + np.array([at[1].start, at[0].start], np.int32)


def _clumps(found: list[_Found], scene: Scene, prior: StrandPrior | None, thread_px: float) -> list[Clump]:
    """Return clumps as parting takes them: the scale is that at half the height of the pieces."""
    if not found:
        return []
    tray = scene.tray
    place = tray.to_mm(np.array([f.contour.mean(0) for f in found]) + scene.window.origin_px)
    height = 0.0 if prior is None else prior.diameter_px / scene.window.px_per_mm / 2
    scale = tray.px_per_mm(place, height)
    lean = (tray.to_px(place, 1.0) - tray.to_px(place, 0.0)) / scale[:, None]
    clumps = []
    for k, f in enumerate(found):
        at, _ = f.cut(MARGIN)
        view = float(scale[k]), (float(lean[k, 0]), float(lean[k, 1])), tray.camera_height_mm
        clumps.append(Clump(f.body(thread_px), scene.window.pixels[at], *view))
    return clumps


def _whole(found: _Found, parting: Parting) -> Thing:
    """Return a thing that parting left in one piece, with what it says of it."""
    state = parting.state[0] if parting.state and parting.state[0] in ("upright", "unresolved") else "whole"
    sure = float(parting.confidence[0]) if state != "whole" else 1.0
    span = 2.0 * float(cv2.minEnclosingCircle(found.contour)[1])
    return Thing(found.contour, found.source, False, state, sure, -1, span, patch=found.cut(0))


def _parts(found: _Found, parting: Parting, heap: int, rgb: npt.NDArray[np.uint8]) -> list[Thing]:
    """Return a clump's pieces; `rgb` is its crop of the photo."""
    at, mask = found.cut(MARGIN)
    corner = np.array([at[1].start, at[0].start, 0, 0, 0, 0])
    span = 2.0 * float(cv2.minEnclosingCircle(found.contour)[1])
    labels = _threads_given_back(parting.labels, mask)
    rods = parting.rod_px + corner
    for one, two in doubles(parting, rgb):
        labels[labels == two + 1] = one + 1
        rods[one] = np.nan
    pieces = []
    for part, box in enumerate(find_objects(labels, len(parting))):
        if box is None:
            continue
        own = labels[box] == part + 1
        rows, columns = (slice(a.start + b.start, a.start + b.stop) for a, b in zip(at, box, strict=True))
        place = rows, columns
        rim = _rim(own.astype(np.uint8), place, found.contour[:0])
        if len(rim) >= 4:
            state, sure = parting.state[part], float(parting.confidence[part])
            most = room_px(mask, parting.rod_px[part]) if state == "covered" else span
            pieces.append(Thing(rim, found.source, True, state, sure, heap, most, rods[part], (place, own)))
    return pieces if len(pieces) > 1 else [Thing(found.contour, found.source)]


def _thread_px(prior: StrandPrior | None, window: Window) -> float:
    """Return up to which width a part of a thing is a thread: a quarter of the strand, and the edges' blur."""
    width = THREAD_MM * window.px_per_mm
    return width if prior is None else max(width, prior.diameter_px / 4 + 2.0 * max(window.blur_px, 1.0))


def _prior(shape: FloatArray) -> StrandPrior | None:
    return strand_prior(shape[:, 0], shape[:, 1], shape[:, 2], shape[:, 3])


def _single(shape: FloatArray, prior: StrandPrior | None) -> Bool:
    return looks_single(shape[:, 0], shape[:, 1], shape[:, 2], shape[:, 3], prior)


def contour_shape(contour: Contour) -> tuple[float, float, float, float]:
    """Return area, solidity and the sides of the smallest rectangle of a contour, whole pixels counted."""
    hull = cv2.convexHull(contour)
    edge = len(contour) / 2 + 1  # what the pixels stick out beyond the line through their centres
    area = cv2.contourArea(contour) + edge
    full = cv2.contourArea(hull) + cv2.arcLength(hull, True) / 2 + 1
    a, b = cv2.minAreaRect(hull)[1]
    return area, area / full, max(a, b) + 1.0, min(a, b) + 1.0


def _shapes(contours: list[Contour], outlines: Outlines, foreign: Bool) -> FloatArray:
    """Return the contours' shapes (n, 4), of foreign ones as large as they would be if they had the colour of most.

    Contours run where the light of most passes a low mark, around dim pieces further in than around bright ones. Outlines run
    at half of each one's own contrast.
    """
    shape = np.array([contour_shape(c) for c in contours])
    if not foreign.any():
        return shape
    own = np.array([_line_shape(line) for line in outlines.apart(outlines.points.astype(np.float32))])
    alike = ~foreign & (shape[:, 1] > CONVEX)
    wider = float(np.median(shape[alike, 3] / own[alike, 3])) if alike.any() else 1.0
    shape[foreign] = own[foreign] * [wider**2, 1.0, wider, wider]
    return shape


def _line_shape(line: npt.NDArray[np.float32]) -> tuple[float, float, float, float]:
    """Return area, solidity and the sides of the smallest rectangle of a closed line (k, 2)."""
    a, b = cv2.minAreaRect(line)[1]
    area = cv2.contourArea(line)
    return area, area / max(cv2.contourArea(cv2.convexHull(line)), 1e-6), max(a, b), max(min(a, b), 1e-6)


def around(contour: Contour, shape: tuple[int, ...], margin: int) -> tuple[slice, slice]:
    """Return the rows and columns of an image of a shape that hold a contour, with a margin."""
    x, y, w, h = cv2.boundingRect(contour)
    rows = slice(max(y - margin, 0), min(y + h + margin, shape[0]))
    return rows, slice(max(x - margin, 0), min(x + w + margin, shape[1]))
