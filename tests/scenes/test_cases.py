"""Single difficulties: every one can be made, and does what its name says."""

from collections import Counter

import numpy as np
import pytest

from traygauge_shared.light import LINEAR_OF_CODE
from traygauge_shared.scenes import (
    CASES,
    Batch,
    Double,
    StrandPiece,
    blended,
    case_scene,
    draw,
    make_pieces,
    phone_over,
)

SMALL = phone_over(width=600, height=450)


def _window_light(name, **how):
    """Return the linear green light of the small picture of a case, and where its window's inside lies."""
    drawn = draw(case_scene(name, 1, camera=SMALL, pieces=0, **how))
    light = LINEAR_OF_CODE[drawn.pixels[..., 1]]
    (x0, y0), (x1, y1) = np.rint(SMALL.project([[20, 20, 0], [172, 112, 0]])).astype(int)
    return light[y0:y1, x0:x1]


@pytest.mark.parametrize("name", CASES)
def test_every_case_can_be_made_and_says_what_it_is(name):
    scene = case_scene(name, 2, pieces=3)
    assert scene.note == name
    assert CASES[name].meaning
    strands = [p for p in scene.pieces if isinstance(p, StrandPiece | Double)]
    assert len(strands) == max(3, 6 if name == "blunt" else 0)  # three webs and three strings


@pytest.mark.parametrize("name", ["thumb", "heap", "litter", "clear", "no sheet"])
def test_cases_draw(name):
    drawn = draw(case_scene(name, 1, camera=SMALL, pieces=12))
    assert len(drawn.truth) == 12
    assert drawn.pixels.std() > 5


def test_gradient_case_is_brighter_on_one_side():
    light = _window_light("gradient")
    assert (
        light[:, -20:].mean() > 2.2 * light[:, :20].mean()
    )  # 20 degrees off the columns, eased by vignetting


def test_flash_and_gloss_make_a_spot():
    for name, ratio in (("flash", 4.0), ("glossy floor", 1.5)):
        light = _window_light(name)
        assert np.percentile(light, 99.9) > ratio * np.median(light)
    plain = _window_light("easy")
    assert np.percentile(plain, 99.9) < 1.5 * np.median(plain)


def test_heaps_cover_and_touching_ones_touch():
    heap = draw(case_scene("heap", 1, camera=SMALL, pieces=60, area_mm=(80, 54, 112, 78)))
    assert sum(row["overlapped"] for row in heap.truth) >= 12
    assert sum(row["touching"] for row in heap.truth) >= 45


def test_dark_and_bright_are_stops_apart():
    dark, easy = (np.median(_window_light(name)) for name in ("dark", "easy"))
    assert dark < 0.5 * easy


def test_a_blend_has_its_shares_and_leaves_foreign_pieces_alone():
    rng = np.random.default_rng(1)
    things = make_pieces(Batch(count=600, foreign=5, foreign_colours=("black",), webs=2), rng)
    counts = Counter(
        t.first.colour if isinstance(t, Double) else t.colour
        for t in blended(things, rng, {"white": 0.7, "red": 0.3})
    )
    assert counts["black"] == 5
    # four standard deviations of a binomial share
    assert counts["red"] == pytest.approx(0.3 * 595, abs=4 * np.sqrt(595 * 0.3 * 0.7))
