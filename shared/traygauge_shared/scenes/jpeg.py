"""Any pixels as a JPEG file with the EXIF entries that loading reads."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import numpy.typing as npt

from traygauge_shared.saving import write_whole


def write_jpeg(
    path: str | os.PathLike[str],
    rgb: npt.NDArray[np.uint8],
    *,
    quality: int = 92,
    focal_35mm: float | None = None,
    orientation: int = 1,
    dpi: tuple[float, float] | None = None,
    maker: str = "",
    model: str = "",
) -> Path:
    """Write pixels as a JPEG file and return its path.

    Parameters
    ----------
    path
        Where to; replaced only when the new file is whole.
    rgb
        ndarray of shape (H, W, 3), uint8, RGB, as stored: with an `orientation` other than 1 a reader turns them.
    quality
        1 to 95; colour is not subsampled from 90 on.
    focal_35mm
        35-mm-equivalent focal length, mm, rounded to a whole number as EXIF does.
    orientation
        EXIF orientation, 1 to 8.
    dpi
        (across, down) of the stored pixels.
    maker, model
        Of the camera.
    """
    return write_whole(
        path, jpeg_bytes(rgb, quality, _exif_block(rgb, focal_35mm, orientation, dpi, maker, model))
    )


def jpeg_bytes(rgb: npt.NDArray[np.uint8], quality: int = 92, exif: bytes = b"") -> bytes:
    """Return pixels (H, W, 3), uint8, RGB, as the bytes of a JPEG file, with an EXIF block where one is given."""
    import io

    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=quality, subsampling=0 if quality >= 90 else 2, exif=exif)
    return out.getvalue()


def _exif_block(
    rgb: npt.NDArray[np.uint8],
    focal_35mm: float | None,
    orientation: int,
    dpi: tuple[float, float] | None,
    maker: str,
    model: str,
) -> bytes:
    from PIL import Image

    exif = Image.Exif()
    exif[0x0112] = orientation
    if maker:
        exif[0x010F] = maker
    if model:
        exif[0x0110] = model
    if dpi is not None:
        exif[0x011A], exif[0x011B], exif[0x0128] = float(dpi[0]), float(dpi[1]), 2
    camera = exif.get_ifd(0x8769)
    camera[0xA002], camera[0xA003] = int(rgb.shape[1]), int(rgb.shape[0])
    if focal_35mm is not None:
        camera[0xA405] = round(focal_35mm)
    return exif.tobytes()
