"""Cut faces: where along the axis the body ends, seen from the side.

A camera above the tray sees a piece near the window's rim from the side: the end that points at it shows its cut
face below the flank, the other end shows the top of its rim. In the plane of the axis the rim of a cut face at
station s, with slope m across and t along the line of sight, projects onto two arcs::

    s + m v ± t q(v),   q(v) = sqrt(R² - v²)

The outer arc ends the outline; the inner one, at an end that points at the camera, is the edge between flank and
face. The arcs' mean is the cut plane: that is what is fitted, to the light along the axis, with the face's own
brightness f between tray (0) and flank (1) free and t held by the known camera.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from traygauge.measure.end_doubts import finish, settle
from traygauge.measure.end_fit import EndFit, begin
from traygauge.measure.end_light import STEP_PX, Apart, EndLight, Rims, read_ends, rims_of, seen_at_ends
from traygauge.measure.end_model import ROUNDING_MM
from traygauge.measure.flanks import Flanks
from traygauge.measure.frame import Frames
from traygauge.measure.lips import Lips, Rows, usual_rows
from traygauge.measure.rim_light import seems_short
from traygauge.measure.signal import Signal
from traygauge.measure.solving import solved
from traygauge.measure.usual_cuts import Usual, usual_cuts
from traygauge_calib.tray_view import TrayView
from traygauge_shared.threads import blocks, in_threads

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Ends:
    """The two ends of n pieces; column 0 lies against the axis's direction, column 1 along it.

    Parameters
    ----------
    out_mm : ndarray (n, 2): arc length from the frame's middle to the cut face's centre, positive outwards.
    slope : ndarray (n, 2): in-plane slope m of the cut (tangent of its angle from square, across the axis).
    view : ndarray (n, 2): fitted slope t, without its sign, of the rim against the line of sight; of squeezed ends that of a
        round one which would look as deep.
    view_expected : ndarray (n, 2): what the camera alone would make of it, signed: negative shows the face.
    face : ndarray (n, 2): the face's brightness between tray (0) and flank (1); 1 where no face is seen.
    residual : ndarray (n, 2): standard deviation of the fit over contrast.
    u_fit_mm : ndarray (n, 2): standard error of `out_mm` from the fit's own covariance.
    rounded : ndarray (n, 2): `view` as first fitted, with what may be a lip taken for a part of the rim.
    lip_mm, u_lip_mm : ndarray (n, 2): how far a lip stands out, 0 where none is seen; and what it adds to the standard
        uncertainty of `out_mm` that there might be one, or none.
    """

    out_mm: FloatArray
    slope: FloatArray
    view: FloatArray
    view_expected: FloatArray
    face: FloatArray
    residual: FloatArray
    u_fit_mm: FloatArray
    rounded: FloatArray
    lip_mm: FloatArray
    u_lip_mm: FloatArray

    @property
    def off_square(self) -> FloatArray:
        """Return the tangent of each cut's angle from square, as far as it shows, ndarray (n, 2)."""
        return np.hypot(self.slope, np.maximum(self.view - np.abs(self.view_expected), 0.0))


def fit_ends(
    signal: Signal, tray: TrayView, flanks: Flanks, apart: Apart, likely: int, counts: float = 1.0
) -> Ends:
    """Return the cut faces of n pieces whose flanks are known.

    Parameters
    ----------
    flanks : as `fit_flanks` returns them; the frames' length needs to be good to about 0.6 mm.
    apart : what in the photo belongs to a tail or to another piece, and is left out.
    likely : so many of the first pieces show what cuts are usual; the others are axes tried besides.
    counts : what each sample of the light counts.
    """
    frames = flanks.frames
    rims = rims_of(tray, frames, flanks.ends_mm)
    scale = float(np.median(tray.px_per_mm(frames.centre_mm, frames.height_mm)[:likely]))
    reach = np.median(rims.inner[: 2 * likely]) + np.median(rims.outer[: 2 * likely])
    m = int(np.ceil(reach * scale / STEP_PX))

    parts = blocks(len(rims.who))

    def begun(some: IntArray) -> tuple[EndLight, EndFit]:
        part = rims.of(some)
        light = read_ends(signal.rows(part.who), tray, part, m, flanks.light.optics, flanks.softer, apart)
        light = seen_at_ends(light, flanks.light.limb)
        light = replace(light, weight=light.weight * np.float32(counts))
        return light, begin(light)

    lights, fits = zip(*in_threads(begun, parts), strict=True)
    dark = np.concatenate([light.dark for light in lights])
    azimuth = np.arctan2(rims.outward[:, 1], rims.outward[:, 0])
    usual = usual_cuts(
        np.concatenate([fit.p for fit in fits], 1),
        np.concatenate([fit.residual for fit in fits]),
        rims.lean,
        azimuth,
        dark,
        2 * likely,
    )
    if flanks.light.flash:
        usual = usual.lit_from_the_camera(rims.lean)
    blur = np.concatenate([light.blur for light in lights])
    own_light = flanks.light.limb.own_light or flanks.light.flash
    usual = usual.as_firm_as_told(float(np.median(blur / rims.radius)), dark, own_light)
    if tray.is_scan:
        usual = usual.seen_straight_on()
    own = [usual.of(some) for some in parts]
    settled = in_threads(settle, lights, fits, own)
    first = Rows.joined([some.rows for some in settled]).of(np.arange(min(2 * likely, len(dark))))
    rows = usual_rows(first, usual.slope_sd, float(np.median(blur)))
    ended, lips = zip(*in_threads(finish, settled, own, [rows] * len(parts)), strict=True)
    lacking = flanks.light.rims.lacking(azimuth)
    return _as_ends(ended, lips, rims, dark, usual, blur, lacking, frames)


def _as_ends(
    fits: Sequence[EndFit],
    lips: Sequence[Lips],
    rims: Rims,
    dark: npt.NDArray[np.bool_],
    usual: Usual,
    blur: FloatArray,
    lacking: FloatArray,
    frames: Frames,
) -> Ends:
    p, flat = np.concatenate([fit.p for fit in fits], 1), rims.flat
    out, slope, view, face = p[:4]
    face, view = np.where(view >= 0, 1.0, face), np.abs(view) * flat
    residual = np.concatenate([fit.residual for fit in fits])
    seen = p[2] < 0
    edges = np.where(seen, 2 * view * rims.radius, 0.0) / blur
    short = seems_short(lacking, np.where(seen, np.clip(usual.face, 0.0, 1.0), 0.0), edges)
    out = out + np.where(dark, 0.0, ROUNDING_MM * short)
    normal = np.concatenate([fit.normal for fit in fits], -1)
    first = np.zeros(normal.shape[1:])
    first[0] = 1.0
    u_fit = np.sqrt(solved(normal, first)[0])
    lip, doubt, whole = (
        np.concatenate([getattr(some, k) for some in lips]) for k in ("height_mm", "doubt_mm", "view")
    )
    rounded = np.abs(whole) * flat
    out = out + frames.length_mm.repeat(2) / 2
    columns = (out, slope, view, rims.lean, face, residual, u_fit, rounded, lip, doubt)
    return Ends(*(x.reshape(len(frames), 2) for x in columns))
