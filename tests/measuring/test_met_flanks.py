"""Flanks that lie against other pieces: closed form on drawn labels, and touching pieces drawn with their truth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from traygauge.measure.end_light import Apart
from traygauge.measure.frame import Frames
from traygauge.measure.met_flanks import held_to_batch, met_stations
from traygauge_calib.tray_view import TrayView
from traygauge_shared.scenes import Scene, Sheet, StrandPiece, tray
from traygauge_shared.scenes.samples import LIGHTS

STATIONS = np.linspace(-1.0, 1.0, 5)[None]


def test_a_flank_meets_what_lies_beside_it_and_there_alone(view: Callable[..., TrayView]) -> None:
    """A copy stand at 10 px/mm: a piece along x with a neighbour below its right half; its own lip is no neighbour."""
    labels = np.zeros((100, 100), np.int32)
    labels[41:60, 30:70] = 1
    labels[60:80, 52:90] = 2
    labels[20:41, 30:40] = 1  # its own lip
    tray_view = view(np.zeros((100, 100, 3), np.uint8), 10.0)
    frames = Frames(np.array([[5.0, 5.0]]), np.zeros(1), np.zeros(1), np.array([4.0]), np.array([1.9]))
    half = np.full((1, 5), 0.95)

    def met(known_mm: float) -> np.ndarray:
        apart = Apart(labels, (0, 0), np.array([1]), np.zeros(1), np.full((1, 2), known_mm))
        return met_stations(tray_view, frames, STATIONS, half, apart)[0]

    below = int(frames.across()[0, 1] < 0)  # which side lies against y
    assert met(0.02)[below].tolist() == [False, False, False, True, True]
    assert not met(0.02)[1 - below].any()
    assert not met(np.inf).any()  # nothing parted it from anything


def test_an_unseen_flank_is_fitted_at_the_batchs_width_and_is_not_read() -> None:
    width = np.array([1.74, 1.75, 1.76, 1.75, 2.05, 1.75, 1.75])
    met = np.zeros((7, 2, 5), bool)
    met[4, 0] = True  # wholly met, and read too wide
    met[5, 1, :2] = True  # met in part
    read, unread, unseen, unsure = held_to_batch(width, met, likely=6)
    assert np.flatnonzero(unread).tolist() == [4]
    assert np.argwhere(unseen).tolist() == [[4, 0]]
    assert read == pytest.approx([1.74, 1.75, 1.76, 1.75, 1.75, 1.75, 1.75])
    assert unsure[[0, 1, 2, 3, 6]] == pytest.approx(np.zeros(5))
    assert 0.0 < unsure[5] < unsure[4] < 0.05


def test_a_much_thicker_piece_among_others_does_not_become_one_of_them() -> None:
    """Strand of 2.85 mm wedged in a batch of 1.75 mm: what is read between others is off by a tenth, not by half."""
    width = np.array([1.74, 1.75, 1.76, 1.75, 2.70])
    met = np.zeros((5, 2, 5), bool)
    met[4] = True
    read, unread, unseen, unsure = held_to_batch(width, met, likely=5)
    assert unseen[4].all()
    assert np.flatnonzero(unread).tolist() == [
        4
    ]  # what it was read as serves its ends, and is no measurement
    assert read[4] == pytest.approx(2.70)
    assert unsure[4] > 0.1


def test_in_a_batch_of_several_strands_an_unseen_flank_stays_as_read_and_is_unsure() -> None:
    width = np.array([1.2, 1.5, 1.75, 2.1, 2.6, 2.0])
    met = np.zeros((6, 2, 5), bool)
    met[5, 0] = True
    read, unread, _, unsure = held_to_batch(width, met, likely=6)
    assert not unread.any()
    assert read == pytest.approx(width)
    assert unsure[5] > 0.1


@pytest.mark.parametrize(("colour", "window"), [("black", "white"), ("white", "black")])
def test_pieces_side_by_side_have_a_length_and_no_diameter(measured_scene, colour: str, window: str) -> None:
    """Six pairs flank to flank, shifted along, among pieces that lie apart: nobody saw both flanks of one of them."""
    things = [StrandPiece(50 + 13 * k, 42, axis_deg=20 * k, length_mm=3.0, colour=colour) for k in range(7)]
    for k in range(6):
        turn = np.radians(25.0 * k)
        across, along = np.array([-np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), np.sin(turn)])
        one = np.array([52.0 + 14 * k, 72.0])
        two = one + 1.77 * across + 0.4 * along
        things += [
            StrandPiece(*map(float, at), axis_deg=25.0 * k, length_mm=3.1, colour=colour) for at in (one, two)
        ]
    plain = tray(seed=3, sheet=Sheet(window=window), light=LIGHTS["softboxes"])
    scene = Scene(tuple(things), plain.camera, plain.sheet, plain.light, plain.sensor, seed=3)
    seen = measured_scene(scene)
    pieces, at = seen.pieces, seen.at[7:]
    assert (at >= 0).sum() >= 10
    at = at[at >= 0]
    parted = at[np.isfinite(pieces["length_mm"][at])]
    assert len(parted) >= 8
    error = pieces["length_mm"][parted] - 3.1
    assert np.abs(error).max() < 0.15
    assert (np.abs(error) < 1.96 * pieces["u_length_mm"][parted]).mean() >= 0.85
    read = np.isfinite(pieces["diameter_mm"][at])
    assert read.sum() <= 1  # one may just show enough of its flank
    assert (np.abs(pieces["diameter_mm"][at] - 1.75) < 1.96 * pieces["u_diameter_mm"][at])[read].all()
    for name in ("u_diameter_mm", "aspect_ratio", "neck_mm", "volume_mm3"):
        assert np.isnan(pieces[name][at[~read]]).all(), name
    alone = seen.at[:7]
    assert pieces["diameter_mm"][alone] == pytest.approx(1.75, abs=0.06)
