"""Prints of a sheet: what was measured on the paper, kept in a small file of the user's."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PrintRecord:
    """One print, as measured with a ruler or calliper.

    Parameters
    ----------
    name : written on the paper.
    sheet : "small", "medium" or "large".
    across_mm, down_mm : lengths of its check bars, mm.
    plane_offset_mm : height of the pieces' plane over the ring's paper, mm (card thickness; negative for a tray
        seen through a cut-out).
    glued : whether the paper is glued down flat, so that it cannot sag inside the ring.
    u_bar_mm : standard uncertainty of a bar's length, mm (a ruler read to half a millimetre: 0.15).
    u_plane_offset_mm : standard uncertainty of the plane's height, mm.
    """

    name: str
    sheet: str
    across_mm: float
    down_mm: float
    plane_offset_mm: float = 0.0
    glued: bool = False
    u_bar_mm: float = 0.15
    u_plane_offset_mm: float = 0.1

    def stretch(self, bar_mm: float) -> tuple[float, float]:
        """Return (across, down): true over nominal length."""
        return self.across_mm / bar_mm, self.down_mm / bar_mm
