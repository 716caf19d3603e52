"""Everything of a scene but its pieces: sheet, light, sensor, what else lies about, and the scene itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from traygauge_shared.scenes.camera import SceneCamera
from traygauge_shared.scenes.things import Rgb, Thing


@dataclass(frozen=True)
class Board:
    """The printed ring as plain numbers (design, section 4); the defaults are the medium sheet's.

    Parameters
    ----------
    squares : across and down.
    square_mm : side of a square; `marker_ratio` of it is a marker's side.
    dictionary : name of the marker dictionary in `cv2.aruco`.
    first_id : id of the first marker; ids run over the whole board.
    ring : squares from the edge to the window.
    stretch : factor that this print has along x and y (1 = true to size).
    """

    squares: tuple[int, int] = (32, 22)
    square_mm: float = 6.0
    marker_ratio: float = 0.75
    dictionary: str = "DICT_5X5_1000"
    first_id: int = 0
    ring: int = 2
    stretch: tuple[float, float] = (1.0, 1.0)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Return the board's width and height, mm."""
        return self.squares[0] * self.square_mm, self.squares[1] * self.square_mm

    @property
    def window_mm(self) -> tuple[float, float, float, float]:
        """Return the window, (x0, y0, x1, y1), mm."""
        edge, (across, down) = self.ring * self.square_mm, self.size_mm
        return edge, edge, across - edge, down - edge


@dataclass(frozen=True)
class Sheet:
    """What the pieces lie on.

    Parameters
    ----------
    board : the printed ring, or None for a plain floor of `window` colour everywhere.
    window, paper, ink, table : colour names or linear reflectances.
    margin_mm : white paper around the board.
    texture : relative standard deviation of the paper's mottle.
    streaks : relative strength of a printed window's banding, along x.
    gloss : 0 matt .. 1 mirror-like reflection of the lights on the floor.
    curl_mm : how far the paper's right and left edges rise above its middle (ring only; pieces lie flat).
    covered : quadrilaterals in sheet mm (a thumb, a card), each ((x, y) x 4, colour), laid over everything.
    """

    board: Board | None = field(default_factory=Board)
    window: str | Rgb = (0.033, 0.033, 0.034)
    paper: Rgb = (0.80, 0.80, 0.79)
    ink: Rgb = (0.033, 0.033, 0.035)
    table: str | Rgb = (0.30, 0.22, 0.16)
    margin_mm: float = 8.0
    texture: float = 0.02
    streaks: float = 0.0
    gloss: float = 0.0
    curl_mm: float = 0.0
    covered: tuple[tuple[tuple[tuple[float, float], ...], Rgb], ...] = ()

    @property
    def window_mm(self) -> tuple[float, float, float, float] | None:
        """Return the window (x0, y0, x1, y1), mm, or None on a plain floor."""
        return None if self.board is None else self.board.window_mm


@dataclass(frozen=True)
class Lamp:
    """One light, far away: where it stands, how strong, how wide.

    Parameters
    ----------
    azimuth_deg : from +x towards +y, the side it stands on; `elevation_deg` above the floor.
    strength : irradiance square to it, relative to a floor that gets 1 in all.
    spread_deg : its angular radius: 0.3 throws hard shadows, 25 is a soft box, 40 a window.
    tint : colour of its light.
    """

    azimuth_deg: float = 40.0
    elevation_deg: float = 50.0
    strength: float = 0.6
    spread_deg: float = 20.0
    tint: Rgb = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Lighting:
    """All light of a scene.

    Parameters
    ----------
    lamps : directional lights.
    ambient : irradiance of the even sky on the floor; `ambient_tint` its colour.
    gradient : brightest over darkest place of the window (1 to 4), `gradient_deg` the side (from +x towards +y)
        on which it is brighter; the middle stays as it is.
    glare : a flash's mirror spot, (x_mm, y_mm, radius_mm, strength), or None.
    """

    lamps: tuple[Lamp, ...] = (
        Lamp(azimuth_deg=40, elevation_deg=49, strength=0.62, spread_deg=19),
        Lamp(azimuth_deg=220, elevation_deg=49, strength=0.50, spread_deg=19),
    )
    ambient: float = 0.18
    ambient_tint: Rgb = (1.0, 1.0, 1.02)
    gradient: float = 1.0
    gradient_deg: float = 0.0
    glare: tuple[float, float, float, float] | None = None


@dataclass(frozen=True)
class Sensor:
    """From light to the file.

    Parameters
    ----------
    blur_px : standard deviation of the optics' Gaussian blur at the frame's middle.
    defocus_px : what is added (in quadrature) towards the frame's edge on the side `defocus_deg` and its opposite.
    noise : 1 = a good phone in good light (standard deviation of a mid-grey pixel about 0.9 % of full scale).
    bayer : read through a colour filter mosaic: chroma comes out softer than luma.
    sharpen : strength of the halo that phones add.
    tone : 0 plain sRGB .. 1 strong S-curve on top.
    exposure_stops : over or under the paper at 0.72 of full scale.
    white_balance : gains left in the picture.
    vignette : darkening towards the corners.
    file_format : "jpeg" or "png"; `quality` and `subsampling` (0 none, 2 chroma halved) of the JPEG.
    """

    blur_px: float = 0.75
    defocus_px: float = 0.0
    defocus_deg: float = 90.0
    noise: float = 1.2
    bayer: bool = True
    sharpen: float = 0.5
    tone: float = 0.2
    exposure_stops: float = 0.0
    white_balance: Rgb = (1.0, 1.0, 1.0)
    vignette: float = 0.25
    file_format: Literal["jpeg", "png"] = "jpeg"
    quality: int = 90
    subsampling: int = 2


@dataclass(frozen=True)
class Hair:
    """A loose hair or fibre on the floor: length, width, curl over its length, and where its middle lies."""

    x_mm: float
    y_mm: float
    length_mm: float = 12.0
    width_mm: float = 0.07
    axis_deg: float = 0.0
    turn_deg: float = 120.0
    colour: str | Rgb = (0.05, 0.04, 0.03)


@dataclass(frozen=True)
class Speck:
    """A dust speck: a small disc on the floor."""

    x_mm: float
    y_mm: float
    size_mm: float = 0.1
    colour: str | Rgb = (0.6, 0.6, 0.58)


@dataclass(frozen=True)
class Scratch:
    """A straight scratch in the floor that changes its reflectance by `strength` (-1..1)."""

    x_mm: float
    y_mm: float
    length_mm: float = 15.0
    width_mm: float = 0.08
    axis_deg: float = 0.0
    strength: float = 0.5


Litter: TypeAlias = Hair | Speck | Scratch


@dataclass(frozen=True, eq=False)
class Scene:
    """A tray with everything on it, and how it is photographed. Drawing it twice gives the same pixels."""

    pieces: tuple[Thing, ...]
    camera: SceneCamera
    sheet: Sheet = field(default_factory=Sheet)
    light: Lighting = field(default_factory=Lighting)
    sensor: Sensor = field(default_factory=Sensor)
    litter: tuple[Litter, ...] = ()
    seed: int = 0
    note: str = ""
