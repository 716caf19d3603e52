"""Colours and outline styles, defined once; style sheet, overlay, plots, pictures and tests read them here.

Each tone comes twice: bright, for outlines on a dark casing over any photo and for the dark page, and deep, for the
light page. The bright ones were set so that any two findings of the same outline style differ by at least 20 in
CIELAB for readers with full colour vision, protanopia, deuteranopia and tritanopia alike; outline style and label
say the same without any colour.
"""

from __future__ import annotations

from dataclasses import dataclass

from traygauge.words import FINDINGS, STATES, Word


@dataclass(frozen=True)
class Tone:
    """One colour of the palette, as sRGB hex: `bright` for dark grounds, `deep` for light ones."""

    bright: str
    deep: str


#: What lies under every outline on a photo.
CASING = "#121416"

#: Names as in `traygauge.words`; "" is the plain one.
TONES: dict[str, Tone] = {
    "": Tone("#FFFFFF", "#1C2023"),
    "vermilion": Tone("#FF6A3C", "#B93C0A"),
    "purple": Tone("#E48AD0", "#93398A"),
    "orange": Tone("#FF8412", "#A65506"),
    "blue": Tone("#3D7DFF", "#1D5FC4"),
    "sky": Tone("#74D2EE", "#0F7298"),
    "grey": Tone("#A6A49F", "#62656A"),
    "yellow": Tone("#FBE400", "#7A6600"),
    "green": Tone("#1FC48F", "#0A7354"),
}


@dataclass(frozen=True)
class Theme:
    """The page's own colours in one mode."""

    page: str
    panel: str
    ink: str
    soft: str
    line: str
    bar: str
    link: str


LIGHT = Theme(
    page="#FAFAF7",
    panel="#F0F0EB",
    ink="#1C2023",
    soft="#565C62",
    line="#D5D6CF",
    bar="#7C848C",
    link="#0B5A86",
)
DARK = Theme(
    page="#15181A",
    panel="#1F2326",
    ink="#ECEDE9",
    soft="#A7ADB2",
    line="#383D41",
    bar="#8B949C",
    link="#84C6EE",
)


@dataclass(frozen=True)
class Look:
    """How the outline of a piece is drawn and called: `stroke` as in `traygauge.words.Word`, `code` for crowds."""

    name: str
    meaning: str
    stroke: str
    colour: str
    code: str
    kind: str

    @property
    def slug(self) -> str:
        """Return the name as one word, for class names."""
        return self.name.replace(" ", "-")


def _look(word: Word, kind: str) -> Look:
    first, _, rest = word.name.replace("-", " ").partition(" ")
    code = first[0] + (rest[0] if rest else first[3 if first.startswith("th") else 1])
    return Look(word.name, word.meaning, word.stroke, word.colour, code if kind == "finding" else "", kind)


#: The look of a piece about which there is nothing to say.
PLAIN = Look("nothing to note", "measured, nothing to note", "solid", "", "", "plain")

#: Every look by its word: findings first, then the states in which a piece was not measured.
LOOKS: dict[str, Look] = {w.name: _look(w, "finding") for w in FINDINGS} | {
    w.name: _look(w, "state") for w in STATES if w.stroke != "solid"
}


def look_of(findings: str, state: str) -> Look:
    """Return the look of a piece: of its first finding, else of its state, else the plain one."""
    named = set(findings.split(";"))
    for name, look in LOOKS.items():
        if name in named or (look.kind == "state" and name == state):
            return look
    return PLAIN


def luminance(colour: str) -> float:
    """Return the relative luminance of an sRGB hex colour (WCAG 2.2, definition of relative luminance)."""
    code = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in code)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two sRGB hex colours, 1 to 21 (WCAG 2.2, definition of contrast ratio)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)
