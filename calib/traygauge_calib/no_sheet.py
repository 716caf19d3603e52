"""Why a photo gives no scale: each reason a sentence, what was found, what is expected, what to do."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.sheets import Sheet
from traygauge_shared.errors import SheetError

_WHOLE_RING = "the whole ring of markers around the window in view"


@dataclass(frozen=True)
class NoSheet:
    """Why there is no scale in a photo; falsy."""

    wrong: str
    found: str
    expected: str
    advice: str

    def __bool__(self) -> bool:
        """Return False: there is no sheet."""
        return False

    def error(self) -> SheetError:
        """Return the reason as an error to raise."""
        return SheetError(self.wrong, found=self.found, expected=self.expected, advice=self.advice)


def nothing_seen(grey: npt.NDArray[np.uint8], known: int, foreign: int) -> NoSheet:
    """Return why no sheet's markers were seen, after a look at the picture as a whole."""
    if foreign >= 6 and foreign > known:
        return NoSheet(
            "the markers in the photo are not those of a traygauge sheet",
            f"{foreign} markers of another board",
            _WHOLE_RING,
            "print a sheet with traygauge sheet and lay the pieces in its window",
        )
    state = _state_of(grey)
    if state:
        return NoSheet(
            f"no sheet was found: the photo is {state}",
            f"{known} markers",
            _WHOLE_RING + ", sharp and evenly lit",
            "use more light without flash, hold the phone still, tap the tray to focus, and take it again",
        )
    if known:
        return NoSheet(
            "too little of the sheet is in the photo",
            f"{known} of its markers",
            _WHOLE_RING,
            "take the whole sheet into the picture, large enough that its markers can be read, and keep pieces and "
            "fingers off its ring",
        )
    return NoSheet(
        "no sheet was found in the photo",
        "no markers",
        _WHOLE_RING,
        "print the sheet (traygauge sheet), lay the pieces in its window and take the whole ring into the picture; "
        "for a copy stand or a scan state the scale instead",
    )


def mirrored(count: int) -> NoSheet:
    """Return that the picture is a mirror image."""
    return NoSheet(
        "the picture is mirrored",
        f"{count} markers as in a mirror",
        "the sheet as it is printed",
        "do not use the selfie camera or a mirror, do not photograph or scan the sheet through its back, and switch "
        "off mirroring",
    )


def two_sheets(found: str) -> NoSheet:
    """Return that there is more than one sheet."""
    return NoSheet(
        "there is more than one sheet in the photo",
        found,
        "one sheet",
        "take away or cover the other sheet, or photograph them one by one",
    )


def window_not_plain(sheet: Sheet, count: int) -> NoSheet:
    """Return that the board was printed without blanking its inside."""
    return NoSheet(
        f"the window of the {sheet.name} sheet is not plain",
        f"{count} markers inside it",
        "a plain window inside the ring",
        "print the sheet with traygauge sheet, or lay a plain matt card in the window",
    )


def not_as_printed(sheet: Sheet, count: int, fitting: int) -> NoSheet:
    """Return that the markers do not lie as on one flat sheet."""
    return NoSheet(
        f"the markers do not lie as on the {sheet.name} sheet",
        f"{fitting} of {count} markers where they should be",
        "one flat sheet, printed by traygauge sheet",
        "tape the sheet flat to glass or board; take a second sheet or board with the same markers away",
    )


def out_of_view(sheet: Sheet, share: float) -> NoSheet:
    """Return that part of the window is not in the picture."""
    return NoSheet(
        f"part of the {sheet.name} sheet's window is outside the picture",
        f"{100 * share:.0f} % of its outline outside",
        _WHOLE_RING,
        "go farther away, or move the phone over the middle of the tray",
    )


def beside_a_scale(seen: dict[str, int]) -> NoSheet:
    """Return that a sheet is in view while a scale is stated: it would be counted as pieces."""
    return NoSheet(
        "a sheet lies in the photo, and a scale is stated as well",
        " and ".join(f"{count} markers of the {name} sheet" for name, count in seen.items()),
        "one of the two",
        "inspect it without the stated scale or reference (in traygauge.toml too): the sheet shows the scale, where "
        "the tray is and how the camera stood; or take the sheet away",
    )


def negative(seen: dict[str, int]) -> NoSheet:
    """Return that a sheet is in view whose black and white are exchanged."""
    return NoSheet(
        "the picture is a negative",
        " and ".join(f"{count} markers of the {name} sheet" for name, count in seen.items())
        + ", black and white exchanged",
        "the photo as the camera took it",
        "send the original file, and inspect it without a stated scale",
    )


def few_corners(grey: npt.NDArray[np.uint8], sheet: Sheet, count: int, px_per_mm: float) -> NoSheet:
    """Return that the ring's corners cannot be read."""
    state = _state_of(grey)
    return NoSheet(
        f"the ring of the {sheet.name} sheet cannot be read" + (f": the photo is {state}" if state else ""),
        f"{count} clear corners at {px_per_mm:.1f} px per mm",
        "16 clear corners or more, at 4 px per mm or more",
        "use enough light, go nearer, hold the phone still, tap the tray to focus, and keep the ring free",
    )


def one_sided(sheet: Sheet, share: float) -> NoSheet:
    """Return that only one side of the ring can be read."""
    return NoSheet(
        f"only a part of the {sheet.name} sheet's ring can be read",
        f"corners that span {100 * share:.0f} % of the board",
        "corners on at least three sides of the ring",
        "keep pieces, fingers and shadows off the ring and take all of it into the picture",
    )


def _state_of(grey: npt.NDArray[np.uint8]) -> str:
    """Return "nearly black", "overexposed", "blurred" or ""."""
    shrink = min(1.0, 1000 / max(grey.shape))
    shape = (max(1, round(shrink * grey.shape[1])), max(1, round(shrink * grey.shape[0])))
    small = cv2.resize(grey, shape, interpolation=cv2.INTER_AREA)
    low, high = np.percentile(small, [2, 98])
    if high < 40:
        return "nearly black"
    if low > 235:
        return "overexposed"
    steps = np.abs(np.diff(small.astype(np.int16), axis=1))
    if high - low > 40 and np.percentile(steps, 99.9) < 0.3 * (high - low):
        return "blurred"
    return ""
