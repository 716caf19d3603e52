"""From the tray view to regions: the steps one after the other."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge.segment.background import TrayField, tray_field
from traygauge.segment.clumps import Scene, Thing, around, parted
from traygauge.segment.colour import LUMINANCE, linear_to_lab
from traygauge.segment.contrast import FAINT, STEADY, Signal, noise_in, own_weights
from traygauge.segment.look import CoarseLook, look, shaded_share
from traygauge.segment.mask import all_pieces
from traygauge.segment.outline import Light, Outlines, linear_light, refine, weighted_light
from traygauge.segment.regions import Labels, Regions, label_type
from traygauge.segment.window import Window, cut_window
from traygauge_calib.tray_view import TrayView
from traygauge_shared.light import LINEAR_OF_CODE, linear_to_srgb, srgb_to_linear
from traygauge_shared.threads import beside

FloatArray = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]
Contours = list[npt.NDArray[np.int32]]

#: The smallest thing that is a region: crumbs from 0.3 mm; smaller ones and dust are alike.
SMALLEST_MM = 0.28
#: An edge steps by this share of its region's contrast at least: noise, glow and soft shadows do not.
SHARP = 0.25
#: One that is much fainter than the others are, grey among white, steps by this share of its own.
CRISP = 0.7
#: Specks smaller than this, and hairs and scratches narrower, must do better.
SPECK_MM, HAIR_MM, SHARP_SPECK = 0.5, 0.15, 0.45
#: What has less than `FAINT` of the photo's contrast differs from the tray by so many standard deviations of its mean, as grain on
#: the bare tray would have it: that in shadows is coarser (up to 20 of them on rendered trays, foreign pieces from 43 on).
ABOVE_GRAIN = 25.0

#: Beside shadows as dark as themselves pieces are found, but half their edge is seen badly: so much is left of it, where
#: pieces are grey and where they are of a colour that no shadow has (drawn trays: what is stated holds in both).
LEFT_AMONG_SHADOWS = 0.25, 0.7
#: A colour is the mean over every so many pixels each way.
SPARSE = 4
#: Strips narrower than this, and specks, are bits of a piece's fringe where they are this near to it.
STRIP_MM = 0.4
FRINGE_MM = 0.2
#: Where no piece is found and this share of the tray lies in shade, pieces do that are as light as the tray (natural strand on
#: white: 0.003 to 0.013; empty trays, drawn and rendered: 0).
UNSEEN = 0.001
#: Linear light of a piece's strongest colour below which its flanks, which get a third of it, have none to speak of: stray
#: light in a camera is 0.02 (black strand, 0.03 to 0.045, on dark blue: diameters 0.5 mm too small).
LEAST_COLOUR = 0.065
#: Share of the pieces' contrast that their shaded flanks keep at least where pieces are fit to be measured.
FLANK = 0.1


def find_pieces(tray: TrayView) -> Regions:
    """Return everything that lies on the tray.

    Parameters
    ----------
    tray : the tray view. Tray colour, light and the pieces' colours are found in its photo.

    Returns
    -------
    Regions : in reading order; n = 0 with all arrays present for an empty tray (`contrast_to_noise` is then NaN).
    """
    window = cut_window(tray)
    field = tray_field(window)
    coarse = look(window, field)
    mask, signal = all_pieces(window, field, coarse)
    if signal is None:
        return _nothing(tray, window, field)
    # begun long before pieces are measured in it: the second core is free
    weighed = beside(weighted_light, window.pixels, signal.weight)
    contours, gaps = _contours(mask, window)
    if not contours:
        return _nothing(tray, window, field)
    labels = _drawn(contours, gaps, window)
    colour = _mean_colours(labels, _middles(contours), window, field)
    weight = own_weights(colour, signal, coarse)
    alike = bool((weight == signal.weight).all())
    light: Light = weighed.result() if alike else linear_light(window.pixels)
    outlines = refine(contours, light, weight, blur_px=window.blur_px)
    stands_out = _stands_out(outlines, colour, weight, signal, window, field, coarse)
    keep = np.flatnonzero(stands_out & ~_beside_others(contours, labels, window))
    if not len(keep):
        return _nothing(tray, window, field)
    scene = Scene(tray, window, signal.mark > signal.ridge_mark)
    for k in np.flatnonzero(~np.isin(np.arange(len(contours)), keep)):
        cv2.fillPoly(labels, [contours[k]], 0)
    told = [contours[k] for k in keep]
    if signal.clear and _kept(signal) > 0.0:
        foreign = (weight[keep] != signal.weight).any(1)
        things, flakes = parted(told, labels, keep + 1, scene, outlines.take(keep), foreign)
    else:  # nothing can be measured here: do not spend time on it
        things, flakes = [Thing(contour, k) for k, contour in enumerate(told)], 0.0
    labels = labels.astype(label_type(max(len(contours), len(things))), copy=False)
    outlines = _outlines_of(things, outlines.take(keep), light, weight[keep], (told, labels), window)
    order = _reading_order(things, window)
    things, outlines = [things[k] for k in order], outlines.take(order)
    own = weight[keep][[t.source for t in things]]
    labels[:] = 0
    _draw_outlines(labels, things, outlines)
    return _regions(tray, window, field, signal, things, labels, outlines, own, weighed.result(), flakes)


def _outlines_of(
    things: list[Thing],
    outlines: Outlines,
    light: Light,
    weight: FloatArray,
    connected: tuple[Contours, Labels],
    window: Window,
) -> Outlines:
    """Return the things' outlines: those of their connected contours, or new ones where the contour is another.

    `connected` are the connected contours and their label image: what is new is drawn into it in their place.
    """
    source = np.array([t.source for t in things])
    new = np.flatnonzero([t.changed for t in things])
    if not len(new):
        return outlines.take(source)
    contours, labels = connected
    for k in set(source[new]):
        cv2.fillPoly(labels, [contours[k]], 0)
    own = -1 - np.arange(len(new))  # numbers that none of them has
    for k, name in zip(new, own, strict=True):
        things[k].draw(labels, int(name))
    made = refine(
        [things[k].contour for k in new],
        light,
        weight[source[new]],
        blur_px=window.blur_px,
        beside=(labels, own),
    )
    place = source.copy()
    place[new] = len(weight) + np.arange(len(new))
    return Outlines.joined([outlines, made]).take(place)


def _contours(mask: npt.NDArray[np.uint8], window: Window) -> tuple[Contours, Contours]:
    """Return the outer contours of what is large enough, and those of the gaps that pieces enclose.

    A hole in a rounded whole is a highlight or a see-through middle, and is filled; a hole in a ragged one is
    tray seen between pieces that touch.
    """
    found, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    smallest = np.pi / 4 * (SMALLEST_MM * window.px_per_mm) ** 2
    outer: Contours = []
    gaps: Contours = []
    for k, contour in enumerate(found):
        area = cv2.contourArea(contour) + len(contour) / 2 + 1  # of the pixels, not between their centres
        if tree[0, k, 3] >= 0 or len(contour) < 4 or area < smallest:
            continue
        outer.append(np.asarray(contour[:, 0], np.int32))
        hole = int(tree[0, k, 2])
        if hole >= 0 and area < 0.85 * cv2.contourArea(cv2.convexHull(contour)):
            while hole >= 0:
                if cv2.contourArea(found[hole]) > 2 * smallest:
                    gaps.append(found[hole].astype(np.int32))
                hole = int(tree[0, hole, 0])
    return outer, gaps


def _reading_order(things: list[Thing], window: Window) -> IndexArray:
    """Return the things' order line by line (lines of 5 mm), each from left to right."""
    middle = _middles([t.contour for t in things])
    return np.lexsort([middle[:, 0], np.floor(middle[:, 1] / (5.0 * window.px_per_mm))])


def _middles(contours: Contours) -> FloatArray:
    """Return the mean point of each contour, ndarray (n, 2), crop pixels."""
    points, start, length = _joined(contours)
    return np.asarray(np.add.reduceat(points, start, dtype=float) / length[:, None], float)


def _joined(contours: Contours) -> tuple[npt.NDArray[np.int32], IndexArray, IndexArray]:
    """Return the points of all contours in one array (m, 2), where each begins in it, and their numbers of points."""
    length = np.array([len(c) for c in contours])
    return np.concatenate(contours), np.cumsum(length) - length, length


def _drawn(contours: Contours, gaps: Contours, window: Window) -> Labels:
    """Return the label image of contours (k, 2) that run through the rims' pixel centres."""
    labels = np.zeros(window.inside.shape, label_type(len(contours)))
    for k, contour in enumerate(contours):
        cv2.fillPoly(labels, [contour], k + 1)
    for gap in gaps:  # OpenCV gives a hole by the piece's pixels round it
        x, y, w, h = cv2.boundingRect(gap)
        inside = np.zeros((h, w), np.uint8)
        cv2.fillPoly(inside, [gap - (x, y)], 1)
        cv2.polylines(inside, [gap - (x, y)], True, 0)
        labels[y : y + h, x : x + w][inside > 0] = 0
    return labels


def _mean_colours(labels: Labels, middles: FloatArray, window: Window, field: TrayField) -> FloatArray:
    """Return the linear light (n, 3) of each region's inside under the tray's average light.

    `middles` (n, 2) are points of theirs: a speck may lie between the pixels that are looked at.
    """
    n = len(middles)
    sparse = np.ascontiguousarray(labels[::SPARSE, ::SPARSE])
    seen = np.flatnonzero(sparse > 0)
    owner = np.append(sparse.ravel()[seen] - 1, np.arange(n))
    places = zip(np.divmod(seen, sparse.shape[1]), middles.T[::-1], strict=True)
    y, x = (np.append(SPARSE * grid, np.rint(middle).astype(np.intp)) for grid, middle in places)
    light = LINEAR_OF_CODE[window.pixels[y, x]] / field.light[y // window.block, x // window.block][:, None]
    count = np.bincount(owner, minlength=n)
    total = np.stack([np.bincount(owner, light[:, c], minlength=n) for c in range(3)], -1)
    return np.asarray(total / count[:, None], float)


def _draw_outlines(labels: Labels, things: list[Thing], outlines: Outlines) -> None:
    """Draw into an empty label image the refined outlines: every pixel that they enclose or cross.

    Unresolved heaps keep their own pixels, because they may have gaps.
    """
    fine = outlines.apart(np.rint(outlines.points * 16).astype(np.int32))
    for k, (thing, line) in enumerate(zip(things, fine, strict=True)):
        if thing.state == "unresolved":
            thing.draw(labels, k + 1)
        else:
            cv2.fillPoly(labels, [line], k + 1, shift=4)


def _stands_out(
    outlines: Outlines,
    colour: FloatArray,
    weight: FloatArray,
    signal: Signal,
    window: Window,
    field: TrayField,
    coarse: CoarseLook,
) -> Bool:
    """Return which regions are no specks or grain, and rise sharply by a good part of their contrast, and of the usual one."""
    own = ((colour - srgb_to_linear(field.colour / 255.0)) * weight).sum(1)
    usual = np.where((weight == signal.weight).all(1), signal.step, own)
    light = field.light
    x, y = (outlines.mean(outlines.points[:, k]) / window.block for k in (0, 1))
    local = light[
        np.clip(y.astype(int), 0, light.shape[0] - 1), np.clip(x.astype(int), 0, light.shape[1] - 1)
    ]
    lines = outlines.apart(outlines.points.astype(np.float32))
    area = np.array([cv2.contourArea(o) for o in lines]) / window.px_per_mm**2
    around = np.array([cv2.arcLength(o, True) for o in lines]) / window.px_per_mm
    size, thick = np.sqrt(4.0 / np.pi * area), 2.0 * area / around
    # at half contrast a blurred speck or hair is as wide as itself and the blur (full width at half height) together
    blur = 2.355 * window.blur_px / window.px_per_mm
    faint = (size < SPECK_MM) | (thick < np.hypot(HAIR_MM, blur))
    least = np.where(faint, SHARP_SPECK, SHARP) * np.maximum(own, usual)
    least = np.where(faint, least, np.minimum(least, CRISP * own))
    # neighbours err together as far as the blur reaches
    grains = np.maximum(area * window.px_per_mm**2 / (4 * np.pi * max(window.blur_px, 1.0) ** 2), 1.0)
    plain = (own > FAINT * signal.step) | (own * np.sqrt(grains) > ABOVE_GRAIN * noise_in(weight, coarse))
    sharp = outlines.mean(outlines.rise) / local > least
    if signal.hue is not None:  # no shadow has the pieces' hue, however dark it is beside them
        code = 255.0 * linear_to_srgb(np.clip(colour, 0.0, 1.0))
        sharp |= ~faint & (code @ signal.hue > STEADY)
    sharp &= size > np.hypot(SMALLEST_MM, blur)
    # where nothing is plain the photo is one that shows no pieces plainly, which is for its fitness to say
    return np.asarray(sharp & (plain | ~(sharp & plain).any()), bool)


def _beside_others(contours: Contours, labels: Labels, window: Window) -> Bool:
    """Return which things are specks or strips right beside a larger thing: bits of its fringe."""
    length = np.array([len(c) for c in contours])
    thick = np.array([2.0 * cv2.contourArea(c) for c in contours]) / length
    small = (length < np.pi * SPECK_MM * window.px_per_mm) | (thick < STRIP_MM * window.px_per_mm)
    out = np.zeros(len(contours), bool)
    reach = round(FRINGE_MM * window.px_per_mm)
    for k in np.flatnonzero(small):
        near = labels[around(contours[k], labels.shape, reach)]
        others = near[(near > 0) & (near != k + 1)]
        out[k] = bool(((length > 2 * length[k]) | (thick > 3.0 * thick[k]))[others - 1].any())
    return np.asarray(out, bool)


def _regions(
    tray: TrayView,
    window: Window,
    field: TrayField,
    signal: Signal,
    things: list[Thing],
    labels: Labels,
    outlines: Outlines,
    weight: FloatArray,
    light: npt.NDArray[np.float32],
    flakes: float,
) -> Regions:
    """Return the things as regions, in photo pixels."""
    colour = beside(_mean_colours, labels, _middles([t.contour for t in things]), window, field)
    cut = _cut_off([t.contour for t in things], window)
    level_tray, level_piece = outlines.levels
    lines = outlines.apart(outlines.points.astype(np.float32))
    extent = [2.0 * cv2.minEnclosingCircle(line)[1] for line in lines]
    whole = [t.clump_px if t.state in ("unresolved", "covered") else 0.0 for t in things]
    origin = np.array([*window.origin_px, 0, 0, 0, 0], float)
    return Regions(
        tray=tray,
        origin_px=window.origin_px,
        labels=labels,
        outlines_px=tuple(outlines.apart(outlines.points + origin[:2])),
        state=tuple("cut off" if c else t.state for c, t in zip(cut, things, strict=True)),
        contrast=signal.weight,
        own_contrast=weight,
        level_tray=level_tray,
        level_piece=level_piece,
        colour_lab=linear_to_lab(colour.result()),
        confidence=np.array([t.confidence for t in things]),
        heap=np.array([t.heap for t in things], np.int64),
        extent_px=np.maximum(extent, whole),
        contrast_to_noise=_clearness(level_piece - level_tray, signal),
        told_from_shadows=float(signal.clear),
        rod_px=np.array([t.rod for t in things]) + origin,
        light=light,
        flakes=flakes,
    )


def _cut_off(contours: Contours, window: Window) -> Bool:
    """Return which contours reach the rim of the tray or of the image."""
    points, start, _ = _joined(contours)
    low, high = (most.reduceat(points, start) for most in (np.minimum, np.maximum))
    corners = np.stack(
        [low, np.stack([high[:, 0], low[:, 1]], -1), high, np.stack([low[:, 0], high[:, 1]], -1)]
    )
    # the window has straight sides: where any point lies outside, so does a corner of what is around all
    cut: Bool = np.logical_or.reduce(_at_rim(corners.reshape(-1, 2), window).reshape(4, -1))
    for k in np.flatnonzero(cut):
        cut[k] = _at_rim(contours[k], window).any()
    return cut


def _at_rim(points: npt.NDArray[np.int32], window: Window) -> Bool:
    """Return which points (m, 2) have neighbours that do not show the tray, or lie on the image's rim."""
    h, w = window.inside.shape
    x, y = points.T.astype(np.intp)
    out = (x == 0) | (y == 0) | (x == w - 1) | (y == h - 1)
    at, seen = (y * w + x)[~out], window.inside.ravel()
    # the window has straight sides: where any neighbour lies outside, one of those at the corners does
    out[~out] = np.minimum.reduce([seen[at + beside] for beside in (-w - 1, 1 - w, w - 1, w + 1)]) == 0
    return np.asarray(out, bool)


def _clearness(step: FloatArray, signal: Signal) -> float:
    """Return the pieces' median contrast over noise, taken down where they vanish into tray or shadow."""
    return float(np.median(step) / signal.noise * _kept(signal))


def _kept(signal: Signal) -> float:
    """Return the share of the contrast that is left where pieces look most like the tray or a shadow, 0..1."""
    if signal.coloured and srgb_to_linear(signal.piece / 255.0).max() < LEAST_COLOUR:
        return 0.0
    kept = float(np.clip(signal.shaded / (FLANK * signal.step), 0.0, 1.0))
    return kept if signal.shadow is None else kept * LEFT_AMONG_SHADOWS[signal.shadow.coloured]


def _nothing(tray: TrayView, window: Window, field: TrayField) -> Regions:
    """Return an empty list of regions with every column; without any contrast where something throws shadows all the same."""
    return Regions(
        tray=tray,
        origin_px=window.origin_px,
        labels=np.zeros(window.inside.shape, label_type(0)),
        outlines_px=(),
        state=(),
        contrast=LUMINANCE.copy(),
        own_contrast=np.zeros((0, 3)),
        level_tray=np.zeros(0),
        level_piece=np.zeros(0),
        colour_lab=np.zeros((0, 3)),
        confidence=np.zeros(0),
        heap=np.zeros(0, np.int64),
        extent_px=np.zeros(0),
        contrast_to_noise=0.0 if shaded_share(window, field) > UNSEEN else float("nan"),
        told_from_shadows=float("nan"),
        rod_px=np.zeros((0, 6)),
        light=None,
        flakes=0.0,
    )
