"""A photo as taken: its pixels and what its file says about how it was taken."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, eq=False)
class Photo:
    """One image file, decoded and turned upright after its EXIF orientation.

    Parameters
    ----------
    name : file name without folder.
    sha256 : of the file's bytes, hex.
    pixels : ndarray of shape (H, W, 3), uint8, RGB, sRGB code values, EXIF orientation applied.
    file_format : "JPEG", "PNG", "TIFF", "WebP", "HEIC".
    focal_35mm : 35-mm-equivalent focal length from EXIF, mm, or None.
    dpi : (across, down) of the file's density tag, in the upright orientation, or None.
    has_lens : whether EXIF shows a lens (focal length, aperture, maker): a camera rather than a scanner.
    camera_name : maker and model from EXIF, or "".
    digital_zoom : EXIF digital zoom ratio, 1.0 where none is stated.
    exif_size : (width, height) that EXIF says the camera wrote, upright, or None: betrays cropping or scaling.
    flash : whether EXIF says that the flash fired, or None.
    """

    name: str
    sha256: str
    pixels: npt.NDArray[np.uint8] = field(repr=False)
    file_format: str = "JPEG"
    focal_35mm: float | None = None
    dpi: tuple[float, float] | None = None
    has_lens: bool = False
    camera_name: str = ""
    digital_zoom: float = 1.0
    exif_size: tuple[int, int] | None = None
    flash: bool | None = None

    @property
    def width(self) -> int:
        """Return the number of pixel columns."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Return the number of pixel rows."""
        return int(self.pixels.shape[0])
