"""The lens of one camera, from several photos of a sheet: better known than EXIF's rounded focal length.

One photo from above says little about focal length and principal point; several from different sides do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.camera_priors import believe_file
from traygauge_calib.find_sheet import SEARCH_PX, FoundSheet, find_sheet
from traygauge_calib.picture_quality import green_of
from traygauge_calib.pose import Priors
from traygauge_calib.prints import PrintRecord
from traygauge_shared.errors import SheetError
from traygauge_shared.photo import Photo

FloatArray = npt.NDArray[np.float64]

#: Fewest views, and the largest tilt that at least one must have, degrees.
LEAST_VIEWS, LEAST_TILT_DEG = 4, 12.0
#: A view is bad when its error is so many times the median of all and above this, px.
BAD_VIEW_TIMES, BAD_VIEW_PX = 2.5, 0.3
#: The frame is looked at in so many cells, across and down its long side; the fewest that must hold corners.
CELLS, LEAST_COVERAGE = (8, 6), 0.4
#: Worst relative standard uncertainty of the focal length that is of any use.
WORST_U_FOCAL = 0.01
#: A lens draws otherwise at another distance: least relative standard uncertainty (common practice, no source).
LEAST_U_FOCAL = 0.003


@dataclass(frozen=True)
class LensView:
    """One photo that went into a lens model.

    Parameters
    ----------
    name : of the photo.
    corners : how many of the ring's corners were read.
    rms_px : root mean square distance of corners from their predicted places, px; NaN where not fitted.
    tilt_deg : of the camera over the sheet; NaN where not fitted.
    dropped : why it was not used, "" if it was.
    """

    name: str
    corners: int
    rms_px: float
    tilt_deg: float
    dropped: str = ""


@dataclass(frozen=True)
class LensModel:
    """A lens as fitted, and the camera it belongs to.

    Parameters
    ----------
    camera_name, focal_35mm, size_px : of the photos: maker and model, EXIF focal length, upright size (w, h).
    focal_px, principal_px, k1, k2 : in px of photos of that size; radial terms after OpenCV.
    u_focal_px, u_principal_px, u_k1, u_k2 : their standard uncertainties.
    rms_px : root mean square distance of all used corners from their predicted places.
    coverage : share of the frame's cells that hold corners.
    views : what became of each photo.
    """

    camera_name: str
    focal_35mm: float | None
    size_px: tuple[int, int]
    focal_px: float
    principal_px: tuple[float, float]
    k1: float
    k2: float
    u_focal_px: float
    u_principal_px: float
    u_k1: float
    u_k2: float
    rms_px: float
    coverage: float
    views: tuple[LensView, ...] = ()


@dataclass(frozen=True, eq=False)
class ViewsFit:
    """A camera fitted to points of a plane in several views (see `fit_views`).

    Parameters
    ----------
    matrix : ndarray (3, 3); distortion : ndarray (5,), OpenCV's order.
    u_matrix : ndarray (4,): standard deviations of fx, fy, cx, cy; u_distortion : ndarray (5,).
    rms_px : over all points; view_rms_px, tilt_deg : ndarray (V,), a view each.
    """

    matrix: FloatArray
    distortion: FloatArray
    u_matrix: FloatArray
    u_distortion: FloatArray
    rms_px: float
    view_rms_px: FloatArray
    tilt_deg: FloatArray


def fit_views(
    views: Sequence[tuple[FloatArray, FloatArray]],
    size_px: tuple[int, int],
    *,
    start: tuple[float, float, float] | None = None,
    full: bool = False,
) -> ViewsFit:
    """Return the camera that explains views of a plane best (OpenCV's `calibrateCameraExtended`).

    Parameters
    ----------
    views : (points (N, 2) in the plane, points (N, 2) in px) of each view.
    size_px : (width, height) of the photos.
    start : focal length and principal point to start from, px; None: OpenCV's own start.
    full : all five distortion terms; else the two radial ones that `PerspectiveCamera` knows.
    """
    solid = [np.column_stack([plane, np.zeros(len(plane))]).astype(np.float32) for plane, _ in views]
    seen = [np.ascontiguousarray(photo, np.float32) for _, photo in views]
    flags = cv2.CALIB_FIX_ASPECT_RATIO
    if not full:
        flags |= cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    guess = np.eye(3)
    if start is not None:
        flags |= cv2.CALIB_USE_INTRINSIC_GUESS
        guess[0, 0] = guess[1, 1] = start[0]
        guess[:2, 2] = start[1:]
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-10)
    rms, matrix, terms, turns, _, spread, _, errors = cv2.calibrateCameraExtended(
        solid, seen, size_px, guess, np.zeros(5), flags=flags, criteria=criteria
    )
    tilts = [np.degrees(np.arccos(np.clip(cv2.Rodrigues(turn)[0][2, 2], -1.0, 1.0))) for turn in turns]
    known = np.asarray(spread, np.float64).ravel()
    known[0] = known[1]  # the two focal lengths are one, and OpenCV gives its spread with the second only
    return ViewsFit(
        np.asarray(matrix, float),
        np.asarray(terms, float).ravel()[:5],
        known[:4],
        known[4:9],
        float(rms),
        np.asarray(errors, float).ravel(),
        np.array(tilts),
    )


def fit_lens(photos: Sequence[Photo], *, print_record: PrintRecord | None = None) -> LensModel:
    """Return the lens of the camera that took all these photos of one sheet.

    Parameters
    ----------
    photos : from different sides, tilted by 15 to 30 degrees this way and that, the sheet in all parts of the frame,
        at about the distance that pieces are photographed from.
    print_record : what was measured on the print; its two stretches would otherwise be taken for the lens's.

    Raises
    ------
    SheetError
        Photos of different cameras, too few usable ones, or ones too alike.
    """
    first = _same_camera(photos)
    belief = believe_file(first).priors
    stretch = np.array((1.0, 1.0) if print_record is None else print_record.stretch)
    found: dict[int, FoundSheet] = {}
    dropped: dict[int, str] = {}
    for k, photo in enumerate(photos):
        sheet = find_sheet(green_of(photo.pixels), belief, search_px=SEARCH_PX[:2], whole=False)
        if isinstance(sheet, FoundSheet):
            found[k] = sheet
        else:
            dropped[k] = sheet.wrong
    start = (belief.focal_px, *belief.principal_px)
    while True:
        _enough(photos, found, dropped)
        views = [(sheet.corners_mm * stretch, sheet.corners_px) for sheet in found.values()]
        fit = fit_views(views, (first.width, first.height), start=start)
        worst = int(fit.view_rms_px.argmax())
        usual = float(np.median(fit.view_rms_px))
        if fit.view_rms_px[worst] <= max(BAD_VIEW_TIMES * usual, BAD_VIEW_PX):
            break
        key = list(found)[worst]
        dropped[key] = f"its corners are off by {fit.view_rms_px[worst]:.2f} px, the others' by {usual:.2f}"
        del found[key]
    return _model(photos, found, dropped, fit)


def _same_camera(photos: Sequence[Photo]) -> Photo:
    """Return the first photo, all being one camera's and of one size."""
    if not photos:
        raise SheetError(
            "there are no photos to fit a lens to",
            found="none",
            expected=f"at least {LEAST_VIEWS} photos of a sheet",
            advice="take them from different sides, the phone tilted by 15 to 30 degrees",
        )
    first = photos[0]
    for photo in photos[1:]:
        if _camera_of(photo) != _camera_of(first):
            raise SheetError(
                "the photos are not one camera's",
                found=f"{first.name}: {_told(first)}; {photo.name}: {_told(photo)}",
                expected="one camera, one focal length, one size and orientation",
                advice="take all photos with the same phone and lens, held the same way round, without zoom",
            )
    return first


def _camera_of(photo: Photo) -> tuple[str, float | None, int, int]:
    return photo.camera_name, photo.focal_35mm, photo.width, photo.height


def _told(photo: Photo) -> str:
    focal = "focal length unknown" if photo.focal_35mm is None else f"{photo.focal_35mm:g} mm"
    return f"{photo.camera_name or 'unknown camera'}, {focal}, {photo.width} x {photo.height} px"


def _enough(photos: Sequence[Photo], found: dict[int, FoundSheet], dropped: dict[int, str]) -> None:
    """Refuse to go on with too few views."""
    if len({sheet.sheet.name for sheet in found.values()}) > 1:
        raise SheetError(
            "the photos show different sheets",
            found=", ".join(f"{photos[k].name}: {sheet.sheet.name}" for k, sheet in found.items()),
            expected="one print of one sheet",
            advice="take all photos of the same print",
        )
    if len(found) < LEAST_VIEWS:
        lost = "; ".join(f"{photos[k].name}: {why}" for k, why in sorted(dropped.items()))
        raise SheetError(
            "too few photos can be used to fit a lens",
            found=f"{len(found)} of {len(photos)}" + (f" ({lost})" if lost else ""),
            expected=f"at least {LEAST_VIEWS}",
            advice="take more photos of the sheet, sharp, from different sides",
        )


def _model(
    photos: Sequence[Photo], found: dict[int, FoundSheet], dropped: dict[int, str], fit: ViewsFit
) -> LensModel:
    """Return the lens that a fit stands for, if the views were different enough to tell."""
    first = photos[0]
    size = (first.width, first.height)
    coverage = _coverage([sheet.corners_px for sheet in found.values()], size)
    focal = float(fit.matrix[0, 0])
    tilt = float(fit.tilt_deg.max())
    if tilt < LEAST_TILT_DEG or fit.u_matrix[0] > WORST_U_FOCAL * focal or coverage < LEAST_COVERAGE:
        raise SheetError(
            "the photos are too alike to tell the lens",
            found=f"tilts up to {tilt:.0f} degrees, corners in {100 * coverage:.0f} % of the frame, focal length "
            f"uncertain by {100 * fit.u_matrix[0] / focal:.1f} %",
            expected=f"tilts of {LEAST_TILT_DEG:g} degrees or more this way and that, corners in "
            f"{100 * LEAST_COVERAGE:g} % of the frame, {100 * WORST_U_FOCAL:g} %",
            advice="tilt the phone by 15 to 30 degrees to each side, and fill the frame's corners too",
        )
    order = list(found)
    views = tuple(
        LensView(
            photo.name,
            len(found[k].corners_mm) if k in found else 0,
            float(fit.view_rms_px[order.index(k)]) if k in found else float("nan"),
            float(fit.tilt_deg[order.index(k)]) if k in found else float("nan"),
            dropped.get(k, ""),
        )
        for k, photo in enumerate(photos)
    )
    return LensModel(
        camera_name=first.camera_name,
        focal_35mm=first.focal_35mm,
        size_px=size,
        focal_px=focal,
        principal_px=(float(fit.matrix[0, 2]), float(fit.matrix[1, 2])),
        k1=float(fit.distortion[0]),
        k2=float(fit.distortion[1]),
        u_focal_px=float(fit.u_matrix[0]),
        u_principal_px=float(np.hypot(*fit.u_matrix[2:]) / np.sqrt(2.0)),
        u_k1=float(fit.u_distortion[0]),
        u_k2=float(fit.u_distortion[1]),
        rms_px=fit.rms_px,
        coverage=coverage,
        views=views,
    )


def _coverage(corners_px: Sequence[FloatArray], size: tuple[int, int]) -> float:
    """Return the share of the frame's cells in which corners lie."""
    cells = CELLS if size[0] >= size[1] else CELLS[::-1]
    at = np.concatenate(corners_px) / np.array(size) * cells
    at = np.clip(at.astype(int), 0, np.array(cells) - 1)
    return len(np.unique(at, axis=0)) / (cells[0] * cells[1])


def lens_priors(lens: LensModel, photo: Photo, priors: Priors) -> Priors:
    """Return priors with what a lens model knows of a photo's camera.

    Raises
    ------
    SheetError
        The photo is another camera's, or was cropped or zoomed.
    """
    shape = sorted((photo.width, photo.height)), sorted(lens.size_px)
    ratio = shape[0][1] / shape[1][1]
    same_shape = abs(shape[0][0] / shape[1][0] / ratio - 1.0) < 0.005
    if (photo.camera_name, photo.focal_35mm) != (lens.camera_name, lens.focal_35mm) or not same_shape:
        focal = "focal length unknown" if lens.focal_35mm is None else f"{lens.focal_35mm:g} mm"
        raise SheetError(
            "the lens model is another camera's",
            found=f"{photo.name}: {_told(photo)}",
            expected=f"{lens.camera_name or 'unknown camera'}, {focal}, {lens.size_px[0]} x {lens.size_px[1]} px",
            advice="use the lens model of this camera and lens, or none",
        )
    if photo.digital_zoom > 1.01:
        raise SheetError(
            "the lens model does not hold for a zoomed picture",
            found=f"{photo.name}: digital zoom {photo.digital_zoom:g}",
            expected="a picture taken without digital zoom",
            advice="take the photo without zoom, or use no lens model",
        )
    principal, u_principal = priors.principal_px, priors.u_principal_px
    if (photo.width >= photo.height) == (lens.size_px[0] >= lens.size_px[1]):
        # otherwise the picture was turned by a quarter, and the file no longer says which way
        principal = ((lens.principal_px[0] + 0.5) * ratio - 0.5, (lens.principal_px[1] + 0.5) * ratio - 0.5)
        u_principal = max(lens.u_principal_px * ratio, 0.0003 * max(photo.width, photo.height))
    return Priors(
        focal_px=lens.focal_px * ratio,
        u_focal=max(lens.u_focal_px / lens.focal_px, LEAST_U_FOCAL),
        principal_px=principal,
        u_principal_px=u_principal,
        k1=lens.k1,
        k2=lens.k2,
        u_k1=max(lens.u_k1, 0.001),
        u_k2=max(lens.u_k2, 0.001),
        stretch=priors.stretch,
        u_stretch=priors.u_stretch,
    )
