"""Small batches drawn for these tests: rods of known place and size under a known camera, and a verdict by hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields
from typing import Any

import cv2
import numpy as np
import pytest

from traygauge.batch import Batch, PhotoInspection
from traygauge.judge.judging import judge_pieces
from traygauge.judge.spec import Spec, read_spec
from traygauge.judge.verdict import Answer, Figure, Interval, LimitResult, Look, Verdict
from traygauge.measure.pieces import Pieces
from traygauge.segment.regions import Regions
from traygauge_calib.camera import PerspectiveCamera
from traygauge_calib.fitness import Check, Fitness
from traygauge_calib.tray_view import LocalField, ScaleUncertainty, TrayView
from traygauge_shared.photo import Photo

WINDOW = (12.0, 12.0, 96.0, 66.0)
HEIGHT = 200.0
DIAMETER = 1.75


def camera(px_per_mm: float = 10.0) -> PerspectiveCamera:
    """A camera that looks straight down on the window's middle, with that scale on the paper."""
    middle = ((WINDOW[0] + WINDOW[2]) / 2, (WINDOW[1] + WINDOW[3]) / 2)
    size = ((WINDOW[2] + 12) * px_per_mm, (WINDOW[3] + 12) * px_per_mm)
    return PerspectiveCamera(
        HEIGHT * px_per_mm,
        (size[0] / 2 - 0.5, size[1] / 2 - 0.5),
        (0.0, 0.0),
        np.eye(3),
        np.array([*middle, HEIGHT]),
    )


def rod(x: float, y: float, axis_deg: float, length: float, diameter: float = DIAMETER) -> np.ndarray:
    """The outline of a straight rod, ndarray of shape (4, 2), mm."""
    a = math.radians(axis_deg)
    along, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) / 2
    return np.array([x, y]) + signs[:, :1] * length * along + signs[:, 1:] * diameter * across


def inspection(
    n: int, *, name: str = "tray.jpg", seed: int = 1, longs: int = 3, **photo: Any
) -> PhotoInspection:
    """A photo of n rods on a grid: the first `longs` of them 6 mm long, the others about 3 mm."""
    columns = max(1, math.ceil(math.sqrt(n * 84 / 54)))
    rows = max(1, math.ceil(n / columns))
    rng = np.random.default_rng(seed)
    x = WINDOW[0] + (np.arange(n) % columns + 0.5) * 84 / columns
    y = WINDOW[1] + (np.arange(n) // columns + 0.5) * 54 / rows
    length = np.where(np.arange(n) < longs, 6.0, 3.0 + rng.uniform(-0.3, 0.3, n))
    axis = rng.uniform(0, 180, n)
    outlines = tuple(rod(*v) for v in zip(x, y, axis, length, strict=True))
    half = [
        0.5 * k * np.array([math.cos(math.radians(a)), math.sin(math.radians(a))])
        for k, a in zip(length, axis, strict=True)
    ]
    centre = tuple(np.array([(p - h), (p + h)]) for p, h in zip(np.stack([x, y], -1), half, strict=True))
    view = camera()
    pixels = np.full((round((WINDOW[3] + 12) * 10), round((WINDOW[2] + 12) * 10), 3), 40, np.uint8)
    for outline in outlines:
        corners = np.round((view.project(outline, DIAMETER / 2)) * 16).astype(np.int32)
        cv2.fillPoly(pixels, [corners], (235, 230, 220), cv2.LINE_AA, 4)
    tray = TrayView(
        Photo(name, "0f" * 32, pixels, **photo),
        view,
        WINDOW,
        "sheet",
        ScaleUncertainty(0.001, 0.01, 0.3, 1.0),
        LocalField.constant(0.8),
        LocalField.constant(0.01),
        sheet_name="small",
    )
    columns_of = {
        "photo": [name] * n,
        "piece": np.arange(1, n + 1),
        "x_mm": x,
        "y_mm": y,
        "form": ["strand"] * n,
        "length_mm": length,
        "u_length_mm": np.full(n, 0.025),
        "diameter_mm": np.full(n, DIAMETER),
        "u_diameter_mm": np.full(n, 0.02),
        "aspect_ratio": length / DIAMETER,
        "feret_max_mm": np.hypot(length, DIAMETER),
        "feret_min_mm": np.full(n, DIAMETER),
        "axis_deg": axis,
        "colour": ["white"] * n,
        "state": ["whole"] * n,
        "findings": ["long"] * min(longs, n) + [""] * max(n - longs, 0),
    }
    pieces = Pieces.of(
        n,
        columns_of,
        outlines_mm=outlines,
        tails_mm=((),) * n,
        centrelines_mm=centre,
        u_parts={"shared scale": np.full((n, 2), 0.003), "edge": np.full((n, 2), 0.02)},
    )
    fitness = Fitness(
        (
            Check("sharpness", 0.11, "mm", 0.12, 0.25, "higher", "fine", "hold still"),
            Check("light gradient", 2.7, ": 1", 2.5, 5.0, "higher", "warn", "turn the tray"),
        )
    )
    return PhotoInspection(
        tray.photo, tray, fitness, no_regions(tray), pieces, {"load": 0.06, "segment": 0.1}
    )


def no_regions(tray: TrayView) -> Regions:
    """Regions without anything in them: no report looks at them."""
    given: dict[str, Any] = {
        "tray": tray,
        "origin_px": (0, 0),
        "labels": np.zeros((1, 1), np.int32),
        "outlines_px": (),
        "state": (),
        "contrast_to_noise": 60.0,
        "flakes": 0.0,
    }
    return Regions(**{f.name: given.get(f.name, np.zeros(0)) for f in fields(Regions)})


def limit_result(answer: Answer = Answer.REJECT, **changed: Any) -> LimitResult:
    """A limit on long pieces, answered by hand."""
    given: dict[str, Any] = {
        "path": "limits.long_share.at_most_percent",
        "title": "long pieces, share by count",
        "unit": "%",
        "bound": "at most",
        "limit": 2.0,
        "interval": Interval(7.5, 3.8, 13.1, 0.95),
        "with_unmeasured": Interval(7.5, 3.8, 14.9, 0.95),
        "deciding": Interval(7.5, 3.8, 14.9, 0.95),
        "answer": answer,
        "n": 40,
        "n_effective": 37.2,
        "hits": 3,
        "rule": "One look at a fixed sample.",
        "reason": "3 of 40 measured pieces are long.",
        "looks": (Look(1, 40, None, 3), Look(2, 80, 0, 6)),
    }
    return LimitResult(**{**given, **changed})


@pytest.fixture
def rigid() -> Spec:
    return read_spec("rigid-1.75")


@pytest.fixture
def make_batch(rigid: Spec) -> Callable[..., Batch]:
    """Return a maker of batches: so many pieces on each of so many photos, judged by hand or not at all."""

    def make(
        n: int = 40, *, names: tuple[str, ...] = ("tray.jpg",), judged: bool = True, **given: Any
    ) -> Batch:
        photo = given.pop("photo", {})
        photos = tuple(inspection(n, name=name, seed=k, **photo) for k, name in enumerate(names))
        pieces = Pieces.joined([p.pieces for p in photos])
        figures = (
            Figure("pieces_per_kg", "pieces per kilogram", "1/kg", 112345.0, 108000.0, 117000.0, "measured"),
            Figure("median_length", "median cut length", "mm", 3.001, 2.97, 3.03, "measured"),
            Figure("void", "void fraction", "", 0.41, 0.37, 0.45, "published relation", "a source"),
        )
        if judged and n:
            verdict = Verdict(
                Answer.REJECT,
                "3 of 40 pieces are longer than 4 mm.",
                "Cut the lot again.",
                (limit_result(),),
                figures,
                ("Go back to the former knife gap (common practice).",),
                ("All pieces were measured.",),
                {"upright": 2},
                sequence=("Look 1 of at most 5: reject; the sequence of scoops ends here.",),
            )
        else:
            verdict = Verdict(None, "", "", (), figures if n else ())
        return Batch(photos, pieces, given.pop("spec", rigid if judged else None), verdict, **given)

    return make


@pytest.fixture
def regrind_batch(make_batch: Callable[..., Batch]) -> Batch:
    """A photo of 60 flakes, 30 strand pieces and 10 crumbs, judged as regrind."""
    batch = make_batch(100, spec=read_spec("regrind"))
    form = np.array(["flake"] * 60 + ["strand"] * 30 + ["crumb"] * 10, dtype=object)
    length = np.where(form == "strand", batch.pieces["length_mm"], np.nan)
    extent = np.where(form == "crumb", 0.6, batch.pieces["feret_max_mm"])
    width = np.where(form == "crumb", 0.5, batch.pieces["feret_min_mm"])
    pieces = batch.pieces.with_columns(
        form=form,
        length_mm=length,
        aspect_ratio=length / DIAMETER,
        feret_max_mm=extent,
        feret_min_mm=width,
        area_mm2=extent * width,
        findings=np.array([""] * 100, dtype=object),
    )
    windows = {p.photo.name: p.tray.window_mm for p in batch.photos}
    pieces, verdict = judge_pieces(pieces, batch.spec, windows_mm=windows)
    return Batch(batch.photos, pieces, batch.spec, verdict)
