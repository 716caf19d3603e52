"""HEIC files, decoded in a process of their own.

A damaged file can crash libheif's binding (seen with pi-heif 1.4: an item type that is no text), and no exception
can be caught then. So this file is also the program the child process runs, on the standard library and pi-heif.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
from dataclasses import dataclass

_SECONDS = 120  # a 50-megapixel photo takes about 2


@dataclass(frozen=True)
class HeicImage:
    """A decoded HEIC file: Pillow mode, (width, height), rows of pixels and the bytes of its EXIF block.

    `pixels` is empty where the size is beyond the limit that was given.
    """

    mode: str
    size: tuple[int, int]
    pixels: bytes
    exif: bytes


def decode_heic(data: bytes, max_pixels: int) -> HeicImage:
    """Return a HEIC file's primary image, turned as the file says. ValueError when it cannot be decoded."""
    # -P: the folder of this file, whose modules have common names, stays off the child's search path
    command = [sys.executable, "-P", "-W", "ignore", __file__, str(max_pixels)]
    try:
        child = subprocess.run(command, input=data, capture_output=True, timeout=_SECONDS, check=False)
    except subprocess.TimeoutExpired as fault:
        raise ValueError(f"decoding took more than {_SECONDS} seconds") from fault
    if child.returncode:
        complaint = child.stderr.decode("utf-8", "replace").strip().splitlines()
        raise ValueError(complaint[-1] if complaint and child.returncode == 1 else "the decoder crashed")
    head, _, pixels = child.stdout.partition(b"\n")
    facts = json.loads(head)
    return HeicImage(facts["mode"], tuple(facts["size"]), pixels, bytes.fromhex(facts["exif"]))


def _main() -> None:
    from pi_heif import open_heif

    image = open_heif(io.BytesIO(sys.stdin.buffer.read()), convert_hdr_to_8bit=True)
    facts = {"mode": image.mode, "size": image.size, "exif": (image.info.get("exif") or b"").hex()}
    sys.stdout.buffer.write(json.dumps(facts).encode() + b"\n")
    if image.size[0] * image.size[1] <= int(sys.argv[1]):
        sys.stdout.buffer.write(image.to_pillow().tobytes())


if __name__ == "__main__":
    _main()
