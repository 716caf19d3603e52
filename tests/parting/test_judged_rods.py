"""What parting says of rods once they are chosen: their ends, what hides them, their tilt, and how sure each is."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from traygauge.segment import part_label
from traygauge.segment.part import Clump, _as_parting
from traygauge.segment.part_contact import held_back
from traygauge.segment.part_judge import confidences, stacked, states
from traygauge.segment.part_result import GAP, Parting
from traygauge.segment.part_witness import INSIDE, LAST, Witness, sample_points
from traygauge_shared.scenes import StrandPiece


def test_an_end_that_lies_in_another_s_flank_goes_back_by_its_share():
    """A lying rod's limb is at x = 15; another's end at right angles reaches to 18, 4 or 40: in it, before it, across it.

    Found 3 px too far in all, of which the end's own variance 0.026² is a share of 0.026² + 0.045² + 0.011².
    """
    flank = [25.0, 0.0, np.pi / 2, 60.0, 20.0, 0.0]
    share = 0.026**2 / (0.026**2 + 0.045**2 + 0.011**2)
    for reach, back in ((18.0, 3.0 * share), (4.0, 0.0), (40.0, 0.0)):
        rods = np.array([[reach - 25, 0.0, 0.0, 50.0, 20.0, 0.0], flank])
        assert held_back(rods, 20.0) == pytest.approx(np.array([[0.0, back], [0.0, 0.0]]))
        rods[0, 2] = np.pi  # told from its other end
        assert held_back(rods, 20.0) == pytest.approx(np.array([[back, 0.0], [0.0, 0.0]]), abs=1e-9)
    oblique = np.array([[-7.0, 0.0, 0.0, 44.0, 20.0, 0.0], flank])
    oblique[1, 2] += 0.1  # the middle of the end touches, one corner lies in the flank
    assert held_back(oblique, 20.0)[0, 1] > 0.5 * share


def test_an_end_under_another_piece_is_hidden():
    lower = np.array([40.0, 40.0, 0.0, 60.0, 20.0, 0.0])  # its ends lie at x = 10 and 70
    upper = np.array([70.0, 40.0, np.pi / 2, 60.0, 20.0, 0.0])  # from x = 60 to 80
    half = np.array([70.0, 10.0, np.pi / 2, 60.0, 20.0, 0.0])  # ends at the lower one's axis, y = 40
    mask = np.ones((90, 90), bool)
    for above, hidden in ((upper, 1.0), (half, 0.5)):
        rods = np.stack([lower, above])
        share = part_label.ends_hidden(part_label.labelled(mask, rods, 0.0)[0], rods)
        assert share[0] == pytest.approx([0.0, hidden], abs=0.1)
        assert share[1] == pytest.approx([0.0, 0.0])
    mask[:, 60:] = False  # an end beyond the tray's edge lies under nothing
    assert part_label.ends_hidden(part_label.labelled(mask, rods, 0.0)[0], rods)[0].tolist() == [0.0, 0.0]


def test_a_length_is_not_stated_where_an_end_lies_under_another():
    rods = np.array([[40.0, 40.0, 0.0, 60.0, 20.0, 0.0], [70.0, 40.0, np.pi / 2, 60.0, 20.0, 0.0]])
    mask = part_label.labelled(np.ones((90, 90), bool), rods, 0.0)[0] > 0
    for order, state in (((0, 1), ("covered", "parted")), ((1, 0), ("parted", "parted"))):
        parting = _as_parting(
            dark_on_white(mask), rods[list(order)], np.zeros(2), ["parted", "parted"], np.ones(2), 20.0
        )
        assert parting.state == state


def seen_whole(rods: np.ndarray) -> Witness:
    """Return what rods (n, 6) say whose outlines all show clearly."""
    points = sample_points(rods)
    said = np.ones(points.shape[:2], np.float32)
    said[:, INSIDE] = 0.0  # no edge runs across any of them
    return Witness(points, said.copy(), said, np.ones(said.shape, bool))


def test_an_end_against_another_piece_is_less_sure_and_a_free_one_is_not() -> None:
    diameter = 28.0
    rods = np.array([[60.0, 60.0, 0.0, 44.0, 28.0, 0.0], [96.5, 60.0, np.pi / 2, 80.0, 28.0, 0.0]])
    said = seen_whole(rods)
    against, beside = confidences(said, stacked(rods, said, np.zeros(2, np.int64), diameter))
    assert beside == 1.0
    assert 0.5 < against < 0.9


@pytest.mark.parametrize(
    ("depth", "length", "state"), [(0.1, 44.0, "parted"), (0.2, 44.0, "covered"), (0.1, 90.0, "covered")]
)
def test_an_end_as_good_as_beside_a_flank_covers_no_piece_as_long_as_usual(depth, length, state) -> None:
    """Rods are placed to about a twentieth of a diameter; but a long one's end may be anywhere below the other."""
    diameter = 28.0
    rods = np.array(
        [
            [82.5 + depth * diameter - length / 2, 60.0, 0.0, length, 28.0, 0.0],
            [96.5, 60.0, np.pi / 2, 80.0, 28.0, 0.0],
        ]
    )
    said = seen_whole(rods)
    said.value[0] = 0.1  # what shows less of itself lies below
    stack = stacked(rods, said, np.zeros(2, np.int64), diameter)
    assert stack.hidden[0, LAST].all()
    flat = SimpleNamespace(lean_at=lambda x, y: np.zeros((len(x), 2)))
    assert states(flat, rods, np.zeros((2, 2)), stack, (44.0, 4.0))[0] == state


@pytest.mark.parametrize(("end", "state"), [("first", "leaning"), ("last", "covered")])
def test_a_leaning_piece_rests_on_what_its_face_lies_against(end, state) -> None:
    """Seen from above it is shorter than usual; its first end is the raised one, and only the other may run on below."""
    side = 1.0 if end == "last" else -1.0
    rods = np.array(
        [[60.0, 60.0, 0.0, 28.0, 28.0, 8.0], [60.0 + side * 36.5, 60.0, np.pi / 2, 80.0, 28.0, 0.0]]
    )
    said = seen_whole(rods)
    stack = stacked(rods, said, np.zeros(2, np.int64), 28.0)
    assert stack.abuts[0].max() > 0.6
    flat = SimpleNamespace(lean_at=lambda x, y: np.zeros((len(x), 2)))
    bulge = np.array([[0.57, 0.57], [0.0, 0.0]])
    assert states(flat, rods, bulge, stack, (56.0, 4.0))[0] == state


def test_what_noise_shows_across_every_rod_says_nothing_against_any() -> None:
    """Grain looks like faint lines across all of them; a line that only one shows is its own."""
    rods = np.array([[60.0 + 100.0 * k, 60.0, 0.0, 56.0, 28.0, 0.0] for k in range(9)])
    said = seen_whole(rods)
    stack = stacked(rods, said, np.zeros(9, np.int64), 28.0)
    said.seen[:, INSIDE] = 0.13  # of ten tenths of each
    assert (confidences(said, stack) == 1.0).all()
    said.seen[4, INSIDE] = 0.23
    sure = confidences(said, stack)
    assert sure[4] < 0.2
    assert (np.delete(sure, 4) == 1.0).all()


@pytest.mark.parametrize("tilt", [0.0, 20.0, 35.0])
def test_both_ends_together_tell_the_tilt(heap, tilt: float) -> None:
    things = [
        StrandPiece(9.0 * (k % 3) - 9.0, 9.0 * (k // 3) - 9.0, axis_deg=40.0 * k, tilt_deg=tilt)
        for k in range(9)
    ]
    found = np.degrees([p.rod_px[0, 5] for p in heap(things).partings])
    assert np.isfinite(found).sum() >= 7
    assert np.nanmedian(np.abs(found - tilt)) < 3.0


@pytest.mark.parametrize(("wide", "state"), [(3, "parted"), (20, "covered")])
def test_what_meets_others_along_a_strip_much_narrower_than_itself_is_whole(wide, state) -> None:
    """A disc sawn off strand lies on its flank; a piece that runs on below another does so at its full width."""
    mask = np.zeros((90, 90), bool)
    mask[10:30, 10:70] = True  # the rod
    mask[30:40, 70 - wide : 90 - wide] = (
        True  # half as long as thick, against the rod's flank as far as it reaches
    )
    rods = np.array([[39.5, 19.5, 0.0, 60.0, 20.0, 0.0]])
    parting = _as_parting(dark_on_white(mask), rods, np.zeros(1), ["parted"], np.ones(1), 20.0)
    assert parting.state == ("parted", state)
    assert (parting.labels[33:39, 72 - wide : 88 - wide] == 2).all()


def dark_on_white(mask: np.ndarray, dark: int = 60, white: int = 200) -> Clump:
    """Return a clump of one code value on a tray of another."""
    rgb = np.where(mask, dark, white).astype(np.uint8)
    return Clump(mask, np.repeat(rgb[..., None], 3, 2), 10.0, (0.0, 0.0))


def left_over(
    box: tuple[slice, slice], rods: list[tuple[int, int]], light: int = 60, tray: int = 200
) -> Parting:
    """Return rods of 60 x 20 px that lie along x, with middles at places, parted with a box of pixels that they leave over."""
    mask = np.zeros((160, 160), bool)
    for x, y in rods:
        mask[y - 10 : y + 10, x - 30 : x + 30] = True
    mask[box] = True
    rows = np.array([[x - 0.5, y - 0.5, 0.0, 60.0, 20.0, 0.0] for x, y in rods])
    clump = dark_on_white(mask, white=tray)
    clump.rgb[box] = light
    return _as_parting(clump, rows, np.zeros(len(rows)), ["parted"] * len(rows), np.ones(len(rows)), 20.0)


@pytest.mark.parametrize(
    ("box", "rods", "gap"),
    [
        (np.s_[60:80, 60:80], [(80, 50), (80, 90), (110, 70), (30, 70)], True),  # enclosed: tray shows there
        (np.s_[60:80, 60:80], [(80, 50), (80, 90), (110, 70)], False),  # as large, but its end shows
        (np.s_[60:67, 60:100], [(80, 50)], True),  # a strip of shade along a flank
        (np.s_[60:67, 60:80], [(80, 50)], False),  # no longer than what lies below is wide
        (np.s_[60:72, 60:100], [(80, 50)], False),
    ],
)
def test_shade_between_pieces_is_no_piece(box, rods, gap: bool) -> None:
    parting = left_over(box, rods)
    middle = parting.labels[box][3:-3, 3:-3]
    assert len(parting) == len(rods) + (not gap)
    assert (middle == (GAP if gap else len(parting))).all()


@pytest.mark.parametrize(
    ("light", "tray", "gap"),
    [
        (100, 200, True),  # tray in shade
        (60, 200, False),  # as dark as strand
        (50, 20, False),  # on a tray darker than strand what is dim may be strand in shade
    ],
)
def test_what_is_lighter_than_dark_strand_is_no_part_of_it(light: int, tray: int, gap: bool) -> None:
    """A box as large as the one above that is a piece, by its place."""
    parting = left_over(np.s_[60:72, 60:76], [(80, 50)], light, tray)
    assert len(parting) == 2 - gap


@pytest.mark.parametrize(("light", "gap"), [(190, True), (90, False)])
def test_what_is_as_light_as_the_tray_is_no_dark_piece_however_large(light: int, gap: bool) -> None:
    """Closing highlights closes the gap between two arms of a clump too: of 130 pieces of a scan six were invented."""
    parting = left_over(np.s_[60:100, 60:110], [(80, 50)], light, 200)
    assert len(parting) == 2 - gap


def test_a_poor_rod_on_bare_tray_is_none() -> None:
    rows = np.array([[80.0, 50, 0, 60, 20, 0], [80.0, 90, 0, 60, 20, 0]])
    mask = np.zeros((140, 180), bool)
    mask[40:100, 45:115] = True
    clump = dark_on_white(mask, white=200)
    clump.rgb[80:100, 45:115] = 190
    parting = _as_parting(clump, rows, np.zeros(2), ["parted"] * 2, np.array([1.0, 0.05]), 20.0)
    assert (parting.labels[85:95, 60:100] == GAP).all()
