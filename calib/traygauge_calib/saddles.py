"""Chess corners to a few hundredths of a pixel.

A chess corner is its own image when turned by half a turn, and stays so under any tone curve and any blur
that has no one-sided tail. Around each predicted corner four edges run outwards; each edge's place across
its run is read from the light integrated over it, and the errors that a threshold, a spreading ink or a
tone curve puts in have opposite signs on opposite edges: their mean is the corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]

_ARM = 0.4  # an edge is used from here to the patch's rim: away from the corner's own blur
_ROUNDS = 3  # patches are read anew around the corner found; one that still moves then is none
_FLAT = 0.7  # across an edge the light is level from here to the rim


@dataclass(frozen=True, eq=False)
class Saddles:
    """Corners read.

    Parameters
    ----------
    points_px : ndarray (N, 2), px; nonsense where not `good`.
    good : ndarray (N,), bool: four edges of the right sign that meet.
    """

    points_px: FloatArray
    good: npt.NDArray[np.bool_]


def refine_saddles(
    grey: npt.NDArray[np.uint8],
    points_px: FloatArray,
    axes_px: FloatArray,
    signs: FloatArray,
) -> Saddles:
    """Return chess corners near predicted ones.

    Parameters
    ----------
    grey : ndarray (H, W), uint8, sRGB code values.
    points_px : ndarray (N, 2), predicted to within a third of the reach.
    axes_px : ndarray (N, 2, 2): rows are the photo vectors of half a patch along the sheet's x and y; no other
        edge may run within the patch.
    signs : ndarray (N,): +1 where the top left square is dark, else -1.
    """
    points = points_px.copy()
    lengths = np.linalg.norm(axes_px, axis=2)
    reach = lengths.min(1)
    good = np.ones(len(points), bool)
    twist = np.full(len(points), np.inf)
    steps, sign = _steps(float(np.median(reach))), signs[:, None, None].astype(np.float32)
    for _ in range(_ROUNDS):
        patches, inside = _patches(grey, points, axes_px, steps)
        shift, twist_share, sound = _shift(patches * sign, steps)
        points = points + np.einsum("na,nad->nd", np.clip(shift, -0.5, 0.5), axes_px)
        twist = (np.abs(twist_share) * lengths).max(1)  # how far opposite edges disagree, px
        good = sound & inside
    strayed = np.linalg.norm(points - points_px, axis=1) > 0.7 * reach
    moved = np.abs(shift).max(1) > 0.1
    good &= ~strayed & ~moved & (twist < np.maximum(0.12 * reach, 1.0))
    return Saddles(points, good)


def _steps(reach_px: float) -> FloatArray:
    """Return sample places from -1 to 1, about a pixel apart."""
    half = int(np.clip(np.ceil(reach_px), 6, 24))
    return np.arange(-half, half + 1) / half


def _patches(
    grey: npt.NDArray[np.uint8], points: FloatArray, axes: FloatArray, steps: FloatArray
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Return linear light (N, S, S), row along y, bilinear, and whether each patch lies in the photo."""
    rightwards, downwards = steps.astype(np.float32)[None, None, :], steps.astype(np.float32)[None, :, None]
    start, right, down = (
        part.astype(np.float32)[..., None, None] for part in (points, axes[:, 0], axes[:, 1])
    )
    x, y = (start[:, k] + rightwards * right[:, k] + downwards * down[:, k] for k in (0, 1))
    height, width = grey.shape
    extent = np.abs(axes).sum(1)
    inside = ((points - extent >= 0) & (points + extent <= np.array([width - 1, height - 1]))).all(1)
    # places are rounded to 1/32 px here, which is no more than noise on the mean over a patch
    flat = (len(points), len(steps) ** 2)
    code = cv2.remap(
        grey, x.reshape(flat), y.reshape(flat), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return LINEAR_OF_CODE[code].reshape(x.shape), inside


def _shift(patches: FloatArray, steps: FloatArray) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Return the corner's place (N, 2) and the opposite edges' disagreement (N, 2), both in half patches.

    The patches are those of a corner whose top left is dark. The third answer: all four edges are there.
    """
    # means over either half, signed so that each edge is crossed from dark to bright: right and left edges run
    # along x and are crossed along y
    far = np.where(steps >= _ARM, -1.0, 0.0) / np.count_nonzero(steps >= _ARM)
    halves = np.stack([far, -far[::-1]]).astype(np.float32)
    profiles = np.concatenate([(patches @ halves.T).swapaxes(1, 2), halves @ patches], 1)
    (right, left, below, above), step = (part.T for part in _edge(profiles, steps))
    sound = (step > 0.35 * step.max(0)).all(0) & (step.min(0) > 0.01)
    place = np.stack([below + above, right + left], 1) / 2
    apart = np.stack([below - above, right - left], 1) / 2
    return place, apart, sound


def _edge(profiles: FloatArray, steps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where each rising profile (..., S) steps, in half patches, and how high the step is."""
    start = profiles[..., steps <= -_FLAT].mean(-1)
    step = profiles[..., steps >= _FLAT].mean(-1) - start
    share = (profiles - start[..., None]) / np.where(np.abs(step) < 1e-6, 1e-6, step)[..., None]
    integral = (share.sum(-1) - (share[..., 0] + share[..., -1]) / 2) * (steps[1] - steps[0])
    return 1.0 - integral, step
