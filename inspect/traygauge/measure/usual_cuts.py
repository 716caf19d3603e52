"""What the cuts of one photo have in common: how square they are, and how bright their faces look from where."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from traygauge.measure.limb import FLASH, flank_light

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

SLOPE_SD = 0.09  # tangent of a cut's angle from square: common practice, no source
_WILDEST_SLOPE_SD = 0.6
#: Brightness of faces before a photo has been looked at, between tray (0) and flank (1), and how far faces stray from
#: it, for bright pieces, whose faces look away from the light above, and for dark ones, which are dark all over.
_BRIGHT_FACE, _DARK_FACE = (0.2, 0.4), (1.0, 0.15)
#: A face is seen from this lean of the line of sight on, and where the fit sees one as well; it is known well where both
#: agree to about so much.
_SEEN_LEAN, _SEEN_VIEW, _AGREED = -0.12, -0.06, 0.06
#: Faces that look the same way, to so many radians, are lit alike; beside them count this many of the photo's usual ones.
_SAME_WAY, _USUAL_ONES = 0.35, 2.0
_ENOUGH = 4.0  # well known faces, from which on a photo's own are believed
#: The noise at which expectations are weighed: over what ends usually leave unexplained, within bounds, and the blur, in radii,
#: up to which the least is enough (swept on drawn and rendered photos).
_NOISE_OF_RESIDUAL, _NOISE, _SHARP = 2.0, (0.1, 0.2), 0.07
#: By how much it is larger where it is not light that falls on pieces which is read, but such as comes from within, or colour.
_NOT_OWN = 1.5
_FACE_SD = 0.12, 0.3  # least and most that faces which look the same way stray
#: Under a flash faces stray by this from what the line of sight says of them: cut unevenly, and lit by what is around.
_FLASH_FACE_SD = 0.04


@dataclass(frozen=True, eq=False)
class Usual:
    """What is usual of cut faces in a photo, for e ends.

    Parameters
    ----------
    slope_sd : standard deviation of the tangents of the cuts' angles from square.
    face, face_sd : ndarray (e,): the brightness expected of each face, and how far faces stray from it.
    residual : how much of an end is usually left unexplained, over contrast; infinite where that is not known.
    noise : ndarray (e,), or one for all: the misfit per sample, in shares of contrast, at which what is expected is
        weighed: samples of one edge err together (shading, tone curve), so that hundreds of them say little more than a few.
    """

    slope_sd: float
    face: FloatArray
    face_sd: FloatArray
    residual: float
    noise: float | FloatArray = _NOISE[1]

    def as_firm_as_told(self, blur: float, dark: npt.NDArray[np.bool_], own_light: bool) -> Usual:
        """Return the same, expected as firmly as the photo's ends leave little unexplained, and are blurred, in radii.

        Two edges near each other are told apart with the square of a blur. Beside dark pieces (e,) shadows take a face's place.
        """
        noise = max(_NOISE_OF_RESIDUAL * self.residual, _NOISE[0] * (blur / _SHARP) ** 2)
        noise *= 1.0 if own_light else _NOT_OWN
        return replace(self, noise=np.where(dark, self.noise, float(np.clip(noise, *_NOISE))))

    def of_covered(self, some: IntArray) -> Usual:
        """Return what is usual of some ends that lips cover in part, expected as firmly as before the photo's were looked at.

        The few rows that show the cut may be covered in part as well.
        """
        return replace(self.of(some), noise=_NOISE[1])

    def seen_straight_on(self) -> Usual:
        """Return the same for a scan, to which cuts are expected to show no face: they do so only as they are oblique.

        Held to that, rims look less round than they are, whichever way they lean, and all ends lie too far out (path-traced
        scans of 300 dpi: lengths by 0.02 to 0.03 mm, of the most oblique fifth by 0.02 to 0.06).
        """
        return replace(self, noise=_NOISE[0])

    def lit_from_the_camera(self, lean: FloatArray) -> Usual:
        """Return the same under a flash, by which faces are as dark as they are seen slantingly, at some lean (e,)."""
        facing = np.maximum(-lean, 0.0) / np.hypot(1.0, lean)
        _, face = flank_light(np.sqrt(1.0 - facing**2), FLASH)
        return replace(self, face=face, face_sd=np.full(len(lean), _FLASH_FACE_SD))

    @classmethod
    def unknown(cls, dark: npt.NDArray[np.bool_]) -> Usual:
        """Return what is taken for usual before a photo's ends have been looked at, for dark and bright pieces."""
        face, sd = np.where(dark[:, None], _DARK_FACE, _BRIGHT_FACE).T
        return cls(SLOPE_SD, face, sd, np.inf)

    def of(self, some: IntArray) -> Usual:
        """Return what is usual of some of the ends."""
        noise = np.broadcast_to(self.noise, self.face.shape)[some]
        return replace(self, face=self.face[some], face_sd=self.face_sd[some], noise=noise)


def usual_cuts(
    p: FloatArray,
    residual: FloatArray,
    lean: FloatArray,
    azimuth: FloatArray,
    dark: npt.NDArray[np.bool_],
    likely: int,
) -> Usual:
    """Return what is usual in a photo whose ends were fitted one by one.

    Faces are plane, so that how bright they are depends on which way they look: a median over those that look about the
    same way is expected of all, with some weight on the photo's usual one where few are seen.

    Parameters
    ----------
    p : ndarray (4, e): out, m, t, f (`end_fit.EndFit`); residual : ndarray (e,).
    lean : ndarray (e,), of the line of sight outwards; azimuth : ndarray (e,), which way the ends look, radians.
    dark : ndarray (e,), bool; likely : so many of the first ends show what is usual.
    """
    first = Usual.unknown(dark)
    # cuts lean up and down as much as they lean sideways, and sideways is seen
    slope_sd = float(np.clip(1.4826 * np.median(np.abs(p[1, :likely])), SLOPE_SD, _WILDEST_SLOPE_SD))
    usual = Usual(slope_sd, first.face, first.face_sd, float(np.median(residual[:likely])))
    off = p[2, :likely] - lean[:likely]
    seen = np.flatnonzero((lean[:likely] < _SEEN_LEAN) & (p[2, :likely] < _SEEN_VIEW))
    sure = np.exp(-0.5 * (off[seen] / _AGREED) ** 2)
    if sure.sum() < _ENOUGH:
        return usual
    ways = np.linspace(-np.pi, np.pi, 25)
    apart = (azimuth[seen] - ways[:, None] + np.pi) % (2 * np.pi) - np.pi
    weight = np.exp(-0.5 * (apart / _SAME_WAY) ** 2) * sure
    face = np.append(p[3, seen], _median(p[3, seen], sure[None]))
    middle = _median(face, np.append(weight, np.full((len(ways), 1), _USUAL_ONES), 1))
    spread = [
        _median(off, w[None])[0] for off, w in zip(np.abs(face[:-1] - middle[:, None]), weight, strict=True)
    ]
    sd = np.clip(1.4826 * np.array(spread), *_FACE_SD)
    return Usual(slope_sd, np.interp(azimuth, ways, middle), np.interp(azimuth, ways, sd), usual.residual)


def _median(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the medians (k,) of values (n,) under each of some weights (k, n)."""
    order = np.argsort(values)
    run = np.cumsum(weights[:, order], 1)
    return np.asarray(values[order][(run >= run[:, -1:] / 2).argmax(1)], float)
