"""Sizes by number, length, area and volume against the worked examples of ISO 9276-2 and ASTM E799, and the verdict."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from traygauge.judge.clusters import clustering
from traygauge.judge.distribution import Distribution, distribution
from traygauge.judge.judging import judge_pieces
from traygauge.judge.sample import sample
from traygauge.judge.size_distribution import (
    WEIGHTINGS,
    moment_mean,
    size_distribution,
    size_distributions,
)
from traygauge.judge.spec_tables import NO_SPEC

DATA = Path(__file__).parents[1] / "data"

#: ISO 9276-2 example: lognormal by volume, x50,3 = 5 µm, s = 0.5; by number the median is x50,3 exp(-3 s²).
S = 0.5
Z = np.linspace(-9, 9, 20_001)
LOGNORMAL, NUMBER = 5.0 * np.exp(-3 * S**2 + S * Z), norm.pdf(Z)


def of(sizes, counts) -> Distribution:
    """Return sizes, each of which stands for some pieces, as a distribution without errors or losses."""
    none = np.zeros(len(sizes))
    clusters = clustering(sizes, none, 0.0)
    return Distribution(
        np.asarray(sizes, float), np.asarray(counts, float), none + 1, none, none, none, clusters, none[:0], none[:0]
    )  # fmt: skip


@pytest.mark.parametrize(
    "row", list(pd.read_csv(DATA / "psd_lognormal_iso9276_2.csv", comment="#").itertuples())
)
def test_moment_means_of_the_iso_example(row):
    """ISO 9276-2:2014 lognormal example, printed to three decimals (read second-hand)."""
    assert moment_mean(LOGNORMAL, row.p, row.q, weights=NUMBER) == pytest.approx(
        row.D_pq_um_printed, abs=5.1e-4
    )


def test_volume_quantiles_of_the_iso_example():
    """x10,3 = 2.634418, x50,3 = 5, x90,3 = 9.489764 (x50 exp(-+1.281552 s)); mean D[4,3] 5.666."""
    found = size_distribution(of(LOGNORMAL, NUMBER), "volume")
    assert (found.d10_mm, found.median_mm, found.d90_mm) == pytest.approx((2.634418, 5.0, 9.489764), rel=1e-3)
    assert found.mean_mm == pytest.approx(5.666, abs=5.1e-4)


@pytest.mark.parametrize(("by", "r"), WEIGHTINGS.items())
def test_weighting_shifts_a_lognormal_by_its_power(by, r):
    """Lognormal again, the median shifted by r s² in its logarithm (Hatch and Choate, J. Franklin Inst. 207 (1929) 369)."""
    found = size_distribution(of(LOGNORMAL, NUMBER), by)
    assert (found.by, found.power) == (by, r)
    assert found.median_mm == pytest.approx(5 * np.exp((r - 3) * S**2), rel=1e-3)
    assert found.mean_mm == pytest.approx(5 * np.exp((2 * r - 5) / 2 * S**2), rel=1e-6)


def drops() -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Return ASTM E799's worked example: its classes, and sizes (with what each counts) spread evenly over each."""
    table, fine = pd.read_csv(DATA / "psd_astm_e799.csv", comment="#"), (np.arange(2000) + 0.5) / 2000
    low, high = (table[k].to_numpy(float)[:, None] for k in ("d_low", "d_high"))
    sizes = (low + (high - low) * fine).ravel()
    return table, sizes, np.repeat(table["count"].to_numpy(float) / len(fine), len(fine))


def test_means_of_astm_e799():
    """As recomputed from the printed counts (the standard rounds to 10, and prints 2060 and 2280 for D31 and D32)."""
    _, sizes, counts = drops()
    expected = {
        (1, 0): 1459.4,
        (2, 0): 1646.6,
        (3, 0): 1832.4,
        (2, 1): 1857.8,
        (3, 1): 2053.3,
        (3, 2): 2269.3,
        (4, 3): 2670.8,
    }
    for (p, q), value in expected.items():
        assert moment_mean(sizes, p, q, weights=counts) == pytest.approx(value, abs=0.06)
    assert size_distribution(of(sizes, counts), "area").mean_mm == pytest.approx(2269.3, abs=0.06)


def test_volume_of_astm_e799():
    """The volume below 2141, 3345 and 4181 µm is the sum of the percentages printed for the classes below."""
    table, sizes, counts = drops()
    by_volume = of(sizes, counts).by_size(3).counts
    below = np.cumsum(table.volume_percent_printed)
    for edge, printed in zip(table.d_high, below, strict=True):
        found = 100 * by_volume[sizes < edge].sum() / by_volume.sum()
        assert found == pytest.approx(printed, abs=0.01)
    ten, half, ninety = np.interp([10, 50, 90], below, table.d_high)
    found = size_distribution(of(sizes, counts), "volume")
    widest = np.diff(table.d_high).max() / 10  # volume is not spread quite evenly over a class
    assert (found.d10_mm, found.median_mm, found.d90_mm) == pytest.approx((ten, half, ninety), abs=widest)


def test_by_number_they_are_what_the_verdict_states(batch):
    """With standing pieces, such as run past the window's edge and measuring error: what the verdict makes up for."""
    rng = np.random.default_rng(4)
    state = np.where(rng.random(200) < 0.1, "upright", np.where(rng.random(200) < 0.1, "cut off", "whole"))
    length = np.where(state == "whole", rng.gamma(16, 0.2, 200), np.nan)
    pieces = batch(length, u_mm=0.2, state=state)
    _, verdict = judge_pieces(pieces, None, windows_mm={"a.jpg": (18.0, 12.0, 180.0, 120.0)})
    stated = {f.name: f.value for f in verdict.figures}
    by_number = verdict.cut_lengths[0]
    assert by_number.by == "number"
    names = ("d10_length_mm", "median_length_mm", "d90_length_mm", "mean_length_mm")
    found = (by_number.d10_mm, by_number.median_mm, by_number.d90_mm, by_number.mean_mm)
    assert found == pytest.approx([stated[name] for name in names], rel=1e-12)
    assert by_number.mean_mm != pytest.approx(np.nanmean(length), rel=1e-4)


def test_strand_of_one_diameter_is_by_mass_what_it_is_by_length(batch):
    """Mass goes by pi/4 D² L: half of the mass lies in pieces up to the median by length."""
    pieces = batch(np.random.default_rng(5).gamma(9, 0.3, 3000), u_mm=0.0)
    by_length = size_distributions(distribution(sample(pieces, NO_SPEC, {}), "length_mm"))[1]
    length, volume = pieces["length_mm"].astype(float), pieces["volume_mm3"].astype(float)
    assert by_length.mean_mm == pytest.approx(np.average(length, weights=volume), rel=1e-9)
    for size, share in ((by_length.d10_mm, 0.1), (by_length.median_mm, 0.5), (by_length.d90_mm, 0.9)):
        assert volume[length <= size].sum() / volume.sum() == pytest.approx(share, abs=1e-3)


def test_equal_pieces_have_one_size_whatever_they_count_by(batch):
    for found in size_distributions(distribution(sample(batch([3.0] * 5), NO_SPEC, {}), "length_mm")):
        assert (found.d10_mm, found.median_mm, found.d90_mm, found.mean_mm) == pytest.approx((3.0,) * 4)


@pytest.mark.parametrize("lengths", [[], [3.0], [0.0, 3.0]])
def test_too_few_pieces_have_no_distribution(batch, lengths):
    assert size_distributions(distribution(sample(batch(lengths), NO_SPEC, {}), "length_mm")) == ()
