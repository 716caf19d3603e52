"""Standard uncertainty of cut length and diameter, part by part (JCGM 100:2008).

Parts whose names start with "shared " belong to what all pieces of a photo share: they do not shrink with their
number. All parts are added in squares.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from traygauge.measure.body import Bodies
from traygauge.measure.channel import LUMA, softness
from traygauge.measure.ends import Ends
from traygauge.measure.frame import ONE_STRAND, usual_diameter
from traygauge.measure.signal import Signal
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]

#: Misfit of an end, in shares of contrast, at which the fit's own covariance is taken as it is; it grows in proportion.
_USUAL_MISFIT = 0.062
#: What edges' systematic parts do to length and diameter, px: shading and tone curve of the photo as a whole, and of single
#: sides; first of bright pieces read in their own light, then of dark ones and of colour (lengths in drawn and rendered photos
#: are up to 0.2 px short, and 0.3 px long).
_EDGE_SHARED_PX, _EDGE_OWN_PX = np.array([[0.105, 0.15], [0.165, 0.24]]), np.array([0.085, 0.16])
#: Beside a dark piece lies its own contact shadow, which is no other colour: in light its edges err together by so much
#: more (rendered and drawn trays).
_CONTACT = 1.8
#: A shade is no wider than so much of its piece, however blurred: the most that edges of dark pieces may err together by in
#: length and diameter, diameters (of 47 drawn hard trays lengths by 0.045 at the most, diameters by 0.13 on all but two).
_SHADE_MOST = np.array([0.06, 0.13])
#: Colour is muddled more in bodies of a smaller radius than this, px: it is stored at half size (drawn trays).
_FEW_PX = 13.0
#: Share of an end's odd width by which its unseen thickness, and the height of its middle, may be odd together.
_UNSEEN = 0.5
#: Light that leaves the ends of see-through strand falls on the tray before them: lengths are longer by up to so much (rendered
#: trays 0.006 to 0.026 mm, drawn ones 0.004 to 0.028 mm).
_GLOW_MM = 0.02
#: What streaks at the ends and along the flanks of clear strand move length and diameter by, px (drawn and rendered trays).
_STREAKS_PX = np.array([0.9, 0.4])
#: Effect of 0.02 mm on the cut edge's rounding (see `end_model.ROUNDING_MM`), mm of length.
_ROUNDING_MM = 0.011
#: Under a flash cut edges are dark: what lengths of pieces right below it may lack (rendered trays).
_DARK_RIMS_MM = 0.03
#: Share of what an oblique cut reaches out at either side of its middle by which ends of dark pieces may be off: their faces are
#: as dark as their flanks, and shadow fills the corners that would tell where the middle is (rendered trays, worn blades: of
#: cuts 20 to 30 degrees off square 0.66 to 0.70 were inside without it).
_OBLIQUE_DARK = 0.2
#: Spread of lengths of pieces that were parted from others, in diameters, where the parting is sure, for bright and for
#: dark pieces, whose ends hide in shadow (drawn heaps); it grows as the parting's confidence falls, but no further than
#: to the second figure: even the worst seen of ends lie on some edge near their place.
_PARTING, _PARTING_MOST = (0.015, 0.045), 0.2
#: In a batch of one strand a width is odd from so many of its spread on, 2 % at least; shares of the oddness that length
#: and diameter may be wrong by.
_ODD, _OF_ODD = 5.0, np.array([0.25, 0.6])
#: Share of a burr's height by which the end may be off.
_OF_BURR = 0.3
#: For each lip that is seen, this many are not, which cover an edge as a whole or look like an oblique cut, and move an
#: end by so much, mm; so many of the ends without a lip may pass for one (rendered and drawn trays).
_UNSEEN_LIPS, _LIP_MOVES_MM, _FALSE_LIPS = 0.8, 0.1, 0.02
#: Half the usual difference of a strand's two diameters, of which only one is seen: 4 % at the most (common practice).
_OVAL = 0.04 / np.sqrt(12) / 2


def u_parts(tray: TrayView, bodies: Bodies, signal: Signal, confidence: FloatArray) -> dict[str, FloatArray]:
    """Return name -> ndarray (n, 2): each part's standard uncertainty of length and diameter, mm.

    `signal` is what the bodies were read in, `confidence` (n,) that of the parting, infinite for pieces that lay apart.
    """
    dark = signal.sense < 0
    # a file holds colour at half the size, and where an edge of colour lies errs by as much more
    coarse = signal.each_softness / softness(LUMA)
    frames, ends, optics = bodies.frames, bodies.ends, bodies.flanks.light.optics
    length, diameter = frames.length_mm, frames.diameter_mm
    px = 1.0 / tray.px_per_mm(frames.centre_mm, frames.height_mm)
    lean = np.abs(ends.view_expected)
    scale, height = tray.scale, tray.camera_height_mm
    blur_px = optics.local_px(tray.blur_px.at(frames.centre_mm)) * bodies.flanks.softer
    blur = np.maximum(1.0, blur_px / 0.8)
    # where the blur is wide, a flank's own falling light and its edge cannot be told apart, and the dark under a dark
    # piece's flank joins it; colour takes no part in shadows, and falls off only over the last pixels
    if signal.of_colour:
        muddle = blur * np.maximum(_FEW_PX * 2 * px / diameter, 1.0) ** 2
    else:
        muddle = blur**2 * np.where(dark, _CONTACT * blur, 1.0)
    shared_edge = (px * muddle * coarse)[:, None] * _EDGE_SHARED_PX[(dark | signal.of_colour).astype(int)]
    if not signal.of_colour:
        shared_edge = np.where(
            dark[:, None], np.minimum(shared_edge, _SHADE_MOST * diameter[:, None]), shared_edge
        )
    zero = np.zeros_like(length)
    fit = ends.u_fit_mm * np.clip(ends.residual / _USUAL_MISFIT, 0.3, 6.0)
    face_open = np.clip(
        1 - np.abs(ends.face - 0.5) * 2, 0, 1
    )  # a grey face shows both arcs: the view drops out
    view = 0.75 * diameter / 2 * np.hypot(scale.foot_mm / height, scale.height_relative * lean.mean(1))
    # how thick a squeezed end is along the line of sight, its width only lets guess
    widths = bodies.flanks.widths_mm[:, [0, -1]]
    squeezed = _UNSEEN * np.abs(ends.view_expected) * np.abs(widths - diameter[:, None])
    light = bodies.flanks.light
    from_within = ~dark & ~np.bool_(light.limb.own_light or light.flash or signal.of_colour)
    dark_rims = np.array([_DARK_RIMS_MM * light.flash, 0.0])
    glow = np.stack([_GLOW_MM * from_within, zero], -1)
    oblique = (dark & ~np.bool_(signal.of_colour)) * _OBLIQUE_DARK * diameter / 2
    tilt = 0.02 * diameter * lean.mean(1)
    return {
        "shared scale": np.stack([length, diameter], -1) * scale.relative,
        "shared plane": np.stack([length, diameter], -1) * scale.plane_mm / height,
        "shared edge": shared_edge,
        "shared view": np.stack([view * (1 - 0.7 * face_open.mean(1)), zero], -1),
        "shared light": np.sqrt(dark_rims**2 + glow**2 + bodies.flanks.u_light_mm**2),
        "fit": np.stack([np.hypot(fit[:, 0], fit[:, 1]), zero], -1),
        "edge": (px * blur)[:, None] * _EDGE_OWN_PX * _worse(bodies),
        "streaks": px[:, None] * _STREAKS_PX * light.limb.mirrored,
        "oblique cut": np.stack([oblique * np.hypot(*ends.off_square.T), zero], -1),
        "cut edge": np.stack([np.full_like(length, _ROUNDING_MM), zero], -1),
        "squeezed end": np.stack([np.hypot(*squeezed.T), zero], -1),
        "piece's tilt": np.stack([tilt, zero], -1),
        "parting": np.stack([u_parting(dark, confidence) * diameter, zero], -1),
        "met flank": np.stack([zero, bodies.flanks.u_met_mm], -1),
        "oval section": np.stack([zero, _OVAL * diameter], -1),
    }


def u_parting(dark: npt.NDArray[np.bool_], confidence: FloatArray) -> FloatArray:
    """Return the standard uncertainty of lengths that parting of some confidence (n,) adds, (n,), diameters."""
    return np.asarray(np.minimum(np.where(dark, *_PARTING[::-1]) / confidence**2, _PARTING_MOST))


def u_odd_width(diameter_mm: FloatArray, strand: npt.NDArray[np.bool_]) -> FloatArray:
    """Return what an odd width adds to a piece's standard uncertainty, ndarray (n, 2), mm (common practice).

    In a batch of one strand, a piece much thicker or thinner than the others was likely not seen whole: its lit side
    passed for tray, or a shadow for more of it. `strand` (n,) are the pieces that the strand is told by.
    """
    usual, spread = usual_diameter(diameter_mm[strand])
    if not spread < ONE_STRAND * usual:
        return np.zeros((len(diameter_mm), 2))
    off = np.abs(diameter_mm - usual)
    beyond = np.maximum(off - _ODD * max(spread, 0.02 * usual), 0.0)
    return np.asarray(np.minimum(off, 3 * beyond)[:, None] * _OF_ODD)


def u_burr(burr_mm: FloatArray) -> FloatArray:
    """Return what a burr adds to a piece's standard uncertainty, ndarray (n, 2), mm (common practice).

    A lip along the cut edge passes in part for more of the body.
    """
    return np.stack([_OF_BURR * np.nan_to_num(burr_mm), np.zeros(len(burr_mm))], -1)


def u_lips(ends: Ends, strand: npt.NDArray[np.bool_]) -> FloatArray:
    """Return what lips, seen or not, add to the pieces' standard uncertainty, ndarray (n, 2), mm.

    `strand` (n,) are the pieces that tell how many ends carry one.
    """
    seen = ends.lip_mm > 0
    share = max(float(seen[strand].mean()) - _FALSE_LIPS, 0.0) if strand.any() else 0.0
    unseen = np.where(seen, 0.0, _LIP_MOVES_MM * np.sqrt(_UNSEEN_LIPS * share))
    return np.stack([np.sqrt((ends.u_lip_mm**2 + unseen**2).sum(1)), np.zeros(len(seen))], -1)


def _worse(bodies: Bodies) -> FloatArray:
    """Return by how much a piece's edges are worse explained than the photo's usual ones, (n, 2), 1 to 6."""
    end = np.sqrt((bodies.ends.residual**2).mean(1)) / np.median(bodies.ends.residual)
    flank = bodies.flanks.residual / np.median(bodies.flanks.residual)
    return np.asarray(np.clip(np.stack([end, flank], -1), 1.0, 6.0), float)


def combined(parts: dict[str, FloatArray]) -> FloatArray:
    """Return the parts added in squares, ndarray (n, 2): u(length), u(diameter), mm."""
    return np.sqrt(sum((p**2 for p in parts.values()), np.zeros(1)))
