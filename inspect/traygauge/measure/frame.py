"""Where each piece lies: the frame in which its body is measured."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Frames:
    """A bent axis for each of n pieces, in sheet mm, in the plane at half the piece's height.

    Parameters
    ----------
    centre_mm : ndarray (n, 2): middle of the centreline.
    axis : ndarray (n,): direction of the axis there, radians from x towards y.
    bend : ndarray (n,): curvature of the centreline, 1/mm, positive where it turns from x towards y (towards `across`).
    length_mm, diameter_mm : ndarray (n,): as far as known; the axis lies diameter / 2 above the tray.
    """

    centre_mm: FloatArray
    axis: FloatArray
    bend: FloatArray
    length_mm: FloatArray
    diameter_mm: FloatArray

    def __len__(self) -> int:
        return len(self.axis)

    def rows(self, index: npt.NDArray[np.intp]) -> Frames:
        """Return the frames of an index, in that order."""
        return Frames(*(getattr(self, f.name)[index] for f in fields(self)))

    @classmethod
    def joined(cls, many: list[Frames]) -> Frames:
        """Return the frames of several, one after the other."""
        return cls(*(np.concatenate([getattr(some, f.name) for some in many]) for f in fields(cls)))

    def put(self, index: npt.NDArray[np.intp], other: Frames) -> Frames:
        """Return the frames with others in the place of those of an index."""
        columns = [getattr(self, f.name).copy() for f in fields(self)]
        for column, f in zip(columns, fields(self), strict=True):
            column[index] = getattr(other, f.name)
        return Frames(*columns)

    @property
    def height_mm(self) -> FloatArray:
        """Return the height of the axis above the tray, ndarray (n,)."""
        return self.diameter_mm / 2

    def along(self, s_mm: FloatArray | float = 0.0) -> FloatArray:
        """Return the axis's unit direction at arc length s from the middle, ndarray (n, ..., 2)."""
        s = np.asarray(s_mm, float)
        grown = (slice(None),) + (None,) * max(s.ndim - 1, 0)
        angle = self.axis[grown] + self.bend[grown] * s
        return np.stack([np.cos(angle), np.sin(angle)], -1)

    def across(self, s_mm: FloatArray | float = 0.0) -> FloatArray:
        """Return the unit direction a quarter turn on from `along` (x towards y), ndarray (n, ..., 2)."""
        e = self.along(s_mm)
        return np.stack([-e[..., 1], e[..., 0]], -1)

    def point(self, s_mm: FloatArray) -> FloatArray:
        """Return the centreline's point at arc length s, ndarray (n, k) -> (n, k, 2), mm (to fourth order in bend)."""
        s = np.asarray(s_mm, float)
        (cx, cy), (ex, ey) = self.centre_mm.T[..., None], self.along().T[..., None]
        turn = self.bend[:, None] * s
        square = turn * turn
        x = s * (1 - square / 6 * (1 - square / 20))
        y = turn * s / 2 * (1 - square / 12)
        # coordinates apart: arrays with a last axis of two are reckoned with several times slower
        return np.stack([cx + x * ex - y * ey, cy + x * ey + y * ex], -1)

    def lean(self, tray: TrayView, points_mm: FloatArray, s_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the sideways view at points (n, k, 2) of arc length s (n, k), mm per mm: along and across the axis."""
        slope = tray.lean(points_mm, np.broadcast_to(self.height_mm[:, None], points_mm.shape[:-1]))
        return (slope * self.along(s_mm)).sum(-1), (slope * self.across(s_mm)).sum(-1)


#: A batch is of one strand where its diameters spread by less than this share of the usual one.
ONE_STRAND = 0.06


def usual_diameter(diameter_mm: FloatArray) -> tuple[float, float]:
    """Return the batch's usual diameter and its robust spread, mm: middle and width of the densest half of all.

    Flakes and pieces seen along the wrong axis are of all widths, strand pieces of one.
    """
    d = np.sort(diameter_mm[np.isfinite(diameter_mm)])
    if len(d) < 3:
        return (float(np.median(d)) if len(d) else float("nan")), float("nan")
    k = max(2, len(d) // 2)
    start = int(np.argmin(d[k - 1 :] / d[: len(d) - k + 1]))
    half = d[start : start + k]
    return float(np.median(half)), float(max((half[-1] - half[0]) / 1.35, 0.01 * np.median(half)))
