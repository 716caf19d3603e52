"""Finding the sheet in a photo: which one it is, and where its chess corners lie; or why there is none.

Markers are searched in small copies of the photo, corners read at full size.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.markers import Markers, find_markers
from traygauge_calib.no_sheet import (
    NoSheet,
    few_corners,
    mirrored,
    not_as_printed,
    nothing_seen,
    one_sided,
    out_of_view,
    two_sheets,
    window_not_plain,
)
from traygauge_calib.pose import Marks, PoseFit, Priors, fit_pose
from traygauge_calib.saddles import refine_saddles
from traygauge_calib.sheets import MARKER_SHARE, SHEETS, Sheet
from traygauge_shared.shrinking import shrunk

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Long sides of the small copies in which markers are searched, px, in turn.
SEARCH_PX = (1000, 2000, 4000)
#: Fewest markers that make a sheet; with so many a search in a larger copy is not tried.
LEAST_MARKERS, ENOUGH_MARKERS = 6, 24
#: Fewest chess corners that give a scale, and how much of the board's area they must span.
LEAST_CORNERS, LEAST_SPAN = 16, 0.5
#: The longest share of the window's outline that may lie outside the picture.
MOST_OUTSIDE = 0.03


@dataclass(frozen=True, eq=False)
class FoundSheet:
    """A sheet in a photo.

    Parameters
    ----------
    sheet : which one.
    corners_mm : ndarray (N, 2), nominal sheet places of the chess corners read.
    corners_px : ndarray (N, 2), where they are in the photo.
    rough : the camera fitted to the markers alone.
    marker_ids : ndarray (M,), ids of the markers seen.
    """

    sheet: Sheet
    corners_mm: FloatArray
    corners_px: FloatArray
    rough: PoseFit
    marker_ids: IntArray

    def __bool__(self) -> bool:
        """Return True: there is a sheet."""
        return True


def find_sheet(
    grey: npt.NDArray[np.uint8],
    priors: Priors,
    *,
    search_px: tuple[int, ...] = SEARCH_PX,
    whole: bool = True,
) -> FoundSheet | NoSheet:
    """Return the sheet in a photo, or why there is none.

    Parameters
    ----------
    grey : ndarray (H, W), uint8, one channel, sRGB code values.
    priors : what is believed of the camera.
    search_px : long sides of the copies in which markers are searched, in turn.
    whole : the window must lie in the picture, and corners around it.
    """
    markers = _search(grey, search_px)
    chosen = _which(markers, grey)
    if isinstance(chosen, NoSheet):
        return chosen
    sheet, ids, corners_px = chosen
    points_mm = sheet.marker_corners_mm[np.searchsorted(sheet.marker_ids, ids)]
    marks = Marks.corners(points_mm.reshape(-1, 2), corners_px.reshape(-1, 2))
    try:
        rough = fit_pose(marks, sheet.board_mm, priors, least_sigma_px=1.0)
    except (ValueError, np.linalg.LinAlgError):
        return not_as_printed(sheet, len(ids), 0)
    fitting = rough.weights.reshape(-1, 4).max(1) > 0.0
    # a side of a marker as seen, to tell a rough fit from none at all
    side_px = float(np.median(np.linalg.norm(corners_px[:, 1] - corners_px[:, 0], axis=1)))
    if fitting.mean() < 0.7 or rough.corner_sigma_px > 0.3 * side_px:
        return not_as_printed(sheet, len(ids), int(fitting.sum()))
    outside = _share_outside(sheet, rough, grey.shape)
    if whole and outside > MOST_OUTSIDE:
        return out_of_view(sheet, outside)
    return _corners(grey, sheet, rough, ids[fitting], LEAST_SPAN if whole else 0.1)


def sheets_in_view(grey: npt.NDArray[np.uint8]) -> dict[str, int]:
    """Return how many different ring markers of each sheet are seen, where they are enough to make one."""
    ids = _search(grey, SEARCH_PX[:2]).ids
    seen = {name: len(np.intersect1d(ids, sheet.marker_ids)) for name, sheet in SHEETS.items()}
    return {name: count for name, count in seen.items() if count >= LEAST_MARKERS}


def _search(grey: npt.NDArray[np.uint8], search_px: tuple[int, ...]) -> Markers:
    """Return the markers of the smallest copy that shows enough of them, corners in photo pixels."""
    best = Markers(np.empty(0, np.int64), np.empty((0, 4, 2)), 0)
    for size in search_px:
        shrink = min(1.0, size / max(grey.shape))
        small = grey
        if shrink < 1.0:
            shape = (max(1, round(grey.shape[0] * shrink)), max(1, round(grey.shape[1] * shrink)))
            small = shrunk(grey, shape)
        seen = find_markers(small, ENOUGH_MARKERS)
        if len(seen.ids) > len(best.ids) or seen.mirrored > best.mirrored:
            ratio = np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]])
            best = Markers(seen.ids, (seen.corners_px + 0.5) * ratio - 0.5, seen.mirrored)
        if max(len(best.ids), best.mirrored) >= ENOUGH_MARKERS or shrink == 1.0:
            break
    return best


def _which(markers: Markers, grey: npt.NDArray[np.uint8]) -> tuple[Sheet, IntArray, FloatArray] | NoSheet:
    """Return the sheet with its markers' ids and corners, or why there is none."""
    if markers.mirrored >= LEAST_MARKERS and markers.mirrored > len(markers.ids):
        return mirrored(markers.mirrored)
    masks = {name: np.isin(markers.ids, sheet.marker_ids) for name, sheet in SHEETS.items()}
    names = [name for name, mask in masks.items() if mask.sum() >= LEAST_MARKERS]
    if not names:
        known = int(sum(mask.sum() for mask in masks.values()))
        return nothing_seen(grey, known, len(markers.ids) - known)
    if len(names) > 1:
        return two_sheets(f"markers of the {' and the '.join(names)} sheet")
    sheet = SHEETS[names[0]]
    ids, corners = markers.ids[masks[sheet.name]], markers.corners_px[masks[sheet.name]]
    once, first, times = np.unique(ids, return_index=True, return_counts=True)
    if np.count_nonzero(times > 1) >= 4:
        return two_sheets(f"{np.count_nonzero(times > 1)} markers of the {sheet.name} sheet twice")
    inner = np.setdiff1d(np.asarray(sheet.board.getIds()).ravel(), sheet.marker_ids)
    printed = int(np.isin(markers.ids, inner).sum())
    if printed >= LEAST_MARKERS:
        return window_not_plain(sheet, printed)
    return sheet, once, corners[first]


def _share_outside(sheet: Sheet, rough: PoseFit, shape: tuple[int, ...]) -> float:
    """Return which share of the window's outline lies outside a picture of shape (H, W)."""
    x0, y0, x1, y1 = sheet.window_mm
    t = np.linspace(0.0, 1.0, 50)
    x, y = x0 + t * (x1 - x0), y0 + t * (y1 - y0)
    outline = np.concatenate(
        [np.stack([x, np.full_like(x, v)], 1) for v in (y0, y1)]
        + [np.stack([np.full_like(y, v), y], 1) for v in (x0, x1)]
    )
    seen = rough.camera.project(outline * np.array(rough.stretch))
    inside = (seen >= -0.5).all(1) & (seen <= np.array([shape[1], shape[0]]) - 0.5).all(1)
    return float(1.0 - inside.mean())


def _corners(
    grey: npt.NDArray[np.uint8], sheet: Sheet, rough: PoseFit, ids: IntArray, least_span: float
) -> FoundSheet | NoSheet:
    """Return the chess corners, read at full size around their predicted places."""
    camera = rough.camera
    places = sheet.corners_mm * np.array(rough.stretch)
    reach = 0.9 * (1.0 - MARKER_SHARE) / 2.0 * sheet.square_mm
    axes = np.stack(
        [camera.project(places + way) - camera.project(places - way) for way in np.eye(2) * reach], 1
    )
    saddles = refine_saddles(grey, camera.project(places), axes / 2.0, sheet.corner_signs)
    good = saddles.good
    seen = int(np.count_nonzero(good))
    if seen < LEAST_CORNERS:
        return few_corners(grey, sheet, seen, float(np.median(np.linalg.norm(axes, axis=2)) / 2.0 / reach))
    span = cv2.contourArea(cv2.convexHull(sheet.corners_mm[good].astype(np.float32)))
    whole = float(np.prod(np.ptp(sheet.corners_mm, axis=0)))
    if span < least_span * whole:
        return one_sided(sheet, span / whole)
    return FoundSheet(sheet, sheet.corners_mm[good], saddles.points_px[good], rough, ids)
