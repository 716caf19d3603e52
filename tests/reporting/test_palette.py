"""Colours: readable, and told apart by readers who lack one kind of cone."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from traygauge.report.palette import (
    CASING,
    DARK,
    LIGHT,
    LOOKS,
    PLAIN,
    TONES,
    Theme,
    contrast,
    look_of,
    luminance,
)
from traygauge.words import FINDINGS
from traygauge_shared.light import srgb_to_linear

#: Machado, Oliveira and Fernandes, A Physiologically-based Model for Simulation of Color Vision Deficiency, IEEE
#: Trans. Vis. Comput. Graph. 15 (2009), severity 1.0, on linear sRGB (figures from memory; each row sums to 1).
SIGHT = {
    "full": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
#: Linear sRGB to CIE XYZ with D65 white (IEC 61966-2-1).
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def lab(colour: str, sight: str) -> np.ndarray:
    """CIELAB of a colour as a reader of that sight gets it."""
    linear = srgb_to_linear([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    xyz = XYZ @ np.clip(SIGHT[sight] @ linear, 0, 1) / (XYZ @ np.ones(3))
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_contrast_by_the_published_formula() -> None:
    # WCAG 2.2: white on black is 21:1; luminance of a primary is its coefficient
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert luminance("#00FF00") == pytest.approx(0.7152)
    assert contrast("#808080", "#808080") == 1.0
    assert contrast("#767676", "#FFFFFF") == pytest.approx(
        4.54, abs=0.005
    )  # widely quoted pair (from memory)


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
def test_text_is_readable_on_its_ground(theme: Theme) -> None:
    for ground in (theme.page, theme.panel):
        assert contrast(theme.ink, ground) >= 7
        assert contrast(theme.soft, ground) >= 4.5
        assert contrast(theme.link, ground) >= 4.5
    assert contrast(theme.bar, theme.page) >= 3  # bars and frames: WCAG 2.2, 1.4.11


@pytest.mark.parametrize("name", list(TONES))
def test_every_tone_is_readable_on_its_ground(name: str) -> None:
    tone = TONES[name]
    assert contrast(tone.bright, CASING) >= 4.5
    assert contrast(tone.bright, DARK.page) >= 4.5
    assert contrast(tone.deep, LIGHT.page) >= 4.5


@pytest.mark.parametrize("sight", list(SIGHT))
def test_looks_of_one_stroke_are_told_apart_by_every_reader(sight: str) -> None:
    looks = [*LOOKS.values(), PLAIN]
    for one, other in combinations(looks, 2):
        same_look = (
            one.kind == other.kind == "state"
        )  # states share the plain colour: they need no telling apart
        if one.stroke != other.stroke or same_look:
            continue
        apart = np.linalg.norm(lab(TONES[one.colour].bright, sight) - lab(TONES[other.colour].bright, sight))
        assert apart >= 20, (one.name, other.name)


def test_findings_are_told_apart_without_colour_by_label() -> None:
    codes = [LOOKS[w.name].code for w in FINDINGS]
    assert len(set(codes)) == len(codes)
    assert all(len(c) == 2 for c in codes)
    assert all(w.colour in TONES for w in FINDINGS)


def test_the_first_finding_gives_the_look() -> None:
    assert look_of("tailed;long", "whole").name == "long"
    assert look_of("", "upright").name == "upright"
    assert look_of("tailed", "upright").name == "tailed"
    assert look_of("", "parted") is PLAIN
