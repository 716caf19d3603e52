"""Ends of parted dark pieces: drawn to their light where they are free, held to parting's edges where they meet others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from traygauge.measure import measure_pieces
from traygauge_shared.scenes import LIGHTS, Batch, Sheet, tray
from traygauge_shared.scenes.samples import small_phone

SHORT_MM = 0.06  # by which each rod is too short at either end


@pytest.fixture(scope="module")
def dark(measured_scene: Callable[..., Any]) -> Any:
    """Return a tray of blue pieces apart on white, measured."""
    return measured_scene(
        tray(
            Batch(count=24, colour="blue", surface="matt", cut_deg=(2.0, 2.0)),
            seed=6,
            camera=small_phone(8.0, tilt_deg=3.0, tilt_towards_deg=70.0),
            sheet=Sheet(window="white"),
            light=LIGHTS["overcast"],
            area_mm=(25, 25, 110, 95),
            gap_mm=2.0,
        )
    )


def with_short_rods(dark: Any, *, met: bool) -> np.ndarray:
    """Return by how much lengths (n,) change if rods end too early; `met`: with another piece right beyond each end."""
    regions, pieces = dark.regions, dark.pieces
    px = regions.tray.px_per_mm(np.stack([pieces["x_mm"], pieces["y_mm"]], -1), pieces["diameter_mm"] / 2)
    labels = regions.labels.copy()
    middle = np.stack([pieces["x_mm"], pieces["y_mm"]], -1)
    axis = np.radians(pieces["axis_deg"])
    along = np.stack([np.cos(axis), np.sin(axis)], -1)
    height = pieces["diameter_mm"] / 2
    centre, ahead = (regions.tray.to_px(middle + shift * along, height) for shift in (0.0, 0.1))
    turn = np.arctan2(*(ahead - centre).T[::-1])
    length = (pieces["length_mm"] - 2 * SHORT_MM) * px
    lies = np.zeros(len(turn))
    rods = np.column_stack([centre, turn, length, pieces["diameter_mm"] * px, lies])
    if met:
        for k, rod in enumerate(rods):
            for side in (-1.0, 1.0):
                reach = (length[k] / 2 + 0.12 * px[k] + 6.0) * side
                at = rod[:2] + reach * np.array([np.cos(rod[2]), np.sin(rod[2])]) - regions.origin_px
                box = cv2.boxPoints(((float(at[0]), float(at[1])), (12.0, rod[4]), float(np.degrees(rod[2]))))
                cv2.fillConvexPoly(labels, np.rint(box).astype(np.int32), (k + 1) % len(rods) + 1)
    parted = replace(regions, rod_px=rods, state=("parted",) * len(rods), labels=labels)
    return measure_pieces(parted)["length_mm"] - pieces["length_mm"]


def test_a_free_dark_end_is_drawn_to_its_light(dark: Any) -> None:
    """The light is trusted with a third of what parting is off by, or more."""
    assert np.nanmedian(with_short_rods(dark, met=False)) > -2 / 3 * 2 * SHORT_MM


def test_a_dark_end_that_meets_another_piece_stays_where_parting_found_it(dark: Any) -> None:
    assert np.nanmedian(with_short_rods(dark, met=True)) < -0.8 * 2 * SHORT_MM
