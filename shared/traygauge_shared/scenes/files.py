"""Writing a drawn photo with its truth, in the layout of the test photos."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from traygauge_shared.saving import write_together
from traygauge_shared.scenes.camera import FULL_FRAME_DIAGONAL_MM, PhoneCamera
from traygauge_shared.scenes.draw import Drawn
from traygauge_shared.scenes.truth import COLUMNS


def photo_bytes(drawn: Drawn) -> bytes:
    """Return the photo file as bytes: JPEG with a camera's EXIF, or PNG; a scan carries its density tag."""
    from PIL import Image

    camera, sensor = drawn.camera, drawn.scene.sensor
    picture, out = Image.fromarray(drawn.pixels), io.BytesIO()
    if sensor.file_format == "png":
        dpi = {} if isinstance(camera, PhoneCamera) else {"dpi": (camera.dpi, camera.dpi)}
        picture.save(out, "PNG", compress_level=2, **dpi)
        return out.getvalue()
    tags: dict[str, Any] = {}
    if isinstance(camera, PhoneCamera):
        tags["exif"] = _exif(picture, camera)
    else:
        tags["dpi"] = (camera.dpi, camera.dpi)
    picture.save(out, "JPEG", quality=sensor.quality, subsampling=sensor.subsampling, **tags)
    return out.getvalue()


def _exif(picture: Any, camera: PhoneCamera) -> bytes:
    """Return the tags a phone writes: orientation, 35-mm focal length (a whole number), size."""
    exif = picture.getexif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Drawn", "Drawn camera", camera.orientation
    shot = exif.get_ifd(0x8769)
    shot[0xA405] = round(camera.focal_35mm)
    shot[0x920A] = round(camera.focal_35mm / FULL_FRAME_DIAGONAL_MM * 10.0, 2)
    shot[0xA002], shot[0xA003] = picture.size
    return bytes(exif.tobytes())


def truth_csv(drawn: Drawn) -> str:
    """Return the truth table as CSV text."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for row in drawn.truth:
        writer.writerow({k: f"{v:.4f}" if isinstance(v, float) else v for k, v in row.items()})
    return out.getvalue()


def scene_facts(drawn: Drawn, name: str, image: str) -> dict[str, Any]:
    """Return what scene.json holds: exact camera, orientation, sheet, counts."""
    sheet, truth = drawn.scene.sheet, drawn.truth
    kinds = [row["kind"] for row in truth]
    board = sheet.board
    return {
        "name": name,
        "image": image,
        "seed": drawn.scene.seed,
        "note": drawn.scene.note,
        "camera": drawn.camera.facts(),
        "exif_orientation": drawn.camera.orientation,
        "labels": "16-bit piece ids in the stored pixel array (before the EXIF orientation is applied)",
        "sheet": None
        if board is None or drawn.camera.flat
        else {"window_mm": list(board.window_mm), "squares": list(board.squares), "first_id": board.first_id},
        "kinds": {kind: kinds.count(kind) for kind in sorted(set(kinds))},
        "touching": sum(row["touching"] for row in truth),
        "overlapped": sum(row["overlapped"] for row in truth),
        "upright": sum(row["upright"] for row in truth),
    }


def write_drawn(drawn: Drawn, folder: Path | str, name: str, *, images: bool = True) -> Path:
    """Write NAME.jpg (or .png), NAME.truth.csv, NAME.scene.json and, with `images`, NAME.labels.png and .parts.png.

    Returns
    -------
    Path of the photo.
    """
    folder = Path(folder)
    photo = folder / f"{name}.{'png' if drawn.scene.sensor.file_format == 'png' else 'jpg'}"
    files = {
        photo: photo_bytes(drawn),
        folder / f"{name}.truth.csv": truth_csv(drawn).encode(),
        folder / f"{name}.scene.json": json.dumps(scene_facts(drawn, name, photo.name), indent=1).encode(),
    }
    if images:
        files[folder / f"{name}.labels.png"] = _png(drawn.labels.astype(np.uint16))
        files[folder / f"{name}.parts.png"] = _png(drawn.parts)
    write_together(files)
    return photo


def _png(pixels: npt.NDArray[Any]) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return out.getvalue()
