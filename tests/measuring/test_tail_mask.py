"""Tails and burrs are taken out of the labels, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from traygauge.measure.tail_mask import TAIL_LABEL, labels_without_tails
from traygauge.measure.tails import BURR, find_tails
from traygauge.segment.find import find_pieces
from traygauge_calib.scale import calibrate
from traygauge_shared.loading import decode_photo
from traygauge_shared.scenes import draw, photo_bytes, simple_scene


def regions_of_a_small_tray():
    return find_pieces(calibrate(decode_photo(photo_bytes(draw(simple_scene(seed=3, n=6))), "drawn.jpg")))


def test_without_tails_and_burrs_the_labels_stay() -> None:
    regions = regions_of_a_small_tray()
    tails = replace(find_tails(regions), owner=np.zeros(0, np.int64), centrelines_px=(), centrelines_mm=())
    tails = replace(tails, outline_part=tuple(np.zeros_like(p) for p in tails.outline_part))
    assert labels_without_tails(regions, tails, 0.7) is regions.labels


def test_a_burr_without_any_tail_is_taken_out() -> None:
    """Failed once: a photo with burrs and no tail at all could not be measured."""
    regions = regions_of_a_small_tray()
    tails = replace(
        find_tails(regions),
        owner=np.zeros(0, np.int64),
        centrelines_px=(),
        centrelines_mm=(),
        width_mm=np.zeros(0),
    )
    part = [np.zeros_like(p) for p in tails.outline_part]
    part[0][:4] = BURR
    labels = labels_without_tails(regions, replace(tails, outline_part=tuple(part)), 0.7)
    x, y = np.round(regions.outlines_px[0][1] - regions.origin_px).astype(int)
    assert labels[y, x] == TAIL_LABEL
    untouched = labels != TAIL_LABEL
    assert (labels[untouched] == regions.labels[untouched]).all()
    assert 0 < (~untouched).sum() < 200


def test_threads_that_take_all_of_an_outline_leave_the_body_whole(monkeypatch) -> None:
    """Failed once: the body was left without a vertex, and measuring it with an IndexError."""
    from traygauge.measure import tails as module
    from traygauge_shared.scenes import Batch, tray
    from traygauge_shared.scenes.samples import small_phone

    scene = tray(
        Batch(count=12, tail_fraction=1.0, tail_length_mm=(1.5, 3.0)), seed=4, camera=small_phone(4.0)
    )
    regions = find_pieces(calibrate(decode_photo(photo_bytes(draw(scene)), "drawn.jpg")))
    monkeypatch.setattr(module, "_parts", lambda outline, *_: np.full(len(outline), module.TAIL, np.int8))
    found = find_tails(regions)
    assert len(found.owner) > 0
    assert all(len(body) >= 3 for body in found.body_outlines_px)
