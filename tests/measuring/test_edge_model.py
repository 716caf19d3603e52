"""The edge model against profiles whose edges are known in closed form."""

import numpy as np
import pytest
from scipy.special import ndtr

from traygauge.measure.edge_model import (
    SHARPEN,
    SHARPEN_PX,
    Optics,
    find_light,
    find_optics,
    flash_lit,
    place_edges,
    usual_limb_share,
)
from traygauge.measure.limb import FLASH, Limb, flank_light
from traygauge_shared.scenes import LIGHTS, Batch, Sensor, Sheet, tray
from traygauge_shared.scenes.samples import small_phone

HALF_PX = 14.0
U = np.arange(0.4, 1.4, 0.55 / HALF_PX)


def flank(
    edge: float,
    sigma_px: float,
    limb: float,
    tray: float = 0.02,
    body: float = 0.6,
    half_px: float = HALF_PX,
    frontal: bool = False,
    turn: float | None = None,
) -> np.ndarray:
    """Return a blurred shaded half profile at U by brute force: a finely sampled flank, convolved numerically.

    `turn` makes it a bright piece's, its lamps so far on this side.
    """
    fine = np.linspace(-3, 4, 7001)
    r = fine / edge
    sky, lamps = flank_light(r, Limb(limb, own_light=turn is not None, frontal=frontal), turn or 0.0)
    light = (1 - limb) * sky + limb * lamps
    step = fine[1] - fine[0]

    def blurred(width_px: float) -> np.ndarray:
        k = np.arange(-int(6 * width_px / half_px / step), int(6 * width_px / half_px / step) + 1) * step
        kernel = np.exp(-0.5 * (k / (width_px / half_px)) ** 2)
        return np.convolve(light, kernel / kernel.sum(), "same")

    soft = blurred(sigma_px)
    sharpened = soft + SHARPEN * (soft - blurred(float(np.hypot(sigma_px, SHARPEN_PX))))
    return tray + (body - tray) * np.interp(U, fine, sharpened)


@pytest.mark.parametrize("edge", [0.95, 0.98, 1.0, 1.03, 1.05])
@pytest.mark.parametrize("limb", [0.0, 0.4, 0.8])
@pytest.mark.parametrize("sigma_px", [0.5, 0.9, 1.6])
def test_a_shaded_blurred_edge_is_found_where_it_is(edge: float, limb: float, sigma_px: float) -> None:
    profile = flank(edge, sigma_px, limb)[None]
    found, residual = place_edges(profile, U, HALF_PX, Optics(sigma_px, SHARPEN), Limb(limb))
    # half contrast misses by up to 0.5 px here, by 1 px where the blur is wide
    assert abs(found[0] - edge) * HALF_PX < (0.08 if sigma_px < 1.0 else 0.16)
    assert residual[0] < 0.01


def test_thick_and_thin_pieces_share_one_blur_in_pixels() -> None:
    """Regrind of two strands: what the lens blurs is as many pixels wide on either, not as large a part of them."""
    half_px = np.array([8.0, 14.0, 20.0])
    edges = [0.97, 1.0, 1.03]
    profiles = np.array([flank(e, 1.2, 0.6, half_px=h) for e, h in zip(edges, half_px, strict=True)])
    found, _ = place_edges(profiles, U, HALF_PX, Optics(1.2, SHARPEN), Limb(0.6), thickness=half_px / HALF_PX)
    assert np.abs((found - edges) * half_px).max() < 0.12


def test_dark_pieces_are_bright_ones_turned_over() -> None:
    bright = flank(1.03, 0.8, 0.5)[None]
    dark = -bright + 0.7
    optics = Optics(0.8, SHARPEN)
    assert place_edges(bright, U, HALF_PX, optics, Limb(0.5))[0] == pytest.approx(
        place_edges(dark, U, HALF_PX, optics, Limb(0.5))[0]
    )


def test_half_contrast_would_be_wrong() -> None:
    """The reason for the model: on a matt flank half of the contrast lies well inside the edge."""
    profile = flank(1.0, 0.7, 0.8, tray=0.0, body=1.0)
    level = 0.5 * profile[np.searchsorted(U, 0.6)]
    crossing = np.interp(-level, -profile[5:], U[5:])
    assert (1.0 - crossing) * HALF_PX > 0.3


@pytest.mark.parametrize("sigma_px", [0.5, 0.8, 1.3])
def test_blur_is_found_from_many_profiles(sigma_px: float) -> None:
    rng = np.random.default_rng(4)
    profiles = np.array([flank(rng.uniform(0.95, 1.05), sigma_px, rng.uniform(0.4, 0.7)) for _ in range(24)])
    profiles += rng.normal(0, 0.002, profiles.shape)
    found = find_optics(profiles, U, HALF_PX, 0.7, Limb(usual_limb_share(profiles, U, 0.7 / HALF_PX)))
    assert found.sigma_px == pytest.approx(sigma_px, rel=0.25)


def test_blur_is_no_less_than_is_possible() -> None:
    """What steps within a pixel is a highlight's edge, or grain, where no light could be so sharp."""
    profiles = np.array([flank(edge, 0.25, 0.6) for edge in (0.97, 1.0, 1.02)])
    limb = Limb(0.6)
    assert find_optics(profiles, U, HALF_PX, 0.45, limb).sigma_px < 0.4
    assert find_optics(profiles, U, HALF_PX, 0.45, limb, least_px=0.8).sigma_px > 0.65


def test_blur_is_found_between_the_values_that_are_tried() -> None:
    """Profiles a little less sharp are found a little less sharp, never in one leap and then not at all."""
    true = 0.7 * np.exp(np.linspace(0.0, 0.4, 9))
    found = []
    for sigma_px in true:
        profiles = np.array([flank(edge, sigma_px, 0.6) for edge in (0.97, 1.0, 1.02)])
        found.append(find_optics(profiles, U, HALF_PX, 0.7, Limb(0.6)).sigma_px)
    steps = np.diff(np.log(found))
    assert steps.min() > 0.0
    assert steps.max() < 0.11  # the true steps are 0.05; tried are steps of 0.14


@pytest.mark.parametrize("sigma_px", [0.6, 2.0])
def test_limb_share_is_read_inside_the_body(sigma_px: float) -> None:
    profiles = np.array([flank(e, sigma_px, 0.6) for e in (0.98, 1.0, 1.02)])
    assert usual_limb_share(profiles, U, sigma_px / HALF_PX) == pytest.approx(0.6, abs=0.06)


def test_what_an_even_sky_lights_out_of_focus_is_no_clear_strand(measured_scene) -> None:
    """0.07 mm too thick as long as the tray's dark, carried inwards, passed for a limb without any light."""
    seen = measured_scene(
        tray(
            Batch(count=40, oval_max=1.0, burr_fraction=0.0, pinch=(0.0, 0.0), cut_deg=(0.0, 0.0)),
            seed=700,
            light=LIGHTS["overcast"],
            sensor=Sensor(blur_px=2.6, noise=0.3, bayer=False, vignette=0.0, quality=98, subsampling=0),
        )
    )
    error = seen.errors("diameter_mm", "width_seen_mm")
    assert len(error) >= 35
    assert abs(np.median(error)) < 0.02


def test_an_edge_out_of_reach_is_no_number() -> None:
    profile = (1.0 - ndtr((U - 1.9) / 0.05))[None]
    found, _ = place_edges(profile, U, HALF_PX, Optics(0.7, SHARPEN), Limb(0.0))
    assert np.isnan(found[0])


@pytest.mark.parametrize(("within", "own_light"), [(0.0, True), (0.2, True), (0.6, False), (1.0, False)])
def test_what_an_even_sky_lights_is_not_lit_from_within(within: float, own_light: bool) -> None:
    """Half of an even sky's light reaches a limb: a fall that light from within lacks."""
    fine = np.linspace(-3, 4, 7001)
    sky, _ = flank_light(fine, Limb(0.0, own_light=True))
    cosine = np.sqrt(np.clip(1 - fine * fine, 0, None))
    light = sky * ((1 - within) + within * 2 / (1 + cosine))
    kernel = np.exp(-0.5 * (np.arange(-200, 201) * 0.001 / (0.6 / HALF_PX)) ** 2)
    flat = 0.02 + np.interp(U, fine, np.convolve(light, kernel / kernel.sum(), "same"))
    profiles = np.broadcast_to(flat, (12, 2, len(U))) + np.random.default_rng(5).normal(
        0, 0.002, (12, 2, len(U))
    )
    even = Limb(usual_limb_share(profiles.reshape(-1, len(U)), U, 0.6 / HALF_PX))
    limb, _ = find_light(profiles, U, HALF_PX, 0.6, even, own_light=True)
    assert limb.own_light == own_light


@pytest.mark.parametrize("turn", [-2.0, -1.0, -0.5, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("edge", [0.96, 1.04])
def test_the_edges_of_the_lit_and_the_dark_flank_are_found_alike(turn: float, edge: float) -> None:
    profile = flank(edge, 0.7, 0.7, tray=0.0, body=1.0, turn=turn)[None]
    limb, optics = Limb(0.7, own_light=True), Optics(0.7, SHARPEN)
    found, residual = place_edges(profile, U, HALF_PX, optics, limb, turn=np.array([turn]))
    assert abs(found[0] - edge) * HALF_PX < 0.1
    assert residual[0] < 0.01


@pytest.mark.parametrize("edge", [0.96, 1.0, 1.04])
@pytest.mark.parametrize("sigma_px", [0.5, 0.9])
@pytest.mark.parametrize("tray", [0.0, 0.02, 0.3])
def test_the_dark_limb_under_a_flash_is_no_tray(edge: float, sigma_px: float, tray: float) -> None:
    body, beside = (
        flank(edge, sigma_px, limb, outside, inside, frontal=True)
        for limb, outside, inside in ((1.0, 0.0, 1.0), (0.0, 1.0, 0.0))
    )
    profile = (body + tray * beside)[None]
    found, _ = place_edges(profile, U, HALF_PX, Optics(sigma_px, SHARPEN), FLASH)
    assert abs(found[0] - edge) * HALF_PX < 0.1


def sides(limb: float, frontal: bool, uneven: float = 0.0, sigma_px: float = 0.6) -> np.ndarray:
    """Return both sides of 20 bodies, their light uneven by up to a share of it, with a little noise."""
    rng = np.random.default_rng(8)
    one = flank(1.0, sigma_px, limb, tray=0.0, body=1.0, frontal=frontal)
    more = np.linspace(-uneven, uneven, 20)[:, None, None] * np.array([0.5, -0.5])[:, None]
    return one * (1 + more) + rng.normal(0, 0.002, (20, 2, len(U)))


@pytest.mark.parametrize(
    ("profiles", "beside", "flash"),
    [
        (sides(1.0, True), 1.0, True),
        (sides(1.0, True, sigma_px=1.6), 0.95, True),  # out of focus
        (sides(1.0, True, uneven=0.05), 1.0, True),  # looked at askew
        (sides(1.0, True, uneven=0.5), 1.0, False),  # a lamp at the side
        (sides(0.5, False), 1.0, False),  # lit from within
        (sides(0.85, False), 0.65, False),  # two lamps
        (sides(1.0, True), 0.75, False),  # the sky, between neighbours
    ],
)
def test_a_flash_is_told_by_dark_limbs_and_no_shadow(
    profiles: np.ndarray, beside: float, flash: bool
) -> None:
    limb = Limb(usual_limb_share(profiles.reshape(-1, len(U)), U, 0.6 / HALF_PX))
    assert flash_lit(profiles, U, np.full(20, beside), limb) == flash
    # a tray that mirrors a lamp is brighter beside some pieces than further away, and darker beside others
    assert not flash_lit(profiles, U, beside * np.linspace(0.4, 1.6, 20), limb)


@pytest.mark.parametrize(("colour", "blur_px"), [("red", 0.75), ("white", 2.6)])
def test_a_flash_on_colour_or_out_of_focus_is_told_as_well(
    measured_scene, colour: str, blur_px: float
) -> None:
    """0.07 and 0.06 mm too thin as long as a limb that dark passed for tray, or for blur."""
    seen = measured_scene(
        tray(
            Batch(count=40, colour=colour, oval_max=1.0),
            seed=3,
            light=LIGHTS["flash"],
            sensor=Sensor(blur_px=blur_px),
        )
    )
    error = seen.errors("diameter_mm", "width_seen_mm")
    assert len(error) >= 35
    assert abs(np.median(error)) < 0.025


def test_where_colour_is_read_no_flash_is_told(measured_scene) -> None:
    """Colour shows no shadow beside pieces in any light; taken for a flash's, none of the diameters lay in what was stated."""
    seen = measured_scene(
        tray(
            Batch(count=40, colour="orange"),
            seed=3,
            camera=small_phone(5, tilt_deg=3.0),
            light=LIGHTS["overcast"],
            sheet=Sheet(window=(0.03, 0.2, 0.05)),
        )
    )
    error = seen.errors("diameter_mm", "width_seen_mm")
    assert len(error) >= 30
    assert (np.abs(error) < 1.96 * np.nanmedian(seen.pieces["u_diameter_mm"])).mean() >= 0.9


def test_widths_under_a_flash_lie_in_what_is_stated(measured_scene) -> None:
    """A small lamp near the camera: the light of the flanks is the limb's alone."""
    seen = measured_scene(
        tray(Batch(count=40, colour="white", surface="satin"), seed=4, light=LIGHTS["flash"])
    )
    error = seen.errors("diameter_mm", "width_seen_mm")
    assert len(error) >= 35
    assert abs(np.median(error)) < 0.02
    assert (np.abs(error) < 1.96 * np.nanmin(seen.pieces["u_diameter_mm"])).mean() >= 0.9


def test_the_local_blur_follows_the_rings() -> None:
    ring = np.array([0.5, 1.0, 2.0, 9.0])
    assert Optics(0.8, SHARPEN, ring_px=1.0).local_px(ring) == pytest.approx([0.4, 0.8, 1.6, 2.0])
    assert Optics(0.8, SHARPEN).local_px(ring) == pytest.approx(0.8)


def test_widths_where_a_lens_is_not_sharp_all_over(measured_scene) -> None:
    """One blur for all would put edges of pieces in the sharp middle too far out, and of those at the sides too far in."""
    askew = Sensor(blur_px=0.9, defocus_px=4.0, defocus_deg=0.0)
    seen = measured_scene(tray(Batch(count=60, oval_max=1.0, burr_fraction=0.0), seed=9, sensor=askew))
    error = seen.errors("diameter_mm", "width_seen_mm")
    assert len(error) >= 50
    assert error.std() < 0.042
    assert np.quantile(np.abs(error), 0.95) < 0.085
