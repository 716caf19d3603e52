"""The scale of a photo: from its sheet, a scanner's density tag, a stated figure or a straight reference."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.find_sheet import FoundSheet, find_sheet
from traygauge_calib.pose import PoseFit, Priors, camera_of, fit_pose
from traygauge_calib.ring_quality import ring_quality
from traygauge_calib.tray_view import ScaleUncertainty, TrayView
from traygauge_shared.errors import SheetError
from traygauge_shared.photo import Photo

FloatArray = npt.NDArray[np.float64]

#: Diagonal of a 36 x 24 mm frame, mm: what a 35-mm-equivalent focal length refers to.
FRAME_DIAGONAL_MM = 43.2666
#: Standard uncertainty of a print's stretch where its bars were not measured (common practice, no source).
U_STRETCH_UNMEASURED = 0.002
#: Least standard deviation of one coordinate of a chess corner, px.
LEAST_SIGMA_PX = 0.03


def calibrate(photo: Photo, *, sag_mm: float = 0.5) -> TrayView:
    """Return the tray as seen in a photo of a sheet.

    Parameters
    ----------
    photo : the photo as loaded.
    sag_mm : how far the paper may sag inside a flat ring, mm.

    Raises
    ------
    SheetError
        There is no scale to be had from the photo.
    """
    grey = cv2.extractChannel(photo.pixels, 1)
    priors = camera_priors(photo)
    found = find_sheet(grey, priors)
    if not isinstance(found, FoundSheet):
        raise SheetError(found.wrong, found=found.found, expected=found.expected, advice=found.advice)
    fit = fit_pose(
        found.corners_mm,
        found.corners_px,
        priors,
        sigma_px=LEAST_SIGMA_PX,
        start=found.rough.parameters,
    )
    quality = ring_quality(grey, found.sheet, fit.camera, fit.stretch)
    return TrayView(
        photo=photo,
        camera=fit.camera,
        window_mm=found.sheet.window_mm,
        source="sheet",
        scale=_uncertainty(fit, found.sheet.window_mm, sag_mm),
        blur_px=quality.blur_px,
        noise=quality.noise,
        edge_spread=quality.edge_spread,
        sheet_name=found.sheet.name,
    )


def camera_priors(photo: Photo) -> Priors:
    """Return what a photo's file says about its camera, with how far that may be off."""
    diagonal = float(np.hypot(photo.width, photo.height))
    middle = ((photo.width - 1) / 2.0, (photo.height - 1) / 2.0)
    side = max(photo.width, photo.height)
    if photo.focal_35mm:
        rounding = 0.5 / np.sqrt(3.0) / photo.focal_35mm
        return Priors(photo.focal_35mm / FRAME_DIAGONAL_MM * diagonal, rounding, middle, 0.003 * side)
    return Priors(28.0 / FRAME_DIAGONAL_MM * diagonal, 0.4, middle, 0.003 * side)


def _uncertainty(
    fit: PoseFit, window_mm: tuple[float, float, float, float], sag_mm: float
) -> ScaleUncertainty:
    """Return the shared uncertainties that follow from the fit's covariance."""
    x0, y0, x1, y1 = window_mm
    spots = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1], [(x0 + x1) / 2, (y0 + y1) / 2]])

    def answers(parameters: FloatArray) -> FloatArray:
        camera = camera_of(parameters)
        dx = camera.project(spots + [0.5, 0.0]) - camera.project(spots - [0.5, 0.0])
        dy = camera.project(spots + [0.0, 0.5]) - camera.project(spots - [0.0, 0.5])
        area = np.abs(dx[:, 0] * dy[:, 1] - dx[:, 1] * dy[:, 0])
        return np.array([np.log(area).mean() / 2, np.log(camera.height_mm), *camera.foot_mm])

    steps = np.sqrt(np.diag(fit.covariance)) * 0.1
    slopes = np.stack(
        [
            (answers(fit.parameters + d) - answers(fit.parameters - d)) / (2 * h)
            for h, d in zip(steps, np.diag(steps), strict=True)
        ],
        1,
    )
    spread = np.sqrt(np.diag(slopes @ fit.covariance @ slopes.T))
    return ScaleUncertainty(
        relative=float(spread[0]),
        height_relative=float(spread[1]),
        plane_mm=sag_mm / np.sqrt(3.0),
        foot_mm=float(np.hypot(spread[2], spread[3]) / np.sqrt(2.0)),
    )
