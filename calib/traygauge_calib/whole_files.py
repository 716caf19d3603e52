"""Small files written beside their place and renamed when whole, so that nothing half written is ever left."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from traygauge_shared.errors import RecordError


def write_whole(path: str | os.PathLike[str], data: bytes) -> Path:
    """Write a file whole or not at all, making its folder where needed, and return its path.

    Raises
    ------
    RecordError
        The file cannot be written; what stood there before is untouched.
    """
    place = Path(path)
    part = place.with_name(f".{secrets.token_hex(8)}.part")
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        try:
            with open(part, "xb") as out:
                out.write(data)
                out.flush()
                os.fsync(out.fileno())
            os.replace(part, place)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise RecordError(
            f"{place.name} cannot be written",
            found=f"{place.parent}: {error.strerror or error}",
            expected="a folder that can be written to, with room on its disk",
            advice="choose another folder, or free some space",
        ) from error
    return place
