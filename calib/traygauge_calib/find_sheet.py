"""Finding the sheet in a photo: which one it is, and where its chess corners lie."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.markers import Markers, find_markers
from traygauge_calib.pose import Marks, PoseFit, Priors, fit_pose
from traygauge_calib.saddles import refine_saddles
from traygauge_calib.sheets import MARKER_SHARE, SHEETS, Sheet

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Long sides of the small copies in which markers are searched, px, in turn.
SEARCH_PX = (1000, 2000, 4000)
#: Fewest markers that make a sheet.
LEAST_MARKERS = 6
#: Fewest chess corners that give a scale.
LEAST_CORNERS = 16


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


@dataclass(frozen=True)
class NoSheet:
    """Why there is no scale in a photo; falsy."""

    wrong: str
    found: str
    expected: str
    advice: str

    def __bool__(self) -> bool:
        """Return False: there is no sheet."""
        return False


def find_sheet(grey: npt.NDArray[np.uint8], priors: Priors) -> FoundSheet | NoSheet:
    """Return the sheet in a grey photo (sRGB code values of one channel), or why there is none."""
    markers = _search(grey)
    chosen = _which(markers)
    if isinstance(chosen, NoSheet):
        return chosen
    sheet, ids, corners_px = chosen
    index = np.searchsorted(sheet.marker_ids, ids)
    points_mm = sheet.marker_corners_mm[index].reshape(-1, 2)
    try:
        rough = fit_pose(
            Marks.corners(points_mm, corners_px.reshape(-1, 2)), sheet.board_mm, priors, least_sigma_px=1.0
        )
    except (ValueError, np.linalg.LinAlgError):
        return _few(f"{len(ids)} markers that do not lie as on the {sheet.name} sheet")
    return _corners(grey, sheet, rough, ids)


def _search(grey: npt.NDArray[np.uint8]) -> Markers:
    """Return the markers of the smallest copy that shows enough of them, corners in photo pixels."""
    best = Markers(np.empty(0, np.int64), np.empty((0, 4, 2)), 0)
    long_side = max(grey.shape)
    for size in SEARCH_PX:
        shrink = min(1.0, size / long_side)
        small = grey
        if shrink < 1.0:
            small = cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)  # type: ignore[assignment]
        seen = find_markers(small)
        if len(seen.ids) > len(best.ids) or seen.mirrored > best.mirrored:
            ratio = np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]])
            best = Markers(seen.ids, (seen.corners_px + 0.5) * ratio - 0.5, seen.mirrored)
        if len(best.ids) >= 4 * LEAST_MARKERS or shrink == 1.0:
            break
    return best


def _which(markers: Markers) -> tuple[Sheet, IntArray, FloatArray] | NoSheet:
    """Return the sheet with its markers' ids and corners, each id once, or why there is none."""
    seen = {name: np.isin(markers.ids, sheet.marker_ids) for name, sheet in SHEETS.items()}
    counts = {name: int(mask.sum()) for name, mask in seen.items()}
    names = [name for name, count in counts.items() if count >= LEAST_MARKERS]
    if not names:
        return _few(f"{len(markers.ids)} markers")
    sheet = SHEETS[max(names, key=lambda name: counts[name])]
    ids, corners = markers.ids[seen[sheet.name]], markers.corners_px[seen[sheet.name]]
    _, first = np.unique(ids, return_index=True)
    return sheet, ids[first], corners[first]


def _few(found: str) -> NoSheet:
    return NoSheet(
        "no sheet was found in the photo",
        found=found,
        expected="the whole ring of markers around the window in view",
        advice="print the sheet (traygauge sheet), lay the pieces in its window and take the whole ring into "
        "the picture; for a copy stand or a scan state the scale instead",
    )


def _corners(
    grey: npt.NDArray[np.uint8], sheet: Sheet, rough: PoseFit, ids: IntArray
) -> FoundSheet | NoSheet:
    """Return the chess corners, read at full size around their predicted places."""
    camera = rough.camera
    stretch = np.array(rough.stretch)
    places = sheet.corners_mm * stretch
    reach = 0.9 * (1.0 - MARKER_SHARE) / 2.0 * sheet.square_mm
    predicted = camera.project(places)
    axes = (
        np.stack(
            [camera.project(places + step) - camera.project(places - step) for step in np.eye(2) * reach], 1
        )
        / 2.0
    )
    saddles = refine_saddles(grey, predicted, axes, sheet.corner_signs)
    good = saddles.good
    if np.count_nonzero(good) < LEAST_CORNERS:
        return _few(f"{np.count_nonzero(good)} clear corners of the {sheet.name} sheet")
    return FoundSheet(sheet, sheet.corners_mm[good], saddles.points_px[good], rough, ids)
