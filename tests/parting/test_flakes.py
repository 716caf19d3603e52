"""Clumps of regrind: which batches hold flakes, and what of a clump is strand, flake, or two of them."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge.segment.part_prior import REGRIND, SOME_FLAKES, strand_prior
from traygauge_shared.scenes import Batch, tray
from traygauge_shared.scenes.things import Thing


def regrind(seed: int) -> list[Thing]:
    """Return ten strand pieces and twelve flakes, shaken together on 28 x 24 mm."""
    batch = Batch(count=10, flakes=12, colour="white", surface="matt", long_fraction=0, cut_deg=(4, 3))
    return list(tray(batch, seed=seed, area_mm=(-14, -12, 14, 12), touching=True).pieces)


class TestShareOfFlakes:
    RODS = np.array([[48.0 * 28.0, 0.97, 48.0, 28.0]] * 60)

    @staticmethod
    def flakes(things: np.ndarray) -> float:
        prior = strand_prior(*things.T)
        assert prior is not None
        return prior.flakes

    def test_strand_holds_none(self) -> None:
        assert self.flakes(self.RODS) == 0.0

    @pytest.mark.parametrize("fill", [0.7, 0.8])
    def test_worn_strand_and_pieces_on_end_are_none(self, fill: float) -> None:
        worn = self.RODS * [fill, 1.0, 1.0, 1.0]
        discs = np.array([[np.pi / 4 * 30.0 * 28.0, 0.98, 30.0, 28.0]] * 20)
        assert self.flakes(np.concatenate([self.RODS, worn, discs])) == 0.0

    def test_two_pairs_side_by_side_are_none(self) -> None:
        pairs = np.array([[2 * 48.0 * 28.0 * 0.8, 0.95, 58.0, 56.0]] * 2)
        assert self.flakes(np.concatenate([self.RODS, pairs])) < SOME_FLAKES

    def test_things_of_all_widths_are(self) -> None:
        short = np.geomspace(14.0, 90.0, 40)
        some = np.stack([0.66 * short * 1.3 * short, np.full(40, 0.97), 1.3 * short, short], -1)
        assert self.flakes(np.concatenate([self.RODS, some[::4]])) > SOME_FLAKES
        assert self.flakes(np.concatenate([self.RODS, some])) > REGRIND


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_strand_and_flakes_that_touch_are_told_apart(heap, seed: int) -> None:
    """Explained by strand alone, one in four of them was another one's part or cut in two, and ten things were invented."""
    found = heap(regrind(seed), flakes=0.3)
    strand = [f for f in found.pieces if f.truth["kind"] != "flake"]
    assert len(strand) == 10
    assert np.mean([f.overlap > 0.8 for f in found.pieces]) > 0.95
    assert found.parts <= len(found.pieces) + 2
    assert np.isfinite([f.length_mm for f in strand]).all()


@pytest.mark.parametrize("seed", [1, 2])
def test_strand_alone_is_parted_as_ever_where_flakes_may_lie(heap, seed: int) -> None:
    batch = Batch(count=20, colour="white", surface="matt", long_fraction=0, short_fraction=0, cut_deg=(4, 3))
    things = list(tray(batch, seed=seed, area_mm=(-14, -12, 14, 12), touching=True).pieces)
    among, alone = (heap(things, flakes=flakes) for flakes in (0.3, 0.0))
    right = [np.mean([f.overlap > 0.8 for f in some.pieces]) for some in (among, alone)]
    assert right[0] >= right[1] - 0.05
