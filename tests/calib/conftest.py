"""Sheets drawn through known cameras.

The board comes from OpenCV's own `generateImage`, the camera is OpenCV's (`projectPoints`, `undistortPoints`): nothing
of the code under test takes part in the drawing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline

from traygauge_shared.photo import Photo

# as printed, and never to change: squares, square mm, first marker id
BOARDS = {"medium": ((32, 22), 6.0, 0), "large": ((30, 22), 8.0, 352), "small": ((22, 16), 6.0, 700)}
TEXELS = 16  # per mm
MARGIN_MM = 8
PAPER, INK = 0.80, 0.035  # linear reflectance


@dataclass(frozen=True)
class View:
    """What is drawn; see `draw`."""

    sheet: str = "small"
    size: tuple[int, int] = (1280, 960)
    focal_35mm: float = 28.0
    off_centre: tuple[float, float] = (0.0, 0.0)  # principal point from the middle, px
    k1: float = 0.0
    tilt_deg: float = 4.0
    azimuth_deg: float = 30.0
    roll_deg: float = 2.0
    fill: float = 0.85
    aim_mm: tuple[float, float] = (1.5, -1.0)
    window: float = 0.05
    blur_px: float = 0.6
    noise: float = 0.004
    sharpen: float = 0.0
    gradient: float = 1.0  # right rim's light over the left rim's
    light: float = 0.9
    curl_mm: float = 0.0
    stretch: tuple[float, float] = (1.0, 1.0)
    blank: bool = True
    seed: int = 1


@dataclass(frozen=True)
class Drawing:
    """A drawn photo and OpenCV's camera that took it. `foot_mm` and `height_mm` after the sheet's coordinates."""

    photo: Photo
    matrix: np.ndarray
    terms: np.ndarray
    rvec: np.ndarray
    tvec: np.ndarray

    @property
    def centre_mm(self) -> np.ndarray:
        centre = -cv2.Rodrigues(self.rvec)[0].T @ self.tvec
        return np.array([centre[0], centre[1], -centre[2]])

    def project(self, points_mm: np.ndarray, height_mm: float = 0.0) -> np.ndarray:
        points = np.atleast_2d(np.asarray(points_mm, float))
        solid = np.column_stack([points, np.full(len(points), -height_mm)])
        return cv2.projectPoints(solid, self.rvec, self.tvec, self.matrix, self.terms)[0].reshape(-1, 2)


def cv_board(name: str) -> cv2.aruco.CharucoBoard:
    squares, square, first = BOARDS[name]
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    ids = np.arange(first, first + squares[0] * squares[1] // 2, dtype=np.int32)
    return cv2.aruco.CharucoBoard(squares, square, 0.75 * square, words, ids)


@lru_cache(maxsize=16)
def texture(name: str, window: float, blank: bool) -> np.ndarray:
    """Return the sheet's linear reflectance, float32, `TEXELS` a mm, a margin of paper around the board."""
    squares, square, _ = BOARDS[name]
    size = tuple(int(n * square * TEXELS) for n in squares)
    white = cv_board(name).generateImage(size, marginSize=0, borderBits=1) > 127
    light = np.where(white, PAPER, INK).astype(np.float32)
    if blank:
        ring = int(2 * square * TEXELS)
        light[ring:-ring, ring:-ring] = window
    rim = MARGIN_MM * TEXELS
    return cv2.copyMakeBorder(light, rim, rim, rim, rim, cv2.BORDER_CONSTANT, value=PAPER)


def draw(view: View) -> Drawing:
    squares, square, _ = BOARDS[view.sheet]
    board = np.array(squares) * square
    width, height = view.size
    focal = view.focal_35mm / 43.2666 * np.hypot(width, height)
    matrix = np.array(
        [
            [focal, 0, (width - 1) / 2 + view.off_centre[0]],
            [0, focal, (height - 1) / 2 + view.off_centre[1]],
            [0, 0, 1.0],
        ]
    )
    terms = np.array([view.k1, 0, 0, 0, 0.0])
    long_side = max(board[0] + 2 * MARGIN_MM, (board[1] + 2 * MARGIN_MM) * 4 / 3)
    distance = focal * long_side / (max(width, height) * view.fill)
    tilt, azimuth = np.radians([view.tilt_deg, view.azimuth_deg])
    aim = np.array([*(board / 2 + view.aim_mm), 0.0])
    toward = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), -np.cos(tilt)])
    centre = aim + distance * toward
    roll = np.radians(view.roll_deg)
    down = np.array([-np.sin(roll), np.cos(roll), 0.0])
    right = np.cross(down, -toward)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(-toward, right), -toward])
    light = _paint(view, matrix, terms, rotation, centre)
    pixels = _develop(view, light)
    photo = Photo(
        "drawn.jpg", "0" * 64, pixels, "JPEG", round(view.focal_35mm), None, True, "Drawn D1", 1.0, view.size
    )
    return Drawing(photo, matrix, terms, cv2.Rodrigues(rotation)[0].ravel(), -rotation @ centre)


def _paint(
    view: View, matrix: np.ndarray, terms: np.ndarray, rotation: np.ndarray, centre: np.ndarray
) -> np.ndarray:
    width, height = view.size
    step, over = 16, 2
    u, v = np.arange(-step, width + 2 * step, step, float), np.arange(-step, height + 2 * step, step, float)
    grid = np.stack(np.meshgrid(u, v), -1).reshape(-1, 1, 2)
    exact = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 50, 1e-12)
    normal = cv2.undistortPoints(grid, matrix, terms, criteria=exact).reshape(-1, 2)
    ray = np.column_stack([normal, np.ones(len(normal))]) @ rotation
    squares, square, _ = BOARDS[view.sheet]
    board = np.array(squares) * square
    lifted = np.zeros(len(ray))
    for _ in range(30 if view.curl_mm else 1):
        reach = (-lifted - centre[2]) / ray[:, 2]
        place = centre[:2] + ray[:, :2] * reach[:, None]
        # a cylinder across the board, rising by curl_mm from the middle to the rim
        lifted = view.curl_mm * ((place[:, 0] - board[0] / 2) / (board[0] / 2)) ** 2
    place = place / np.array(view.stretch)
    fine_u = (np.arange(width * over) + 0.5) / over - 0.5
    fine_v = (np.arange(height * over) + 0.5) / over - 0.5
    maps = [
        RectBivariateSpline(v, u, ((place[:, axis] + MARGIN_MM) * TEXELS - 0.5).reshape(len(v), len(u)))(
            fine_v, fine_u
        ).astype(np.float32)
        for axis in (0, 1)
    ]
    sheet = texture(view.sheet, view.window, view.blank)
    painted = cv2.remap(sheet, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.25)
    return cv2.resize(painted, (width, height), interpolation=cv2.INTER_AREA)


def _develop(view: View, light: np.ndarray) -> np.ndarray:
    ramp = np.linspace(1.0, view.gradient, light.shape[1], dtype=np.float32)
    light = light * (ramp / ramp.max()) * view.light
    if view.blur_px:
        light = cv2.GaussianBlur(light, (0, 0), view.blur_px)
    if view.sharpen:
        light = light + view.sharpen * (light - cv2.GaussianBlur(light, (0, 0), 1.4))
    light = light + view.noise * np.random.default_rng(view.seed).standard_normal(light.shape)
    light = np.clip(light, 0.0, 1.0)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return np.repeat((255 * code + 0.5).astype(np.uint8)[..., None], 3, 2)


@pytest.fixture(scope="session")
def drawn() -> Callable[..., Drawing]:
    """Return a function that draws a view, each one once."""
    return lru_cache(maxsize=64)(lambda **changes: draw(View(**changes)))


@pytest.fixture(scope="session")
def cv_boards() -> Callable[[str], cv2.aruco.CharucoBoard]:
    """Return OpenCV's own boards by name."""
    return cv_board
