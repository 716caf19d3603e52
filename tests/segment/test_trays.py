"""Drawn trays of known truth: every piece found, nothing invented, in every light and on every tray."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from traygauge.segment.background import tray_field
from traygauge.segment.window import cut_window
from traygauge.words import STATES
from traygauge_shared.scenes import (
    LIGHTS,
    Batch,
    Hair,
    Lamp,
    Lighting,
    Scratch,
    Sensor,
    Sheet,
    Speck,
    StrandPiece,
    scan_scene,
    tray,
)
from traygauge_shared.scenes.samples import small_phone

See = Callable[..., Any]

REFUSED = 3.0  # contrast to noise below which a photo is refused (traygauge_calib.fitness)
WARNED = 8.0


def scene(
    colour: str,
    window: str | tuple[float, float, float],
    *,
    light: str | Lighting = "softboxes",
    n: int = 20,
    seed: int = 1,
    sensor: Sensor | None = None,
    mpix: float = 3.0,
    sheet: dict[str, Any] | None = None,
    **batch: Any,
) -> Any:
    return tray(
        Batch(count=n, colour=colour, **batch),
        seed=seed,
        camera=small_phone(mpix, tilt_deg=3.0, tilt_towards_deg=70.0),
        sheet=Sheet(window=window, **(sheet or {})),
        light=LIGHTS[light] if isinstance(light, str) else light,
        sensor=sensor,
        area_mm=(25, 25, 110, 95),
        gap_mm=1.5,
    )


def all_found(seen: Any, *, overlap: float = 0.8) -> None:
    assert seen.recall_apart == 1.0
    assert seen.false == 0
    assert len(seen.regions) == len(seen.drawn.truth)
    assert np.median(seen.overlap[seen.apart].max(1)) > overlap  # at 8 px/mm half a pixel of edge is 10 %


@pytest.mark.parametrize(
    ("colour", "window", "light", "batch"),
    [
        ("white", "black", "softboxes", {}),
        ("black", "white", "lamp", {}),
        ("grey", "green", "softboxes", {"surface": "satin"}),  # 5 % contrast in luminance
        ("yellow", "darkblue", "window", {}),
        ("red", "black", "softboxes", {"surface": "satin"}),
        ("green", "black", "window", {"surface": "satin"}),
        ("blue", "white", "lamp", {"surface": "satin"}),
        ("red", "white", "lamp", {"surface": "satin"}),
        ("white", "darkblue", "window", {"surface": "glossy"}),
        ("black", (0.45, 0.40, 0.30), "softboxes", {}),
        ("natural", "black", "softboxes", {"surface": "translucent"}),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_every_piece_on_every_tray(
    see: See, colour: str, window: Any, light: str, batch: dict[str, Any]
) -> None:
    all_found(see(scene(colour, window, light=light, **batch)))


@pytest.mark.parametrize(
    "light",
    [
        replace(LIGHTS["softboxes"], gradient=4.0, gradient_deg=20.0),
        replace(LIGHTS["softboxes"], glare=(70.0, 60.0, 6.0, 0.6)),
        LIGHTS["two lamps"],
        LIGHTS["flash"],
    ],
    ids=["gradient 4:1", "flash spot", "two lamps", "flash"],
)
@pytest.mark.parametrize(
    ("colour", "window"), [("orange", "darkblue"), ("darkgrey", "white")], ids=["bright", "dark"]
)
def test_light_as_people_have_it(see: See, light: Lighting, colour: str, window: str) -> None:
    seen = see(scene(colour, window, light=light))
    # what lies in a saturated flash spot cannot be seen
    lost = seen.overlap[seen.apart].max(1) <= 0.5
    assert lost.sum() <= (1 if light.glare else 0)
    assert seen.false == 0


@pytest.mark.parametrize(("colour", "window"), [("white", "black"), ("grey", "darkblue")])
def test_pieces_beside_a_mirrored_lamp_are_found(see: See, colour: str, window: str) -> None:
    """What a tray mirrors of a lamp lights no piece: theirs is no brighter for it.

    Common practice, no source: a floor's mirror image adds to its light and takes no part in a piece's.
    """
    all_found(see(scene(colour, window, light=replace(LIGHTS["flash"], glare=(70.0, 60.0, 9.0, 0.5)), n=40)))


def test_streaks_and_texture_are_no_pieces(see: See) -> None:
    all_found(see(scene("white", "darkblue", sheet={"streaks": 0.03, "texture": 0.03})))


def test_blur_noise_and_strong_compression(see: See) -> None:
    sensor = Sensor(blur_px=1.8, noise=3.0, quality=60)
    all_found(see(scene("yellow", "black", sensor=sensor)), overlap=0.7)


@pytest.mark.parametrize(("colour", "window"), [("white", "black"), ("black", "white")])
@pytest.mark.parametrize("blur_px", [2.5, 4.0])
def test_the_rings_squares_do_not_reach_into_the_window_in_a_blurred_photo(
    see: See, colour: str, window: str, blur_px: float
) -> None:
    """An edge spread of 4 px is the widest to be measured under (common practice, no source)."""
    all_found(see(scene(colour, window, mpix=8.0, sensor=Sensor(blur_px=blur_px))), overlap=0.7)


def test_pieces_of_foreign_colours_are_found_in_their_own(see: See) -> None:
    seen = see(scene("white", "darkblue", foreign=6, foreign_colours=("red", "black", "orange"), seed=4))
    all_found(seen)
    names = {row["id"] - 1: row["colour"] for row in seen.drawn.truth}
    lab = {names[i]: seen.regions.colour_lab[seen.overlap[i].argmax()] for i in seen.apart}
    assert lab["white"][0] > lab["red"][0] > 20  # lightness
    assert lab["red"][1] > 25  # towards red
    assert np.abs(lab["white"][1:]).max() < 12


@pytest.mark.parametrize("colour", ["grey", "darkgrey"])
def test_grey_among_white_is_as_plain_as_any(see: See, colour: str) -> None:
    """Its edges are as sharp, its step is but smaller: held against that of white, one in three was lost."""
    mixed = scene("white", "black", n=24, foreign=10, foreign_colours=(colour,), mpix=12.0, seed=5)
    all_found(see(mixed), overlap=0.9)


@pytest.mark.parametrize(("colour", "foreign"), [("red", "green"), ("red", "grey"), ("blue", "green")])
def test_dark_ones_of_another_colour_are_found_in_their_own_shadow(
    see: See, colour: str, foreign: str
) -> None:
    """Beside what is dark the tray is in shade, so that its edge steps by half; a third of them and more was lost."""
    mixed = scene(colour, "white", n=24, foreign=10, foreign_colours=(foreign,), mpix=12.0, seed=6)
    all_found(see(mixed), overlap=0.9)


@pytest.mark.parametrize("light", ["softboxes", "overcast"])
def test_grey_among_black_is_darker_than_their_shadows(see: See, light: str) -> None:
    """Shadows mostly are as dark as grey pieces, but not in soft light, as what lies beside the black ones shows; none was found."""
    mixed = scene(
        "black", "white", light=light, n=30, foreign=12, foreign_colours=("grey",), mpix=12.0, seed=7
    )
    seen = see(mixed)
    grey = np.array([row["colour"] == "grey" for row in seen.drawn.truth])
    assert (seen.overlap[grey].max(1) > 0.8).mean() > 0.6
    assert (seen.overlap[~grey].max(1) > 0.8).all()
    assert seen.false == 0


def test_two_colours_in_equal_shares(see: See) -> None:
    """Lighter and darker than the tray: one signal cannot show both."""
    white = scene("white", (0.18, 0.18, 0.18), n=24, seed=2)
    pieces = [replace(p, colour="black") if k % 2 else p for k, p in enumerate(white.pieces)]
    all_found(see(replace(white, pieces=tuple(pieces))))


@pytest.mark.parametrize("light", ["lamp", "window"])
def test_black_pieces_shaken_out_under_one_lamp_are_not_mixed_up_with_their_shadows(
    see: See, light: str
) -> None:
    """The tray shows through between shadow and shadow, so that most of what is dark is shadow."""
    batch = Batch(count=60, colour="black", surface="satin", length_sd_mm=0.25, long_fraction=0.04)
    drawn = tray(
        batch,
        seed=79,
        camera=small_phone(8.0, tilt_deg=5.0, tilt_towards_deg=30.0),
        sheet=Sheet(window=(0.80, 0.80, 0.79)),
        light=LIGHTS[light],
        area_mm=(68, 45, 122, 85),
        touching=True,
    )
    seen = see(drawn)
    assert (seen.overlap.max(1) > 0.5).mean() > 0.9
    assert seen.false <= 2


@pytest.mark.parametrize("seed", [1, 2])
def test_coloured_pieces_keep_their_hue_though_shadows_lie_between_them(see: See, seed: int) -> None:
    """A heap of blue strand on grey card: the shadows in it have no hue, and are not what the pieces' hue is read from."""
    lamp = Lamp(azimuth_deg=220.0, elevation_deg=30.0, strength=0.55, spread_deg=20.0, tint=(1.0, 0.86, 0.66))
    drawn = tray(
        Batch(count=150, colour="blue", surface="satin", length_sd_mm=0.3),
        seed=seed,
        camera=small_phone(5.0, tilt_deg=8.0, tilt_towards_deg=30.0),
        sheet=Sheet(window=(0.18, 0.18, 0.18)),
        light=Lighting(lamps=(lamp,), ambient=0.21),
        area_mm=(55, 35, 125, 95),
        touching=True,
    )
    seen = see(drawn)
    assert seen.regions.contrast_to_noise > WARNED
    assert (seen.overlap.max(1) > 0.5).mean() > 0.8


def test_a_dense_dark_heap_is_not_taken_for_the_tray(view: Callable[..., Any]) -> None:
    """Black strand and its shadows over most of a green window: the tray is what runs round them."""
    rng = np.random.default_rng(5)
    green, shadow, black = (25, 101, 42), (14, 55, 22), (40, 41, 40)
    picture = np.full((1200, 1800, 3), green, np.uint8)
    middle, angle = rng.uniform((110, 110), (1690, 1090), (700, 2)), rng.uniform(0, 180, 700)
    for colour, shift in ((shadow, 22.0), (black, 0.0)):
        for at, turn in zip(middle + shift, angle, strict=True):
            box = cv2.boxPoints(((float(at[0]), float(at[1])), (64.0, 28.0), float(turn)))
            cv2.fillConvexPoly(picture, np.rint(box).astype(np.int32), colour, cv2.LINE_AA)
    noisy = np.clip(picture + rng.normal(0, 1.5, picture.shape), 0, 255).astype(np.uint8)
    field = tray_field(cut_window(view(noisy)))
    np.testing.assert_allclose(field.colour, green, rtol=0.08)


def test_a_highlight_that_runs_out_of_a_dark_piece_cuts_no_slit_into_it(see: See) -> None:
    """Glossy black strand under a lamp shows a bright line along it, as bright as its shadow."""
    seen = see(scene("black", "white", light="lamp", surface="glossy", n=30, mpix=8.0, seed=4))
    assert seen.recall_apart == 1.0
    hull = [cv2.contourArea(cv2.convexHull(o.astype(np.float32))) for o in seen.regions.outlines_px]
    own = [cv2.contourArea(o.astype(np.float32)) for o in seen.regions.outlines_px]
    assert (np.array(own) / np.array(hull)).min() > 0.9


def test_hue_tells_shadow_from_piece_in_a_noisy_picture_too(see: See) -> None:
    """Red pieces that touch on white: noise makes luminance the better signal, but their hue is as plain as before."""
    drawn = tray(
        Batch(count=30, colour="red", surface="satin"),
        seed=1,
        camera=small_phone(4.0, tilt_deg=4.0, tilt_towards_deg=70.0),
        sheet=Sheet(window="white"),
        light=LIGHTS["overcast"],
        sensor=Sensor(noise=7.0),
        area_mm=(30, 30, 70, 60),
        touching=True,
    )
    assert (see(drawn).overlap.max(1) > 0.8).mean() > 0.9


@pytest.mark.parametrize("colour", [(0.035, 0.30, 0.075), (0.02, 0.15, 0.05)])
@pytest.mark.parametrize("seed", [1, 2])
def test_green_pieces_are_not_taken_for_the_shadows_of_their_shadows(
    see: See, colour: Any, seed: int
) -> None:
    """On white by a window: what has the evener level of two hues once was the shadow, which here is the pieces."""
    window = Lighting((Lamp(60.0 * seed, 35, 0.8, 20, tint=(1.0, 0.95, 0.85)),), ambient=0.25)
    seen = see(
        scene(
            colour,
            "white",
            light=window,
            surface="satin",
            seed=seed,
            mpix=8.0,
            n=30,
            sensor=Sensor(noise=5.0),
        )
    )
    assert seen.recall_apart == 1.0
    assert seen.false <= 1
    assert seen.regions.contrast_to_noise > REFUSED


@pytest.mark.parametrize("seed", [2, 3])
def test_navy_pieces_are_not_taken_for_the_shadows_of_their_shadows(see: See, seed: int) -> None:
    """They are so dark that all of them is of nearly one level, and a wide lamp's shadows are not: those were measured."""
    lamp = Lighting((Lamp(309, 53, 1.0, 12, tint=(1.0, 0.87, 0.72)),), ambient=0.33)
    drawn = tray(
        Batch(count=40, colour=(0.02, 0.03, 0.1), surface="satin"),
        seed=seed,
        camera=small_phone(8.0, tilt_deg=4.0, tilt_towards_deg=70.0),
        sheet=Sheet(window="white"),
        light=lamp,
        area_mm=(30, 30, 120, 90),
        touching=True,
    )
    seen = see(drawn)
    assert seen.recall_apart == 1.0
    assert seen.false <= 1


def test_grey_pieces_among_hard_shadows(see: See) -> None:
    seen = see(scene("grey", "white", light="hard lamp", surface="satin", seed=3, mpix=8.0, n=30))
    assert seen.recall_apart >= 0.9
    assert seen.false <= 2
    assert seen.regions.contrast_to_noise < WARNED  # half of each edge is seen badly, and that is said


def test_shadows_as_dark_as_the_pieces_are_named_as_what_is_wrong(see: See) -> None:
    """Under a white lamp a grey piece's shadow on white has its hue, and is as dark: the contrast is not at fault."""
    lamp = Lighting((Lamp(200, 30, 1.2, 12),), ambient=0.25)
    regions = see(scene("grey", "white", light=lamp, surface="satin", seed=3, mpix=8.0, n=30)).regions
    assert regions.told_from_shadows == 0.0
    assert regions.contrast_to_noise > REFUSED


@pytest.mark.parametrize(
    ("colour", "window"), [("black", "black"), ("white", "white"), ((0.22, 0.22, 0.22), (0.18, 0.18, 0.18))]
)
def test_pieces_too_like_the_tray_are_owned_up_to(see: See, colour: Any, window: Any) -> None:
    regions = see(scene(colour, window, surface="satin", seed=2)).regions
    assert len(regions) == 0 or regions.contrast_to_noise < REFUSED


@pytest.mark.parametrize("window", ["black", "white", "green"])
@pytest.mark.parametrize("glare", [None, (90.0, 60.0, 8.0, 0.7)], ids=["plain", "glare"])
def test_an_empty_tray_is_empty(see: See, window: str, glare: Any) -> None:
    regions = see(scene("white", window, n=0, light=replace(LIGHTS["softboxes"], glare=glare))).regions
    assert len(regions) == 0
    assert regions.labels.max() == 0
    assert regions.level_tray.shape == regions.level_piece.shape == regions.confidence.shape == (0,)
    assert regions.colour_lab.shape == (0, 3)
    assert regions.own_contrast.shape == (0, 3)
    assert regions.rod_px.shape == (0, 6)
    assert np.isnan(regions.contrast_to_noise)


def test_dust_and_scratches_are_no_pieces(see: See) -> None:
    rng = np.random.default_rng(5)
    litter = [
        Speck(*rng.uniform((16, 16), (176, 116)), rng.uniform(0.05, 0.2), (0.6,) * 3) for _ in range(25)
    ]
    litter += [Scratch(60, 40, 30, 20, 0.06, 0.4), Scratch(120, 80, 25, 110, 0.05, 0.6)]
    all_found(see(replace(scene("white", "darkblue", mpix=6.0), litter=tuple(litter))))


def test_a_hair_is_no_more_than_one_thing_and_spoils_no_piece(see: See) -> None:
    hair = Hair(150, 70, 30, 0.08, 40, 60, (0.4, 0.3, 0.2))
    seen = see(replace(scene("white", "darkblue"), litter=(hair,)))
    assert seen.recall_apart == 1.0
    assert seen.false <= 1


def test_threads_are_part_of_their_piece(see: See) -> None:
    seen = see(
        scene(
            "orange",
            "darkblue",
            mpix=8,
            tail_fraction=0.7,
            tail_length_mm=(1.0, 4.0),
            tail_width_mm=(0.15, 0.3),
        )
    )
    all_found(seen)
    x, y = seen.regions.origin_px
    h, w = seen.regions.labels.shape
    thread = seen.drawn.parts[y : y + h, x : x + w] == 1
    owner = seen.drawn.labels[y : y + h, x : x + w]
    own = seen.overlap.argmax(1)[np.maximum(owner, 1) - 1] + 1
    assert (seen.regions.labels[thread] == own[thread]).mean() > 0.8


def test_pieces_past_the_windows_edge_are_cut_off(see: See) -> None:
    base = scene("white", "black", n=0)
    inside = StrandPiece(90, 60, 10, 3.0)
    across = [StrandPiece(12.4, 60, 0, 3.0), StrandPiece(100, 119.8, 80, 3.0), StrandPiece(179.6, 40, 5, 3.0)]
    regions = see(replace(base, pieces=(inside, *across))).regions
    assert sorted(regions.state) == ["cut off", "cut off", "cut off", "whole"]


def test_touching_pieces_come_apart_and_say_so(see: See) -> None:
    apart = scene("white", "black", n=24, mpix=8, long_fraction=0.0, short_fraction=0.0)
    pairs = [
        StrandPiece(140, 40, 0, 3.0),
        StrandPiece(140, 41.76, 4, 3.0),  # side by side
        StrandPiece(150, 70, 90, 3.0),
        StrandPiece(152.4, 70, 0, 3.0),  # a T
    ]
    seen = see(replace(apart, pieces=(*apart.pieces, *pairs)))
    assert len(seen.regions) == len(apart.pieces) + 4
    state = np.array(seen.regions.state)
    assert (state == "parted").sum() == 4
    heap = seen.regions.heap[state == "parted"]
    assert sorted(np.unique(heap, return_counts=True)[1]) == [2, 2]
    assert (seen.regions.heap[state == "whole"] == -1).all()
    assert np.isfinite(seen.regions.rod_px[state == "parted"]).all()


def test_states_are_words(see: See) -> None:
    regions = see(scene("white", "black")).regions
    assert set(regions.state) <= {s.name for s in STATES}
    assert (regions.confidence == 1.0).all()
    assert (regions.extent_px > 0).all()


@pytest.mark.parametrize("one_sided", [False, True])
def test_a_scan_is_read_up_to_its_rim(see: See, one_sided: bool) -> None:
    seen = see(scan_scene(2, n=40, one_sided=one_sided))
    assert seen.recall_apart == 1.0
    assert seen.false == 0
