"""Scales without a sheet: a stated figure, a scanner's density tag, a straight reference in the photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge_calib.camera import Camera, FlatCamera, PerspectiveCamera
from traygauge_calib.camera_priors import believe_file
from traygauge_calib.picture_quality import edge_quality, flat_noise
from traygauge_calib.tray_view import ScaleUncertainty, TrayView
from traygauge_shared.errors import SheetError
from traygauge_shared.photo import Photo

#: Relative standard uncertainty of a scanner's density tag and of a stated scale (common practice, no source).
U_SCANNER, U_STATED = 0.002, 0.002
#: Standard uncertainty of a point picked in a photo, px, and of a reference's length, relative.
U_PICKED_PX, U_REFERENCE = 1.0, 0.002
#: Density tags below this are no scanner's: phones write a meaningless 72. PNG counts whole pixels per metre: 299.9994 are 300.
LEAST_DPI = 300.0
#: Where nothing shows how a camera stood: standard deviation of its tilt, degrees.
U_TILT_DEG = 3.0
MM_PER_INCH = 25.4


@dataclass(frozen=True)
class Reference:
    """A straight thing of known length between two points of the photo, (x, y) in px."""

    start_px: tuple[float, float]
    end_px: tuple[float, float]
    length_mm: float


def looks_scanned(photo: Photo) -> bool:
    """Return whether the file says that a scanner made it: a density of 300 dpi or more, and no lens."""
    return _is_dense(photo) and not photo.has_lens


def _is_dense(photo: Photo) -> bool:
    return photo.dpi is not None and round(min(photo.dpi)) >= LEAST_DPI


def from_scan(photo: Photo, grey: npt.NDArray[np.uint8]) -> TrayView:
    """Return the tray view of a scan, its scale after the file's density tag.

    Raises
    ------
    SheetError
        The file has no density tag, or one that no scanner writes.
    """
    if photo.dpi is None or not _is_dense(photo):
        found = "none" if photo.dpi is None else f"{photo.dpi[0]:g} x {photo.dpi[1]:g} dpi"
        raise SheetError(
            "the scan does not say how many pixels it has per inch",
            found=found,
            expected=f"a density tag of {LEAST_DPI:g} dpi or more",
            advice="scan at 600 dpi and save as PNG or TIFF straight from the scanner's program, or state the "
            "pixels per mm",
        )
    across, down = (dots / MM_PER_INCH for dots in photo.dpi)
    return _view(photo, grey, FlatCamera((across, down)), "scan", ScaleUncertainty(U_SCANNER))


def from_stated(photo: Photo, grey: npt.NDArray[np.uint8], px_per_mm: float) -> TrayView:
    """Return the tray view of a photo whose scale is stated (copy stand).

    Raises
    ------
    SheetError
        The figure is no scale.
    """
    _check_scale(px_per_mm)
    return _straight_down(photo, grey, px_per_mm, "stated", U_STATED)


def from_reference(photo: Photo, grey: npt.NDArray[np.uint8], reference: Reference) -> TrayView:
    """Return the tray view of a photo that shows a straight thing of known length.

    Raises
    ------
    SheetError
        The points lie outside the photo or too close together, or the length is no length.
    """
    ends = np.array([reference.start_px, reference.end_px], float)
    size = np.array([photo.width, photo.height])
    apart = float(np.linalg.norm(ends[1] - ends[0]))
    if not (np.isfinite(ends).all() and (ends >= -0.5).all() and (ends <= size - 0.5).all() and apart >= 100):
        raise SheetError(
            "the reference's two points do not do",
            found=f"{reference.start_px} and {reference.end_px}, {apart:.0f} px apart",
            expected=f"both inside the photo of {photo.width} x {photo.height} px, at least 100 px apart",
            advice="give the two ends of a long straight reference, in pixels from the top left",
        )
    if not (np.isfinite(reference.length_mm) and reference.length_mm > 0):
        raise SheetError(
            "the reference's length is no length",
            found=f"{reference.length_mm} mm",
            expected="a length above 0 mm",
            advice="give the known distance between the two points in mm",
        )
    px_per_mm = apart / reference.length_mm
    _check_scale(px_per_mm)
    relative = float(np.hypot(np.sqrt(2.0) * U_PICKED_PX / apart, U_REFERENCE))
    return _straight_down(photo, grey, px_per_mm, "reference", relative)


def _check_scale(px_per_mm: float) -> None:
    if not (np.isfinite(px_per_mm) and 1.0 <= px_per_mm <= 500.0):
        raise SheetError(
            "the scale is not one that pieces can be measured at",
            found=f"{px_per_mm:g} px per mm",
            expected="1 to 500 px per mm",
            advice="check the stated pixels per mm, or the reference's points and length",
        )


def _straight_down(
    photo: Photo,
    grey: npt.NDArray[np.uint8],
    px_per_mm: float,
    source: str,
    relative: float,
) -> TrayView:
    """Return a view from straight above; from which height only where the file knows the focal length."""
    belief = believe_file(photo)
    if photo.focal_35mm is None:
        scale = ScaleUncertainty(relative)
        warning = (
            "the file does not say from how far it was taken: pieces are measured as if seen from straight above, "
            "and those far from the middle come out too long"
        )
        return _view(photo, grey, FlatCamera((px_per_mm, px_per_mm)), source, scale, (warning,))
    height = belief.priors.focal_px / px_per_mm
    middle = np.array(belief.priors.principal_px)
    foot = (middle + 0.5) / px_per_mm
    camera = PerspectiveCamera(
        belief.priors.focal_px, belief.priors.principal_px, (0.0, 0.0), np.eye(3), np.array([*foot, height])
    )
    tilt = np.tan(np.radians(U_TILT_DEG))
    reach = float(np.hypot(photo.width, photo.height)) / px_per_mm / 4.0
    scale = ScaleUncertainty(
        relative=float(np.hypot(relative, tilt * reach / height)),
        height_relative=belief.priors.u_focal,
        foot_mm=float(tilt * height),
    )
    warning = "the camera is taken to look straight down; a sheet would show how it stood"
    return _view(photo, grey, camera, source, scale, (warning,))


def _view(
    photo: Photo,
    grey: npt.NDArray[np.uint8],
    camera: Camera,
    source: str,
    scale: ScaleUncertainty,
    warnings: tuple[str, ...] = (),
) -> TrayView:
    """Return the view of the whole picture, sharpness and noise read from the picture itself."""
    corners = camera.to_plane([[-0.5, -0.5], [photo.width - 0.5, photo.height - 0.5]])
    window = (0.0, 0.0, float(corners[1, 0]), float(corners[1, 1]))
    blur, response, _ = edge_quality(grey, window[2] / photo.width, window)
    return TrayView(
        photo=photo,
        camera=camera,
        window_mm=window,
        source=source,  # type: ignore[arg-type]
        scale=scale,
        blur_px=blur,
        noise=flat_noise(grey),
        edge_spread=response,
        warnings=warnings,
        is_scan=source == "scan",
    )
