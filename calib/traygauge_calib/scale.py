"""The scale of a photo: from its sheet, a scanner's density tag, a stated figure or a straight reference."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.camera import PerspectiveCamera
from traygauge_calib.camera_priors import CameraBelief, believe_file, believe_scanner, is_camera_shape
from traygauge_calib.find_sheet import SEARCH_PX, FoundSheet, find_sheet, sheets_in_view
from traygauge_calib.lens import LensModel, lens_priors
from traygauge_calib.no_sheet import beside_a_scale, negative
from traygauge_calib.picture_quality import green_of
from traygauge_calib.pose import Marks, PoseFit, Priors, camera_of, fit_pose
from traygauge_calib.prints import PrintRecord
from traygauge_calib.ring_quality import RingEdges, read_ring_edges, ring_quality
from traygauge_calib.sheetless import Reference, from_reference, from_scan, from_stated, looks_scanned
from traygauge_calib.sheets import Sheet
from traygauge_calib.tray_view import RingFacts, ScaleUncertainty, TrayView
from traygauge_shared.errors import SheetError, UnfitPhotoError
from traygauge_shared.photo import Photo

FloatArray = npt.NDArray[np.float64]

#: Relative standard uncertainty of a print's two stretches where its bars were not measured (common practice,
#: no source).
U_STRETCH_UNMEASURED = 0.002
#: Shortest side of a picture that can be measured from, px.
LEAST_SIDE_PX = 64
#: Curl of the sheet between middle and rim, mm, from which the reader is warned, and from which refused.
WARN_CURL_MM, REFUSE_CURL_MM = 0.8, 3.0
#: Scatter of the ring's edges, mm, from which the sheet is too crumpled.
REFUSE_SCATTER_MM = 0.25
#: The ring contradicts the file where it pulls focal length or principal point this many of their standard
#: uncertainties away from what the file says.
MOST_PULL = 3.5
#: A sheet squarer to the picture than this was squared by a program, not by hand, degrees.
SQUARE_DEG = 0.8
#: A sheet on a scanner's glass looks tilted at most so far, degrees: a print stretched by 1 % one way only does.
MOST_SCAN_TILT_DEG = 8.0
#: How far paper may sag inside a flat ring, taped and glued down, mm (common practice, no source).
SAG_MM, GLUED_SAG_MM = 0.5, 0.05


def calibrate(
    photo: Photo,
    *,
    print_record: PrintRecord | None = None,
    px_per_mm: float | None = None,
    scan: bool = False,
    reference: Reference | None = None,
    lens: LensModel | None = None,
) -> TrayView:
    """Return the tray as seen in a photo, with where its scale comes from and how good it is.

    Parameters
    ----------
    photo : the photo as loaded.
    print_record : what was measured on the print of the sheet; None: an unmeasured print.
    px_per_mm : a stated scale (copy stand); a photo that shows a sheet as well is refused.
    scan : the photo is a flatbed scan: nothing is seen from the side, and where no sheet lies on it, its density
        tag gives the scale. Without it a photo is taken for a scan where EXIF shows no lens and the tag is 300 dpi
        or more.
    reference : a straight thing of known length in the photo; likewise without a sheet.
    lens : what is known of the camera's lens from several photos of a sheet.

    Raises
    ------
    SheetError
        There is no scale to be had from the photo, or the sheet is bent, covered or not the print named.
    UnfitPhotoError
        The picture is too small to measure anything in it.
    """
    if min(photo.width, photo.height) < LEAST_SIDE_PX:
        raise UnfitPhotoError(
            "the picture is too small to measure from",
            found=f"{photo.width} x {photo.height} px",
            expected=f"at least {LEAST_SIDE_PX} px on either side",
            advice="send the photo as the camera or scanner wrote it",
        )
    grey = green_of(photo.pixels)
    if px_per_mm is not None or reference is not None:
        _check_alone(grey)
    if px_per_mm is not None:
        return from_stated(photo, grey, px_per_mm)
    if reference is not None:
        return from_reference(photo, grey, reference)
    scanned = scan or looks_scanned(photo)
    belief = believe_scanner(photo) if scanned else believe_file(photo)
    if lens is not None and not scanned:
        belief = CameraBelief(lens_priors(lens, photo, belief.priors))
    found = find_sheet(grey, belief.priors, search_px=SEARCH_PX[:1] if scanned else SEARCH_PX)
    if not isinstance(found, FoundSheet):
        if scanned:
            return from_scan(photo, grey)
        raise found.error()
    belief = replace(belief, priors=_with_print(belief.priors, print_record, found.sheet))
    fit, edges, belief = _fit(grey, found, belief)
    if scanned:
        _check_scanned(fit)
    _check_flat(fit, edges, found.sheet)
    return _view(photo, grey, found, fit, edges, belief, print_record)


def _check_alone(grey: npt.NDArray[np.uint8]) -> None:
    """Refuse a photo of a sheet whose scale is stated."""
    for picture, wrong in ((grey, beside_a_scale), (cv2.bitwise_not(grey), negative)):
        seen = sheets_in_view(np.asarray(picture, np.uint8))
        if seen:
            raise wrong(seen).error()


def _with_print(priors: Priors, record: PrintRecord | None, sheet: Sheet) -> Priors:
    """Return the priors with what is known of the print's stretch."""
    if record is None:
        return replace(priors, u_stretch=(U_STRETCH_UNMEASURED, U_STRETCH_UNMEASURED))
    if record.sheet != sheet.name:
        raise SheetError(
            f"the photo does not show the print {record.name!r}",
            found=f"the {sheet.name} sheet",
            expected=f"the {record.sheet} sheet, which {record.name!r} was measured on",
            advice="name the print that lies in the photo, or measure this one (traygauge sheet measured)",
        )
    return replace(priors, stretch=record.stretch, u_stretch=record.u_stretch)


def _fit(
    grey: npt.NDArray[np.uint8], found: FoundSheet, belief: CameraBelief
) -> tuple[PoseFit, RingEdges, CameraBelief]:
    """Return the camera from corners first, then from corners and edges; the edges; and what is left to believe.

    Where the ring contradicts what the file says of the camera, the ring is believed.
    """
    corners, board = Marks.corners(found.corners_mm, found.corners_px), found.sheet.board_mm
    first = fit_pose(corners, board, belief.priors, start=found.rough.parameters)
    wide = belief.without_file(max(grey.shape))
    doubted = first.pull(belief.priors) > MOST_PULL or first.corner_sigma_px > 1.0
    if doubted and not belief.scanned:
        free = fit_pose(corners, board, wide.priors, start=first.parameters, rounds=30)
        if free.corner_sigma_px < 0.97 * first.corner_sigma_px:
            first, belief = free, wide
    edges = read_ring_edges(grey, found.sheet, first.camera, first.stretch)
    fit = fit_pose(corners + edges.marks, board, belief.priors, start=first.parameters)
    if not belief.scanned and belief is not wide and fit.pull(belief.priors) > MOST_PULL:
        belief = wide
        fit = fit_pose(corners + edges.marks, board, wide.priors, start=fit.parameters, rounds=30)
    return fit, edges, belief


def _check_scanned(fit: PoseFit) -> None:
    """Refuse a photo that is said to be a scan: its sheet would be taken for seen from straight above."""
    if fit.camera.tilt_deg > MOST_SCAN_TILT_DEG:
        raise SheetError(
            "this is no flatbed scan",
            found=f"a sheet seen at {fit.camera.tilt_deg:.0f} degrees",
            expected=f"at most {MOST_SCAN_TILT_DEG:g} degrees, as much as an uneven print looks like",
            advice="inspect photos without --scan",
        )


def _check_flat(fit: PoseFit, edges: RingEdges, sheet: Sheet) -> None:
    """Refuse a sheet that is bent or crumpled."""
    advice = "tape the sheet flat to glass or board and take the photo again"
    if fit.curl_mm > REFUSE_CURL_MM:
        raise SheetError(
            "the sheet is bent",
            found=f"its paper rises or falls by {fit.curl_mm:.1f} mm between middle and rim",
            expected=f"at most {REFUSE_CURL_MM:g} mm",
            advice=advice,
        )
    scatter_mm = fit.corner_sigma_px / float(np.median(edges.px_per_mm))
    if scatter_mm > REFUSE_SCATTER_MM:
        raise SheetError(
            f"the marks do not lie as on a flat {sheet.name} sheet",
            found=f"they are off by {scatter_mm:.2f} mm",
            expected=f"at most {REFUSE_SCATTER_MM:g} mm",
            advice=advice + ", with the whole sheet printed at once and not scaled by hand",
        )


def _view(
    photo: Photo,
    grey: npt.NDArray[np.uint8],
    found: FoundSheet,
    fit: PoseFit,
    edges: RingEdges,
    belief: CameraBelief,
    record: PrintRecord | None,
) -> TrayView:
    """Return the tray view that a fit stands for."""
    sheet = found.sheet
    quality = ring_quality(grey, sheet, fit.camera, fit.stretch, edges)
    x0, y0, x1, y1 = sheet.window_mm
    across, down = fit.stretch
    window = (x0 * across, y0 * down, x1 * across, y1 * down)
    sag = GLUED_SAG_MM if record is not None and record.glued else SAG_MM
    u_offset = 0.0 if record is None else record.u_plane_offset_mm
    plane = float(np.sqrt(sag**2 / 3.0 + u_offset**2 + fit.curl_mm**2 / 3.0))
    camera, scale = fit.camera, shared_uncertainty(fit, window, plane)
    if belief.scanned:
        camera, scale = (
            looking_straight_down(camera, window),
            replace(scale, height_relative=0.0, foot_mm=0.0),
        )
    return TrayView(
        photo=photo,
        camera=camera,
        window_mm=window,
        source="sheet",
        scale=scale,
        blur_px=quality.blur_px,
        noise=quality.noise,
        edge_spread=quality.edge_spread,
        plane_offset_mm=0.0 if record is None else record.plane_offset_mm,
        sheet_name=sheet.name,
        print_name="" if record is None else record.name,
        warnings=_warnings(fit, belief, record),
        is_scan=belief.scanned,
        ring=RingFacts(
            white=quality.white,
            black=quality.black,
            clipped=quality.clipped,
            overshoot=quality.overshoot,
            curl_mm=fit.curl_mm,
            seen=len(found.corners_mm) / len(sheet.corners_mm),
            squared_up=not belief.scanned and _squared_up(photo, fit),
        ),
    )


def looking_straight_down(
    camera: PerspectiveCamera, window_mm: tuple[float, float, float, float]
) -> PerspectiveCamera:
    """Return a camera over the window's middle that keeps scale and turn but has no tilt: a scanner."""
    middle = np.array([window_mm[0] + window_mm[2], window_mm[1] + window_mm[3]]) / 2.0
    seen = camera.project(middle)
    turn = np.arctan2(
        camera.rotation[1, 0] - camera.rotation[0, 1], camera.rotation[0, 0] + camera.rotation[1, 1]
    )
    c, s = np.cos(turn), np.sin(turn)
    return PerspectiveCamera(
        camera.focal_px,
        (float(seen[0]), float(seen[1])),
        (0.0, 0.0),
        np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]),
        np.array([*middle, camera.height_mm]),
    )


def _squared_up(photo: Photo, fit: PoseFit) -> bool:
    """Return whether the sheet lies as square as no hand holds a camera, in a picture of an unusual shape."""
    rotation = fit.camera.rotation
    turned = np.degrees(np.arctan2(rotation[1, 0], rotation[0, 0]))
    off = abs(turned - 90.0 * np.round(turned / 90.0))
    return off < SQUARE_DEG and fit.camera.tilt_deg < SQUARE_DEG and not is_camera_shape(photo)


def _warnings(fit: PoseFit, belief: CameraBelief, record: PrintRecord | None) -> tuple[str, ...]:
    """Return the sentences about the scale that a reader must see."""
    said = []
    if belief.doubt:
        said.append(f"{belief.doubt}; the camera's height comes from the ring alone and is less certain")
    if fit.curl_mm > WARN_CURL_MM:
        said.append(f"the sheet is curled by {fit.curl_mm:.1f} mm between middle and rim: tape it flat")
    if record is None:
        said.append("the print's check bars were not measured: lengths are 0.2 % less certain")
    return tuple(said)


def shared_uncertainty(
    fit: PoseFit, window_mm: tuple[float, float, float, float], plane_mm: float
) -> ScaleUncertainty:
    """Return the shared uncertainties that follow from the fit's covariance."""
    x0, y0, x1, y1 = window_mm
    spots = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1], [(x0 + x1) / 2, (y0 + y1) / 2]])
    right, down = np.eye(2)[:, None] / 2.0
    around = np.stack([spots + right, spots - right, spots + down, spots - down])

    def answers(parameters: FloatArray) -> FloatArray:
        camera = camera_of(parameters)
        seen = camera.project(around)
        dx, dy = seen[0] - seen[1], seen[2] - seen[3]
        area = np.abs(dx[:, 0] * dy[:, 1] - dx[:, 1] * dy[:, 0])
        return np.array([np.log(area).mean() / 2, np.log(camera.height_mm), *camera.foot_mm])

    steps = np.sqrt(np.diag(fit.covariance)) * 0.1
    here = answers(fit.parameters)
    slopes = np.stack(
        [
            (answers(fit.parameters + d) - here) / h
            for h, d in zip(steps[:11], np.diag(steps)[:11], strict=True)
        ],
        1,
    )
    spread = np.sqrt(np.diag(slopes @ fit.covariance[:11, :11] @ slopes.T))
    return ScaleUncertainty(
        relative=float(spread[0]),
        height_relative=float(spread[1]),
        plane_mm=plane_mm,
        foot_mm=float(np.hypot(spread[2], spread[3]) / np.sqrt(2.0)),
    )
