"""Pictures: where things come to lie, at which scale."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from traygauge.batch import Batch
from traygauge.report.annotated import annotated_jpeg, dashes, numbered_pixels
from traygauge.report.build import headline, report_of
from traygauge.report.labels import place_labels
from traygauge.report.overlay import path_text
from traygauge.report.picture import Frame, draw, frame_pixels, jpeg, simplified, tray_picture, window_frame
from traygauge.report.tiles import TILE_GAP, TILE_WIDTH, tiles
from traygauge_calib.tray_view import TrayView

HEIGHT, WINDOW, DIAMETER = 200.0, (12.0, 12.0, 96.0, 66.0), 1.75


@pytest.fixture
def tray(make_batch: Callable[..., Batch]) -> TrayView:
    return make_batch().photos[0].tray


def blob(shape: tuple[int, int], x: float, y: float, radius: float) -> np.ndarray:
    """A soft white spot with its middle at the pixel (x, y)."""
    rows, columns = np.indices(shape)
    light = np.clip(radius + 0.5 - np.hypot(columns - x, rows - y), 0, 1)
    return np.repeat((255 * light).astype(np.uint8)[..., None], 3, -1)


def middle(pixels: np.ndarray) -> np.ndarray:
    """The centre of mass (x, y) in SVG's points: (0, 0) is the outer corner of the first pixel."""
    light = pixels[..., 0].astype(float)
    rows, columns = np.indices(light.shape)
    return np.array([(columns * light).sum(), (rows * light).sum()]) / light.sum() + 0.5


@pytest.mark.parametrize("scale", [1.0, 0.5, 0.37])
def test_a_spot_lies_in_the_picture_where_the_frame_says(tray: TrayView, scale: float) -> None:
    photo = replace(tray.photo, pixels=blob((400, 500), 230.3, 170.8, 30))
    frame = Frame(40, 30, 460, 390, scale)
    found = middle(frame_pixels(photo, frame))
    np.testing.assert_allclose(found, frame.of(np.array([230.3, 170.8])), atol=0.1)


def test_the_window_frame_holds_the_window_and_little_more(tray: TrayView) -> None:
    frame = window_frame(tray, longest=400)
    corners = frame.of(tray.window_px)
    assert (corners >= 0).all()
    assert (corners <= [frame.width, frame.height]).all()
    assert max(frame.width, frame.height) == 400
    assert corners.max(0)[0] - corners.min(0)[0] > 0.92 * frame.width


def test_a_picture_of_the_tray_is_at_one_scale(tray: TrayView) -> None:
    # a disc of 3 mm radius in a plane 2 mm up, at (80, 50): its middle and area in the picture are known
    centre, edge = tray.to_px(np.array([[80.0, 50.0], [83.0, 50.0]]), 2.0)
    shape = tray.photo.pixels.shape[:2]
    photo = replace(tray.photo, pixels=blob((shape[0], shape[1]), *centre, float(edge[0] - centre[0])))
    seen = tray_picture(replace(tray, photo=photo), (75.0, 46.0, 87.0, 58.0), 20.0, 2.0)
    assert seen.shape == (240, 240, 3)
    np.testing.assert_allclose(middle(seen), [100.0, 80.0], atol=0.2)
    assert (seen[..., 0] / 255.0).sum() == pytest.approx(np.pi * 60**2, rel=0.01)


def test_a_picture_beyond_the_photo_is_grey(tray: TrayView) -> None:
    assert (tray_picture(tray, (900.0, 900.0, 910.0, 910.0), 10.0) == 128).all()
    half = tray_picture(tray, (-30.0, 20.0, 10.0, 40.0), 10.0)
    assert (half[:, 0] == 128).all()
    assert (half[:, -1] == 40).all()


def test_outlines_are_drawn_at_half_the_diameter(make_batch: Callable[..., Batch], tray: TrayView) -> None:
    batch = make_batch()
    marks = report_of(batch).photos[0].marks
    frame = Frame(0, 0, tray.photo.width, tray.photo.height, 1.0)
    drawn = draw(tray, frame, marks)
    # seen straight down: scale f / (H - D / 2) about the principal point
    mm = marks[0].outline_mm - [(WINDOW[0] + WINDOW[2]) / 2, (WINDOW[1] + WINDOW[3]) / 2]
    expected = mm * 2000.0 / (HEIGHT - DIAMETER / 2) + [tray.photo.width / 2, tray.photo.height / 2]
    np.testing.assert_allclose(drawn[0].outline, expected, atol=1e-6)
    assert len(drawn) == len(marks)
    assert draw(tray, frame, []) == []


def test_a_simplified_line_stays_within_its_tolerance() -> None:
    t = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    circle = 50 * np.stack([np.cos(t), np.sin(t)], -1)
    few = simplified(circle, 0.4)
    assert len(few) < 60
    sagitta = 50 - np.hypot(*(few + np.roll(few, -1, 0)).T / 2)
    assert sagitta.max() < 0.5


def test_paths_do_not_drift() -> None:
    points = np.cumsum(np.full((500, 2), 0.14), 0)
    text = path_text(points)
    steps = np.array(text.split("l")[1].replace("-", " -").split(), float).reshape(-1, 2)
    assert text.startswith("M0.1 0.1")
    np.testing.assert_allclose(steps.sum(0) + 0.1, points[-1], atol=0.06)
    assert path_text(np.zeros((1, 2))) == ""
    assert path_text(np.array([[0, 0], [1, -1], [0, 0.0]]), closed=True) == "M0 0l1-1 -1 1z"


def test_labels_keep_clear_of_pieces_and_of_each_other() -> None:
    x, y = np.meshgrid(np.arange(5) * 60.0 + 30, np.arange(4) * 60.0 + 30)
    low = np.stack([x.ravel(), y.ravel()], -1)
    boxes = np.concatenate([low, low + 20], -1)
    labelled = np.arange(0, 20, 2)
    sizes = np.tile([34.0, 12.0], (10, 1))
    at = place_labels(boxes, sizes, labelled, (320.0, 260.0))
    own = np.concatenate([at - sizes / 2, at + sizes / 2], -1)
    everything = np.concatenate([boxes, own])
    for k, box in enumerate(own):
        others = np.delete(everything, len(boxes) + k, 0)
        apart = (others[:, :2] >= box[2:] - 1e-9).any(1) | (others[:, 2:] <= box[:2] + 1e-9).any(1)
        assert apart.all()
    assert (own[:, :2] >= 0).all()


def test_a_crowded_label_stays_in_the_picture() -> None:
    boxes = np.array([[0.0, 0, 100, 100]])
    at = place_labels(boxes, np.array([[40.0, 10.0]]), np.array([0]), (100.0, 100.0))
    assert (at - [20, 5] >= 0).all()
    assert (at + [20, 5] <= 100).all()


def test_in_a_heap_a_label_lies_on_its_own_piece() -> None:
    # pieces wall to wall: beside any of them a label would lie on another, and seem to be its label
    x, y = np.meshgrid(np.arange(6) * 40.0, np.arange(8) * 24.0)
    low = np.stack([x.ravel(), y.ravel()], -1)
    boxes = np.concatenate([low, low + [40, 24]], -1)
    labelled = np.array([14, 21, 27])
    at = place_labels(boxes, np.tile([30.0, 12.0], (3, 1)), labelled, (240.0, 192.0))
    np.testing.assert_allclose(at, low[labelled] + [20, 12])


def test_tiles_are_at_one_scale_and_hold_their_pieces(make_batch: Callable[..., Batch]) -> None:
    marks = list(report_of(make_batch()).photos[0].marks[:6])
    heap = replace(marks[0], outline_mm=np.array([[20.0, 20], [38, 20], [38, 30], [20, 30]]))
    shown = tiles([*marks, heap])
    assert len({t.px_per_mm for t in shown}) == 1
    for tile, mark in zip(shown, [*marks, heap], strict=True):
        x0, y0, x1, y1 = tile.box_mm
        assert (mark.outline_mm >= [x0, y0]).all()
        assert (mark.outline_mm <= [x1, y1]).all()
    width = {t.is_wide: t.side_mm * t.px_per_mm for t in shown}
    assert width == pytest.approx({False: TILE_WIDTH, True: 2 * TILE_WIDTH + TILE_GAP})
    assert tiles([]) == []


def test_dashes_have_their_length_and_turn_corners() -> None:
    line = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    found = dashes(line, 4.0, 2.0)
    lengths = [np.hypot(*np.diff(d, axis=0).T).sum() for d in found]
    np.testing.assert_allclose(lengths, [4.0, 4.0, 4.0, 2.0])
    np.testing.assert_allclose(found[1], [[6, 0], [10, 0]])
    np.testing.assert_allclose(found[2], [[10, 2], [10, 6]])


def test_a_jpeg_keeps_its_colours_in_order() -> None:
    pixels = np.zeros((40, 60, 3), np.uint8)
    pixels[..., 0] = 200
    back = np.asarray(Image.open(io.BytesIO(jpeg(pixels))).convert("RGB"))
    assert back.shape == (40, 60, 3)
    assert abs(back.reshape(-1, 3).mean(0) - [200, 0, 0]).max() < 4


def test_the_annotated_photo_shows_the_outlines(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch()
    part = report_of(batch).photos[0]
    data = annotated_jpeg(batch.photos[0], part, headline(batch))
    image = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    frame = window_frame(batch.photos[0].tray, longest=4000)
    assert image.shape[1] == frame.width
    assert image.shape[0] > frame.height  # the legend
    # vermilion only where a long piece lies, and there it does
    red = (image[..., 0] > 180) & (image[..., 1] < 150) & (image[..., 2] < 110)
    rows, columns = np.nonzero(red[: frame.height])
    boxes = [frame.of(batch.photos[0].tray.to_px(m.outline_mm, m.height_mm)) for m in part.marks[:3]]
    inside = np.zeros(len(rows), bool)
    for box in boxes:
        low, high = box.min(0) - 5, box.max(0) + 5
        hit = (columns > low[0]) & (columns < high[0]) & (rows > low[1]) & (rows < high[1])
        assert hit.sum() > 50
        inside |= hit
    assert inside.all()


@pytest.mark.parametrize("print_size", ["large", "small"])
def test_a_number_stands_beside_its_piece_and_nowhere_else(
    make_batch: Callable[..., Batch], print_size: str
) -> None:
    batch = make_batch()
    part = report_of(batch).photos[0]

    def drawn(named: int | None) -> np.ndarray:
        marks = tuple(replace(m, named=k == named, label="") for k, m in enumerate(part.marks))
        shown = replace(part, marks=marks)
        if print_size == "small":
            return numbered_pixels(batch.photos[0], shown, longest=700).astype(int)
        data = annotated_jpeg(batch.photos[0], shown, headline(batch))
        return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)

    frame = window_frame(batch.photos[0].tray, longest=700 if print_size == "small" else 4000)
    outline = draw(batch.photos[0].tray, frame, part.marks)[20].outline
    rows, columns = np.nonzero(np.abs(drawn(20) - drawn(None)).max(-1) > 60)
    assert len(rows) > 20
    away = np.array([columns, rows]).T - outline.mean(0)
    assert np.hypot(*away.T).max() < np.hypot(*(outline - outline.mean(0)).T).max() + 0.07 * frame.width


def test_numbers_can_be_read_on_a_white_tray(make_batch: Callable[..., Batch]) -> None:
    # the certificate's picture is 1400 pixels wide, a digit 20 high: its dark edge must be as wide as a pen's stroke
    batch = make_batch()
    white = np.full_like(batch.photos[0].photo.pixels, 250)
    inspection = replace(batch.photos[0], photo=replace(batch.photos[0].photo, pixels=white))
    part = report_of(batch).photos[0]
    plain, numbered = (
        numbered_pixels(
            inspection,
            replace(part, marks=tuple(replace(m, named=on and k == 20) for k, m in enumerate(part.marks))),
            longest=1400,
        ).astype(int)
        for on in (False, True)
    )
    dark = (numbered.max(-1) < 90) & (plain.min(-1) > 200)
    rows, columns = np.nonzero(dark)
    wide, high = np.ptp(columns) + 1, np.ptp(rows) + 1
    assert dark.sum() > 0.25 * wide * high
