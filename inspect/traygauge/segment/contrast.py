"""In which colour do tray and pieces differ? Weights for the signal, and the marks that part pieces from tray."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from traygauge.segment.colour import LUMINANCE
from traygauge.segment.look import SHADOW_HUE, CoarseLook
from traygauge.segment.pixels import Float32Array, closed, eroded, square, weighted
from traygauge.segment.shade import ShadowHue, mingled, shadow_hue, two_groups
from traygauge_shared.light import linear_to_srgb, srgb_to_linear

FloatArray = npt.NDArray[np.float64]

#: A region whose signal rises by less than this share of the usual is read in a colour of its own.
FAINT = 0.5
#: The shaded flank of a piece gets this share of the light that its top gets.
SHADED = 0.3
#: Luminance is good enough where shaded flanks stand out by this many standard deviations of noise and shadow.
CLEAR_ENOUGH = 8.0
#: Pieces show beside their shadow from so many standard deviations of the tray on (less is not fit to be measured in).
SHOWS = 3.0
#: Right beside a piece its shadow leaves about this share of the tray's light (common practice, no source).
CONTACT = 0.4
#: How much of the tray's light shadows take, as a standard deviation: the signal should not see them.
SHADOW_SPREAD = 0.3
#: Shadows and pieces do not mingle where the fewest pixels between them are this share of the pieces' at most.
CLEAN_VALLEY = 0.25
#: Among shadows, a thin ridge counts from this share of the pieces' contrast on.
RIDGE_MARK = 0.2
#: Where shadows are no danger, a pixel counts from this share of the pieces' contrast on.
LOW_MARK = 0.12
#: Shadows are seen as such, lighter than the pieces, where so many times more pixels lie there (from the second
#: value on) than between them and the pieces: then level tells them. Else they may be as dark as the pieces.
SHADOWS_SEEN, LIGHTEST = 1.4, 0.3
#: Where hue tells shadows, what is darker than the tray by this share of the step is looked at.
AMONG_SHADOWS = 0.15
#: Shadows are a level of their own where it is so many times as frequent as the levels around it.
MODE = 1.2
#: Insides are of two groups, pieces and shadow, where those explain this share of their variance (of one normal: 0.64).
TWO_GROUPS = 0.7
#: Pieces can be seen through where a tenth of their insides shows less than this share of the contrast.
SEE_THROUGH = 0.3
#: The same for a signal of colours, which keeps more of itself in the shade and is blurred more.
LOW_HUE = 0.25
#: A hue, or luminance beside it, tells something where the tray's noise in it is at most this share of the step.
HUE_NOISE = 0.1
#: The hue of nearly all of the pieces' insides is at least this share of the usual, or it is no hue to go by; where
#: their luminance is at least that share, edges are read in luminance and the hue only says what is shadow.
UNSTEADY, STEADY = 0.4, 0.6
#: A colour further from the tray's hue than shadows' are (`look.SHADOW_HUE`) is the pieces' own, though shadows between
#: them have none.
OWN_HUE = 1.5 * SHADOW_HUE
#: Where hue says what is shadow, a pixel counts from this share of the contrast on: shadows blurred into it are less.
BESIDE_HUE = 0.55
#: Between shadows and pieces the mark is sought in this range of shares: where fewest pixels lie.
SHADOWS = 0.35, 0.8


@dataclass(frozen=True, eq=False)
class Signal:
    """The signal in which tray and most pieces differ most.

    Parameters
    ----------
    weight : ndarray (3,): of linear R, G, B; sizes add up to 1, pieces lie above the tray.
    piece : ndarray (3,): code values of most pieces under the tray's average light.
    step : rise of the signal from tray to piece.
    shaded : the same rise for a piece's shaded flank; none or less means that flanks vanish into the tray.
    noise : standard deviation of the signal on the bare tray, pixel by pixel.
    by_code : ndarray (3,): weights of code values that rise from tray to piece by `step` as well.
    mark : share of the step from which on a pixel belongs to a piece.
    ridge_mark : the same for a thin ridge; equal to `mark` where ridges need no look of their own.
    see_through : whether the pieces' insides are as faint as only those of see-through ones are.
    hue : ndarray (3,) or None: weights of code values that rise from tray to piece by 1 and do not see shadows;
        where given, a pixel must show some of the pieces' hue besides.
    shadow : the hue that tells shadows as dark as the pieces, or None.
    clear : whether pieces can be told from shadows at all.
    """

    weight: FloatArray
    piece: FloatArray
    step: float
    shaded: float
    noise: float
    by_code: FloatArray
    mark: float
    ridge_mark: float
    see_through: bool
    hue: FloatArray | None
    shadow: ShadowHue | None
    clear: bool

    @property
    def coloured(self) -> bool:
        """Return whether the signal is a difference of colours rather than a brightness."""
        return bool((self.weight > 0).any() and (self.weight < 0).any())


def signal_for(piece: FloatArray, coarse: CoarseLook) -> Signal:
    """Return the signal for pieces of one colour (code values, (3,)).

    Luminance is kept where shadows do not mingle with the pieces in it, because a photo's file holds colour at half
    the resolution; the pieces' hue, or the shadows', then says what is shadow.
    """
    bright = LUMINANCE @ (srgb_to_linear(piece / 255.0) - srgb_to_linear(coarse.tray / 255.0)) > 0
    plain = LUMINANCE if bright else -LUMINANCE
    hue = _hue(piece, coarse)
    weight = plain if hue is None else weights(piece, coarse.tray, coarse.noise)
    if (weight * plain > 0).all():
        weight = plain
        if bright or _off_hue(piece, coarse.tray) < OWN_HUE:
            hue = None
    if bright:
        return _read_in(weight, piece, coarse, hue)
    by_code = code_weights(plain, coarse.tray, piece)
    by_code /= max(float((piece - coarse.tray) @ by_code), 1e-9)
    if hue is not None and float(np.sqrt(by_code @ coarse.noise @ by_code)) > HUE_NOISE:
        return _read_in(weight, piece, coarse, hue)
    rise = _rise(coarse, by_code)
    _, filled, lighter = _valley(coarse, rise)
    clean = filled < CLEAN_VALLEY
    known = None if hue is None else piece  # what has this hue is no shadow
    if hue is not None and _off_hue(piece, coarse.tray) < OWN_HUE and _steady(coarse, hue, 0.0) < UNSTEADY:
        hue = None  # next to black there is no hue to speak of
    if hue is not None:
        level = _steady(coarse, by_code, float(by_code @ coarse.tray))
        shows = (clean or level > STEADY) and _left_in_shadow(plain, piece, coarse) > SHOWS
        return _read_in(plain if shows else weight, piece, coarse, hue)
    dark = (rise > AMONG_SHADOWS) & (coarse.inside > 0)
    shadow = None if clean and lighter > SHADOWS_SEEN else shadow_hue(coarse, dark, known)
    clear = clean or shadow is not None or not mingled(coarse, rise[::2, ::2])
    return _read_in(plain, piece, coarse, None, shadow, clear=clear)


def dimmed(signal: Signal, colours: Sequence[FloatArray], coarse: CoarseLook) -> Signal:
    """Return the signal with the mark at which the dimmest of a blend's colours (3,) passes that it shows at all.

    The light of dim ones' flanks is as much less than that of bright ones' as their own. Where shadows set the mark it stays.
    """
    if signal.mark > signal.ridge_mark:
        return signal
    rise = [float((colour - coarse.tray) @ signal.by_code) / signal.step for colour in colours]
    dimmest = min((share for share in rise if share > signal.mark), default=1.0)
    grain = 4.0 * float(np.sqrt(signal.by_code @ coarse.noise @ signal.by_code)) / signal.step
    mark = min(max(signal.mark * dimmest, grain), signal.mark)
    return replace(signal, mark=mark, ridge_mark=mark)


def _read_in(
    weight: FloatArray,
    piece: FloatArray,
    coarse: CoarseLook,
    hue: FloatArray | None = None,
    shadow: ShadowHue | None = None,
    *,
    clear: bool = True,
) -> Signal:
    """Return the signal of given weights with its marks."""
    by_code = code_weights(weight, coarse.tray, piece)
    step = float((piece - coarse.tray) @ by_code)
    lowest, beside = LOW_MARK, hue
    of_hue = hue is not None and bool((weight > 0).any() and (weight < 0).any())
    if hue is not None and of_hue:  # colours are read: shadows are kept out of them
        by_code, lowest, beside = hue * step, LOW_HUE, None
    floor = min(4.0 * float(np.sqrt(by_code @ coarse.noise @ by_code)) / step, 0.5)
    faintest = _faintest(coarse, by_code, step, of_hue=of_hue)
    low = float(np.clip(0.5 * faintest, floor, max(lowest, floor)))
    reach = -float(coarse.tray @ by_code) * 0.5 / step  # how far a deep shadow gets toward the pieces
    danger = reach > low
    mark = low
    if danger and shadow is not None:
        mark = AMONG_SHADOWS
    elif danger:
        least = low if beside is None else BESIDE_HUE
        mark = max(_valley(coarse, _rise(coarse, by_code / step))[0], least)
    light_tray, light_piece = (srgb_to_linear(c / 255.0) for c in (coarse.tray, piece))
    return Signal(
        weight=weight,
        piece=piece,
        step=step,
        shaded=float(weight @ (SHADED * light_piece - light_tray)),
        noise=float(noise_in(weight[None], coarse)[0]),
        by_code=by_code,
        mark=mark,
        ridge_mark=max(low, RIDGE_MARK) if danger else low,
        see_through=faintest < SEE_THROUGH and not danger,
        hue=beside,
        shadow=shadow,
        clear=clear,
    )


def _hue(piece: FloatArray, coarse: CoarseLook) -> FloatArray | None:
    """Return weights (3,) of code values that are 0 for the tray, lit or in shadow, and 1 for the pieces.

    None where the pieces' hue is too like the tray's to tell anything.
    """
    to_piece, to_tray = np.linalg.solve(coarse.noise + np.eye(3), np.stack([piece, coarse.tray], 1)).T
    hue = to_piece - to_tray * (coarse.tray @ to_piece) / (coarse.tray @ to_tray)
    length = float(piece @ hue)
    if length <= 0 or float(np.sqrt(hue @ coarse.noise @ hue)) > HUE_NOISE * length:
        return None
    return np.asarray(hue / length, float)


def _off_hue(piece: FloatArray, tray: FloatArray) -> float:
    """Return how far the pieces' colour lies from the tray's in any light, in shares of the tray's code value."""
    return float(np.linalg.norm(piece - tray * (piece @ tray) / (tray @ tray)) / np.linalg.norm(tray))


def _left_in_shadow(weight: FloatArray, piece: FloatArray, coarse: CoarseLook) -> float:
    """Return by how many standard deviations of the tray dark pieces stand out from their own shadow in some light.

    On a grey or white tray shadows have no hue: there the pieces' own keeps them out, and luminance shows what it did (infinite).
    """
    if _off_hue(np.full(3, coarse.tray.mean()), coarse.tray) < OWN_HUE:
        return np.inf
    tray, dark = (srgb_to_linear(code / 255.0) for code in (coarse.tray, piece))
    return float((dark - CONTACT * tray) @ weight / noise_in(weight[None], coarse)[0])


def _steady(coarse: CoarseLook, by_code: FloatArray, tray: float) -> float:
    """Return the share of the step that all but a tenth of the pieces' insides show; `tray` is what the tray shows."""
    rise = coarse.even[::2, ::2][_insides(coarse)] @ by_code - tray
    return float(np.percentile(rise, 10)) if len(rise) else 1.0


def _insides(coarse: CoarseLook) -> npt.NDArray[np.bool_]:
    """Return which pixels of every second row and column lie well inside what likely are pieces."""
    return eroded(closed(coarse.likely[::2, ::2], square(1)), square(2)) > 0


def _faintest(coarse: CoarseLook, by_code: FloatArray, step: float, *, of_hue: bool) -> float:
    """Return the share of the step that the faintest tenth of the pieces' insides shows.

    Shadow between pieces is left out: what is darker than the tray, or what has less of the pieces' hue, where that
    makes two groups.
    """
    rise = (coarse.even[::2, ::2][_insides(coarse)] @ by_code - by_code @ coarse.tray) / step
    rise = rise[rise > 0.0]
    if of_hue and len(rise) > 2:
        parting, explained = two_groups(rise)
        rise = rise[rise > parting] if explained > TWO_GROUPS else rise
    return float(np.percentile(rise, 10)) if len(rise) else 1.0


def _rise(coarse: CoarseLook, by_code: FloatArray) -> Float32Array:
    """Return how far each pixel of the coarse look has risen from tray to piece, in code value weights."""
    return weighted(coarse.even, np.append(by_code, -(by_code @ coarse.tray)))


def _valley(coarse: CoarseLook, rise: Float32Array) -> tuple[float, float, float]:
    """Return the share of the step where fewest pixels lie between shadows and pieces, and how few.

    The second value is their density against that of the pieces' own levels, the third the greatest density of what
    is lighter (shadows) against it.
    """
    seen = rise[::2, ::2][coarse.inside[::2, ::2] > 0]
    counts, edges = np.histogram(seen, 70, (0.0, 1.4))
    smooth = np.convolve(np.pad(counts, 2, mode="edge"), np.array([1, 2, 3, 2, 1]) / 9.0, "valid")
    middle = (edges[:-1] + edges[1:]) / 2
    between = (middle > SHADOWS[0]) & (middle < SHADOWS[1])
    between &= middle > _shadows_level(smooth, middle)
    highest = float(smooth[middle > SHADOWS[1]].max())
    lowest = float(smooth[between].min())
    valley = between & (smooth <= lowest + 0.01 * highest)
    at = float(middle[valley].mean())
    lighter = float(smooth[(middle > LIGHTEST) & (middle < at)].max(initial=0.0))
    return at, lowest / max(highest, 1.0), lighter / max(lowest, 1e-9)


def _shadows_level(density: FloatArray, share: FloatArray) -> float:
    """Return the share of the step at which most shadows lie, 0 where none stand out between tray and pieces.

    The densest level counts that rises by `MODE` above the emptiest levels on both its sides.
    """
    inside = np.flatnonzero((share > LIGHTEST / 2) & (share < SHADOWS[1]))
    before = np.minimum.accumulate(density[inside])
    after = np.minimum.accumulate(density[inside][::-1])[::-1]
    stands_out = density[inside] > MODE * np.maximum(before, after)
    if not stands_out.any():
        return 0.0
    return float(share[inside[np.argmax(np.where(stands_out, density[inside], 0.0))]])


def weights(piece: FloatArray, tray: FloatArray, noise: FloatArray) -> FloatArray:
    """Return the weights (3,) of linear R, G, B in which pieces stand out most against noise and shadow.

    Luminance is kept where it is good enough, because a photo's file holds colour at half the resolution.

    Parameters
    ----------
    piece, tray : (3,) code values.
    noise : (3, 3) covariance of the tray's code values.

    Returns
    -------
    ndarray (3,): sizes add up to 1; pieces lie above the tray.
    """
    light_tray, light_piece = srgb_to_linear(tray / 255.0), srgb_to_linear(piece / 255.0)
    slope = srgb_to_linear((tray + 1.0) / 255.0) - light_tray
    spread = (noise + np.eye(3)) * np.outer(slope, slope)
    spread += np.outer(light_tray, light_tray) * SHADOW_SPREAD**2
    lit, shaded = light_piece - light_tray, SHADED * light_piece - light_tray
    best = np.linalg.solve(spread, lit + shaded if (lit + shaded) @ lit > 0 else lit)

    def clear(w: npt.NDArray[np.floating]) -> float:
        w = w * np.sign(w @ lit)
        return float(min(w @ lit, w @ shaded) / np.sqrt(w @ spread @ w))

    best = best if clear(best) > 0 else np.linalg.solve(spread, lit)
    enough = min(CLEAR_ENOUGH, 0.5 * clear(best))
    chosen = LUMINANCE if clear(LUMINANCE) >= enough else best
    return np.asarray(chosen * np.sign(chosen @ lit) / np.abs(chosen).sum(), float)


def own_weights(light: FloatArray, signal: Signal, coarse: CoarseLook) -> FloatArray:
    """Return the weights (n, 3) in which each region is read: the photo's, or its own where that is too faint.

    Parameters
    ----------
    light : ndarray (n, 3): linear light of each region under the tray's average light.
    signal : the photo's signal.
    coarse : the coarse look.
    """
    rise = (light - srgb_to_linear(coarse.tray / 255.0)) @ signal.weight
    weight = np.tile(signal.weight, (len(light), 1))
    for k in np.flatnonzero(rise < FAINT * signal.step):
        code = 255.0 * linear_to_srgb(np.clip(light[k], 0.0, 1.0))
        weight[k] = weights(code, coarse.tray, coarse.noise)
    return weight


def noise_in(weight: FloatArray, coarse: CoarseLook) -> FloatArray:
    """Return the standard deviation (n,) of the bare tray's pixels in signals of weights (n, 3) of linear R, G, B."""
    slope = srgb_to_linear((coarse.tray + 1.0) / 255.0) - srgb_to_linear(coarse.tray / 255.0)
    of_code = weight * slope
    return np.asarray(np.sqrt(np.einsum("ni,ij,nj->n", of_code, coarse.noise, of_code)), float)


def code_weights(weight: FloatArray, tray: FloatArray, piece: FloatArray) -> FloatArray:
    """Return weights (3,) of code values that step from tray to piece as the linear signal does."""
    apart = np.abs(piece - tray) > 2.0
    rise = np.where(apart, piece - tray, 1.0)
    slope = (srgb_to_linear((tray + rise) / 255.0) - srgb_to_linear(tray / 255.0)) / rise
    return np.asarray(weight * slope, float)
