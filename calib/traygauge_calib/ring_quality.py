"""How sharp, noisy and evenly lit a photo is, place by place, read from the ring's own edges and squares.

Everything in linear light of the green channel, from the photo's own pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge_calib.camera import Camera
from traygauge_calib.edges import Profiles, Sharpening, Steps, find_sharpening, fit_steps, profile_edges
from traygauge_calib.pose import Marks
from traygauge_calib.sheets import MARKER_SHARE, Sheet
from traygauge_calib.tray_view import LocalField
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]
Window = tuple[float, float, float, float]

#: Standard deviation of the spread that printing itself gives an edge, mm (a good laser print on plain paper;
#: common practice, no source).
PRINT_SPREAD_MM = 0.03
#: No camera's edge is sharper than its pixel: standard deviation of a box one pixel wide, px.
PIXEL_SPREAD_PX = 1.0 / np.sqrt(12.0)


@dataclass(frozen=True, eq=False)
class RingEdges:
    """The ring's printed edges as seen.

    Parameters
    ----------
    middle_mm : ndarray (N, 2), nominal sheet places of their middles.
    profiles, steps : the light across them, and the blurred steps fitted to it.
    sharpening : what the camera's sharpening adds.
    px_per_mm : ndarray (N,), scale across each edge.
    """

    middle_mm: FloatArray
    profiles: Profiles
    steps: Steps
    sharpening: Sharpening
    px_per_mm: FloatArray

    @property
    def marks(self) -> Marks:
        """Return the places of the edges that are clear steps, for the pose."""
        good, normal = self.steps.good, self.profiles.normal_px
        seen = self.profiles.here_px + normal * self.steps.place_px[:, None]
        return Marks(self.middle_mm[good], seen[good], normal[good])


@dataclass(frozen=True, eq=False)
class RingQuality:
    """What the ring tells about the photo.

    Parameters
    ----------
    blur_px : spread of an ideally sharp edge in this photo: half the distance between 16 % and 84 % of its step,
        px. What printing spreads the ring's edges is taken off.
    edge_spread : ndarray (k, 2): distance from an edge in units of `blur_px`, response of the light.
    noise : standard deviation of one pixel's linear green light, between ink and paper.
    white, black : linear light of paper and ink.
    clipped : share of the paper's pixels at full scale.
    overshoot : of the edge response beyond the bright side's level, as a share of the step.
    """

    blur_px: LocalField
    edge_spread: FloatArray
    noise: LocalField
    white: LocalField
    black: LocalField
    clipped: float
    overshoot: float


def read_ring_edges(
    grey: npt.NDArray[np.uint8], sheet: Sheet, camera: Camera, stretch: tuple[float, float] = (1.0, 1.0)
) -> RingEdges:
    """Return the ring's printed edges in a photo.

    Parameters
    ----------
    grey : ndarray (H, W), uint8, one channel, sRGB code values.
    sheet, camera, stretch : the sheet, a camera in true mm good to a pixel, true over nominal lengths.
    """
    middle, along, across = _edge_places(sheet)
    scale = np.asarray(stretch)

    def photo(points_mm: FloatArray) -> FloatArray:
        return camera.project(points_mm * scale)

    margin_mm = (1.0 - MARKER_SHARE) / 2.0 * sheet.square_mm  # of white, up to the marker
    reach_mm = 0.95 * margin_mm
    here = photo(middle)
    along_px = (photo(middle + along) - photo(middle - along)) / 2.0
    across_px = (photo(middle + reach_mm * across) - photo(middle - reach_mm * across)) / 2.0
    profiles = profile_edges(grey, here, along_px, across_px, margin=margin_mm / reach_mm)
    plain = fit_steps(profiles)
    sharpening = find_sharpening(profiles, plain)
    steps = fit_steps(profiles, sharpening, start=plain, rounds=3)
    return RingEdges(middle, profiles, steps, sharpening, profiles.reach_px / reach_mm)


def ring_quality(
    grey: npt.NDArray[np.uint8], sheet: Sheet, camera: Camera, stretch: tuple[float, float], edges: RingEdges
) -> RingQuality:
    """Return sharpness, noise and light of a photo (arguments as for `read_ring_edges`)."""
    window = sheet.window_mm
    good = edges.steps.good
    spread, sharpening = edges.steps.spread_px, edges.sharpening
    if np.count_nonzero(good) < 12:  # steps too soft to be seen as such: as soft as could still be told
        good, sharpening = np.ones_like(good), Sharpening()
        spread = np.maximum(spread, 0.5 * edges.profiles.reach_px)
    print_px = edges.px_per_mm * PRINT_SPREAD_MM
    blur, response, overshoot = sharpness(
        edges.middle_mm[good], spread[good], print_px[good], sharpening, window
    )
    spots = _flat_spots(grey, sheet, camera, np.asarray(stretch))
    dark, middle = spots.dark, spots.middle_mm
    noises = [field_of(middle[side], spots.noise[side], window) for side in (dark, ~dark)]
    both = np.sqrt(np.mean([field.at(middle) ** 2 for field in noises], 0))
    return RingQuality(
        blur,
        response,
        field_of(middle, both, window),
        field_of(middle[~dark], spots.light[~dark], window),
        field_of(middle[dark], spots.light[dark], window),
        spots.clipped,
        overshoot,
    )


def sharpness(
    points_mm: FloatArray,
    spread_px: FloatArray,
    print_px: FloatArray,
    sharpening: Sharpening,
    window_mm: Window,
) -> tuple[LocalField, FloatArray, float]:
    """Return the blur of an ideally sharp edge as a field, its response (k, 2), and the overshoot.

    Parameters
    ----------
    points_mm, spread_px : ndarray (N, 2), (N,): places and spreads of edges, sharpening taken off.
    print_px : ndarray (N,): what of the spread the edges brought with them.
    """
    squared = field_of(points_mm, spread_px**2 - print_px**2, window_mm)
    grid = _grid(window_mm)
    own = np.sqrt(np.maximum(squared.at(grid), PIXEL_SPREAD_PX**2))
    middle = float(np.median(own))
    distance = np.linspace(-6.0, 6.0, 241) * middle
    response = sharpening.response(distance, np.array(middle))
    low, high = (_crossing(distance, response, level) for level in (0.1587, 0.8413))
    half = (high - low) / 2.0
    blur = field_of(grid, own * (half / middle), window_mm)
    shown = np.stack([distance / half, response], 1)[::4]
    return blur, shown[np.abs(shown[:, 0]) <= 5.0], float(response.max() - 1.0)


def _crossing(distance: FloatArray, response: FloatArray, level: float) -> float:
    """Return where a finely sampled response first reaches a level, straight between its samples."""
    k = int(np.argmax(response >= level))
    return float(np.interp(level, response[k - 1 : k + 1], distance[k - 1 : k + 1]))


def field_of(points_mm: FloatArray, values: FloatArray, window_mm: Window) -> LocalField:
    """Return a smooth quadratic through values (N,) at points (N, 2), robust against strays."""
    x0, y0, x1, y1 = window_mm
    centre, half = ((x0 + x1) / 2, (y0 + y1) / 2), ((x1 - x0) / 2, (y1 - y0) / 2)
    if len(values) < 12:
        return LocalField.constant(float(np.median(values)) if len(values) else 0.0)
    u, v = (points_mm[:, 0] - centre[0]) / half[0], (points_mm[:, 1] - centre[1]) / half[1]
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], 1)
    weights = np.ones(len(values))
    # a weak pull towards a constant: values known along the ring only must not run away in the middle
    pull = np.diag([0.0, 0.001, 0.001, 0.01, 0.01, 0.01]) * len(values)
    for _ in range(5):
        weighted = terms * weights[:, None]
        c = np.linalg.solve(weighted.T @ terms + pull, weighted.T @ values)
        off = np.abs(values - terms @ c)
        weights = 1.0 / np.maximum(1.0, off / (2.2 * np.median(off) + 1e-12))
    fitted = terms @ c
    return LocalField(c, centre, half, float(fitted.min()), float(fitted.max()))


def _grid(window_mm: Window) -> FloatArray:
    """Return 7 x 7 points over the window, ndarray (49, 2), mm."""
    x0, y0, x1, y1 = window_mm
    x, y = np.meshgrid(np.linspace(x0, x1, 7), np.linspace(y0, y1, 7))
    return np.stack([x.ravel(), y.ravel()], 1)


def _edge_places(sheet: Sheet) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return middles (N, 2), half runs (N, 2) and unit vectors towards the bright side (N, 2), nominal mm.

    They are the edges between two squares of the ring that meet in a chess corner, each once. A run stays
    clear of the corners at its ends.
    """
    square = sheet.square_mm
    middles, alongs, acrosses = [], [], []
    for along in np.eye(2):
        for way in (1.0, -1.0):
            middles.append(sheet.corners_mm + along * way * square / 2)
            alongs.append(np.broadcast_to(along * 0.35 * square, middles[-1].shape))
            acrosses.append(-(sheet.corner_signs * way)[:, None] * along[::-1])
    middle, along, across = (np.concatenate(part) for part in (middles, alongs, acrosses))
    _, first = np.unique(np.rint(2.0 * middle / square).astype(np.int64), axis=0, return_index=True)
    middle, along, across = middle[first], along[first], across[first]
    x0, y0, x1, y1 = sheet.window_mm
    inside = (middle > [x0, y0]).all(1) & (middle < [x1, y1]).all(1)
    return middle[~inside], along[~inside], across[~inside]


@dataclass(frozen=True, eq=False)
class _FlatSpots:
    middle_mm: FloatArray
    light: FloatArray
    noise: FloatArray
    dark: npt.NDArray[np.bool_]
    clipped: float


def _flat_spots(grey: npt.NDArray[np.uint8], sheet: Sheet, camera: Camera, stretch: FloatArray) -> _FlatSpots:
    """Return light and noise on the ring's black squares and on the paper just outside the board."""
    square, (width, height) = sheet.square_mm, sheet.board_mm
    i, j = np.meshgrid(np.arange(sheet.squares[0]), np.arange(sheet.squares[1]))
    middle = (np.stack([i, j], -1).reshape(-1, 2) + 0.5) * square
    x0, y0, x1, y1 = sheet.window_mm
    ring = (middle < [x0, y0]).any(1) | (middle > [x1, y1]).any(1)
    black = middle[ring & ((i + j).ravel() % 2 == 0)]
    rim = 0.25 * square
    run_x, run_y = np.arange(square / 2, width, square), np.arange(square / 2, height, square)
    white = np.concatenate(
        [np.stack([run_x, np.full_like(run_x, y)], 1) for y in (-rim, height + rim)]
        + [np.stack([np.full_like(run_y, x), run_y], 1) for x in (-rim, width + rim)]
    )
    spots = np.asarray(np.concatenate([black, white]), float)
    light, noise, full = _read_flat(grey, camera, spots * stretch, 0.2 * square)
    dark = np.arange(len(spots)) < len(black)
    seen = np.isfinite(light)
    clipped = float(np.nanmean(full[~dark & seen])) if (~dark & seen).any() else 0.0
    return _FlatSpots(spots[seen], light[seen], noise[seen], dark[seen], clipped)


def _read_flat(
    grey: npt.NDArray[np.uint8], camera: Camera, middle_mm: FloatArray, half_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return light, noise and share of full pixels of flat spots, each (N,); NaN outside the photo."""
    here = camera.project(middle_mm)
    size = np.linalg.norm(camera.project(middle_mm + np.array([half_mm, 0.0])) - here, axis=1)
    half = int(np.clip(np.median(size) / np.sqrt(2.0), 1, 10))
    offsets = np.arange(-half, half + 1)
    column = np.rint(here[:, 0]).astype(int)[:, None, None] + offsets[None, None, :]
    row = np.rint(here[:, 1]).astype(int)[:, None, None] + offsets[None, :, None]
    inside = (column >= 0) & (row >= 0) & (column < grey.shape[1]) & (row < grey.shape[0])
    code = grey[np.clip(row, 0, grey.shape[0] - 1), np.clip(column, 0, grey.shape[1] - 1)]
    light = LINEAR_OF_CODE[code].astype(float)
    # what is left of the light without its mean and its slopes, by Pythagoras
    y, x = np.meshgrid(offsets, offsets, indexing="ij")
    terms = np.stack([np.ones(x.size), x.ravel(), y.ravel()], 1)
    plane = terms / np.linalg.norm(terms, axis=0)
    flat = light.reshape(len(light), -1)
    mean = flat.mean(1)
    rest = (flat**2).sum(1) - ((flat @ plane) ** 2).sum(1)
    noise = np.sqrt(np.maximum(rest, 0.0) / max(x.size - 3, 1))
    full = (code >= 254).mean((1, 2))
    whole = inside.all((1, 2))
    return tuple(np.where(whole, value, np.nan) for value in (mean, noise, full))  # type: ignore[return-value]
