"""What lies on the tray: pieces, stated by the figures that truth is about.

Lengths in millimetres, angles in degrees. Places are sheet coordinates (x right, y down, heights up from the
floor that the piece rests on); `axis_deg` turns from +x towards +y. A piece rests on the floor by its lowest
point unless `lift_mm` holds it up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

Rgb: TypeAlias = tuple[float, float, float]
Surface: TypeAlias = Literal["matt", "satin", "glossy", "translucent", "clear"]

#: Linear-light reflectance of named colours (typical of plastics, common practice, no source).
COLOURS: dict[str, Rgb] = {
    "white": (0.80, 0.79, 0.76),
    "natural": (0.70, 0.69, 0.65),
    "clear": (0.93, 0.93, 0.91),
    "black": (0.022, 0.022, 0.023),
    "grey": (0.22, 0.22, 0.225),
    "midgrey": (0.30, 0.30, 0.30),
    "darkgrey": (0.08, 0.08, 0.085),
    "red": (0.52, 0.030, 0.025),
    "green": (0.035, 0.30, 0.075),
    "blue": (0.025, 0.08, 0.42),
    "darkblue": (0.030, 0.034, 0.13),
    "yellow": (0.75, 0.52, 0.03),
    "orange": (0.72, 0.20, 0.02),
}


def colour_rgb(colour: str | Rgb) -> Rgb:
    """Return the linear reflectance of a colour given by name or by its three values."""
    return COLOURS[colour] if isinstance(colour, str) else colour


@dataclass(frozen=True)
class Tail:
    """A thread on a cut edge, tapering to a third of its root.

    Parameters
    ----------
    end : 0 or 1, which cut face.
    rim_deg : where on the rim, 0 sideways (+n), 90 up.
    length_mm : along the thread, in space.
    width_mm : mean width.
    turn_deg : how far it curls over its whole length.
    splay_deg : how far it leaves the strand's direction sideways at the root.
    seed : of the small wobble of its way.
    """

    end: int = 1
    rim_deg: float = 0.0
    length_mm: float = 1.0
    width_mm: float = 0.2
    turn_deg: float = 30.0
    splay_deg: float = 20.0
    seed: int = 0


@dataclass(frozen=True)
class Burr:
    """A thin lip standing on a cut edge: `height_mm` at its middle, over `arc_deg` of the rim to each side."""

    end: int = 1
    rim_deg: float = 0.0
    height_mm: float = 0.25
    arc_deg: float = 40.0
    lean_deg: float = 20.0


@dataclass(frozen=True)
class StrandPiece:
    """A piece of strand: an oval cylinder, straight or bent in its plane, between two cuts.

    Parameters
    ----------
    x_mm, y_mm : middle of the centreline, seen from straight above.
    axis_deg : direction of the strand at its middle.
    length_mm : arc length of the centreline between the centres of the two cut faces.
    diameter_mm : mean of the section's two axes.
    oval : ratio of the section's axes, 1 or more; `oval_deg` the larger one's direction, 0 sideways, 90 up.
    bend_radius_mm : of the centreline, 0 for straight, negative to bend the other way.
    cut_deg : each face's angle from square; `cut_side_deg` the way it faces off (0 sideways, 90 up).
    pinch : how much each end is squeezed flat (0 to 0.6): narrower along `pinch_deg`, wider across it.
    rounding_mm : radius of the cut edges.
    tilt_deg : axis above the floor, 90 stands upright on end 0.
    lift_mm : how far the lowest point hangs above the floor.
    tails, burrs : on its ends.
    colour, surface : a name or linear R, G, B; how it takes the light (`shade.MATTER`).
    foreign : of another material than the batch, for the truth.
    kind : the word that goes into the truth: "strand", "long" or "short".
    """

    x_mm: float
    y_mm: float
    axis_deg: float = 0.0
    length_mm: float = 3.0
    diameter_mm: float = 1.75
    oval: float = 1.0
    oval_deg: float = 0.0
    bend_radius_mm: float = 0.0
    cut_deg: tuple[float, float] = (0.0, 0.0)
    cut_side_deg: tuple[float, float] = (0.0, 0.0)
    pinch: tuple[float, float] = (0.0, 0.0)
    pinch_deg: float = 90.0
    rounding_mm: float = 0.05
    tilt_deg: float = 0.0
    lift_mm: float = 0.0
    tails: tuple[Tail, ...] = ()
    burrs: tuple[Burr, ...] = ()
    colour: str | Rgb = "white"
    surface: Surface = "matt"
    kind: Literal["strand", "long", "short"] = "strand"
    foreign: bool = False


@dataclass(frozen=True)
class Double:
    """Two pieces still joined at the facing ends (`first`'s end 1, `second`'s end 0), by a web or a string.

    `width_mm` is the web's thickness or the string's width; a string sags to the floor on its way.
    The place of the row is the middle between the two bodies.
    """

    first: StrandPiece
    second: StrandPiece
    join: Literal["web", "string"] = "web"
    width_mm: float = 0.9
    seed: int = 0


@dataclass(frozen=True)
class Flake:
    """An angular plate of regrind, `size_mm` across at most, its shape drawn from `seed`."""

    x_mm: float
    y_mm: float
    axis_deg: float = 0.0
    size_mm: float = 4.0
    thickness_mm: float = 1.0
    lift_mm: float = 0.0
    seed: int = 0
    colour: str | Rgb = "darkgrey"
    surface: Surface = "satin"
    foreign: bool = False


@dataclass(frozen=True)
class Crumb:
    """An irregular grain, `size_mm` at most, its shape drawn from `seed`."""

    x_mm: float
    y_mm: float
    axis_deg: float = 0.0
    size_mm: float = 0.5
    lift_mm: float = 0.0
    seed: int = 0
    colour: str | Rgb = "white"
    surface: Surface = "matt"
    foreign: bool = False


Thing: TypeAlias = StrandPiece | Double | Flake | Crumb
