"""Photos of every kind come out upright in 8-bit RGB; everything else is refused with an answer."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from traygauge_shared import loading
from traygauge_shared.errors import PhotoError
from traygauge_shared.loading import decode_photo, load_photo
from traygauge_shared.scenes import jpeg_bytes, write_jpeg

#: What each orientation of EXIF (TIFF 6.0, tag 274) does to the stored rows and columns, in NumPy's words.
TURNS = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.swapaxes(0, 1),
    6: lambda a: np.rot90(a, -1),
    7: lambda a: a[::-1, ::-1].swapaxes(0, 1),
    8: lambda a: np.rot90(a, 1),
}


def scene() -> np.ndarray:
    """Return 48 x 64 pixels: a red, green, blue and white quarter in reading order, nothing symmetrical."""
    a = np.full((48, 64, 3), 255, np.uint8)
    a[:24, :32], a[:24, 32:], a[24:, :32] = (200, 30, 30), (30, 180, 30), (30, 30, 200)
    return a


def exif(orientation: int = 1, **camera: Any) -> Image.Exif:
    entries = Image.Exif()
    entries[0x0112] = orientation
    entries.get_ifd(0x8769).update(camera.pop("ifd", {}))
    return entries


def encoded(pixels: np.ndarray, kind: str, **options: Any) -> bytes:
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, kind, **options)
    return out.getvalue()


LOSSLESS: dict[str, dict[str, Any]] = {"PNG": {}, "TIFF": {}, "WEBP": {"lossless": True}}


@pytest.mark.parametrize("kind", LOSSLESS)
@pytest.mark.parametrize("orientation", TURNS)
def test_pixels_are_turned_after_the_exif_orientation(kind: str, orientation: int) -> None:
    data = encoded(scene(), kind, exif=exif(orientation), **LOSSLESS[kind])
    assert (decode_photo(data, "a").pixels == TURNS[orientation](scene())).all()


@pytest.mark.parametrize("orientation", TURNS)
def test_a_jpeg_is_turned_like_opencv_turns_it_and_its_facts_with_it(
    tmp_path: Path, orientation: int
) -> None:
    path = write_jpeg(
        tmp_path / "p.jpg", scene(), focal_35mm=51.6, orientation=orientation, dpi=(300, 200), maker="M", model="X"
    )  # fmt: skip
    photo = load_photo(path)
    assert (photo.pixels == cv2.imread(str(path), cv2.IMREAD_COLOR_RGB)).all()
    assert np.abs(photo.pixels.astype(int) - TURNS[orientation](scene()))[4:20, 4:20].max() < 12
    turned = orientation >= 5
    assert photo.dpi == ((200, 300) if turned else (300, 200))
    assert photo.exif_size == (photo.width, photo.height) == ((48, 64) if turned else (64, 48))
    assert (photo.focal_35mm, photo.camera_name, photo.has_lens) == (52, "M X", True)
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_heic_photo_is_turned_once() -> None:
    # Made with libheif's x265 encoder (pillow-heif 1.8.1) from scene(), EXIF orientation 6
    photo = load_photo(Path(__file__).parent / "turned.heic")
    assert (photo.file_format, photo.focal_35mm, photo.digital_zoom) == ("HEIC", 26, 2)
    assert photo.exif_size == (photo.width, photo.height) == (48, 64)
    assert np.abs(photo.pixels.astype(int) - np.rot90(scene(), -1))[4:20, 4:20].max() < 12


GREY16 = (np.arange(48 * 64).reshape(48, 64) * 21).astype(np.uint16)


@pytest.mark.parametrize("extension", [".png", ".tiff"])
@pytest.mark.parametrize("channels", [1, 3])
def test_sixteen_bits_keep_their_upper_eight(extension: str, channels: int) -> None:
    stored = GREY16 if channels == 1 else np.dstack([GREY16, GREY16[::-1], GREY16 // 2])
    data = cv2.imencode(extension, stored)[1].tobytes()  # OpenCV stores blue first
    upper = (np.dstack([GREY16] * 3) if channels == 1 else stored[..., ::-1]) >> 8
    assert (decode_photo(data, "a").pixels == upper).all()


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_grey_becomes_three_equal_channels(kind: str) -> None:
    photo = decode_photo(encoded(scene()[..., 0], kind), "a")
    assert photo.pixels.shape == (48, 64, 3)
    assert (photo.pixels == photo.pixels[..., :1]).all()
    assert abs(int(photo.pixels[10, 10, 0]) - 200) < 4


@pytest.mark.parametrize("kind", LOSSLESS)
def test_transparent_pixels_lie_over_white(kind: str) -> None:
    alpha = np.full((48, 64), 255, np.uint8)
    alpha[:24, :32], alpha[24:, :32] = 0, 51
    photo = decode_photo(encoded(np.dstack([scene(), alpha]), kind, **LOSSLESS[kind]), "a")
    assert photo.pixels[10, 10].tolist() == [255, 255, 255]
    assert photo.pixels[10, 40].tolist() == [30, 180, 30]
    assert photo.pixels[40, 10] == pytest.approx([210, 210, 244], abs=1)  # a fifth of 30, 30, 200


def test_a_palette_is_looked_up_and_its_transparent_entry_is_white() -> None:
    image = Image.fromarray(scene()).quantize(8)
    out = io.BytesIO()
    image.save(out, "PNG", transparency=image.getpixel((5, 5)))
    photo = decode_photo(out.getvalue(), "a")
    assert photo.pixels[10, 10].tolist() == [255, 255, 255]
    assert photo.pixels[10, 40] == pytest.approx([30, 180, 30], abs=2)


def test_cmyk_jpegs_are_read() -> None:
    out = io.BytesIO()
    Image.fromarray(scene()).convert("CMYK").save(out, "JPEG", quality=95)
    assert np.abs(decode_photo(out.getvalue(), "a").pixels.astype(int) - scene())[5:20, 5:20].max() < 12


def test_opencv_and_pillow_decode_alike() -> None:
    data = jpeg_bytes(np.random.default_rng(3).integers(0, 255, (64, 96, 3)).astype(np.uint8))
    difference = decode_photo(data, "a").pixels.astype(int) - np.asarray(Image.open(io.BytesIO(data)))
    assert np.abs(difference).max() <= 1


# --- facts ------------------------------------------------------------------------------------------------------


def test_a_scanner_has_a_density_and_no_lens() -> None:
    photo = decode_photo(encoded(scene(), "PNG", dpi=(600, 600)), "a")
    assert photo.dpi == pytest.approx((600, 600), abs=0.01)  # PNG stores dots per metre, whole numbers
    assert not photo.has_lens


def test_no_density_is_made_up() -> None:
    assert decode_photo(jpeg_bytes(scene()), "a").dpi is None


@pytest.mark.parametrize(
    ("ifd", "lens", "focal"),
    [
        ({0xA405: 50}, True, 50),
        ({0xA405: 0}, False, None),  # EXIF: 0 means unknown
        ({0xA405: float("nan")}, False, None),
        ({0x829D: 1.8}, True, None),
        ({0x920A: 5.6}, True, None),
        ({0xA434: "wide"}, True, None),
        ({}, False, None),
    ],
)
def test_what_counts_as_a_lens(ifd: dict[int, Any], lens: bool, focal: float | None) -> None:
    photo = decode_photo(jpeg_bytes(scene(), exif=exif(ifd=ifd).tobytes()), "a")
    assert (photo.has_lens, photo.focal_35mm) == (lens, focal)


@pytest.mark.parametrize(
    ("stated", "fired"),
    # Exif 2.32, table of Flash (tag 37385): 1 fired, 0x19 fired in automatic mode, 0x10 and 0x18 did not
    [(0, False), (1, True), (0x19, True), (0x10, False), (0x18, False), ("on", None), (None, None)],
)
def test_whether_the_flash_fired_is_told_by_the_lowest_bit(stated: Any, fired: bool | None) -> None:
    ifd = {} if stated is None else {0x9209: stated}
    assert decode_photo(jpeg_bytes(scene(), exif=exif(ifd=ifd).tobytes()), "a").flash is fired


@pytest.mark.parametrize("orientation", [0, 9, 77])
def test_an_unknown_orientation_counts_as_none(orientation: int) -> None:
    data = encoded(scene(), "PNG", exif=exif(orientation))
    assert (decode_photo(data, "a").pixels == scene()).all()


def test_damaged_exif_does_not_cost_the_photo() -> None:
    whole = exif(6, ifd={0xA405: 50}).tobytes()
    for cut in range(6, len(whole)):
        assert decode_photo(jpeg_bytes(scene(), exif=whole[:cut]), "a").file_format == "JPEG"


def test_names_and_makers_cannot_carry_control_characters(tmp_path: Path) -> None:
    photo = load_photo(write_jpeg(tmp_path / "a\x1b[2J.jpg", scene(), maker="Ma\x1b[31mker\n"))
    assert (photo.name, photo.camera_name) == ("a?[2J.jpg", "Ma[31mker")


# --- refusals ---------------------------------------------------------------------------------------------------


def refusal(data: bytes) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        decode_photo(data, "a")
    return caught.value


def png_head(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [(0, 0), (1, 1), (1, 5000), (31, 400)])
def test_tiny_pictures_are_refused(size: tuple[int, int]) -> None:
    assert refusal(png_head(*size)).found  # 0 x 0: Pillow refuses it


@pytest.mark.parametrize("size", [(50_000, 50_000), (40_000, 40), (20_000, 20_000)])
def test_huge_dimensions_are_refused_before_decoding(size: tuple[int, int]) -> None:
    error = refusal(png_head(*size))
    assert error.found == f"{size[0]} x {size[1]} pixels"
    assert "million pixels" in error.expected


def test_too_many_bytes_are_refused_without_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "big.jpg"
    with path.open("wb") as file:
        file.truncate(loading.MAX_BYTES + 1)  # sparse: takes no disk space
    monkeypatch.setattr(Path, "read_bytes", lambda _: pytest.fail("was read"))
    with pytest.raises(PhotoError, match="512 MiB"):
        load_photo(path)


def test_a_jpeg_of_thousands_of_scans_is_refused() -> None:
    data = encoded(scene(), "JPEG", progressive=True)
    assert decode_photo(data, "a").width == 64
    end = data.rindex(b"\xff\xd9")
    start = data.rindex(b"\xff\xda")
    assert "scans" in refusal(data[:end] + data[start:end] * 600 + data[end:]).found


def test_an_empty_file_says_so() -> None:
    assert refusal(b"").found == "0 bytes"


def test_a_few_bytes_that_claim_many_pixels_are_refused_before_decoding() -> None:
    assert "far less than a photo has" in refusal(png_head(4000, 3000)).found


def test_a_heic_file_that_crashes_its_decoder_is_refused() -> None:
    data = bytearray(photo_files()["HEIC"])
    data[data.index(b"Exif") + 3] = 0xEE  # an item type that is no text: segmentation fault in pi-heif 1.4
    assert refusal(bytes(data)).found


@pytest.mark.parametrize(
    "data", [b"hello", b"GIF89a" + bytes(40), b"%PDF-1.7", bytes(100), b"BM" + bytes(60)]
)
def test_what_is_no_photo_is_refused_with_the_kinds_that_are(data: bytes) -> None:
    assert "HEIC" in refusal(data).expected


def test_numbers_of_32_bits_are_no_photo() -> None:
    assert "32-bit" in refusal(encoded(np.zeros((40, 40), np.float32), "TIFF")).found


def test_missing_files_folders_pipes_and_odd_names_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="no such file"):
        load_photo(tmp_path / "none.jpg")
    with pytest.raises(PhotoError, match="folder"):
        load_photo(tmp_path)
    with pytest.raises(PhotoError, match="cannot be read"):
        load_photo("a\0b.jpg")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(PhotoError, match="plain file"):
            load_photo(tmp_path / "pipe")


def photo_files() -> dict[str, bytes]:
    noise = np.random.default_rng(5).integers(0, 255, (96, 128, 3)).astype(np.uint8)
    return {
        "JPEG": jpeg_bytes(noise, exif=exif(6, ifd={0xA405: 26}).tobytes()),
        "progressive JPEG": encoded(noise, "JPEG", progressive=True),
        "PNG": encoded(noise, "PNG", exif=exif(6), dpi=(300, 300)),
        "TIFF": encoded(noise, "TIFF", compression="tiff_lzw"),
        "WebP": encoded(noise, "WEBP", exif=exif(6)),
        "HEIC": (Path(__file__).parent / "turned.heic").read_bytes(),
    }


@pytest.mark.parametrize("kind", photo_files())
def test_files_cut_short_are_refused_in_silence(kind: str, capfd: pytest.CaptureFixture[str]) -> None:
    data = photo_files()[kind]
    for share in (0.02, 0.1, 0.5, 0.9, 0.97):
        assert refusal(data[: int(share * len(data))]).advice
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("kind", photo_files())
def test_damaged_files_give_a_photo_or_a_refusal_and_print_nothing(
    kind: str, capfd: pytest.CaptureFixture[str]
) -> None:
    data, rng = np.frombuffer(photo_files()[kind], np.uint8), np.random.default_rng(11)
    refused, trials = 0, 8 if kind == "HEIC" else 150  # each HEIC file costs a process
    for trial in range(trials):
        damaged = data.copy()
        # half of the trials near the start, where sizes, tables and offsets stand
        where = rng.integers(0, 300 if trial % 2 else len(data), 1 + trial % 9)
        damaged[where % len(data)] ^= rng.integers(1, 256, len(where)).astype(np.uint8)
        try:
            decode_photo(damaged.tobytes(), "a")
        except PhotoError as error:
            refused += len(error.lines()) >= 3
    assert refused > trials / 8
    assert capfd.readouterr() == ("", "")


def test_memory_handed_to_the_decoder_gets_what_it_would_have_asked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of a damaged file too: a picture that is given must be the picture, not what the memory held before."""
    data, rng = np.frombuffer(photo_files()["JPEG"], np.uint8), np.random.default_rng(12)
    given: dict[str, list[bytes]] = {"file in memory": [], "none": []}
    for way, found in given.items():
        if way == "none":
            monkeypatch.setattr(loading, "_jpeg_in_place", lambda size, data: None)
        rng = np.random.default_rng(12)
        for trial in range(100):
            damaged = data.copy()
            damaged[rng.integers(0, 700 if trial % 2 else len(data), 1)] ^= np.uint8(1 << trial % 8)
            try:
                found.append(
                    decode_photo(damaged.tobytes() if trial else data.tobytes(), "a").pixels.tobytes()
                )
            except PhotoError:
                found.append(b"")
    one, other = given.values()
    assert one[0]
    assert one[0] == other[0]
    both = [a == b for a, b in zip(one, other, strict=True) if a and b]
    assert len(both) > 10
    assert all(both)
    assert all(b for a, b in zip(one, other, strict=True) if a)  # nothing is given that was refused


def test_a_damaged_jpeg_is_refused_by_a_program_without_a_console_too() -> None:
    code = (
        "import os, sys; from traygauge_shared.errors import PhotoError;"
        "from traygauge_shared.loading import decode_photo; data = sys.stdin.buffer.read(); os.close(2)\n"
        "try: decode_photo(data, 'a')\n"
        "except PhotoError as error: print(error.found)"
    )
    data = bytearray(photo_files()["JPEG"])
    del data[len(data) // 2 : len(data) // 2 + 400]  # libjpeg fills up with grey and says so
    ran = subprocess.run([sys.executable, "-c", code], input=bytes(data), capture_output=True, check=True)
    assert b"Corrupt JPEG data" in ran.stdout


def test_a_progress_bar_drawn_while_a_photo_is_decoded_is_passed_on(
    capfd: pytest.CaptureFixture[str],
) -> None:
    from traygauge_shared.decoder_messages import decoder_messages

    with decoder_messages() as messages:
        os.write(2, b"libpng error: bad\n\x1b[1A3 of 4\n")
    assert messages == ["libpng error: bad"]
    assert capfd.readouterr().err == "\x1b[1A3 of 4\n"


def test_heic_support_is_imported_for_heic_only() -> None:
    code = (
        "import sys; from traygauge_shared.scenes import jpeg_bytes; import numpy as np;"
        "from traygauge_shared.loading import decode_photo; decode_photo(jpeg_bytes(np.zeros((40, 40, 3), 'u1')), 'a');"
        "print('pi_heif' in sys.modules)"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout == "False\n"


def test_a_jpeg_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "p.jpg"
    path.write_bytes(b"old")
    with pytest.raises((TypeError, ValueError)):
        write_jpeg(path, np.zeros((4, 4, 7), np.uint8))
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["p.jpg"]
