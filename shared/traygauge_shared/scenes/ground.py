"""The floor: sheet, window, table and litter."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.camera import SceneCamera
from traygauge_shared.scenes.coverage import loop_edges, polygon_coverage
from traygauge_shared.scenes.setting import Board, Hair, Litter, Scratch, Sheet
from traygauge_shared.scenes.things import colour_rgb

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

_MAP_STEP = 8  # px between the exactly computed places of a picture-to-floor map


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

    def cover_near(self, loop_mm: FloatArray) -> tuple[tuple[slice, slice], Image]:
        """Return rows and columns around a loop (k, 2) of floor points, and the area of each pixel there that it covers."""
        px = self.camera.project(np.concatenate([loop_mm, np.zeros((len(loop_mm), 1))], -1)) + 0.5
        size = np.array([self.width, self.height])
        low = np.clip(np.floor(px.min(0)), 0, size - 1).astype(int)
        high = np.clip(np.ceil(px.max(0)), low + 1, size).astype(int)
        at = slice(low[1], high[1]), slice(low[0], high[0])
        return at, polygon_coverage(loop_edges(px - low), *(high - low).tolist())

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
            at, cover = picture.cover_near(loop)
            out[at] *= 1 + thing.strength * cover[..., None]
            continue
        if isinstance(thing, Hair):
            line = _curl_line(thing.x_mm, thing.y_mm, thing.length_mm, thing.axis_deg, thing.turn_deg)
            loop = _ribbon(line, thing.width_mm)
        else:
            a = np.linspace(0, 2 * np.pi, 16, endpoint=False)
            loop = thing.size_mm / 2 * np.stack([np.cos(a), np.sin(a)], -1) + [thing.x_mm, thing.y_mm]
        at, cover = picture.cover_near(loop)
        share = np.clip(np.abs(cover), 0, 1)[..., None]
        out[at] += share * (np.array(colour_rgb(thing.colour), np.float32) - out[at])


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
