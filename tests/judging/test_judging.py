"""Pieces and spec in, verdict out."""

import numpy as np
import pytest
from scipy import stats

from traygauge.judge.judging import judge_pieces
from traygauge.judge.spec import parse_spec, read_spec
from traygauge.judge.verdict import Answer
from traygauge.measure.pieces import Pieces

WINDOWS = dict.fromkeys(("a.jpg", "b.jpg", "c.jpg"), (12.0, 12.0, 180.0, 120.0))


def spec_of(limits: str, judging: str = "within_photo_correlation = 0.0", more: str = ""):
    return parse_spec(
        f'[spec]\nname = "x"\n[pieces]\nlong_over_mm = 4.0\nfines_under_mm = 1.0\nstringy_over_mm = 1.0\n'
        f"[limits]\n{limits}\n[judging]\n{judging}\n{more}"
    )


LONG_5 = spec_of("long_share = { at_most_percent = 5 }")


def lengths(n: int, longs: int) -> np.ndarray:
    """Return n lengths spread evenly around 3 mm, of which so many are 6 mm."""
    return np.concatenate([np.linspace(2.6, 3.4, n - longs), np.full(longs, 6.0)])


def judged(pieces: Pieces, spec=LONG_5, **more):
    return judge_pieces(pieces, spec, windows_mm=WINDOWS, **more)[1]


def test_the_answer_is_that_of_the_exact_one_sided_bounds(batch):
    # 300 pieces, limit 5 %, confidence 95 %: accept when P(X <= k) <= .05 at 5 %, reject when P(X >= k) < .05
    for longs in range(0, 40, 2):
        verdict = judged(batch(lengths(300, longs)))
        accepts = stats.binom.cdf(longs, 300, 0.05) <= 0.05
        rejects = stats.binom.sf(longs - 1, 300, 0.05) < 0.05
        expected = Answer.ACCEPT if accepts else Answer.REJECT if rejects else Answer.UNDECIDED
        assert verdict.answer is expected, longs


def test_interval_shown_is_the_two_sided_one_in_percent(batch):
    # 7 of 50: .0582 to .2674 (SciPy documentation, BinomTestResult.proportion_ci)
    (result,) = judged(batch(lengths(50, 7))).limits
    assert (result.hits, result.n, result.n_effective) == (7, 50, 50)
    assert result.interval.estimate == pytest.approx(14.0)
    assert result.interval.low == pytest.approx(5.819170, abs=1e-5)
    assert result.interval.high == pytest.approx(26.739600, abs=1e-5)
    assert result.path == "limits.long_share.at_most_percent"
    assert "one look at a fixed sample" in result.rule


def test_one_photo_counts_for_its_effective_pieces(batch):
    spec = spec_of("long_share = { at_most_percent = 5 }", "within_photo_correlation = 0.002")
    verdict = judged(batch(lengths(300, 3)), spec)
    assert verdict.limits[0].n_effective == pytest.approx(300 / (1 + 299 * 0.002))
    assert any("0.002" in note for note in verdict.notes)


def test_more_pieces_settle_what_was_undecided(batch):
    verdict = judged(batch(lengths(100, 2)))
    assert verdict.answer is Answer.UNDECIDED
    n = round(100 + 1.1 * verdict.limits[0].more_pieces)
    spec_and_size = {"windows_mm": WINDOWS, "looks": 2, "look_sizes": [100, n]}
    assert (
        judge_pieces(batch(lengths(n, round(0.02 * n))), LONG_5, **spec_and_size)[1].answer is Answer.ACCEPT
    )
    # the first look has spent most of the error, and the second looks at what it left: more than a fresh sample needs
    assert stats.binom.cdf(0.02 * n, n, 0.05) < 0.05
    assert "more photo" in verdict.next_step
    on_the_limit = judged(batch(lengths(100, 5)))
    assert on_the_limit.limits[0].more_pieces is None
    assert "lies on the limit" in on_the_limit.next_step


def test_a_heap_can_only_make_the_verdict_undecided_and_is_named(batch):
    alone = judged(batch(lengths(300, 2)))
    assert alone.answer is Answer.ACCEPT
    heap = batch(
        np.append(lengths(300, 2), np.nan),
        state=["whole"] * 300 + ["unresolved"],
        area_mm2=[5.25] * 300 + [200.0],
        feret_max_mm=[3.5] * 300 + [20.0],
        extent_mm=[3.5] * 300 + [20.0],
    )
    verdict = judged(heap)
    assert verdict.answer is Answer.UNDECIDED
    assert verdict.next_step == "Spread the heap marked 301 and take the photo again."
    assert verdict.unmeasured == {"unresolved": 1}
    # all pieces show the same size here: those measured stand for those in the heap alike
    assert verdict.limits[0].interval.estimate == pytest.approx(alone.limits[0].interval.estimate)
    assert verdict.limits[0].interval.high == pytest.approx(alone.limits[0].interval.high)
    assert verdict.limits[0].with_unmeasured.high > alone.limits[0].with_unmeasured.high
    bad = heap.with_columns(length_mm=np.append(lengths(300, 60), np.nan))
    assert judged(bad).answer is Answer.REJECT


def test_a_heap_too_short_for_a_long_piece_changes_nothing_to_the_worse(batch):
    small = batch(
        np.append(lengths(300, 2), np.nan),
        state=["whole"] * 300 + ["unresolved"],
        area_mm2=[5.25] * 300 + [12.0],
        feret_max_mm=[3.5] * 300 + [3.9],
        extent_mm=[3.5] * 300 + [3.9],
    )
    result = judged(small).limits[0]
    assert result.with_unmeasured.high == pytest.approx(result.interval.high, abs=1e-9)


def test_upright_pieces_are_not_long_and_count(batch):
    state = ["whole"] * 200 + ["upright"] * 100
    length = np.append(lengths(200, 4), np.full(100, np.nan))
    pieces = batch(
        length, state=state, diameter_mm=np.where(np.isfinite(length), 1.75, np.nan), feret_min_mm=1.75
    )
    result = judged(pieces).limits[0]
    assert (result.n, result.hits) == (300, 4)


def test_fines_are_judged_among_all_and_others_without_them(batch):
    spec = spec_of("fines_share = { at_most_percent = 50 }\nlong_share = { at_most_percent = 50 }")
    n = 100
    form = ["strand"] * 80 + ["crumb"] * 20
    pieces = batch([3.0] * 80 + [0.5] * 20, diameter_mm=[1.75] * 80 + [0.5] * 20, form=form)
    long, fines = judged(pieces, spec).limits
    assert (fines.n, fines.hits) == (n, 20)
    assert (long.n, long.hits) == (80, 0)


def test_mean_median_and_quantiles_are_held_against_their_limits(batch):
    limits = (
        "mean_length = { at_least_mm = 2.9, at_most_mm = 3.05 }\nmedian_length = { at_most_mm = 2.8 }\n"
        "d90_length = { at_most_mm = 3.4 }\nlength_spread = { at_most_percent = 20 }"
    )
    rng = np.random.default_rng(8)
    values = rng.normal(3.0, 0.1, 400)
    results = {r.path.split(".", 1)[1]: r for r in judged(batch(values, u_mm=0.0), spec_of(limits)).limits}
    assert results["mean_length.at_least_mm"].answer is Answer.ACCEPT
    assert results["mean_length.at_most_mm"].answer is Answer.ACCEPT
    assert results["median_length.at_most_mm"].answer is Answer.REJECT
    assert results["d90_length.at_most_mm"].answer is Answer.ACCEPT
    expected = stats.t.interval(0.95, 399, values.mean(), stats.sem(values))
    shown = results["mean_length.at_most_mm"].interval
    assert (shown.low, shown.high) == pytest.approx(expected, rel=1e-3)
    assert results["length_spread.at_most_percent"].answer is Answer.ACCEPT


def test_spread_is_the_distance_of_d10_and_d90_over_the_median(batch):
    # normal lengths: 2 x 1.2816 x .1 / 3 = 8.54 %; 30 batches, of which at least 25 hold it (P < .002 at 95 %)
    spec, held = spec_of("length_spread = { at_most_percent = 20 }"), 0
    for seed in range(30):
        values = np.random.default_rng(seed).normal(3.0, 0.1, 200)
        interval = judged(batch(values), spec).limits[0].interval
        held += interval.low < 100 * 2 * 1.2816 * 0.1 / 3.0 < interval.high
    assert held >= 25


def test_what_all_pieces_share_widens_a_figure_however_many_there_are(batch):
    spec = spec_of("mean_length = { at_most_mm = 3.05 }")
    values = np.tile([2.95, 3.05], 500)
    assert judged(batch(values), spec).answer is Answer.ACCEPT
    assert judged(batch(values, u_shared_mm=0.04), spec).answer is Answer.UNDECIDED
    assert judged(batch(values, u_shared_mm=0.04), spec).limits[0].more_pieces is None


def test_error_of_measuring_is_taken_out_of_a_share(batch):
    # true lengths 3.0 +- .30, limit 3.5; read with u = .15: the plain share of longs reads high
    spec = parse_spec(
        '[spec]\nname = "x"\n[pieces]\nlong_over_mm = 3.5\n[limits]\nlong_share = { at_most_percent = 50 }\n'
        "[judging]\nwithin_photo_correlation = 0.0"
    )
    rng = np.random.default_rng(11)
    true = rng.normal(3.0, 0.30, 40_000)
    read = true + rng.normal(0, 0.15, 40_000)
    share = 100 * stats.norm.sf(0.5 / 0.30)
    result = judged(batch(read, u_mm=0.15), spec).limits[0]
    plain = 100 * result.hits / result.n
    assert plain - share > 1.5
    assert abs(result.interval.estimate - share) < 0.35 * (plain - share)


def test_shares_by_mass_weigh_pieces_and_are_refused_for_flakes(batch):
    spec = spec_of('long_share = { at_most_percent = 50, by = "mass" }')
    pieces = batch(lengths(100, 10))
    mass = pieces["volume_mm3"]
    result = judged(pieces, spec).limits[0]
    assert result.interval.estimate == pytest.approx(100 * mass[-10:].sum() / mass.sum())
    assert result.interval.estimate > 15
    flakes = batch(lengths(100, 10), form=["strand"] * 50 + ["flake"] * 50)
    assert "by area seen (flakes of unknown thickness have no mass)" in judged(flakes, spec).limits[0].title


def test_repeated_looks_are_paid_for_and_said(batch):
    photos = ["a.jpg"] * 100 + ["b.jpg"] * 100
    pieces = batch(np.concatenate([lengths(100, 2), lengths(100, 2)]), photo=photos)
    once, again = judged(pieces), judged(pieces, looks=2)
    assert again.limits[0].deciding.high > once.limits[0].deciding.high
    assert again.limits[0].interval == once.limits[0].interval
    assert "look 2 of at most 5" in again.limits[0].rule
    sixth = judged(pieces, looks=6)
    assert sixth.answer is Answer.UNDECIDED
    assert "fresh sample" in sixth.limits[0].rule
    assert "confidence" not in sixth.limits[0].rule  # there is no bound that could hold
    assert "says nothing of the whole batch" in sixth.limits[0].reason


def test_edges_are_weighted_and_said(batch):
    pieces = batch(np.append(lengths(100, 10), np.nan), state=["whole"] * 100 + ["cut off"])
    outlines = list(pieces.outlines_mm)
    outlines[100] = np.array([[12.0, 50.0], [13.0, 50.0], [13.0, 52.0], [12.0, 52.0]])
    pieces = Pieces(pieces.columns, tuple(outlines), pieces.tails_mm, pieces.centrelines_mm, pieces.u_parts)
    verdict = judged(pieces)
    assert verdict.limits[0].n == 100
    assert verdict.limits[0].interval.estimate > 10.0
    assert any("ISO 13322-1" in note for note in verdict.notes)


def test_pieces_per_kilogram_follow_from_volume_and_density(batch):
    # PLA 1.24: 1.75 x 3 mm: 8.948 mg, 111 761 to the kilogram (pi/4 D² L times density)
    spec = read_spec("rigid-1.75")
    pieces, verdict = judge_pieces(batch([3.0] * 50), spec, windows_mm=WINDOWS)
    assert pieces["mass_mg"] == pytest.approx(8.948, abs=5e-4)
    figures = {f.name: f for f in verdict.figures}
    assert figures["pieces_per_kilogram"].value == pytest.approx(111_761, rel=1e-4)
    assert [f.name for f in verdict.figures][:3] == ["long_share", "median_length_mm", "pieces_per_kilogram"]


def test_an_empty_tray_and_no_spec_are_answers_without_one(batch):
    pieces, verdict = judge_pieces(Pieces.of(0, {}), LONG_5, windows_mm=WINDOWS)
    assert verdict.answer is None
    assert len(pieces) == 0
    assert "Nothing lies on the tray" in verdict.reason
    verdict = judged(batch([3.0] * 5), None)
    assert verdict.answer is None
    assert "--spec" in verdict.next_step
    assert verdict.limits == ()
    assert {f.name for f in verdict.figures} >= {"median_length_mm", "mean_diameter_mm"}


def test_the_worst_limit_speaks_and_every_verdict_says_what_it_does_not_judge(batch):
    spec = spec_of("long_share = { at_most_percent = 50 }\nmedian_length = { at_most_mm = 2 }")
    verdict = judged(batch(lengths(200, 4)), spec)
    assert verdict.answer is Answer.REJECT
    assert "median" in verdict.reason
    assert "shorter cut" in verdict.next_step
    assert any("moisture" in note and "food contact" in note for note in verdict.notes)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_a_handful_of_pieces_is_no_crash(batch, n):
    verdict = judged(batch([3.0] * n), read_spec("rigid-1.75"))
    assert verdict.answer is Answer.UNDECIDED


def test_nothing_but_heaps_is_undecided(batch):
    pieces = batch([np.nan] * 3, state="unresolved", diameter_mm=np.nan, area_mm2=50.0, form="")
    verdict = judged(pieces, read_spec("rigid-1.75"))
    assert verdict.answer is Answer.UNDECIDED
    assert "Spread the heap" in verdict.next_step


def test_findings_of_the_pieces_are_filled_in(batch):
    pieces, _ = judge_pieces(batch([3.0, 6.0]), LONG_5, windows_mm=WINDOWS)
    assert pieces["findings"].tolist() == ["", "long"]


def test_a_heap_is_spread_before_more_photos_are_taken(batch):
    """2 of 60 long, limit 8 %: some hundred pieces more would tell, and so may a look into the heap that lies there."""
    heap = batch(
        np.append(lengths(60, 2), np.nan),
        state=["whole"] * 60 + ["unresolved"],
        area_mm2=[5.25] * 60 + [60.0],
        feret_max_mm=[3.5] * 60 + [12.0],
        extent_mm=[3.5] * 60 + [12.0],
    )
    spec = spec_of("long_share = { at_most_percent = 8 }")
    verdict = judged(heap, spec)
    assert verdict.answer is Answer.UNDECIDED
    assert verdict.limits[0].more_pieces is not None
    assert verdict.next_step.startswith(
        "Spread the heap marked 61 and take the photo again; if that does not settle"
    )
    alone = judged(batch(lengths(60, 2)), spec)
    assert alone.next_step.startswith("Add ")


def test_nobody_is_sent_for_dozens_of_photos(batch):
    """9 of 520 against 2 %: thousands of pieces, that is photos, would be needed."""
    verdict = judged(batch(lengths(520, 9)), spec_of("long_share = { at_most_percent = 2 }"))
    assert verdict.answer is Answer.UNDECIDED
    assert verdict.limits[0].more_pieces > 20 * 520  # photos like this one
    assert "so near the limit" in verdict.next_step
    assert "photo" not in verdict.next_step


def test_a_photo_that_knows_too_little_is_said_to_be_the_reason(batch):
    """Scale known to 0.1 mm in 3: no number of pieces tells 3.0 from 3.1 mm."""
    pieces = batch(np.linspace(2.9, 3.1, 300), u_mm=0.0, u_shared_mm=0.1)
    verdict = judged(pieces, spec_of("mean_length = { at_most_mm = 3.1 }"))
    assert verdict.answer is Answer.UNDECIDED
    assert verdict.next_step.startswith("Take a better photo")


@pytest.mark.parametrize(
    ("state", "limit", "said"),
    [
        ("upright", "short_share = { at_most_percent = 5 }", "no piece stands on end"),
        ("axis unknown", "d10_length = { at_least_mm = 2.5 }", "roll over"),
        ("covered", "stringy_share = { at_most_percent = 5 }", "none lies on another"),
    ],
)
def test_what_was_not_measured_says_how_to_lay_it_out(batch, state, limit, said):
    n, out = 300, 40
    pieces = batch(
        np.append(lengths(n, 0), np.full(out, np.nan)),
        state=["whole"] * n + [state] * out,
        feret_max_mm=[3.5] * n + [2.2] * out,
        feret_min_mm=[1.75] * n + [1.7] * out,
        tail_length_mm=0.0,
    )
    spec = parse_spec(
        f'[spec]\nname = "x"\n[pieces]\nshort_under_mm = 2.0\nstringy_over_mm = 1.0\n[limits]\n{limit}'
    )
    verdict = judged(pieces, spec)
    assert verdict.answer is Answer.UNDECIDED
    assert said in verdict.next_step


def test_threads_are_seen_where_there_are_none_now_and_then(batch):
    """Of parted pieces 2 in 100 are called tailed wrongly: 4 of 200 are no proof of a single tail, and 20 are."""
    spec = parse_spec('[spec]\nname = "x"\n[limits]\ntailed_share = { at_most_percent = 30 }')
    for tails, proof in ((4, False), (30, True)):
        tail = np.where(np.arange(200) < tails, 0.8, 0.0)
        (result,) = judged(batch([3.0] * 200, state="parted", tail_length_mm=tail), spec).limits
        assert (result.interval.low > 0) == proof
    (apart,) = judged(batch([3.0] * 200, tail_length_mm=np.where(np.arange(200) < 4, 0.8, 0.0)), spec).limits
    assert apart.interval.low > 0


def test_a_leaning_piece_with_a_length_is_measured(batch):
    """It shows 5 mm and is 3.2 mm long; another one, of which no length is known, is not measured, and long as it shows."""
    pieces = batch([3.0] * 30 + [3.2, np.nan], state=["whole"] * 30 + ["leaning"] * 2, feret_max_mm=5.5)
    judged, verdict = judge_pieces(pieces, read_spec("rigid-1.75"), windows_mm={})
    assert judged["findings"].tolist()[30:] == ["", "long"]
    assert verdict.unmeasured == {"leaning": 1}
    assert next(f for f in verdict.figures if f.name == "mean_length_mm").value > 3.0


def test_pieces_that_are_long_by_what_shows_are_counted_said_and_marked(batch):
    """Of three that are not measured two show 5 mm; the limit is 4 mm: both count as long beside the one measured."""
    pieces = batch(
        [3.0] * 30 + [5.0] + [np.nan] * 3,
        state=["whole"] * 31 + ["covered", "leaning", "covered"],
        feret_max_mm=[3.5] * 30 + [5.3] + [np.hypot(5.0, 1.75)] * 2 + [2.5],
        tail_length_mm=[0.0] * 31 + [0.7, 0.0, 0.0],
    )
    judged, verdict = judge_pieces(pieces, read_spec("rigid-1.75"), windows_mm={})
    assert verdict.limits[0].hits == 3
    assert judged["findings"].tolist()[30:] == ["long", "long;tailed", "long", ""]
    assert verdict.notes[0].endswith("2 of them are long: what shows is over 4 mm already.")
    judged, verdict = judge_pieces(pieces.take(np.arange(31)), read_spec("rigid-1.75"), windows_mm={})
    assert not any("what shows" in note for note in verdict.notes)
