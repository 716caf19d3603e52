"""What a file's EXIF says about how the photo was taken. Damaged or absurd entries count as not stated."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, replace

from PIL import Image

_MAKE, _MODEL, _ORIENTATION = 0x010F, 0x0110, 0x0112
_X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT = 0x011A, 0x011B, 0x0128
_EXIF_IFD = 0x8769
_F_NUMBER, _FLASH, _FOCAL_LENGTH, _LENS_MODEL = 0x829D, 0x9209, 0x920A, 0xA434
_WIDTH, _HEIGHT = 0xA002, 0xA003
_DIGITAL_ZOOM, _FOCAL_35MM = 0xA404, 0xA405
#: What reading a damaged EXIF block may raise. It must not cost the photo: the pixels are what is measured.
_FAULTS = (
    ValueError, TypeError, LookupError, ArithmeticError, AttributeError,
    SyntaxError, OSError, EOFError, RuntimeError, struct.error,
)  # fmt: skip
_PER_INCH = {2: 1.0, 3: 2.54}  # resolution unit -> dots per inch of one dot per unit


@dataclass(frozen=True)
class Exif:
    """EXIF entries that matter for measuring, as stored (before the orientation is applied).

    Parameters
    ----------
    orientation : 1..8, how the stored pixels are to be turned and mirrored (TIFF 6.0, tag 274).
    focal_35mm : 35-mm-equivalent focal length, mm, or None.
    dpi : (across, down) of the stored pixels, or None.
    has_lens : focal length, aperture, lens or maker are stated.
    camera_name : maker and model, or "".
    digital_zoom : 1.0 where none is stated.
    size : (width, height) the camera wrote, or None.
    flash : whether the flash fired, or None where it is not stated (Exif 2.32, tag 37385: the lowest bit).
    """

    orientation: int = 1
    focal_35mm: float | None = None
    dpi: tuple[float, float] | None = None
    has_lens: bool = False
    camera_name: str = ""
    digital_zoom: float = 1.0
    size: tuple[int, int] | None = None
    flash: bool | None = None

    def upright(self) -> Exif:
        """Return the same for the upright picture: orientation 1, sides exchanged where it was turned."""
        if self.orientation < 5:
            return replace(self, orientation=1)
        dpi, size = self.dpi and self.dpi[::-1], self.size and self.size[::-1]
        return replace(self, orientation=1, dpi=dpi, size=size)


def read_exif(entries: Image.Exif) -> Exif:
    """Return what is stated in a file's EXIF block; whatever cannot be read counts as not stated."""
    try:
        main, camera = dict(entries), dict(entries.get_ifd(_EXIF_IFD))
    except _FAULTS:
        return Exif()
    stated = main.get(_ORIENTATION)
    maker, model = _text(main.get(_MAKE)), _text(main.get(_MODEL))
    focal_35mm = _positive(camera.get(_FOCAL_35MM))
    lens = (focal_35mm, _positive(camera.get(_FOCAL_LENGTH)), _positive(camera.get(_F_NUMBER)))
    width, height = _positive(camera.get(_WIDTH)), _positive(camera.get(_HEIGHT))
    flash = camera.get(_FLASH)
    return Exif(
        orientation=stated if isinstance(stated, int) and 1 <= stated <= 8 else 1,
        focal_35mm=focal_35mm,
        dpi=_density(main),
        has_lens=any(lens) or bool(maker or _text(camera.get(_LENS_MODEL))),
        camera_name=model if model.startswith(maker) else f"{maker} {model}".strip(),
        digital_zoom=_positive(camera.get(_DIGITAL_ZOOM)) or 1.0,
        size=(int(width), int(height)) if width and height else None,
        flash=bool(flash & 1) if isinstance(flash, int) else None,
    )


def read_exif_block(block: bytes | None) -> Exif:
    """Return what is stated in the bytes of an EXIF block, as image files carry it; None counts as empty."""
    entries = Image.Exif()
    try:
        entries.load(block or b"")
    except _FAULTS:
        return Exif()
    return read_exif(entries)


def _density(main: dict[int, object]) -> tuple[float, float] | None:
    across, down = _positive(main.get(_X_RESOLUTION)), _positive(main.get(_Y_RESOLUTION))
    unit = main.get(_RESOLUTION_UNIT, 2)  # inches unless stated (TIFF 6.0)
    factor = _PER_INCH.get(unit) if isinstance(unit, int) else None
    return (across * factor, down * factor) if across and down and factor else None


def _positive(value: object) -> float | None:
    """Return a stated number above 0 and finite, else None."""
    try:
        number = float(value)  # type: ignore[arg-type]  # whatever a hostile file holds
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def _text(value: object) -> str:
    """Return a stated name as one clean line: printable, without control or escape characters."""
    text = value.decode("latin-1") if isinstance(value, bytes) else value if isinstance(value, str) else ""
    return "".join(c for c in text if c.isprintable()).strip()[:80]
