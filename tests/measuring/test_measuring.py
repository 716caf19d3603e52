"""Whole trays of drawn pieces: the truth is exact geometry, drawn by code that knows nothing of measuring."""

from __future__ import annotations

import numpy as np

from traygauge.measure import Pieces, measure_pieces
from traygauge.measure.shape import shapes_of
from traygauge.words import COLUMNS, U_PARTS
from traygauge_shared import threads
from traygauge_shared.scenes import Batch, Sheet, phone_over, tray


def test_lengths_and_diameters_of_a_whole_tray(good_tray) -> None:
    length = good_tray.errors("length_mm", "length_mm")
    diameter = good_tray.errors("diameter_mm", "width_seen_mm")
    assert len(length) >= 58
    # what measuring pieces that lie apart has to reach (set beforehand, not read off a run)
    assert abs(length.mean()) < 0.03
    assert 1.4826 * np.median(np.abs(length - np.median(length))) < 0.05
    assert np.quantile(np.abs(length), 0.95) < 0.15
    assert abs(diameter.mean()) < 0.03
    assert 1.4826 * np.median(np.abs(diameter - np.median(diameter))) < 0.04


def test_stated_uncertainties_cover_the_errors(good_tray) -> None:
    true = np.array([float(r["length_mm"]) for r in good_tray.drawn.truth])
    at = good_tray.at
    rest = np.append(good_tray.pieces["length_mm"], np.nan)[at] - true
    u = np.append(good_tray.pieces["u_length_mm"], np.nan)[at]
    ok = np.isfinite(rest)
    # binomial: of 58 at 95 %, fewer than 50 would happen once in ten thousand
    assert (np.abs(rest) <= 1.96 * u)[ok].sum() >= 50


def test_no_trend_with_the_sideways_view(good_tray) -> None:
    """Outline extents grow by D a / H; the cut length must not (slope within 0.15 on 60 pieces; the bench has more)."""
    rows = good_tray.drawn.truth
    camera = good_tray.drawn.camera
    foot = camera.centre_mm[:2]
    out = []
    for k, row in zip(good_tray.at, rows, strict=True):
        length = good_tray.pieces["length_mm"][k]
        axis = np.radians(float(row["axis_deg"]))
        away = np.array([float(row["x_mm"]), float(row["y_mm"])]) - foot
        along = abs(away @ [np.cos(axis), np.sin(axis)]) / camera.centre_mm[2]
        out.append((float(row["width_seen_mm"]) * along, length - float(row["length_mm"])))
    x, e = np.array([o for o in out if abs(o[1]) < 0.2]).T
    assert abs(np.polyfit(x, e, 1)[0]) < 0.15


def test_dark_pieces_that_touch_end_where_parting_found_their_ends(measured_scene) -> None:
    """Lengths within 0.15 mm, of which the project wants nine in ten, and as sure as they say they are.

    Here 85 in 100 are held: a piece that is taken for two by parting is off by half a millimetre.
    """
    batch = Batch(count=60, colour="blue", surface="satin", length_sd_mm=0.25, cut_deg=(5, 4))
    seen = measured_scene(
        tray(
            batch,
            seed=78,
            camera=phone_over(tilt_deg=4.0, tilt_towards_deg=140.0),
            sheet=Sheet(window=(0.80, 0.80, 0.79)),
            area_mm=(75, 50, 117, 82),
            touching=True,
        )
    )
    parted = seen.pieces["state"] == "parted"
    true = np.array([float(row["length_mm"]) for row in seen.drawn.truth])
    rows = np.flatnonzero((seen.at >= 0) & np.append(parted, False)[seen.at])
    error = seen.pieces["length_mm"][seen.at[rows]] - true[rows]
    assert len(rows) > 30
    assert (np.abs(error) < 0.15).mean() > 0.85
    assert (np.abs(error) < 2 * seen.pieces["u_length_mm"][seen.at[rows]]).mean() > 0.9


def test_every_part_of_the_uncertainty_is_told_in_words(good_tray) -> None:
    assert set(good_tray.pieces.u_parts) <= set(U_PARTS)


def test_no_figure_depends_on_how_the_pieces_are_shared_out(good_tray, monkeypatch) -> None:
    monkeypatch.setattr(threads, "_MANY", 7)
    assert len(threads.blocks(120)) > 15
    shared = measure_pieces(good_tray.regions)
    for column in COLUMNS:
        one, other = shared[column.name], good_tray.pieces[column.name]
        if column.kind == "number":
            # the light is fitted in single precision; where a face is just out of sight, what is said of its cut's
            # angle and of how sure it is hops on that rounding, but no length
            hops = column.name in ("u_length_mm", "cut_angle_deg", "cut_angle_a_deg", "cut_angle_b_deg")
            rtol = 2e-3 if hops else 1e-6
            np.testing.assert_allclose(one, other, rtol=rtol, atol=1e-6, err_msg=column.name)
        else:
            assert (one == other).all(), column.name


def test_shapes_are_those_of_the_outlines_at_the_pieces_own_height(good_tray) -> None:
    pieces = good_tray.pieces
    shapes = shapes_of(pieces.outlines_mm)
    lengths = ("perimeter_mm", "feret_max_mm", "feret_min_mm", "fibre_length_mm", "fibre_width_mm")
    ratios = ("feret_ratio", "solidity", "convexity", "compactness", "roundness", "straightness")
    for name in ("area_mm2", *lengths, *ratios):
        np.testing.assert_allclose(pieces[name], getattr(shapes, name), rtol=1e-6, err_msg=name)


def test_work_begun_beside_may_be_work_that_is_shared_out() -> None:
    """As many jobs as threads, each of which would wait for a free one."""
    jobs = [threads.beside(threads.in_threads, abs, range(-k, 0)) for k in range(2, 8)]
    assert [job.result(timeout=20) for job in jobs] == [list(range(k, 0, -1)) for k in range(2, 8)]


def test_every_column_is_there_and_an_empty_table_has_them_too(good_tray) -> None:
    empty = Pieces.of(0, {})
    for column in COLUMNS:
        assert column.name in good_tray.pieces.columns
        assert empty[column.name].shape == (0,)
    assert list(empty.to_frame().columns) == [c.name for c in COLUMNS]
