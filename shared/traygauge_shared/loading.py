"""Loading photos safely: whatever the file holds, the answer is a `Photo` or a `PhotoError` that says why not.

Nothing is decoded before the file's head has been read and its size in bytes and pixels found acceptable.
JPEG and PNG with 8 bits a channel go through OpenCV, which costs least; everything else through Pillow or libheif.
Colour profiles are not applied: code values are taken as sRGB. Phones that write a wider gamut use the sRGB tone
curve with it, so that edges stay where they are and only colour names shift a little.
"""

from __future__ import annotations

import hashlib
import io
import os
import stat
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageFile

from traygauge_shared.decoder_messages import decoder_messages
from traygauge_shared.errors import PhotoError
from traygauge_shared.exif import Exif, read_exif, read_exif_block
from traygauge_shared.photo import Photo
from traygauge_shared.threads import beside

Pixels = npt.NDArray[np.uint8]

#: Limits checked before anything is decoded. A flatbed's A4 at 1200 dpi has 139 million pixels, the largest
#: phone pictures 200 million.
MAX_BYTES = 512 * 2**20
MAX_PIXELS = 250_000_000
MAX_SIDE_PX = 32_000
MIN_SIDE_PX = 32  # icons and single pixels: nothing could be told from them
_MAX_PIXELS_PER_BYTE = (
    2000  # real photos have 2 to 20, blank ones up to 200: more would only cost time and memory
)
_MAX_SCANS = 500  # of a progressive JPEG; ordinary ones have about 10, hostile ones thousands

#: How OpenCV is to decode: three channels, not turned.
AS_STORED = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION

_KNOWN = "JPEG, PNG, TIFF, WebP or HEIC"
_AGAIN = "copy the file from the camera once more, or take the photo again"


def load_photo(path: str | os.PathLike[str]) -> Photo:
    """Return the photo in a file, decoded, upright, 8-bit RGB.

    Parameters
    ----------
    path
        JPEG, PNG, TIFF, WebP or HEIC file (told by its content, not its name).

    Returns
    -------
    Photo
        `pixels` has shape (height, width, 3), uint8, RGB, the EXIF orientation applied. 16-bit and grey pictures
        are brought to 8-bit RGB, transparent ones laid over white; of several frames the first is taken.

    Raises
    ------
    PhotoError
        The file is missing, no plain file, empty, too large, no photo, damaged or cut short.
    """
    path = Path(path)
    return decode_photo(_read(path), path.name)


def decode_photo(data: bytes, name: str) -> Photo:
    """Return the photo held in a file's bytes; `name` is the file name to give it (see `load_photo`)."""
    if not data:
        raise PhotoError("the file is empty", found="0 bytes", expected=_KNOWN, advice=_AGAIN)
    if len(data) > MAX_BYTES:
        raise _too_many_bytes(len(data))
    file_format = _format_of(data)
    digest = beside(hashlib.sha256, data)  # decoding keeps one processor core busy
    try:
        with decoder_messages() as messages:
            pixels, exif = _DECODERS[file_format](data)
    except PhotoError:
        raise
    except Exception as fault:  # decoders fail in many ways on damaged files; all of them mean the same
        raise _damaged(file_format, str(fault) or type(fault).__name__) from fault
    if complaint := _serious(messages):
        raise _damaged(file_format, complaint)
    stated = exif.upright()
    return Photo(
        name=clean_name(name),
        sha256=digest.result().hexdigest(),
        pixels=_upright(pixels, exif.orientation),
        file_format=file_format,
        focal_35mm=stated.focal_35mm,
        dpi=stated.dpi,
        has_lens=stated.has_lens,
        camera_name=stated.camera_name,
        digital_zoom=stated.digital_zoom,
        exif_size=stated.size,
        flash=stated.flash,
    )


# --- the file ---------------------------------------------------------------------------------------------------


def _read(path: Path) -> bytes:
    """Return a plain file's bytes; pipes and devices, which might never end, are not opened."""
    try:
        about = path.stat()
        if stat.S_ISDIR(about.st_mode):
            raise PhotoError(
                "this is a folder", found=str(path), expected="a photo", advice="name a photo in it"
            )
        if not stat.S_ISREG(about.st_mode):
            raise PhotoError(
                "this is no plain file",
                found=str(path),
                expected="a photo",
                advice="copy the photo into a folder and name it there",
            )
        if about.st_size > MAX_BYTES:
            raise _too_many_bytes(about.st_size)
        return path.read_bytes()
    except PhotoError:
        raise
    except FileNotFoundError as fault:
        raise PhotoError(
            "there is no such file",
            found=str(path),
            expected="a photo",
            advice="check the name and the folder you are in",
        ) from fault
    except (OSError, ValueError) as fault:  # ValueError: a null character in the name
        reason = getattr(fault, "strerror", None) or str(fault)
        raise PhotoError(
            "the file cannot be read", found=f"{path}: {reason}", advice="check that you may read it"
        ) from fault


def _format_of(data: bytes) -> str:
    head = data[:32]
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WebP"
    if head[4:8] == b"ftyp" and head[8:12] in (b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1"):
        return "HEIC"
    raise PhotoError(
        "this is not a photo of a kind that can be read",
        found=f"a file that begins with {_shown(head[:8])}",
        expected=_KNOWN,
        advice="save the photo as JPEG in its full size; raw camera files must be developed first",
    )


def _shown(data: bytes) -> str:
    """Return bytes as a person can tell them: text as text, else as pairs of hexadecimal digits."""
    text = data.decode("ascii", "replace").strip()
    return f'"{text}"' if text.isprintable() and "\ufffd" not in text else data.hex(" ")


def clean_name(name: str) -> str:
    """Return a name that can be shown and written anywhere: no control characters, valid Unicode."""
    return "".join(c if c.isprintable() else "?" for c in name.encode("utf-8", "replace").decode())


# --- decoding ---------------------------------------------------------------------------------------------------


def _check_size(width: int, height: int, byte_count: int) -> None:
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            "the photo is too small",
            found=f"{width} x {height} pixels",
            expected=f"at least {MIN_SIDE_PX} on a side; a phone's photo has some 4000 x 3000",
            advice="send the photo in its full size",
        )
    if width * height > MAX_PIXELS or max(width, height) > MAX_SIDE_PX:
        raise PhotoError(
            "the photo is too large",
            found=f"{width} x {height} pixels",
            expected=f"at most {MAX_PIXELS // 10**6} million pixels, {MAX_SIDE_PX} on a side",
            advice="scan at a lower resolution (600 dpi are plenty), or scan a smaller area",
        )
    if width * height > _MAX_PIXELS_PER_BYTE * byte_count:
        raise PhotoError(
            "the photo is damaged or cut short",
            found=f"{width} x {height} pixels in {byte_count} bytes, far less than a photo has",
            expected="a whole photo file",
            advice=_AGAIN,
        )


def _decode_jpeg(data: bytes) -> tuple[Pixels, Exif]:
    from PIL.JpegImagePlugin import JpegImageFile

    image, exif = _open(JpegImageFile, data)
    if "progressive" in image.info and data.count(b"\xff\xda") > _MAX_SCANS:
        raise _damaged("JPEG", f"more than {_MAX_SCANS} scans")
    fast = image.mode in ("RGB", "L")
    return _opencv_pixels(image, data) if fast else _pillow_pixels(image), exif


def _decode_png(data: bytes) -> tuple[Pixels, Exif]:
    from PIL.PngImagePlugin import PngImageFile

    image, exif = _open(PngImageFile, data)
    fast = image.mode == "RGB" and image.tile[0].args == "RGB" and not image.has_transparency_data
    return _opencv_pixels(image, data) if fast else _pillow_pixels(image), exif


def _decode_tiff(data: bytes) -> tuple[Pixels, Exif]:
    from PIL.TiffImagePlugin import TiffImageFile

    image, exif = _open(TiffImageFile, data)
    pixels = _pillow_pixels(image)
    return pixels, exif.upright()  # Pillow turns a TIFF itself


def _decode_webp(data: bytes) -> tuple[Pixels, Exif]:
    from PIL.WebPImagePlugin import WebPImageFile

    image, exif = _open(WebPImageFile, data)
    return _pillow_pixels(image), exif


def _decode_heic(data: bytes) -> tuple[Pixels, Exif]:
    from traygauge_shared.heic import decode_heic

    heic = decode_heic(data, MAX_PIXELS)
    _check_size(*heic.size, len(data))
    image = Image.frombytes(heic.mode, heic.size, heic.pixels)
    # libheif turns the picture itself, after boxes of its own that the EXIF entry is a copy of
    return _pillow_pixels(image), read_exif_block(heic.exif).upright()


_DECODERS: dict[str, Callable[[bytes], tuple[Pixels, Exif]]] = {
    "JPEG": _decode_jpeg,
    "PNG": _decode_png,
    "TIFF": _decode_tiff,
    "WebP": _decode_webp,
    "HEIC": _decode_heic,
}


def _open(kind: type[ImageFile.ImageFile], data: bytes) -> tuple[Any, Exif]:
    """Return the image with only its head read, found small enough to decode, and its EXIF."""
    image = kind(io.BytesIO(data))
    _check_size(*image.size, len(data))
    return image, _exif_of(image)


def _opencv_pixels(image: Any, data: bytes) -> Pixels:
    in_place = _jpeg_in_place(image.size, data) if image.format == "JPEG" else None
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), AS_STORED) if in_place is None else in_place
    if pixels is None or pixels.shape[1::-1] != image.size:
        raise ValueError("the picture data end early or cannot be decoded")
    return np.asarray(pixels, np.uint8)


def _jpeg_in_place(size: tuple[int, int], data: bytes) -> Pixels | None:
    """Return the pixels of a JPEG of `size` (width, height); None where that did not work.

    OpenCV fills memory that is handed to it only when it reads a file: here one that is nowhere but in memory. What
    `imdecode` asks the system for comes page by page and is copied afterwards, which takes half as long again.
    """
    if sys.platform != "linux":
        return None
    pixels = np.empty((*size[::-1], 3), np.uint8)
    mark = np.frombuffer(os.urandom(3 * size[0]), np.uint8).reshape(-1, 3)
    pixels[-1] = mark  # rows come from the top: a decoder that gives up, which nothing else tells, leaves it
    try:
        with os.fdopen(os.memfd_create("photo"), "wb") as file:
            file.write(data)
            file.flush()
            cv2.imread(f"/proc/self/fd/{file.fileno()}", pixels, AS_STORED)
    except (OSError, cv2.error):
        return None
    return None if np.array_equal(pixels[-1], mark) else pixels


def _pillow_pixels(image: Any) -> Pixels:
    """Return any Pillow image as 8-bit RGB; transparent ones over white."""
    if image.mode.startswith("I;16"):
        grey = (np.asarray(image) >> 8).astype(np.uint8)
        white_is_zero = getattr(image, "tag_v2", {}).get(262) == 0
        return np.repeat((255 - grey if white_is_zero else grey)[..., None], 3, axis=2)
    if image.mode in ("I", "F"):
        raise PhotoError(
            "the pixels are of a kind that is no photo",
            found="32-bit numbers",
            expected="8 or 16 bits a channel",
            advice="save the photo as JPEG in its full size",
        )
    if image.has_transparency_data:
        image = image.convert("RGBA")
        image = Image.alpha_composite(Image.new("RGBA", image.size, "white"), image)
    return np.array(image if image.mode == "RGB" else image.convert("RGB"))


def _exif_of(image: Any) -> Exif:
    """Return the EXIF of an opened image, with the density tag of the file itself where it has one."""
    is_tiff = image.format == "TIFF"
    exif = read_exif(image.getexif()) if is_tiff else read_exif_block(image.info.get("exif"))
    if image.format == "JPEG" and not image.info.get("jfif_unit"):
        return exif  # the "dpi" Pillow then gives is EXIF's, or a made-up 72
    across, down = image.info.get("dpi", (0, 0))
    return replace(exif, dpi=(float(across), float(down))) if across > 0 and down > 0 else exif


def _upright(pixels: Pixels, orientation: int) -> Pixels:
    """Return the pixels turned and mirrored after the EXIF orientation (1 to 8; TIFF 6.0)."""
    match orientation:
        case 2:
            turned = cv2.flip(pixels, 1)
        case 3:
            turned = cv2.rotate(pixels, cv2.ROTATE_180)
        case 4:
            turned = cv2.flip(pixels, 0)
        case 5:
            turned = cv2.transpose(pixels)
        case 6:
            turned = cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE)
        case 7:
            turned = cv2.rotate(cv2.transpose(pixels), cv2.ROTATE_180)
        case 8:
            turned = cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE)
        case _:
            return pixels
    return np.asarray(turned, np.uint8)


# --- what was wrong ----------------------------------------------------------------------------------------------


def _serious(messages: list[str]) -> str:
    """Return the first complaint that means damaged pixels, or "" (stray bytes between markers are harmless)."""
    marks = ("Corrupt JPEG data", "Premature end", "libpng error")
    return next((m for m in messages if m.startswith(marks) and "extraneous bytes" not in m), "")


def _damaged(file_format: str, complaint: str) -> PhotoError:
    return PhotoError(
        "the photo is damaged or cut short",
        found=f"a {file_format} file whose decoder says: {clean_name(complaint)[:200]}",
        expected="a whole photo file",
        advice=_AGAIN,
    )


def _too_many_bytes(count: int) -> PhotoError:
    return PhotoError(
        "the file is too large",
        found=f"{count / 2**20:.0f} MiB",
        expected=f"at most {MAX_BYTES // 2**20} MiB",
        advice="save the photo as JPEG, or scan at a lower resolution",
    )
