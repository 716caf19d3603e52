"""How sharp and how noisy a photo is, place by place, read from the ring's own printed edges and squares.

Everything in linear light of the green channel. The samples are the photo's own pixels (nothing is resampled,
which would widen the edges); each pixel's distance from the printed edge comes from the fitted camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge_calib.camera import Camera
from traygauge_calib.sheets import MARKER_SHARE, Sheet
from traygauge_calib.tray_view import LocalField
from traygauge_shared.light import LINEAR_OF_CODE

FloatArray = npt.NDArray[np.float64]

#: Standard deviation of the spread that printing itself gives an edge, mm, and how far it may be off (a good
#: laser print on plain paper; common practice, no source).
PRINT_SPREAD_MM, U_PRINT_SPREAD_MM = 0.03, 0.01

_BIN = 0.05  # width of a bin of the edge profile, in half reaches
_BINS = np.arange(-1.0 + _BIN / 2, 1.0, _BIN)


@dataclass(frozen=True, eq=False)
class RingQuality:
    """What the ring tells about the photo.

    Parameters
    ----------
    blur_px : the camera's blur, the print's own spread taken off: standard deviation of the edge spread, px.
    noise : standard deviation of one pixel's linear green light on the ring's flat parts.
    edge_spread : ndarray (k, 2): distance from the edge in units of the local spread as seen, response.
    white, black : LocalField of linear light on paper and on ink.
    clipped : share of the paper's pixels at full scale.
    """

    blur_px: LocalField
    noise: LocalField
    edge_spread: FloatArray
    white: LocalField
    black: LocalField
    clipped: float


@dataclass(frozen=True, eq=False)
class _Edges:
    """Printed edges: N straight pieces, dark on one side. Places and unit vectors across, sheet mm."""

    middle_mm: FloatArray
    along_mm: FloatArray
    across_mm: FloatArray


def ring_quality(
    grey: npt.NDArray[np.uint8], sheet: Sheet, camera: Camera, stretch: tuple[float, float] = (1.0, 1.0)
) -> RingQuality:
    """Return sharpness, noise and light of a photo from its sheet.

    Parameters
    ----------
    grey : ndarray (H, W), uint8, green channel, sRGB code values.
    sheet, camera, stretch : the sheet, the camera in true mm, the print's true over nominal lengths.
    """
    edges = _edges(sheet, np.asarray(stretch))
    reach = (1.0 - MARKER_SHARE) / 2.0 * sheet.square_mm * 0.95
    profile, filled, scale = _profiles(grey, camera, edges, reach)
    level, height, place, spread, good = _fit_steps(profile, filled)
    spread_px = spread * reach * scale
    own = np.sqrt(np.maximum(spread_px**2 - (PRINT_SPREAD_MM * scale) ** 2, 0.15**2))
    window = sheet.window_mm
    blur = field_of(edges.middle_mm[good], own[good], window)
    response = _response(profile, filled, level, height, place, spread, good)
    squares = _squares(grey, sheet, camera, np.asarray(stretch))
    return RingQuality(
        blur,
        _noise(squares, window),
        response,
        field_of(squares.middle_mm[~squares.dark], squares.light[~squares.dark], window),
        field_of(squares.middle_mm[squares.dark], squares.light[squares.dark], window),
        squares.clipped,
    )


def field_of(
    points_mm: FloatArray, values: FloatArray, window_mm: tuple[float, float, float, float]
) -> LocalField:
    """Return a smooth quadratic through values at points, robust against strays.

    Parameters
    ----------
    points_mm : ndarray (N, 2); values : ndarray (N,).
    """
    x0, y0, x1, y1 = window_mm
    centre, half = ((x0 + x1) / 2, (y0 + y1) / 2), ((x1 - x0) / 2, (y1 - y0) / 2)
    if len(values) < 12:
        return LocalField.constant(float(np.median(values)) if len(values) else float("nan"))
    u, v = (points_mm[:, 0] - centre[0]) / half[0], (points_mm[:, 1] - centre[1]) / half[1]
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], 1)
    weights = np.ones(len(values))
    ridge = np.diag([0.0, 0.01, 0.01, 0.1, 0.1, 0.1]) * len(values) * 0.05
    for _ in range(6):
        weighted = terms * weights[:, None]
        c = np.linalg.solve(weighted.T @ terms + ridge, weighted.T @ values)
        off = np.abs(values - terms @ c)
        weights = 1.0 / np.maximum(1.0, off / (1.5 * 1.4826 * np.median(off) + 1e-12))
    low, high = np.percentile(values, [2, 98])
    return LocalField(c, centre, half, float(low), float(high))


def _edges(sheet: Sheet, stretch: FloatArray) -> _Edges:
    """Return the square edges that run between neighbouring chess corners and outwards from them."""
    square = sheet.square_mm
    corners, signs = sheet.corners_mm, sheet.corner_signs
    middles, alongs, acrosses = [], [], []
    for along in (np.array([1.0, 0.0]), np.array([0.0, 1.0])):
        across = along[::-1]
        for way in (1.0, -1.0):
            middle = corners + along * way * square / 2
            # the side towards smaller x or y is dark where sign * way points that way
            turn = signs * way * (1.0 if along[0] else 1.0)
            middles.append(middle)
            alongs.append(np.broadcast_to(along, middle.shape))
            acrosses.append(-turn[:, None] * across * 1.0)
    middle, along, across = np.concatenate(middles), np.concatenate(alongs), np.concatenate(acrosses)
    _, first = np.unique(np.round(middle * 4).astype(int), axis=0, return_index=True)
    middle, along, across = middle[first], along[first], across[first]
    # an edge that ends at the window or the board's rim still has both squares beside it inside the ring
    x0, y0, x1, y1 = sheet.window_mm
    inside = (middle[:, 0] > x0 - 0.1) & (middle[:, 0] < x1 + 0.1)
    inside &= (middle[:, 1] > y0 - 0.1) & (middle[:, 1] < y1 + 0.1)
    return _Edges(middle[~inside] * stretch, along[~inside] * square * 0.35, across[~inside])


def _profiles(
    grey: npt.NDArray[np.uint8], camera: Camera, edges: _Edges, reach: float
) -> tuple[FloatArray, npt.NDArray[np.bool_], FloatArray]:
    """Return edge profiles (N, bins) in linear light, which bins are filled, and px per mm across each edge."""
    steps = np.linspace(-1, 1, 41)
    runs = np.linspace(-1, 1, 41)
    places_mm = (
        edges.middle_mm[:, None, None]
        + runs[None, :, None, None] * edges.along_mm[:, None, None]
        + steps[None, None, :, None] * reach * edges.across_mm[:, None, None]
    )
    here = camera.project(edges.middle_mm)
    along = (
        camera.project(edges.middle_mm + edges.along_mm) - camera.project(edges.middle_mm - edges.along_mm)
    ) / 2
    across = (
        camera.project(edges.middle_mm + reach * edges.across_mm)
        - camera.project(edges.middle_mm - reach * edges.across_mm)
    ) / 2
    normal = np.stack([-along[:, 1], along[:, 0]], 1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    normal *= np.sign((normal * across).sum(1, keepdims=True))
    width_px = (normal * across).sum(1)
    places = (
        here[:, None, None]
        + runs[None, :, None, None] * along[:, None, None]
        + steps[None, None, :, None] * across[:, None, None]
    )
    del places_mm
    pixel = np.rint(places).astype(np.int64)
    inside = (pixel >= 0).all(-1) & (pixel[..., 0] < grey.shape[1]) & (pixel[..., 1] < grey.shape[0])
    pixel[..., 0] = np.clip(pixel[..., 0], 0, grey.shape[1] - 1)
    pixel[..., 1] = np.clip(pixel[..., 1], 0, grey.shape[0] - 1)
    light = LINEAR_OF_CODE[grey[pixel[..., 1], pixel[..., 0]]]
    away = np.einsum("nasd,nd->nas", pixel - here[:, None, None], normal) / width_px[:, None, None]
    cell = np.floor((away + 1.0) / _BIN).astype(np.int64)
    use = inside & (cell >= 0) & (cell < len(_BINS))
    count = len(here) * len(_BINS)
    key = (np.arange(len(here))[:, None, None] * len(_BINS) + cell)[use]
    number = np.bincount(key, minlength=count).reshape(len(here), -1)
    total = np.bincount(key, light[use], minlength=count).reshape(len(here), -1)
    filled = number >= 4
    return total / np.maximum(number, 1), filled, width_px / reach


def _fit_steps(
    profile: FloatArray, filled: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Return level, height, place and spread (half reaches) of a blurred step through each profile, and fit or not."""
    weight = filled.astype(float)
    edge = np.abs(_BINS) > 0.75
    level = _mean(profile, weight * (edge & (_BINS < 0)))
    height = _mean(profile, weight * (edge & (_BINS > 0))) - level
    safe = np.where(np.abs(height) < 1e-3, 1e-3, height)
    place = np.zeros(len(profile))
    spread = np.full(len(profile), 0.15)
    for _ in range(12):
        t = (_BINS[None] - place[:, None]) / spread[:, None]
        model = _normal_integral(t)
        slope = np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)
        rows = np.stack(
            [
                np.ones_like(model),
                model,
                -safe[:, None] * slope / spread[:, None],
                -safe[:, None] * slope * t / spread[:, None],
            ],
            -1,
        )
        rest = profile - (level[:, None] + height[:, None] * model)
        normal = np.einsum("nbi,nb,nbj->nij", rows, weight, rows) + 1e-9 * np.eye(4)
        step = np.linalg.solve(normal, np.einsum("nbi,nb,nb->ni", rows, weight, rest)[..., None])[..., 0]
        level, height = level + step[:, 0], height + step[:, 1]
        safe = np.where(np.abs(height) < 1e-3, 1e-3, height)
        place = np.clip(place + np.clip(step[:, 2], -0.1, 0.1), -0.6, 0.6)
        spread = np.clip(spread + np.clip(step[:, 3], -0.05, 0.05), 0.01, 0.8)
    rest = profile - (level[:, None] + height[:, None] * model)
    misfit = np.sqrt(_mean(rest**2, weight))
    good = (height > 0.3 * np.median(height)) & (misfit < 0.15 * np.abs(height)) & (spread < 0.6)
    good &= (np.abs(place) < 0.4) & (filled.mean(1) > 0.4)
    return level, height, place, spread, good


def _mean(values: FloatArray, weight: FloatArray) -> FloatArray:
    result: FloatArray = (values * weight).sum(1) / np.maximum(weight.sum(1), 1e-9)
    return result


def _normal_integral(t: FloatArray) -> FloatArray:
    """Return the normal distribution function (Abramowitz and Stegun 26.2.17, error below 7.5e-8)."""
    x = np.abs(t)
    k = 1.0 / (1.0 + 0.2316419 * x)
    series = k * (0.319381530 + k * (-0.356563782 + k * (1.781477937 + k * (-1.821255978 + k * 1.330274429))))
    tail = np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi) * series
    return np.where(t > 0, 1.0 - tail, tail)


def _response(
    profile: FloatArray,
    filled: npt.NDArray[np.bool_],
    level: FloatArray,
    height: FloatArray,
    place: FloatArray,
    spread: FloatArray,
    good: npt.NDArray[np.bool_],
) -> FloatArray:
    """Return the mean edge response, ndarray (k, 2): distance in spreads, light from 0 (dark) to 1 (bright)."""
    t = ((_BINS[None] - place[:, None]) / spread[:, None])[good]
    share = ((profile - level[:, None]) / height[:, None])[good]
    grid = np.arange(-4.0, 4.01, 0.25)
    cell = np.rint((t + 4.0) / 0.25).astype(int)
    use = filled[good] & (cell >= 0) & (cell < len(grid))
    number = np.bincount(cell[use], minlength=len(grid))
    total = np.bincount(cell[use], share[use], minlength=len(grid))
    seen = number > 20
    return np.stack([grid[seen], total[seen] / number[seen]], 1)


@dataclass(frozen=True, eq=False)
class _Squares:
    middle_mm: FloatArray
    light: FloatArray
    noise: FloatArray
    dark: npt.NDArray[np.bool_]
    clipped: float


def _squares(grey: npt.NDArray[np.uint8], sheet: Sheet, camera: Camera, stretch: FloatArray) -> _Squares:
    """Return light and noise on the ring's black squares and on the paper just outside the board."""
    square, (width, height) = sheet.square_mm, sheet.board_mm
    i, j = np.meshgrid(np.arange(sheet.squares[0]), np.arange(sheet.squares[1]))
    middle = (np.stack([i, j], -1).reshape(-1, 2) + 0.5) * square
    x0, y0, x1, y1 = sheet.window_mm
    ring = (middle[:, 0] < x0) | (middle[:, 0] > x1) | (middle[:, 1] < y0) | (middle[:, 1] > y1)
    black = middle[ring & ((i + j).ravel() % 2 == 0)]
    run_x, run_y = np.arange(square / 2, width, square), np.arange(square / 2, height, square)
    rim = 0.4 * square
    white = np.concatenate(
        [np.stack([run_x, np.full_like(run_x, y)], 1) for y in (-rim, height + rim)]
        + [np.stack([np.full_like(run_y, x), run_y], 1) for x in (-rim, width + rim)]
    )
    light_b, noise_b, _ = _flat(grey, camera, black * stretch, 0.3 * square)
    light_w, noise_w, full = _flat(grey, camera, white * stretch, 0.2 * square)
    dark = np.r_[np.ones(len(black), bool), np.zeros(len(white), bool)]
    light, noise = np.r_[light_b, light_w], np.r_[noise_b, noise_w]
    seen = np.isfinite(light)
    return _Squares(
        np.concatenate([black, white])[seen], light[seen], noise[seen], dark[seen], float(np.nanmean(full))
    )


def _noise(squares: _Squares, window_mm: tuple[float, float, float, float]) -> LocalField:
    """Return the noise half way between ink and paper: the root mean square of both, place by place."""
    fields = [
        field_of(squares.middle_mm[side], squares.noise[side], window_mm)
        for side in (squares.dark, ~squares.dark)
    ]
    spots = squares.middle_mm
    return field_of(spots, np.sqrt(np.mean([field.at(spots) ** 2 for field in fields], 0)), window_mm)


def _flat(
    grey: npt.NDArray[np.uint8], camera: Camera, middle_mm: FloatArray, half_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return light, noise and share of full pixels of flat spots, each (N,); NaN outside the photo."""
    here = camera.project(middle_mm)
    size = np.linalg.norm(camera.project(middle_mm + [half_mm, 0.0]) - here, axis=1)
    half = int(np.clip(np.median(size) / np.sqrt(2.0), 1, 12))
    offsets = np.arange(-half, half + 1)
    column = np.rint(here[:, 0]).astype(int)[:, None, None] + offsets[None, None, :]
    row = np.rint(here[:, 1]).astype(int)[:, None, None] + offsets[None, :, None]
    inside = (column >= 0) & (row >= 0) & (column < grey.shape[1]) & (row < grey.shape[0])
    code = grey[np.clip(row, 0, grey.shape[0] - 1), np.clip(column, 0, grey.shape[1] - 1)]
    light = LINEAR_OF_CODE[code].astype(float)
    mean = light.mean((1, 2))
    y, x = np.meshgrid(offsets, offsets, indexing="ij")
    rest = light - mean[:, None, None]
    for tilt in (x, y):
        rest -= ((rest * tilt).sum((1, 2)) / (tilt**2).sum())[:, None, None] * tilt
    noise = np.sqrt((rest**2).sum((1, 2)) / max(x.size - 3, 1))
    whole = inside.all((1, 2))
    return (
        np.where(whole, mean, np.nan),
        np.where(whole, noise, np.nan),
        np.where(whole, (code >= 254).mean((1, 2)), np.nan),
    )
