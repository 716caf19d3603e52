"""What a photo's file says about its camera, and how far that can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from traygauge_calib.pose import Priors
from traygauge_shared.photo import Photo

#: Diagonal of a 36 x 24 mm frame, mm: what a 35-mm-equivalent focal length refers to (CIPA DCG-001).
FRAME_DIAGONAL_MM = 43.2666
#: A lens focused near draws larger than its focal length says: relative (common practice, no source).
U_FOCUSING = 0.01
#: Where the file says nothing: phones lie between 13 and 120 mm, most at 24 to 28.
ANY_FOCAL_MM, U_ANY_FOCAL = 30.0, 0.5
#: How far a phone's principal point lies from the middle, as a share of the picture's long side.
U_PRINCIPAL = 0.003
#: ... and how far that of a cropped picture lies from its middle.
U_CROPPED = 0.1
#: A scan with a sheet in it is seen from so far up, mm: a piece 3 mm high leans by 3 micrometres at most.
SCANNER_HEIGHT_MM = 1e5
#: Width over height of pictures that cameras write uncropped (long side first).
_SHAPES = (4 / 3, 3 / 2)
#: ... and of those they crop from them themselves; the stated focal length may or may not follow the crop.
_CROPPED_SHAPES = (16 / 9, 1.0, 2.0, 18.5 / 9, 19.5 / 9, 20 / 9)


@dataclass(frozen=True)
class CameraBelief:
    """Priors for the pose; a sentence where the stated focal length was distrusted ("" if not); whether it is a scan."""

    priors: Priors
    doubt: str = ""
    scanned: bool = False

    def without_file(self, long_side_px: int) -> CameraBelief:
        """Return what is left when the file is not believed: the principal point lies somewhere in the picture."""
        priors = replace(self.priors, u_focal=U_ANY_FOCAL, u_principal_px=U_CROPPED * long_side_px)
        return CameraBelief(priors, "the ring does not fit the focal length in the file: cropped or padded")


def believe_file(photo: Photo) -> CameraBelief:
    """Return what the photo's EXIF says about focal length and principal point, doubts included.

    The focal length is rounded to whole millimetres; a picture whose size or shape shows that it was cropped,
    or that was zoomed digitally, may have another one, and its principal point may lie anywhere.
    """
    width, height = photo.width, photo.height
    long_side = max(width, height)
    middle = ((width - 1) / 2.0, (height - 1) / 2.0)
    diagonal = float(np.hypot(width, height))
    stated = photo.focal_35mm
    if stated is None or not 8.0 <= stated <= 400.0:
        doubt = "" if stated is None else f"the focal length in the file ({stated:g} mm) is not believable"
        shift = U_PRINCIPAL if is_camera_shape(photo) else U_CROPPED
        focal = ANY_FOCAL_MM / FRAME_DIAGONAL_MM * diagonal
        return CameraBelief(Priors(focal, U_ANY_FOCAL, middle, shift * long_side), doubt)
    rounding = 0.5 / np.sqrt(3.0) / stated
    relative = float(np.hypot(rounding, U_FOCUSING))
    focal = stated / FRAME_DIAGONAL_MM * diagonal
    if photo.exif_size is not None and photo.exif_size != (width, height):
        return _resized(photo, photo.exif_size, focal, relative)
    if photo.digital_zoom > 1.01:
        # some cameras state the focal length with the zoom, some without
        zoom = photo.digital_zoom
        unsure = float(np.hypot(relative, np.log(zoom) / 2.0))
        return CameraBelief(
            Priors(focal * np.sqrt(zoom), unsure, middle, U_PRINCIPAL * zoom * long_side),
            f"the picture was zoomed digitally ({zoom:g} x)",
        )
    if photo.exif_size is None and not _shape_is(photo, _SHAPES):
        if _shape_is(photo, _CROPPED_SHAPES):
            return CameraBelief(
                Priors(focal, 0.1, middle, U_PRINCIPAL * long_side),
                f"the picture's shape ({width} x {height} px) is cut from a wider one by the camera",
            )
        return CameraBelief(
            Priors(focal, 0.3, middle, U_CROPPED * long_side),
            f"the picture's shape ({width} x {height} px) is not one that cameras write: cropped",
        )
    return CameraBelief(Priors(focal, relative, middle, U_PRINCIPAL * long_side))


def believe_scanner(photo: Photo) -> CameraBelief:
    """Return what a flatbed scan is taken for: a camera so far up that nothing is seen from the side."""
    middle = ((photo.width - 1) / 2.0, (photo.height - 1) / 2.0)
    focal = SCANNER_HEIGHT_MM * 20.0  # px per mm; focal length over height is all that shows
    return CameraBelief(Priors(focal, 1e-4, middle, 1.0, u_k1=1e-3, u_k2=1e-3), scanned=True)


def is_camera_shape(photo: Photo) -> bool:
    """Return whether the picture has a shape, width over height, that cameras write."""
    return _shape_is(photo, _SHAPES + _CROPPED_SHAPES)


def _shape_is(photo: Photo, shapes: tuple[float, ...]) -> bool:
    """Return whether the picture has one of the shapes, to within 1 %."""
    shape = max(photo.width, photo.height) / min(photo.width, photo.height)
    return any(abs(shape / known - 1.0) < 0.01 for known in shapes)


def _resized(photo: Photo, whole: tuple[int, int], focal_px: float, relative: float) -> CameraBelief:
    """Return what is left to believe of a picture that has not the size the camera wrote."""
    width, height = photo.width, photo.height
    long_side = max(width, height)
    middle = ((width - 1) / 2.0, (height - 1) / 2.0)
    shrink = float(np.hypot(*whole)) / float(np.hypot(width, height))
    same_shape = abs((whole[0] / whole[1]) / (width / height) - 1.0) <= 0.01
    sizes = f"the picture is {width} x {height} px, but the camera wrote {whole[0]} x {whole[1]}"
    if same_shape:
        unsure = float(np.hypot(relative, np.log(shrink)))
        return CameraBelief(
            Priors(focal_px, min(unsure, 0.5), middle, 0.05 * long_side), f"{sizes}: scaled or cropped"
        )
    return CameraBelief(Priors(focal_px * shrink, 0.3, middle, U_CROPPED * long_side), f"{sizes}: cropped")
