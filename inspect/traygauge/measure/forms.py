"""What kind of thing each region is, and how it could be measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.measure.body import Bodies, grain_of
from traygauge.measure.doubles import crookedness, cut_line_depth
from traygauge.measure.end_light import Apart
from traygauge.measure.frame import Frames
from traygauge.measure.outlines import Outlines, rod_gaps
from traygauge.measure.signal import Signal
from traygauge.measure.standing import Standing, standing
from traygauge.measure.standing_length import lean_of_cuts, standing_lengths
from traygauge.measure.strand_odds import StrandOdds, evidence, strand_odds
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

#: A thing smaller than this share of the batch's diameter, or than so many mm, is a crumb.
_CRUMB_SHARE, _CRUMB_MM = 0.62, 0.8
#: Log odds from which a thing stands rather than lies, from which it may stand (so that it is not measured as lying),
#: and from which it is rather that than a flake in a batch half of flakes.
_STANDS, _MAY_STAND, _NO_FLAKE = 1.0, 0.0, 1.5
#: And up to which it lies though parting took it for a disc: short pieces look like one among others. On rendered photos
#: those that stood had 0.8 and more, those that lay -2.8 and less.
_LIES = -2.5
#: A disc is as wide as the strand, and so is a piece that passed for one, to this in log.
_AS_WIDE = 0.1
#: How far beyond an end, and where across it, others are looked for, in diameters; more than this share is met by them.
_JUST_BEYOND, _ACROSS, _MET = 0.15, np.linspace(-0.4, 0.4, 5), 0.6
#: Where more than a tenth of the outline lies further than this from the fitted body, in diameters, one of the two is
#: wrong: on drawn scenes two thirds of such lengths were off by more than 0.15 mm.
_APART, _PART_APART = 0.25, 0.10
#: The same for a piece explained by a rod when a heap was parted: what is wide of it is a neighbour's, and what lies on
#: it was seen by parting; more of it beyond its ends is not its own (nine in ten such lengths were off). Lengths beyond
#: the usual need better evidence: for them both tests hold. Where a rod is this sure and the light explains both ends, what
#: lies beyond them is shade (13 of 16 such lengths right on drawn heaps).
_PART_BEYOND, _ROD_SURE = 0.05, 0.7
#: A long one passes also where a rod is this sure, the light explains both ends, and the outline encloses its area to this
#: share: what lies off it are hairs and threads, which are much outline and hardly any area (drawn litter and heaps: 3 of 3
#: right, 2 of them in view; at less sureness 9 of 12 wrong).
_LONG_SURE, _THREADS = 0.95, 0.15
#: A piece leans where both its rims look this much rounder than the camera's view explains (tangent of the axis's angle,
#: held back by the fit's prior: about 16 degrees), or rounder than this many times the usual slope of the batch's cuts.
_LEANS, _LEANS_OF_CUTS = 0.14, 1.6
#: What is left unexplained of an end that is explained badly, and up to which one is plain, in usual ones.
_BADLY, _PLAINLY = 3.0, 2.0
#: So many lying pieces show what their photo's blur does to rims.
_ENOUGH = 8
#: So many vertices of an outline tell what it is.
_VERTICES = 64
#: A piece is longer than usual from this many times the batch's usual length on; a cut line this deep across it joins
#: two; where its edges are this much (half widths) likelier those of two it is two that touch: of drawn long pieces one
#: in a hundred looks so, of pairs that passed for one half.
_LONG, _CUT_LINE, _CROOKED = 1.3, 0.18, 0.038


@dataclass(frozen=True, eq=False)
class Tried:
    """What was fitted to some regions, and in which light.

    Parameters
    ----------
    index : ndarray (k,), which regions of the photo's n; those that parting took for discs come last.
    outlines : of the k bodies without tails (some of their vertices), seen in the tray's own plane.
    bodies : the k bodies; signal : what they were read in; apart : what is known of them beside others.
    by_rod : ndarray (k,), bool: explained by a rod when a heap was parted.
    confidence : ndarray (k,), 0..1: how well.
    flaky : whether the batch holds flakes, some of which parting may have taken for strand.
    """

    index: IntArray
    outlines: Outlines
    bodies: Bodies
    signal: Signal
    apart: Apart
    by_rod: BoolArray
    confidence: FloatArray
    flaky: bool


@dataclass(frozen=True, eq=False)
class Kinds:
    """What each of n regions is and how it could be measured.

    Parameters
    ----------
    form, state : ndarray (n,) of words (`traygauge.words`).
    measured : ndarray (n,), bool: a strand body whose cut length stands.
    double : ndarray (n,), bool: two pieces still joined.
    middle_mm : ndarray (n, 2): middle of the body, sheet mm.
    height_mm : ndarray (n,): height of the plane in which its outline is seen.
    diameter_mm : ndarray (n,): NaN where none is seen.
    standing_mm : ndarray (2, n): length of what stands, and its standard uncertainty; NaN where it is not told.
    """

    form: npt.NDArray[np.object_]
    state: npt.NDArray[np.object_]
    measured: BoolArray
    double: BoolArray
    middle_mm: FloatArray
    height_mm: FloatArray
    diameter_mm: FloatArray
    standing_mm: FloatArray


def few_vertices(tray: TrayView, outlines_px: tuple[FloatArray, ...]) -> Outlines:
    """Return as many vertices of outlines, in photo pixels, as tell what the things are, in the tray's plane."""
    few = tuple(outline[:: max(1, len(outline) // _VERTICES)] for outline in outlines_px)
    return Outlines.of(tray, few)


def tell_kinds(tray: TrayView, first: Frames, tried: Tried | None, state: npt.NDArray[np.object_]) -> Kinds:
    """Return form and state of every region from how lying and standing pieces explain outline and light.

    Parameters
    ----------
    first : first frames of all n regions.
    tried : what was fitted; None where nothing was.
    state : ndarray (n,): what segmenting says; whole and parted ones may turn out upright, leaning, of unknown axis, or
        not parted at all, and leaning and upright ones may lie.
    """
    n = len(state)
    state, form = state.copy(), np.full(n, "thread", dtype=object)
    measured, double = np.zeros(n, bool), np.zeros(n, bool)
    middle, height = first.centre_mm.copy(), np.minimum(first.diameter_mm / 2, 1.5)
    diameter, stands = np.full(n, np.nan), np.full((2, n), np.nan)
    form[~np.isin(state, ["whole", "parted"])] = "strand"
    if tried is None:
        return Kinds(form, state, measured, double, middle, height, diameter, stands)
    at, bodies = tried.index, tried.bodies
    said, stood = state[at] == "leaning", state[at] == "upright"
    looks = _look(tray, first, tried, said)
    if tried.flaky:
        state[at[(said | stood) & ~looks.strand & ~looks.upright]] = "parted"
        said, stood = said & looks.strand, stood & looks.upright
    rounder = _rounder(bodies, looks.strand & looks.sure & ~stood)
    # of dark pieces the light does not tell a raised face from shadow: edges told parting that they lie
    rounder &= ~(tried.by_rod & (tried.signal.sense < 0) & (state[at] == "parted"))
    lies = stood & ~rounder & _lies_after_all(tray, tried, looks, ~stood)
    stood &= ~lies
    form[at] = np.where(
        looks.strand | looks.upright | stood, "strand", np.where(looks.crumb, "crumb", "flake")
    )
    strand = looks.strand & ~stood
    lying = strand & looks.sure
    leaning = (said | lying & rounder) & ~(lying & _shows_both_faces(bodies))
    known = lying & ~leaning
    joined, two = _joined(tray, tried, known)
    two |= joined & (state[at] == "parted")  # in a heap, two touching pieces look just so
    known &= ~two
    state[at[looks.upright]] = "upright"
    state[at[strand & ~looks.sure & ~leaning]] = "axis unknown"
    state[at[(said | lies) & known]] = "parted"
    state[at[leaning]] = "leaning"
    state[at[two]] = "unresolved"
    measured[at] = known
    double[at] = joined & ~two
    middle[at[strand]] = bodies.frames.centre_mm[strand]
    middle[at[looks.upright]] = looks.stand.foot_mm[looks.upright]
    height[at[strand]] = bodies.frames.height_mm[strand]
    diameter[at[lying]] = bodies.frames.diameter_mm[lying]
    diameter[at[looks.upright]] = looks.stand.diameter_mm[looks.upright]
    up = np.flatnonzero(looks.upright)
    if len(up):
        standing_up = tried.outlines.rows(up), tried.apart.rows(up)
        lean_sd = lean_of_cuts(bodies.ends.off_square[known])
        stands[:, at[up]] = standing_lengths(
            tray, *standing_up, looks.usual_mm, lean_sd, bodies.flanks.light.flash
        )
    return Kinds(form, state, measured, double, middle, height, diameter, stands)


@dataclass(frozen=True, eq=False)
class _Looks:
    """How the k things tried look: exactly one of crumb, upright, strand, or none of them (a flake); ndarrays (k,).

    `sure`: axis and cut faces can be told, as far as the thing is a lying strand piece. `usual_mm`: the batch's diameter.
    """

    crumb: BoolArray
    upright: BoolArray
    strand: BoolArray
    sure: BoolArray
    stand: Standing
    usual_mm: float


def _look(tray: TrayView, first: Frames, tried: Tried, leaning: BoolArray) -> _Looks:
    """Return how the things look; of those said to lean by parting, only whether they could be told if they lay."""
    bodies = tried.bodies
    lying = tried.outlines.raised(tray, bodies.frames.height_mm)
    gaps, beyond = rod_gaps(lying, bodies, tray)
    grain = grain_of(tried.signal, tray, bodies.frames)
    biggest = np.hypot(first.length_mm, first.diameter_mm)[tried.index]
    gap = lying.mean(gaps)
    odds = _odds(gap, grain, tried, biggest > _CRUMB_MM)
    crumb = ~leaning & (biggest < np.fmax(_CRUMB_SHARE * odds.diameter_mm, _CRUMB_MM))
    stand = standing(tried.outlines, grain, gap, odds.diameter_mm, tray)
    likely = odds.probability > 0.5
    # a heap of strand that rods explain holds no flakes, however poor an outline is
    rod = likely | tried.by_rod & (not tried.flaky)
    no_flake = _NO_FLAKE - float(np.log(odds.of_batch / (1 - odds.of_batch)))
    upright = ~crumb & ~leaning & (stand.odds > np.maximum(np.where(rod, _STANDS, _MAY_STAND), no_flake))
    strand = rod & ~upright & ~crumb
    well_fitted = lying.mean(gaps > _APART) < _PART_APART
    length = bodies.frames.length_mm
    plain = length[well_fitted & likely]
    usual = length < _LONG * np.median(plain) if len(plain) else np.zeros(len(length), bool)
    alone = lying.mean(beyond > _APART) < _PART_BEYOND
    explained = (bodies.ends.residual < _BADLY * np.median(bodies.ends.residual)).all(1)
    alone |= explained & (tried.confidence > _ROD_SURE)
    filled = np.abs(lying.area / (length * bodies.frames.diameter_mm) - 1) < _THREADS
    below_threads = filled & explained & (tried.confidence > _LONG_SURE)
    well_fitted = np.where(tried.by_rod, alone & (well_fitted | usual | below_threads), well_fitted)
    sure = bodies.axis_sure & likely & well_fitted & ~(stand.odds > max(_MAY_STAND, no_flake))
    return _Looks(crumb, upright, strand, sure, stand, odds.diameter_mm)


def _lies_after_all(tray: TrayView, tried: Tried, looks: _Looks, others: BoolArray) -> BoolArray:
    """Return which things (k,) plainly lie that parting took for discs.

    One that ends at another's outline and is far shorter than the `others` mostly are may run on below that.
    """
    frames, plain = tried.bodies.frames, looks.strand & looks.sure & others
    odds = looks.stand.odds
    lies = looks.strand & looks.sure & ~others & np.isfinite(odds) & (odds < _LIES)
    rows = np.flatnonzero(lies)
    if len(rows) and plain.any():
        wide = np.log(frames.diameter_mm[rows] / np.median(frames.diameter_mm[plain]))
        usual = float(np.median(frames.length_mm[plain]))
        stray = max(2.5 * 1.4826 * float(np.median(np.abs(frames.length_mm[plain] - usual))), 0.2 * usual)
        short = frames.length_mm[rows] < usual - stray
        below = short & _meets(tray, frames.rows(rows), tried.apart.rows(rows))
        lies[rows] = ~below & (np.abs(wide) < _AS_WIDE)
    return lies


def _meets(tray: TrayView, frames: Frames, apart: Apart) -> BoolArray:
    """Return which bodies (k,) have an end that lies against other pieces."""
    d = frames.diameter_mm
    tips = np.array([-1.0, 1.0]) * (frames.length_mm / 2 + _JUST_BEYOND * d)[:, None]
    at = frames.point(tips)[:, :, None] + frames.across(tips)[:, :, None] * (
        _ACROSS[:, None] * d[:, None, None, None]
    )
    xy = tray.to_px(at, np.broadcast_to(frames.height_mm[:, None, None], at.shape[:-1]))
    met = ~apart.own(np.moveaxis(xy, -1, 0).astype(np.float32), np.arange(len(d)))
    return np.asarray((met.mean(2) > _MET).any(1))


def _odds(gap: FloatArray, grain: FloatArray, tried: Tried, counts: BoolArray) -> StrandOdds:
    """Return which things are strand, from those that count; crumbs have a probability of 0."""
    bodies, diameter = tried.bodies, tried.bodies.frames.diameter_mm
    widths = bodies.flanks.widths_mm / diameter[:, None]
    slope = np.hypot(bodies.ends.slope[:, 0], bodies.ends.slope[:, 1])
    bend = np.abs(bodies.frames.bend) * diameter
    aspect = bodies.frames.length_mm / diameter
    alone = evidence(gap, np.ptp(widths, axis=1), grain, slope, bend, aspect)
    probability = np.zeros(len(gap))
    some = strand_odds(alone[counts], diameter[counts], tried.by_rod[counts])
    probability[counts] = some.probability
    return StrandOdds(probability, some.of_batch, some.diameter_mm)


def _shows_both_faces(bodies: Bodies) -> BoolArray:
    """Return which bodies (k,) plainly show both cut faces: they lie, on the longer side of two oblique cuts.

    Of a piece at an angle one end looks up and the other away.
    """
    ends = bodies.ends
    plain = ends.residual < _PLAINLY * np.median(ends.residual)
    return np.asarray(((ends.face < 1.0) & plain).all(1))


def _rounder(bodies: Bodies, lying: BoolArray) -> BoolArray:
    """Return which bodies (k,) look as if they rest at an angle.

    With the axis tilted by some angle the rims of both cut faces look rounder, each by the angle's tangent. A cut that
    is off square does the same to one rim only, and as often flattens it.
    """
    ends = bodies.ends
    rounder = ends.rounded - np.abs(ends.view_expected)
    # what is explained badly, because something lies there, bears no witness, unless both are
    badly = ends.residual > _BADLY * np.median(ends.residual[lying]) if lying.any() else ends.residual < 0
    rounder = np.where(badly & ~badly.all(1, keepdims=True), np.inf, rounder).min(1)
    cuts = 1.4826 * float(np.median(np.abs(ends.slope[lying]))) if lying.any() else 0.0
    shared = max(float(np.median(rounder[lying])), 0.0) if lying.sum() >= _ENOUGH else 0.0
    return np.asarray(rounder - shared > max(_LEANS, _LEANS_OF_CUTS * cuts))


def _joined(tray: TrayView, tried: Tried, known: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Return which bodies with a known length are two pieces with a cut line between them, and two end to end, (k,)."""
    joined, two = np.zeros((2, len(known)), bool)
    if known.sum() < 2:
        return joined, two
    length = tried.bodies.frames.length_mm
    look = np.flatnonzero(known & (length > _LONG * np.median(length[known])))
    body, apart = (tried.signal.rows(look), tray, tried.bodies.frames.rows(look)), tried.apart.rows(look)
    joined[look] = cut_line_depth(*body, apart.tray_level) > _CUT_LINE
    two[look] = crookedness(*body, apart) > _CROOKED
    return joined, two
