"""Every column, form, state, finding and part of the uncertainty, each defined once.

Table, report, page, schema and help read these lists.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Column:
    """One column of the piece table.

    Parameters
    ----------
    name : as in `pieces.csv`; the unit is its ending.
    unit : as shown to a reader ("mm", "°", "").
    kind : "number", "count", "name" (one word) or "names" (words joined by ";").
    decimals : how many are written for a number.
    meaning : one line.
    uncertainty : name of the column that holds its standard uncertainty, or "".
    """

    name: str
    unit: str
    kind: Literal["number", "count", "name", "names"]
    decimals: int
    meaning: str
    uncertainty: str = ""


#: The columns of `pieces.csv`, in this order (the first 27 never change their place; more stand behind them).
COLUMNS: tuple[Column, ...] = (
    Column("photo", "", "name", 0, "file name of the photo"),
    Column("piece", "", "count", 0, "number of the piece, unique in its photo, in reading order"),
    Column("x_mm", "mm", "number", 3, "middle of the body across the sheet"),
    Column("y_mm", "mm", "number", 3, "middle of the body down the sheet"),
    Column("form", "", "name", 0, "strand, flake, crumb or thread"),
    Column(
        "length_mm",
        "mm",
        "number",
        3,
        "cut length: arc of the body's centreline between its cut faces",
        "u_length_mm",
    ),
    Column("u_length_mm", "mm", "number", 3, "standard uncertainty of the cut length"),
    Column(
        "diameter_mm",
        "mm",
        "number",
        3,
        "mean width of the body over the middle half, from above; empty where others lie along it",
        "u_diameter_mm",
    ),
    Column("u_diameter_mm", "mm", "number", 3, "standard uncertainty of the diameter"),
    Column("aspect_ratio", "", "number", 3, "cut length / diameter (the trade's L/D)"),
    Column("tail_count", "", "count", 0, "threads on the cut edges"),
    Column("tail_length_mm", "mm", "number", 2, "longest tail, along itself, from above", "u_tail_length_mm"),
    Column("tail_width_mm", "mm", "number", 2, "mean width of the longest tail"),
    Column("burr_mm", "mm", "number", 2, "height of the largest lip on a cut edge that is no tail"),
    Column("cut_angle_deg", "°", "number", 1, "larger of the two cut faces' angles from square"),
    Column(
        "bend_radius_mm",
        "mm",
        "number",
        1,
        "radius of the centreline; empty when straight within its uncertainty",
    ),
    Column("feret_max_mm", "mm", "number", 3, "largest Feret diameter of the whole outline"),
    Column("feret_min_mm", "mm", "number", 3, "smallest Feret diameter of the whole outline"),
    Column("feret_ratio", "", "number", 3, "smallest / largest Feret diameter (ISO 9276-6 aspect ratio)"),
    Column("area_mm2", "mm²", "number", 3, "area of the whole outline"),
    Column("perimeter_mm", "mm", "number", 3, "perimeter of the whole outline"),
    Column("solidity", "", "number", 4, "area / area of the convex hull"),
    Column("volume_mm3", "mm³", "number", 3, "volume of the body (strand only)"),
    Column("mass_mg", "mg", "number", 3, "volume times the spec's density"),
    Column("colour", "", "name", 0, "name of the colour group"),
    Column("state", "", "name", 0, "how the piece could be measured"),
    Column("findings", "", "names", 0, "what the spec has to say about the piece"),
    Column("cut_angle_a_deg", "°", "number", 1, "angle of the first cut face from square"),
    Column("cut_angle_b_deg", "°", "number", 1, "angle of the second cut face from square"),
    Column("axis_deg", "°", "number", 1, "direction of the axis, from x towards y, 0 to 180"),
    Column("neck_mm", "mm", "number", 3, "smallest width of the body"),
    Column("colour_L", "", "number", 1, "CIELAB lightness of the body (D65), tray light corrected"),
    Column("colour_a", "", "number", 1, "CIELAB a* of the body"),
    Column("colour_b", "", "number", 1, "CIELAB b* of the body"),
    Column("confidence", "", "number", 2, "how well the outline is explained, 0 to 1 (parted pieces)"),
    Column(
        "extent_mm", "mm", "number", 3, "largest extent the thing can have, tails and covered parts included"
    ),
    Column("u_tail_length_mm", "mm", "number", 2, "standard uncertainty of the longest tail's length"),
    Column("convexity", "", "number", 4, "perimeter of the convex hull / perimeter, of the whole outline"),
    Column(
        "compactness",
        "",
        "number",
        3,
        "diameter of the circle of the outline's area / largest Feret diameter",
    ),
    Column("roundness", "", "number", 3, "area / area of the circle on the largest Feret diameter"),
    Column(
        "straightness",
        "",
        "number",
        3,
        "largest Feret diameter / fibre length: over 1 for a short straight piece (its diagonal)",
    ),
    Column(
        "fibre_length_mm",
        "mm",
        "number",
        3,
        "long side of the rectangle of the outline's area and perimeter, largest Feret diameter where there is none: made "
        "for fibres, of a short piece the cut length says more",
    ),
    Column("fibre_width_mm", "mm", "number", 3, "area of the whole outline / fibre length"),
    Column(
        "standing_mm",
        "mm",
        "number",
        3,
        "rough length of a piece that stands, by how far its top is seen from its foot: makes up for it, and is never judged",
        "u_standing_mm",
    ),
    Column("u_standing_mm", "mm", "number", 3, "standard uncertainty of that length"),
)


@dataclass(frozen=True)
class Word:
    """A form, state or finding.

    Parameters
    ----------
    name : the word.
    meaning : one line.
    stroke : how its outline is drawn: "solid", "dashed", "dotted", "double".
    colour : name in the palette of `traygauge.report` (colour-blind safe), "" for the plain one.
    """

    name: str
    meaning: str
    stroke: str = "solid"
    colour: str = ""


FORMS: tuple[Word, ...] = (
    Word("strand", "a cut piece of strand: a body with two cut faces"),
    Word("flake", "a piece of regrind that is no strand piece; described by Feret diameters"),
    Word("crumb", "a small irregular bit, below the size at which a form can be told"),
    Word("thread", "a loose thread without a body"),
)

#: How a piece could be measured. Whole and parted pieces carry a cut length that enters the verdict, and those leaning
#: ones whose length could be told.
STATES: tuple[Word, ...] = (
    Word("whole", "lies free and is measured"),
    Word("parted", "touches others; parted by us and measured"),
    Word("covered", "lies partly under another", "dashed"),
    Word("upright", "stands on a cut face; its length is not seen", "dotted"),
    Word("leaning", "rests at an angle; its length, where one is stated, allows for it", "dotted"),
    Word("cut off", "runs past the window's edge", "dashed"),
    Word("axis unknown", "which way the axis runs, or where it ends, cannot be told", "dotted"),
    Word("unresolved", "a heap that could not be parted", "dashed"),
)

#: In the order in which they are shown when a piece has several: the first one gives the outline its look.
FINDINGS: tuple[Word, ...] = (
    Word("long", "longer than the limit: may lie across the channel and bridge", "double", "vermilion"),
    Word("doubles", "two pieces still joined by uncut material", "double", "purple"),
    Word("stringy", "a tail longer than allowed, or a thread that ties pieces together", "dashed", "orange"),
    Word("thick", "thicker than allowed, or than the channel is deep", "double", "blue"),
    Word("thin", "thinner than allowed", "dotted", "blue"),
    Word("short", "shorter than allowed", "dotted", "sky"),
    Word("fines", "below the fines size", "dotted", "grey"),
    Word("tailed", "carries a tail that counts", "dashed", "yellow"),
    Word("burred", "carries a burr higher than allowed", "dashed", "green"),
    Word("off-colour", "of another colour than the batch", "solid", "purple"),
)

#: States in which cut length and diameter are measured values.
MEASURED_STATES: frozenset[str] = frozenset({"whole", "parted"})

#: The parts of a piece's uncertainty, as `Pieces.u_parts` names them, and as a reader is told where they come from. Those
#: whose name begins with "shared " all pieces of a photo have in common.
U_PARTS: dict[str, str] = {
    "shared scale": "scale of the photo",
    "shared plane": "height of the pieces' plane",
    "shared edge": "where edges lie in this photo's light",
    "shared view": "where the camera stood",
    "shared light": "dark rims under a flash, shadow or glow beside the pieces",
    "shared by the photo": "all that the photo's pieces share",
    "fit": "the fit of the cut faces",
    "edge": "where the piece's own edges lie",
    "oblique cut": "oblique cuts of dark pieces",
    "cut edge": "rounding of the cut edges",
    "squeezed end": "squeezed ends, their thickness not seen",
    "piece's tilt": "tilt of the piece",
    "parting": "parting from other pieces",
    "streaks": "streaks of clear strand",
    "met flank": "flanks that others lie against",
    "oval section": "oval section, of which one axis is seen",
    "odd width": "a width unlike the batch's",
    "lip": "lips on the cut edges",
    "burr": "burr",
}


def number_of(n: int, noun: str) -> str:
    """Return a count with its noun, as "1 piece" or "3 pieces"."""
    return f"{n} {noun}{'s' * (n != 1)}"
