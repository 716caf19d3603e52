"""Colour groups and their words."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2lab

from traygauge.measure.colours import colour_groups, colour_word, with_colours
from traygauge.measure.pieces import Pieces
from traygauge.segment.colour import linear_to_lab
from traygauge_shared.scenes.things import COLOURS


def lab_of(rgb: tuple[int, int, int]) -> np.ndarray:
    """Return CIELAB of an sRGB triple, 0 to 255 (scikit-image, D65)."""
    return rgb2lab(np.array(rgb, float).reshape(1, 1, 3) / 255).reshape(3)


@pytest.mark.parametrize(
    ("rgb", "word"),
    # the colours that these names have in CSS Color Module Level 4 (W3C), and plain greys
    [
        ((255, 255, 255), "white"),
        ((0, 0, 0), "black"),
        ((128, 128, 128), "grey"),
        ((255, 0, 0), "red"),
        ((178, 34, 34), "red"),  # firebrick
        ((255, 140, 0), "orange"),  # darkorange
        ((255, 255, 0), "yellow"),
        ((255, 215, 0), "yellow"),  # gold
        ((0, 128, 0), "green"),
        ((0, 255, 0), "green"),  # lime
        ((0, 0, 255), "blue"),
        ((0, 0, 128), "blue"),  # navy
        ((135, 206, 235), "blue"),  # skyblue
        ((128, 0, 128), "purple"),
        ((238, 130, 238), "purple"),  # violet
        ((139, 69, 19), "brown"),  # saddlebrown
        ((245, 245, 220), "natural"),  # beige
    ],
)
def test_named_colours_get_their_names(rgb, word) -> None:
    assert colour_word(lab_of(rgb)) == word


@pytest.mark.parametrize("name", ["white", "black", "red", "green", "blue", "yellow", "orange"])
def test_plastics_keep_their_word_in_shade(name) -> None:
    """A hue must not hang on how much light falls on the piece (half of it down to an eighth of a stop more)."""
    for light in (1.0, 0.8, 0.6):
        lab = linear_to_lab(np.array(COLOURS[name]) * light)
        expected = {name} | ({"grey"} if name == "white" and light < 0.7 else set())
        expected |= {"brown"} if name == "orange" and lab[0] < 45 else set()
        assert colour_word(lab) in expected, (light, lab)


def shaded(colour: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return the CIELAB of n pieces of a colour under light that differs by a third either way, with noise."""
    light = rng.uniform(0.67, 1.33, n)[:, None]
    return linear_to_lab(np.array(COLOURS[colour]) * light) + rng.normal(0, 0.8, (n, 3))


def test_a_batch_of_one_colour_is_one_group() -> None:
    rng = np.random.default_rng(1)
    for colour in COLOURS:
        groups = colour_groups(shaded(colour, 200, rng))
        assert len(groups.names) == 1, (colour, groups)
        assert (groups.group == 0).all()


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"white": 120, "red": 60}, ["white", "red"]),
        ({"black": 200, "white": 30, "blue": 20, "yellow": 10}, ["black", "white", "blue", "yellow"]),
        ({"yellow": 90, "orange": 85}, ["yellow", "orange"]),
        ({"red": 100, "orange": 100}, ["red", "orange"]),
        ({"natural": 150, "red": 1}, ["white", "red"]),  # a single stranger
        ({"blue": 100, "green": 2, "red": 1}, ["blue", "green", "red"]),
    ],
)
def test_blends_and_strangers_fall_apart(parts, words) -> None:
    rng = np.random.default_rng(2)
    lab = np.concatenate([shaded(c, n, rng) for c, n in parts.items()])
    true = np.repeat(np.arange(len(parts)), list(parts.values()))
    order = rng.permutation(len(lab))
    groups = colour_groups(lab[order])
    assert sorted(groups.names) == sorted(words)
    for k, word in enumerate(words):
        assert (groups.group[true[order] == k] == groups.names.index(word)).all()


def test_shades_of_one_hue_are_told_apart_by_lightness() -> None:
    rng = np.random.default_rng(3)
    light, dark = [70, -5, -25], [35, 5, -40]
    lab = np.concatenate([rng.normal(c, 1.5, (80, 3)) for c in (light, dark)])
    groups = colour_groups(lab)
    assert set(groups.names) in ({"blue", "light blue"}, {"blue", "dark blue"})
    assert len(set(groups.group[:80])) == len(set(groups.group[80:])) == 1


def test_unknown_colours_are_in_no_group_and_an_empty_batch_has_none() -> None:
    lab = np.array([[80.0, 0, 0], [np.nan, 0, 0], [81.0, 0, 1]])
    assert colour_groups(lab).group.tolist() == [0, -1, 0]
    assert colour_groups(np.zeros((0, 3))).names == ()
    assert colour_groups(np.full((2, 3), np.nan)).names == ()


def pieces_of(lab: np.ndarray, form: list[str]) -> Pieces:
    columns = dict(zip(("colour_L", "colour_a", "colour_b"), lab.T, strict=True))
    return Pieces.of(len(lab), {**columns, "form": form})


def test_crumbs_make_no_group_of_their_own() -> None:
    rng = np.random.default_rng(4)
    lab = np.concatenate([shaded("white", 40, rng), [[78.0, 1, 2], [45.0, 40, 20]]])
    colour = with_colours(pieces_of(lab, ["strand"] * 40 + ["crumb"] * 2))["colour"]
    assert colour[:41].tolist() == ["white"] * 41
    assert colour[41] == ""  # too small for its colour to count, and too far from white to be it


def test_photos_of_one_lot_agree() -> None:
    """Groups of a whole batch: the same piece has the same word whatever else lies in its photo."""
    rng = np.random.default_rng(5)
    one = pieces_of(np.concatenate([shaded("red", 50, rng), shaded("white", 50, rng)]), ["strand"] * 100)
    two = pieces_of(np.concatenate([shaded("red", 5, rng), shaded("white", 90, rng)]), ["strand"] * 95)
    together = with_colours(Pieces.joined([with_colours(one), with_colours(two)]))["colour"]
    assert together.tolist() == (["red"] * 50 + ["white"] * 50 + ["red"] * 5 + ["white"] * 90)
