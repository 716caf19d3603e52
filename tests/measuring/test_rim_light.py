"""What rounded rims lack of their flanks' light, and what that does to ends."""

import numpy as np
import pytest

from traygauge.measure.limb import FLASH, Limb, flank_light
from traygauge.measure.rim_light import PLACES, RimLight, rim_light, seems_short
from traygauge_shared.scenes import Batch, tray
from traygauge_shared.scenes.samples import LIGHTS

AZIMUTH = np.linspace(0.0, 2 * np.pi, 60, endpoint=False)
FINE = np.linspace(0.0, 1.0, 2001)


def flanks(limb: Limb, towards: float, turn: float) -> np.ndarray:
    """Return the light of flanks that look towards `AZIMUTH` under lamps whose light turns from straight above by so much."""
    sky, lamps = flank_light(PLACES, limb, turn * np.cos(AZIMUTH - towards)[:, None])
    return (1 - limb.share) * sky + limb.share * lamps


def true_lack(limb: Limb, turn: float) -> float:
    """Return what a rim lacks that looks where light turns so far towards: it falls as over a flank, to the very limb."""
    sky, lamps = flank_light(FINE, limb, turn)
    return float(1 - ((1 - limb.share) * sky + limb.share * lamps)[:-1].mean())


@pytest.mark.parametrize(("share", "lacking"), [(1.0, 1 - np.pi / 4), (0.0, (1 - np.pi / 4) / 2)])
def test_light_from_above_and_an_even_sky(share: float, lacking: float) -> None:
    """Lambert's law in closed form: the mean of a quarter circle's cosine is pi / 4; the coat at grazing view adds to that."""
    limb = Limb(share, own_light=True)
    found = rim_light(flanks(limb, 0.0, 0.0), AZIMUTH, limb).lacking(AZIMUTH)
    assert found == pytest.approx(lacking, abs=0.03)
    assert found == pytest.approx(true_lack(limb, 0.0), abs=0.01)


@pytest.mark.parametrize("turn", [0.5, 1.0, 1.6])
@pytest.mark.parametrize("towards", [0.3, 2.0, 4.4])
def test_rims_towards_a_lamp_are_brighter_and_away_from_it_dark(turn: float, towards: float) -> None:
    """Two harmonics smooth the foot of the light a little."""
    limb = Limb(0.85, own_light=True)
    rims = rim_light(flanks(limb, towards, turn), AZIMUTH, limb)
    facing, averted = rims.lacking(np.array([towards, towards + np.pi]))
    assert facing == pytest.approx(true_lack(limb, turn), abs=0.08)
    assert averted == pytest.approx(true_lack(limb, -turn), abs=0.08)
    assert averted - facing > 0.4 * turn


def test_a_few_flanks_tell_no_direction() -> None:
    limb = Limb(0.85, own_light=True)
    some = flanks(limb, 0.0, 1.0)[[0, 30]]
    few, many = rim_light(some, AZIMUTH[[0, 30]], limb), rim_light(flanks(limb, 0.0, 1.0), AZIMUTH, limb)
    assert np.ptp(few.lacking(AZIMUTH)) < 0.5 * np.ptp(many.lacking(AZIMUTH))


def test_odd_flanks_and_unread_ones_change_nothing() -> None:
    limb = Limb(0.85, own_light=True)
    light = flanks(limb, 1.0, 1.0)
    plain = rim_light(light, AZIMUTH, limb).lacking(AZIMUTH)
    light[[5, 29]] *= 2.0
    light[17, 3] = np.nan
    assert rim_light(light, AZIMUTH, limb).lacking(AZIMUTH) == pytest.approx(plain, abs=0.02)


def test_of_colour_and_dark_pieces_nothing_is_read() -> None:
    rims = rim_light(np.full((60, len(PLACES)), np.nan), AZIMUTH, Limb(0.4))
    assert rims.lacking(AZIMUTH) == pytest.approx(0.4 * (1 - np.pi / 4), abs=0.01)


def test_a_flash_leaves_rims_darker_than_light_from_above() -> None:
    """Fresnel's part is lost on the way in and out."""
    _, lamps = flank_light(np.broadcast_to(PLACES, (60, len(PLACES))), FLASH)
    found = rim_light(lamps, AZIMUTH, FLASH).lacking(AZIMUTH)
    assert found == pytest.approx(true_lack(FLASH, 0.0), abs=0.01)
    assert (found > 1 - np.pi / 4).all()


def test_how_short_an_end_seems() -> None:
    """Without a face, and where its edges are one in the blur, the whole of what lacks; else by the steps' squares."""
    lacking = np.full(5, 0.2)
    face = np.array([0.0, 0.0, 0.3, 0.3, 1.0])
    apart = np.array([0.0, 50.0, 0.0, 50.0, 50.0])
    expected = 0.2 * np.array([1.0, 1.0, 1.0, 0.7 / (0.7**2 + 0.3**2), 0.0])
    assert seems_short(lacking, face, apart) == pytest.approx(expected)


def test_even_rims() -> None:
    assert RimLight.even(0.2).lacking(AZIMUTH) == pytest.approx(0.2)


@pytest.mark.parametrize("light", ["window", "lamp"])
def test_pieces_that_point_at_a_lamp_do_not_seem_to_lie_nearer_to_it(measured_scene, light: str) -> None:
    """By 0.016 and 0.013 mm as long as rims towards it, and away from it, were taken to lack the same."""
    batch = Batch(
        count=60, cut_deg=(0.0, 0.0), pinch=(0.0, 0.0), oval_max=1.0,
        burr_fraction=0.0, bend_fraction=0.0, tail_fraction=0.0,
    )  # fmt: skip
    seen = measured_scene(tray(batch, seed=5, light=LIGHTS[light]))
    azimuth = np.radians(LIGHTS[light].lamps[0].azimuth_deg)
    towards = np.array([np.cos(azimuth), np.sin(azimuth)])
    axis = np.radians([float(row["axis_deg"]) for row in seen.drawn.truth])
    assert (seen.at >= 0).all()
    off = np.stack([seen.errors(k, k) for k in ("x_mm", "y_mm")], -1) @ towards
    pointing = np.abs(np.cos(axis - azimuth)) > 0.8
    assert pointing.sum() >= 15
    assert abs(np.median(off[pointing])) < 0.006
