"""How the light of a lying cylinder's flanks falls towards the limb, where the surface turns away.

Sky and lamps light a flank as Lambert's law says::

    sky    (1 + cos t) / 2               t = slant of the surface
    lamps  max(0, cos t + turn sin t)    turn = how far the light comes from this side, over how far from above
    tray   (1 - cos t) / 2               of what it gives back of both; nothing to speak of where it is black

and the coat takes its part on the way out (Fresnel). A flank that faces a lamp stays bright to its edge; on the other side
light falls faster than the surface turns away, and ends before the limb if the lamp stands low. One limb for both puts the
dark side's edge 0.5 px too far out, and the bright one's as far in. Which share the lamps have, all pieces have in common;
how far the light comes from one side, each piece's two flanks tell by how differently bright they are.

All this is of pieces whose own light is read. Of dark ones, and of colour alone, little is left of it: they have an even
light with some part of Lambert's law. A flash is another case: its light meets the surface at the slant at which it is seen,
there is no other to speak of but the tray's, and Fresnel's reflection takes its part going in and coming out. Of clear strand
little comes from within, and the more is mirrored the more slantingly the surface is seen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_INDEX = 1.5  # refraction of polymers, 1.35 to 1.6 (common practice)
#: What a coat takes on the way out, as a power of what Fresnel's smooth one lets through: a matt one's relief shows less of
#: it at grazing view (drawn trays; 0 or 1 moves an edge by 0.1 px).
COAT = 0.7
#: Under a scanner's bar limbs keep that light, and rounded rims theirs: with a photo's, bright strand on drawn and on rendered
#: scans was 0.02 mm too thick and too long, whichever way it lay. That is measured; no closed form for it is known.
BARE = 0.0
#: Sine of the angular radius of lamps, over which the light's end is smeared: a window has 0.6, a bare lamp 0.1,
#: and no more of them is told by flanks.
_SPREAD = 0.5
_FLANK = (0.55, 0.75)  # where, in half widths, a piece's flanks are compared
MOST_TURN = 3.0  # light that comes from 20 degrees over the tray
#: The part of a flank that tells the limb, in half widths: no usual blur reaches it. Of a wider blur than `_NARROW` it keeps
#: off a little, down to the least.
_INSIDE, _INSIDE_LEAST, _NARROW, _BLUR_INWARDS = (0.3, 0.8), 0.6, 0.08, 0.5
#: Of the light on an axis under a flash the room's share, and what a tray as bright as that gives back (drawn trays under a
#: flash: 0.84 to 1).
_ROOM, _FROM_TRAY = 0.03, 0.86
#: Strand is clear where the light rises by this many times as much near the limb as nearer to the axis (drawn and rendered
#: strand: clear 1.7 and more, see-through 0.9 to 1.0, all other 0.5 to 0.8).
_BODY, _RIM, CLEAR_RIM = (0.4, 0.65), (0.7, 1.0), 1.3
_STEP = 0.02  # half widths between the places whose light a blur brings together
ACROSS = np.arange(-1.8, 1.801, _STEP)
_ONE_SIDED = 0.15  # lamps at one side leave flanks this uneven
#: Some light always is the sky's; a tone curve that steepens shades would leave it none, and no step on the dark limb.
#: Of an even sky a quarter falls as a lamp's, or less.
LEAST_SHARE = 0.25
_SHARES = np.linspace(LEAST_SHARE, 0.85, 5)


@dataclass(frozen=True)
class Limb:
    """How the light of one photo's flanks falls towards the limb.

    Parameters
    ----------
    share : of the light that falls by Lambert's law: the lamps', straight from above.
    hold : how firmly profiles are held to that, against the usual.
    own_light : whether it is the light of bright pieces that is read.
    frontal : whether it comes from beside the camera.
    mirrored : whether the limb mirrors more of it than comes from within.
    tray : of the light on the axis what the tray gives back; limbs get half of that. A flash's share has it already.
    coat : what a coat takes on the way out, as a power of what Fresnel's smooth one lets through.
    """

    share: float
    hold: float = 1.0
    own_light: bool = False
    frontal: bool = False
    mirrored: bool = False
    tray: float = 0.0
    coat: float = COAT


#: A flash leaves no light but the limb's own.
FLASH = Limb(1.0, 30.0, frontal=True)
#: Of clear strand little comes from within, and any share of it is mirrored.
CLEAR = Limb(0.0, 0.0, mirrored=True)


def flank_light(u: FloatArray, limb: Limb, turn: FloatArray | float = 0.0) -> tuple[FloatArray, FloatArray]:
    """Return the sky's, or even, light and the lamps' at places u (...), -1 to 1, zero from the edge on.

    `turn` (...): how far the lamps' light comes from this side. Both are 1 on the axis, where the turn is 0.
    """
    inside = (np.abs(u) < 1.0).astype(float)
    cosine = np.sqrt(np.clip(1.0 - u * u, 0.0, None))
    if limb.frontal:
        return inside, cosine * _let_out(cosine) ** 2
    if limb.mirrored:
        return inside, inside * (1.0 - _let_out(cosine))
    if not limb.own_light:
        return inside, cosine
    coat = inside * _let_out(cosine) ** limb.coat
    from_tray = limb.tray * (1.0 - cosine) / 2
    return coat * ((1.0 + cosine) / 2 + from_tray), coat * (_lamps(cosine, u, turn) + from_tray)


def flash_over(tray: float) -> Limb:
    """Return how a flash's light falls where the tray gives back so much of it, over what a piece's axis does.

    A limb looks half at the tray, and gets half of the light that it gives back (closed form of a level tray); and all of it
    gets a little of what the room does.
    """
    return replace(FLASH, share=1.0 - _ROOM - from_tray(tray) / 2)


def from_tray(tray: float) -> float:
    """Return what a tray gives back of the light on an axis, 0..1, by its brightness over the axis'."""
    return _FROM_TRAY * min(max(round(tray, 2), 0.0), 1.0)


def _let_out(cosine: FloatArray) -> FloatArray:
    """Return what a smooth coat lets through at a slant's cosine, over what it does straight.

    Fresnel's equations for light that is not polarised (Born and Wolf, Principles of Optics, from memory).
    """
    slanted = np.sqrt(_INDEX**2 - 1.0 + cosine**2)
    across = (cosine - slanted) / (cosine + slanted)
    along = (_INDEX**2 * cosine - slanted) / (_INDEX**2 * cosine + slanted)
    straight = ((_INDEX - 1) / (_INDEX + 1)) ** 2
    return np.asarray((1 - (across**2 + along**2) / 2) / (1 - straight), float)


def _lamps(cosine: FloatArray, sine: FloatArray, turn: FloatArray | float) -> FloatArray:
    """Return max(0, cosine + turn sine), its end smeared over a lamp's disc (mean of the hard cosine over it)."""
    size = np.sqrt(1.0 + np.square(turn))
    at = (cosine + turn * sine) / size
    foot = np.clip(at + _SPREAD, 0.0, 2 * _SPREAD) ** 2 / (4 * _SPREAD)
    return np.asarray(size * np.where(at > _SPREAD, at, foot), float)


def usual_limb(profiles: FloatArray, u: FloatArray, sigma: float, even: Limb) -> Limb:
    """Return the limb that explains the flanks of bright pieces best, from inside the bodies.

    Parameters
    ----------
    profiles : ndarray (n, 2, m), the light at `u` (m,), on both sides of n bodies.
    sigma : standard deviation of the blur, in half widths: a wide one carries the tray's light far inwards.
    even : what is known of it besides: what the tray gives back, and the coat.
    """
    inside = (u > _INSIDE[0]) & (
        u < max(_INSIDE[1] - _BLUR_INWARDS * max(sigma - _NARROW, 0.0), _INSIDE_LEAST)
    )
    light, uneven = profiles[..., inside], unevenness(profiles, u)
    near = blurring(u[inside], sigma)

    def misfit(limb: Limb) -> float:
        sky, lamps = (x @ near for x in flank_light(ACROSS, limb, _turn_of(uneven, limb, sigma)[..., None]))
        model = (1 - limb.share) * sky + limb.share * lamps
        strength = (light * model).sum((1, 2)) / (model**2).sum((1, 2))
        rest = np.sqrt(np.square(light - strength[:, None, None] * model).mean((1, 2)))
        return float(np.median(rest / np.maximum(np.abs(strength), 1e-9)))

    return min((replace(even, share=float(share), own_light=True) for share in _SHARES), key=misfit)


def blurring(u: FloatArray, sigma: float) -> FloatArray:
    """Return what each place of `ACROSS` gives to the light seen at `u` (m,), (len(ACROSS), m), through a blur."""
    near = np.exp(-0.5 * ((ACROSS[:, None] - u) / max(sigma, _STEP)) ** 2)
    return np.asarray(near / near.sum(0))


def turns(profiles: FloatArray, u: FloatArray, limb: Limb, sigma: float) -> FloatArray:
    """Return how far the lamps' light comes from each side of n bodies, (n, 2), -3 to 3; profiles (n, 2, m)."""
    if not limb.own_light:
        return np.zeros(profiles.shape[:2])
    return _turn_of(unevenness(profiles, u), limb, sigma)


def unevenness(profiles: FloatArray, u: FloatArray) -> FloatArray:
    """Return how much brighter the first flank of each body is than the second, over both, (n,), -1 to 1."""
    flank = np.median(profiles[..., (u > _FLANK[0]) & (u < _FLANK[1])], -1)
    return np.asarray(np.clip((flank[:, 0] - flank[:, 1]) / np.maximum(flank.sum(1), 1e-9), -1.0, 1.0))


def clear(profiles: FloatArray, u: FloatArray) -> bool:
    """Return whether most flanks are brighter at the limb than nearer to the axis; profiles (n, m)."""
    rise = np.median(profiles - np.median(profiles[:, u > 1.2], 1)[:, None], 0)
    body, rim = (rise[(u > low) & (u < high)] for low, high in (_BODY, _RIM))
    return float(rim.max()) > CLEAR_RIM * float(np.median(body))


def lit_from_one_side(profiles: FloatArray, u: FloatArray) -> bool:
    """Return whether lamps at one side leave the flanks of most bodies uneven; profiles (n, 2, m)."""
    return bool(np.median(np.abs(unevenness(profiles, u))) >= _ONE_SIDED)


def _turn_of(uneven: FloatArray, limb: Limb, sigma: float) -> FloatArray:
    """Return the turns (n, 2) that leave a body's two flanks so uneven (n,), seen through a blur."""
    turn = np.linspace(0.0, MOST_TURN, 61)
    flank = sum(_FLANK) / 2
    near = blurring(np.array([flank, -flank]), sigma)
    sky, lamps = flank_light(ACROSS, limb, turn[:, None])
    bright, dark = ((1 - limb.share) * sky @ near + limb.share * lamps @ near).T
    leaves = np.maximum.accumulate((bright - dark) / (bright + dark))
    found = np.interp(np.abs(uneven), leaves, turn) * np.sign(uneven)
    return np.stack([found, -found], 1)
