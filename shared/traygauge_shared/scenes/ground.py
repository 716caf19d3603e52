"""The floor: sheet, window, table, litter, and the light that reaches it between the pieces."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.camera import SceneCamera
from traygauge_shared.scenes.coverage import loop_edges, polygon_coverage
from traygauge_shared.scenes.setting import Board, Hair, Lamp, Lighting, Litter, Scratch, Sheet
from traygauge_shared.scenes.things import colour_rgb

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

_MAP_STEP = 8  # px between the exactly computed places of a picture-to-floor map
_SKY_DIRECTIONS = 14


def board_rectangles(board: Board) -> FloatArray:
    """Return the black rectangles of the ring, ndarray (n, 4): x0, y0, x1, y1, mm on the board as designed."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    side = board.square_mm * board.marker_ratio
    across, down = board.squares
    ids = np.arange(board.first_id, board.first_id + across * down // 2)
    charuco = cv2.aruco.CharucoBoard(board.squares, board.square_mm, side, dictionary, ids)
    modules = dictionary.markerSize + 2
    found: list[npt.NDArray[np.float64]] = []
    white = np.zeros((down, across), bool)
    for corners, marker in zip(charuco.getObjPoints(), np.ravel(charuco.getIds()), strict=True):
        x, y = corners[0][:2]
        column, row = int(x // board.square_mm), int(y // board.square_mm)
        white[row, column] = True
        if _in_ring(board, column, row):
            bits = cv2.aruco.generateImageMarker(dictionary, int(marker), modules) == 0
            found.append(_runs(bits) * (side / modules) + np.array([x, y, x, y]))
    for row, column in np.argwhere(~white):
        if _in_ring(board, int(column), int(row)):
            found.append(board.square_mm * np.array([[column, row, column + 1, row + 1]], float))
    return np.concatenate(found)


def _in_ring(board: Board, column: int, row: int) -> bool:
    across, down = board.squares
    return min(column, row, across - 1 - column, down - 1 - row) < board.ring


def _runs(bits: npt.NDArray[np.bool_]) -> FloatArray:
    """Return the runs of set bits in each row as rectangles, ndarray (n, 4)."""
    padded = np.pad(bits, ((0, 0), (1, 1))).astype(np.int8)
    row, begin = np.nonzero(np.diff(padded, axis=1) == 1)
    _, end = np.nonzero(np.diff(padded, axis=1) == -1)
    return np.stack([begin, row, end, row + 1], -1).astype(float)


class Picture:
    """Where the floor lies in the picture: exact contours, and a map back for smooth fields."""

    def __init__(self, camera: SceneCamera, sheet: Sheet) -> None:
        self.camera, self.sheet = camera, sheet
        self.width, self.height = camera.width, camera.height

    def cover(self, loops_mm: FloatArray, *, parts: int = 4, curled: bool = False) -> Image:
        """Return the area of each pixel covered by loops (n, k, 2) of floor points, edges cut in `parts`."""
        t = np.arange(parts)[:, None] / parts
        ahead = np.roll(loops_mm, -1, axis=1)[:, :, None]
        fine = (loops_mm[:, :, None] * (1 - t) + ahead * t).reshape(len(loops_mm), -1, 2)
        height = self._curl(fine[..., 0]) if curled else np.zeros(fine.shape[:2])
        px = self.camera.project(np.concatenate([fine, height[..., None]], -1)) + 0.5
        return polygon_coverage(loop_edges(px), self.width, self.height)

    def _curl(self, x_mm: FloatArray) -> FloatArray:
        if self.sheet.board is None or self.sheet.curl_mm == 0:
            return np.zeros_like(x_mm)
        half = self.sheet.board.size_mm[0] / 2
        return np.asarray(self.sheet.curl_mm * ((x_mm - half) / half) ** 2)

    def floor_map(self) -> tuple[Image, Image]:
        """Return the sheet x and y that each pixel's centre sees, ndarray (height, width), float32, mm."""
        step = _MAP_STEP
        rows, columns = -(-self.height // step) + 2, -(-self.width // step) + 2
        u = (np.arange(columns) - 0.5) * step - 0.5  # middles of the blocks, one block around for the rims
        v = (np.arange(rows) - 0.5) * step - 0.5
        coarse = self.camera.to_height(np.stack(np.meshgrid(u, v), -1)).astype(np.float32)
        x, y = (
            cv2.resize(coarse[..., k], None, fx=step, fy=step, interpolation=cv2.INTER_LINEAR)[
                step : step + self.height, step : step + self.width
            ].astype(np.float32)
            for k in range(2)
        )
        return x, y


def _rectangles_as_loops(rectangles: FloatArray) -> FloatArray:
    x0, y0, x1, y1 = rectangles.T
    return np.stack([x0, y0, x1, y0, x1, y1, x0, y1], -1).reshape(-1, 4, 2)


def reflectance(picture: Picture, litter: Sequence[Litter], rng: np.random.Generator) -> Image:
    """Return the floor's linear reflectance, ndarray (height, width, 3), float32."""
    sheet = picture.sheet
    window = np.array(colour_rgb(sheet.window), np.float32)
    out = np.empty((picture.height, picture.width, 3), np.float32)
    if sheet.board is None:
        out[:] = window
    else:
        table = np.array(colour_rgb(sheet.table), np.float32)
        paper, ink = np.array(sheet.paper, np.float32), np.array(sheet.ink, np.float32)
        stretch = np.tile(sheet.board.stretch, 2)
        (across, down), m = sheet.board.size_mm, sheet.margin_mm
        page = np.array([[-m, -m, across + m, down + m]])
        layers = (page, board_rectangles(sheet.board), np.array([sheet.board.window_mm]))
        for k, rectangles in enumerate(layers):
            loops = _rectangles_as_loops(rectangles * stretch)
            out[..., k] = picture.cover(loops, parts=4 if len(rectangles) > 1 else 64, curled=True)
        # each layer replaces what lies under it, so reflectance is linear in the three areas
        steps = np.stack([paper - table, ink - paper, window - paper, table], 1)
        out = np.asarray(cv2.transform(out, steps), np.float32)
    _add_litter(out, picture, litter)
    if sheet.texture:
        mottle = _mottle(picture.height, picture.width, rng) * np.float32(sheet.texture)
        if sheet.streaks:
            band = cv2.GaussianBlur(
                rng.standard_normal((picture.height, 1)).astype(np.float32), (1, 0), 0, sigmaY=1.5
            )
            mottle += np.float32(sheet.streaks) * band / band.std()
        mottle += 1
        for k in range(3):
            out[..., k] *= mottle
    return out


def _mottle(height: int, width: int, rng: np.random.Generator) -> Image:
    """Return paper mottle of unit standard deviation: a fine grain and a coarse one."""
    fine = cv2.GaussianBlur(rng.standard_normal((height // 2 + 1, width // 2 + 1), np.float32), (0, 0), 0.8)
    coarse = cv2.GaussianBlur(rng.standard_normal((height // 8 + 1, width // 8 + 1), np.float32), (0, 0), 2.5)
    grains = (0.8 * fine / fine.std(), 0.6 * cv2.resize(coarse / coarse.std(), fine.shape[::-1]))
    return np.asarray(cv2.resize(grains[0] + grains[1], (width, height)), np.float32)


def _add_litter(out: Image, picture: Picture, litter: Sequence[Litter]) -> None:
    for thing in litter:
        if isinstance(thing, Scratch):
            loop = _ribbon(
                _curl_line(thing.x_mm, thing.y_mm, thing.length_mm, thing.axis_deg, 0.0), thing.width_mm
            )
            out *= 1 + thing.strength * picture.cover(loop[None], parts=1)[..., None]
            continue
        if isinstance(thing, Hair):
            line = _curl_line(thing.x_mm, thing.y_mm, thing.length_mm, thing.axis_deg, thing.turn_deg)
            loop = _ribbon(line, thing.width_mm)
        else:
            a = np.linspace(0, 2 * np.pi, 16, endpoint=False)
            loop = thing.size_mm / 2 * np.stack([np.cos(a), np.sin(a)], -1) + [thing.x_mm, thing.y_mm]
        cover = np.clip(np.abs(picture.cover(loop[None], parts=1)), 0, 1)[..., None]
        out += cover * (np.array(colour_rgb(thing.colour), np.float32) - out)


def _curl_line(x: float, y: float, length: float, axis_deg: float, turn_deg: float) -> FloatArray:
    """Return a line (n, 2) that turns more and more: a hair."""
    t = np.linspace(-0.5, 0.5, 60)
    way = np.radians(axis_deg + turn_deg * (t + 1.5 * t**2))
    step = length / len(t)
    line = np.cumsum(np.stack([np.cos(way), np.sin(way)], -1) * step, 0)
    return np.asarray(line - line.mean(0) + [x, y])


def _ribbon(line: FloatArray, width: float) -> FloatArray:
    """Return the outline (2 n, 2) of a line with a width, clockwise in the picture."""
    along = np.gradient(line, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    side = np.stack([-along[:, 1], along[:, 0]], -1) * width / 2
    return np.concatenate([line - side, (line + side)[::-1]])


def lamp_vector(lamp: Lamp) -> FloatArray:
    """Return the unit vector (3,) towards a lamp."""
    az, el = np.radians([lamp.azimuth_deg, lamp.elevation_deg])
    return np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])


def lamp_directions(lamp: Lamp) -> FloatArray:
    """Return unit vectors (n, 3) towards a lamp, spread evenly over its disc."""
    count = 1 if lamp.spread_deg < 0.2 else 5 if lamp.spread_deg < 3 else 10
    to, az = lamp_vector(lamp), np.radians(lamp.azimuth_deg)
    u = np.array([-np.sin(az), np.cos(az), 0.0])
    v = np.cross(to, u)
    i = np.arange(count) + 0.5
    radius, turn = np.sqrt(i / count) * np.tan(np.radians(lamp.spread_deg)), i * np.pi * (3 - np.sqrt(5))
    if count == 1:
        radius = radius * 0
    out = to + radius[:, None] * (np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v)
    out[:, 2] = np.maximum(out[:, 2], 0.05)
    return np.asarray(out / np.linalg.norm(out, axis=1, keepdims=True))


def sky_directions() -> FloatArray:
    """Return unit vectors (n, 3) spread over the half sphere as an even sky lights a floor (cosine weighted)."""
    i = np.arange(_SKY_DIRECTIONS) + 0.5
    radius, turn = np.sqrt(i / _SKY_DIRECTIONS * 0.94), i * np.pi * (3 - np.sqrt(5))
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), np.sqrt(1 - radius**2)], -1)


class FloorLight:
    """The irradiance of the floor around the pieces, on a grid of its own.

    Parameters
    ----------
    occluders : point sets (n, 3), each taken for its convex hull, and how much light each takes away (0..1).
    grid_px_per_mm : of the grid; shadows of hard lights need the picture's own scale.
    drop_mm : how far the lit background lies below the pieces' plane (a scanner's lid).
    """

    def __init__(
        self,
        light: Lighting,
        occluders: Sequence[tuple[FloatArray, float]],
        grid_px_per_mm: float,
        drop_mm: float = 0.0,
    ) -> None:
        self.open_light = open_floor_light(light)
        self.scale = grid_px_per_mm
        self.grid: Image | None = None
        if not occluders:
            return
        points = np.concatenate([p for p, _ in occluders])
        self.dark = [dark for _, dark in occluders]
        reach = 6.0 + 2 * drop_mm + 2 * float(points[:, 2].max() - points[:, 2].min())
        low, high = points[:, :2].min(0) - reach, points[:, :2].max(0) + reach
        self.origin = low
        self.shape = tuple(np.ceil((high - low) * grid_px_per_mm).astype(int))
        ends = np.cumsum([len(p) for p, _ in occluders])[:-1]
        height = points[:, 2:] + drop_mm
        grid = np.zeros((self.shape[1], self.shape[0], 3), np.float32)
        for directions, power in _sources(light):
            shade = np.zeros(grid.shape[:2], np.float32)
            for to in directions:
                fallen = points[:, :2] - height * to[:2] / to[2]
                shade += self._shadow(np.split((fallen - low) * grid_px_per_mm, ends))
            soft = 0.10 if len(directions) > 5 else 0.02
            shade = cv2.GaussianBlur(
                shade / np.float32(len(directions)), (0, 0), max(soft * grid_px_per_mm, 0.3)
            )
            grid += (1 - shade)[..., None] * power.astype(np.float32)
        self.grid = grid

    def _shadow(self, loops: list[FloatArray]) -> Image:
        hulls = [cv2.convexHull(loop.astype(np.float32))[:, 0].astype(float) for loop in loops]
        weight = np.repeat(self.dark, [len(hull) for hull in hulls])
        edges = np.concatenate([loop_edges(hull) for hull in hulls])
        cover = polygon_coverage(edges, self.shape[0], self.shape[1], weight)
        return np.minimum(np.abs(cover), np.float32(1))

    def at(self, x_mm: npt.NDArray[np.float32], y_mm: npt.NDArray[np.float32]) -> Image:
        """Return the irradiance (..., 3) at floor points; beyond the grid the open floor's."""
        if self.grid is None:
            return np.broadcast_to(self.open_light.astype(np.float32), (*x_mm.shape, 3))
        u = (x_mm - np.float32(self.origin[0])) * np.float32(self.scale) - np.float32(0.5)
        v = (y_mm - np.float32(self.origin[1])) * np.float32(self.scale) - np.float32(0.5)
        return cv2.remap(
            self.grid,
            u,
            v,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=tuple(float(c) for c in self.open_light),
        ).astype(np.float32)


def _sources(light: Lighting) -> list[tuple[FloatArray, FloatArray]]:
    """Return each light as directions (n, 3) and the irradiance (3,) it gives the open floor."""
    out = [
        (lamp_directions(lamp), lamp.strength * np.sin(np.radians(lamp.elevation_deg)) * np.array(lamp.tint))
        for lamp in light.lamps
    ]
    if light.ambient:
        out.append((sky_directions(), light.ambient * np.array(light.ambient_tint)))
    return out


def open_floor_light(light: Lighting) -> FloatArray:
    """Return the irradiance (3,) of the floor where nothing stands in the light."""
    return np.asarray(sum((power for _, power in _sources(light)), np.zeros(3)))
