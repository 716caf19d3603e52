"""What parting may cost: clumps beyond a photo's budget stay unresolved, and the others are parted as ever."""

import cv2
import numpy as np
import pytest

from traygauge.segment import find, part_budget
from traygauge.segment.clumps import parted
from traygauge.segment.find import find_pieces
from traygauge.segment.part import Clump, part_clumps
from traygauge.segment.part_budget import within
from traygauge.segment.part_cover import neighbours, pairs_near
from traygauge.segment.part_necks import parted_at_necks
from traygauge.segment.part_prior import StrandPrior
from traygauge.segment.part_result import Parting
from traygauge_calib.scale import calibrate
from traygauge_shared.photo import Photo

STRAND = StrandPrior(28.0, 1.0, 60.0, 3.0, 40)


def rods(count, seed=0):
    """Return rods (count, 6) of a strand 28 px thick around one place."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(0, 90, (count, 2))
    ones = np.ones(count)
    return np.column_stack([place, rng.uniform(0, np.pi, count), 60 * ones, 28 * ones, 0 * ones])


def clump(ends) -> Clump:
    """Return pieces drawn from end to end, a white strand 28 px thick on black, each a little darker than the last."""
    ends = np.array(ends)
    width, height = ends.reshape(-1, 2).max(0) + 30
    grey = np.zeros((height, width), np.uint8)
    for k, (a, b) in enumerate(ends):
        cv2.line(grey, a.tolist(), b.tolist(), 220 - 40 * (k % 3), 28)
    return Clump(grey > 0, np.repeat(grey[..., None], 3, 2), 16.0, (0.0, 0.0))


def crossing(pairs: int) -> Clump:
    """Return that many pairs of crossing pieces, each pair hooked to the next."""
    ends = []
    for k in range(pairs):
        x = 40 + 60 * k
        ends += [((x, 40), (x + 60, 100)), ((x, 100), (x + 60, 40))]
    return clump(ends)


def words(parting: Parting) -> set[str]:
    return set(parting.state)


@pytest.mark.parametrize("budget", [0.0, 2.9, 3.0, 5.9, 6.0, 100.0])
def test_the_cheapest_are_paid_first(budget):
    cost = np.array([3.0, 1.0, 2.0])
    paid = within(cost, budget)
    assert cost[paid].sum() <= budget
    assert not paid.any() or cost[paid].max() <= cost[~paid].min(initial=np.inf)
    assert paid.all() == (budget >= 6)
    assert len(within([], budget)) == 0


def test_neighbours_bound_the_pairs():
    """Counted before the pairs are listed, so that a crowd is known before it fills the memory."""
    for count in (2, 30, 200):
        some = rods(count)
        i, _ = pairs_near(some)
        assert 2 * len(i) <= neighbours(some).sum()
    assert len(neighbours(rods(0))) == 0


@pytest.mark.parametrize(
    ("what", "budget"), [("MOST_ROOM", 30.0), ("MOST_CANDIDATES", 60), ("MOST_NEIGHBOURS", 2000)]
)
def test_what_the_budget_does_not_pay_for_is_unresolved(monkeypatch, what, budget):
    few, many = crossing(1), crossing(12)
    alone = part_clumps([few], STRAND)[0]
    assert words(alone) == {"parted"}
    assert len(alone) == 2
    assert len(part_clumps([many], STRAND)[0]) > 12
    monkeypatch.setattr(part_budget, what, budget)
    left, again = part_clumps([many, few], STRAND)
    assert words(left) == {"unresolved"}
    assert len(left) == 1
    assert (left.labels > 0).sum() == many.mask.sum()
    assert again.state == alone.state


def test_things_of_no_strand_have_a_budget_too(monkeypatch):
    flake = np.zeros((60, 60), np.uint8)
    cv2.rectangle(flake, (5, 5), (50, 50), 1, -1)
    two = Clump(flake > 0, np.repeat(200 * flake[..., None], 3, 2), 16.0, (0.0, 0.0))
    assert words(part_clumps([two], None)[0]) == {"whole"}
    monkeypatch.setattr(part_budget, "MOST_ROOM_PX", 3599.0)
    assert words(part_clumps([two], None)[0]) == {"unresolved"}


def test_a_comb_with_more_notches_than_cuts_is_left_alone():
    """Each cut takes two notches away at most, and 60 are made: a comb of 200 teeth would be no nearer to pieces."""
    comb = np.zeros((90, 1700), bool)
    comb[60:80, 10:1690] = True
    for x in range(12, 1688, 8):
        comb[5:60, x : x + 4] = True
    assert len(parted_at_necks(comb, 12.0).confidence) == 1


def test_pieces_keep_no_more_pixels_than_their_own_boxes(monkeypatch):
    """A clump's crop once a piece is as many bytes as the clump's area times its pieces: gigabytes for a large one."""
    free = [((40 + 100 * k, 220), (100 + 100 * k, 220)) for k in range(8)]
    chain = crossing(12)
    grey = np.full((260, 900), 20, np.uint8)
    grey[: chain.mask.shape[0], : chain.mask.shape[1]] += chain.rgb[..., 0]
    for start, end in free:
        cv2.line(grey, start, end, 200, 28)
    noise = np.random.default_rng(0).normal(0, 1, grey.shape)
    grey = np.clip(cv2.GaussianBlur(grey, (0, 0), 0.8) + noise, 0, 255).astype(np.uint8)
    photo = Photo("drawn.png", "", np.repeat(grey[..., None], 3, 2), "PNG", None, None, False)
    things = []

    def kept(*given):
        found, flakes = parted(*given)
        things.extend(found)
        return found, flakes

    monkeypatch.setattr(find, "parted", kept)
    find_pieces(calibrate(photo, px_per_mm=16.0))
    patches = [thing.patch[1] for thing in things if thing.patch is not None]
    assert len(patches) > 8
    assert max(patch.size for patch in patches) < 0.3 * chain.mask.size
