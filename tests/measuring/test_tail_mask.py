"""Tails are taken out of the labels, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from traygauge.measure.tail_mask import TAIL_LABEL, labels_without_tails
from traygauge.measure.tails import find_tails
from traygauge.segment.find import find_pieces
from traygauge_calib.scale import calibrate
from traygauge_shared.loading import decode_photo
from traygauge_shared.scenes import StrandPiece, Tail, draw, photo_bytes, simple_scene


def regions_of_a_small_tray():
    return find_pieces(calibrate(decode_photo(photo_bytes(draw(simple_scene(seed=3, n=6))), "drawn.jpg")))


def test_without_tails_the_labels_stay() -> None:
    regions = regions_of_a_small_tray()
    tails = replace(find_tails(regions), owner=np.zeros(0, np.int64), centrelines_px=(), centrelines_mm=())
    assert labels_without_tails(regions, tails, 0.7) is regions.labels


def test_a_tail_is_taken_out_and_nothing_else() -> None:
    tail = Tail(rim_deg=0, length_mm=2.5, width_mm=0.25, turn_deg=0, splay_deg=0)
    scene = simple_scene(seed=3, n=1)
    scene = replace(scene, pieces=(StrandPiece(30, 30, length_mm=3.0, tails=(tail,)),))
    regions = find_pieces(calibrate(decode_photo(photo_bytes(draw(scene)), "drawn.jpg")))
    tails = find_tails(regions)
    labels = labels_without_tails(regions, tails, 0.7)
    x, y = np.rint(tails.centrelines_px[0] - regions.origin_px).astype(int).T
    assert (labels[y, x] == TAIL_LABEL).all()
    kept = labels != TAIL_LABEL
    assert (labels[kept] == regions.labels[kept]).all()
    middle = np.rint(tails.body_outlines_px[0].mean(0) - regions.origin_px).astype(int)
    assert labels[middle[1], middle[0]] == 1


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
