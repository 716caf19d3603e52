"""Drawn heaps for the parting tests: every connected clump of a drawn scene, parted, beside its truth."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pytest

from traygauge.segment.part import Clump, StrandPrior, part_clumps
from traygauge.segment.part_result import Parting
from traygauge_shared.scenes import Lamp, Lighting, Scene, Sheet, draw, phone_over

DIAMETER_MM, HEIGHT_MM = 1.75, 200.0
LIGHT = Lighting((Lamp(60, 40, 0.7, 20),), ambient=0.4)


@dataclass(frozen=True)
class Found:
    """What parting made of one piece of the truth.

    `overlap` is intersection over union with the part that fits it best, `length_mm` that part's rod; `alone` says
    that no other piece has the same best part.
    """

    truth: dict[str, object]
    overlap: float
    state: str
    confidence: float
    length_mm: float
    alone: bool


@dataclass(frozen=True, eq=False)
class Heap:
    """A drawn scene's clumps, parted."""

    pieces: list[Found]
    partings: list[Parting]
    clumps: list[Clump]

    @property
    def parts(self) -> int:
        return sum(len(p) for p in self.partings)


def clumps_of(drawn, px_per_mm: float, join: int = 3) -> tuple[list[Clump], list[np.ndarray]]:
    """Return connected clumps of a drawn scene, gaps of a pixel closed, and the truth's ids in each."""
    ids = drawn.labels.astype(np.int32)
    mask = cv2.morphologyEx((ids > 0).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((join, join), np.uint8))
    count, connected, box, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    clumps, crops = [], []
    for k in range(1, count):
        x, y, w, h, _ = box[k]
        at = np.s_[max(y - 4, 0) : y + h + 4, max(x - 4, 0) : x + w + 4]
        own = connected[at] == k
        middle = np.array([x + w / 2, y + h / 2])
        place = drawn.camera.to_height(middle, 0.9)
        tips = drawn.camera.project(np.array([[*place, 1.4], [*place, 0.4]]))
        lean = (tips[0] - tips[1]) / px_per_mm
        pixels = np.ascontiguousarray(drawn.pixels[at])
        height = float(drawn.camera.centre_mm[2])
        clumps.append(Clump(own, pixels, px_per_mm, (float(lean[0]), float(lean[1])), height))
        crops.append(np.where(own, ids[at], 0))
    return clumps, crops


def parted_heap(
    things,
    *,
    light: Lighting = LIGHT,
    prior: bool = True,
    flakes: float = 0.0,
    px_per_mm: float = 16.0,
    middle_mm: tuple[float, float] | None = None,
    window: str = "black",
    seed: int = 0,
) -> Heap:
    """Return things drawn around the sheet's origin, parted; the camera looks straight down on `middle_mm`."""
    reach = max(
        12.0, 3.0 + max(np.hypot(getattr(t, "x_mm", 0.0), getattr(t, "y_mm", 0.0)) for t in things) + 4.0
    )
    side = int(2 * reach * px_per_mm)
    focal_px = px_per_mm * HEIGHT_MM
    camera = phone_over(
        middle_mm or (0.0, 0.0),
        width=side,
        height=side,
        focal_35mm=focal_px / np.hypot(side, side) * 43.27,
        height_mm=HEIGHT_MM,
    )
    scale = camera.focal_px / (HEIGHT_MM - DIAMETER_MM / 2)
    drawn = draw(Scene(tuple(things), camera, Sheet(board=None, window=window), light, seed=seed))
    clumps, crops = clumps_of(drawn, scale)
    known = StrandPrior(DIAMETER_MM * scale, 0.04 * DIAMETER_MM * scale, 3.0 * scale, 0.3 * scale, 40, flakes)
    partings = part_clumps(clumps, known if prior else None)
    return Heap(_matched(drawn.truth, crops, partings, scale), partings, clumps)


def _matched(truth, crops, partings, scale: float) -> list[Found]:
    out = []
    for ids, parting in zip(crops, partings, strict=True):
        here = [row for row in truth if (ids == int(row["id"])).any()]
        both = np.array(
            [
                np.bincount(np.maximum(parting.labels[ids == int(row["id"])], 0), minlength=len(parting) + 1)[
                    1:
                ]
                for row in here
            ]
        )
        parts = np.bincount(np.maximum(parting.labels, 0).ravel(), minlength=len(parting) + 1)[1:]
        own = np.array([(ids == int(row["id"])).sum() for row in here])
        overlap = both / (own[:, None] + parts[None] - both)
        best = overlap.argmax(1)
        for k, row in enumerate(here):
            j = int(best[k])
            out.append(
                Found(
                    row,
                    float(overlap[k, j]),
                    parting.state[j],
                    float(parting.confidence[j]),
                    float(parting.rod_px[j, 3]) / scale,
                    bool((both.argmax(1) == both.argmax(1)[k]).sum() == 1),
                )
            )
    return out


@pytest.fixture(scope="session")
def heap():
    """Return the function that draws things and parts them."""
    return parted_heap
