"""Parting of touching pieces beside the two usual ways of doing it, on the same masks.

python bench/compare_parting.py [FOLDER ...] [--drawn 4]

Folders hold photos with NAME.labels.png, NAME.truth.csv and NAME.scene.json. The masks are the truth's own outlines,
gaps of a pixel closed, so that nothing but parting is compared; drawn groups of touching pieces come first.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from photos import photos_in
from scoring import STRANDS, as_truth, read_truth

from traygauge.segment.part import Clump, StrandPrior, looks_single, part_clumps, strand_prior
from traygauge_calib.camera import Camera, FlatCamera, PerspectiveCamera

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
LabelArray = npt.NDArray[np.int32]

NEAR_MM = 0.15  # of the true length
SAME = 0.8  # intersection over union from which a part is the piece


@dataclass(frozen=True, eq=False)
class Heaps:
    """The clumps of one photo and what is true of them.

    Parameters
    ----------
    name : of the photo.
    clumps : as parting takes them, those of two pieces or more.
    truth : label crops, one a clump: 0 tray, else the piece's row + 1.
    length_mm, counted : (n,) of the pieces; those lying flat, in sight, of strand count.
    prior : what the pieces that lie free say of the strand.
    """

    name: str
    clumps: list[Clump]
    truth: list[LabelArray]
    length_mm: FloatArray
    counted: BoolArray
    prior: StrandPrior | None


@dataclass
class Score:
    """What a way of parting got right, over photos."""

    pieces: int = 0
    parted: int = 0
    near: int = 0
    merged: int = 0
    parts: int = 0
    invented: int = 0
    seconds: float = 0.0

    def row(self, name: str) -> str:
        """Return the table's line."""
        n, k = max(self.pieces, 1), max(self.parts, 1)
        return (
            f"{name:<34}{self.pieces:>7}{self.parted / n:>9.3f}{self.near / n:>11.3f}{self.merged / n:>9.3f}"
            f"{self.invented / k:>10.3f}{self.seconds * 1e3:>9.0f}"
        )


HEAD = f"{'':<34}{'pieces':>7}{'parted':>9}{'length':>11}{'merged':>9}{'invented':>10}{'ms':>9}"

Way = Callable[[Heaps], list[tuple[LabelArray, FloatArray]]]


def ours(heaps: Heaps) -> list[tuple[LabelArray, FloatArray]]:
    """Return labels and lengths (px) of the parts of each clump: rods of the batch's diameter."""
    partings = part_clumps(heaps.clumps, heaps.prior)
    return [(p.labels, p.rod_px[:, 3]) for p in partings]


def distance_watershed(heaps: Heaps) -> list[tuple[LabelArray, FloatArray]]:
    """Return the same by the distance transform's watershed, as scipy and scikit-image users write it.

    Markers are its maxima at least half a strand apart, after a little smoothing: the gentlest setting that was found.
    """
    from scipy import ndimage
    from skimage import feature, segmentation

    out = []
    for clump in heaps.clumps:
        distance = ndimage.gaussian_filter(ndimage.distance_transform_edt(clump.mask), 1.5)
        apart = max(3, round(0.5 * 1.75 * clump.px_per_mm))
        peaks = feature.peak_local_max(distance, min_distance=apart, labels=clump.mask.astype(int))
        markers = np.zeros(clump.mask.shape, int)
        markers[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
        labels = segmentation.watershed(-distance, markers, mask=clump.mask).astype(np.int32)
        out.append((labels, _rectangles(labels)))
    return out


def concavity_cuts(heaps: Heaps) -> list[tuple[LabelArray, FloatArray]]:
    """Return the same by cuts between the outline's notches until every part is nearly convex.

    What lies between hull and mask is labelled, each bay's deepest point is a notch, and the two notches nearest each
    other are joined; so it stands in many notebooks.
    """
    from skimage import measure

    out = []
    for clump in heaps.clumps:
        todo, labels, number = [clump.mask], np.zeros(clump.mask.shape, np.int32), 0
        while todo:
            part = todo.pop()
            pieces = _cut_once(part) if number < 500 else [part]
            if len(pieces) < 2:
                number += 1
                labels[part] = number
                continue
            todo += pieces
        labels = np.asarray(measure.label(labels, connectivity=1), np.int32)
        out.append((labels, _rectangles(labels)))
    return out


def _cut_once(mask: BoolArray) -> list[BoolArray]:
    from scipy import ndimage
    from skimage import draw, measure, morphology

    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    if not len(rows) or mask.sum() < 60:
        return []
    box = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    inner = np.pad(mask[box], 1)
    hull = morphology.convex_hull_image(inner)
    if mask.sum() > 0.93 * hull.sum():
        return []
    depth = ndimage.distance_transform_edt(hull)
    bays = measure.label(hull & ~inner)
    points = []
    for bay in measure.regionprops(bays, intensity_image=depth):
        if bay.intensity_max > 3:
            points.append(bay.coords[depth[tuple(bay.coords.T)].argmax()])
    if len(points) < 2:
        return []
    at = np.array(points)
    gap = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)) + 1e9 * np.eye(len(at))
    a, b = np.unravel_index(gap.argmin(), gap.shape)
    cut = inner.copy()
    line = draw.line(*at[a], *at[b])
    cut[line] = False
    cut[line[0], np.minimum(line[1] + 1, cut.shape[1] - 1)] = False
    pieces = measure.label(cut, connectivity=1)
    if pieces.max() < 2:
        return []
    out = []
    for k in range(1, pieces.max() + 1):
        whole = np.zeros_like(mask)
        whole[box] = (pieces == k)[1:-1, 1:-1]
        out.append(whole)
    return out


def _rectangles(labels: LabelArray) -> FloatArray:
    """Return the longer side, px, of the smallest rectangle around each label."""
    out = []
    for k in range(1, int(labels.max()) + 1):
        y, x = np.nonzero(labels == k)
        sides = cv2.minAreaRect(np.stack([x, y], 1).astype(np.float32))[1] if len(x) else (np.nan,)
        out.append(max(sides) + 1)
    return np.array(out)


WAYS: dict[str, Way] = {
    "rods of the batch's diameter": ours,
    "watershed of the distance transform": distance_watershed,
    "cuts between concavities": concavity_cuts,
}


def compared(heaps: Heaps, scores: dict[str, Score]) -> None:
    """Add what each way makes of a photo's heaps to its score."""
    for name, way in WAYS.items():
        start = time.process_time()
        found = way(heaps)
        scores[name].seconds += time.process_time() - start
        for clump, truth, (labels, length) in zip(heaps.clumps, heaps.truth, found, strict=True):
            _count(scores[name], heaps, clump, truth, labels, length)


def _count(
    score: Score, heaps: Heaps, clump: Clump, truth: LabelArray, labels: LabelArray, length: FloatArray
) -> None:
    pieces = np.unique(truth[clump.mask])
    pieces = pieces[pieces > 0]
    k = int(labels.max())
    labels = np.maximum(labels, 0)  # a gap that pieces enclose is nobody's
    both = np.stack([np.bincount(labels[truth == p], minlength=k + 1)[1:] for p in pieces])
    own = np.array([(truth == p).sum() for p in pieces])
    part = np.bincount(labels.ravel(), minlength=k + 1)[1:]
    union = own[:, None] + part[None] - both
    same = both / np.maximum(union, 1)
    mostly = both.argmax(1)
    for row, piece in enumerate(pieces):
        if not heaps.counted[piece - 1]:
            continue
        score.pieces += 1
        best = int(same[row].argmax())
        if same[row, best] >= SAME:
            score.parted += 1
            score.near += abs(length[best] / clump.px_per_mm - heaps.length_mm[piece - 1]) < NEAR_MM
        score.merged += bool((mostly == mostly[row]).sum() > 1)
    score.parts += k
    score.invented += int((same.max(0) < 0.3).sum())


def heaps_of(
    name: str,
    pixels: npt.NDArray[np.uint8],
    labels: npt.NDArray[np.uint16],
    truth: dict[str, Any],
    camera: Camera,
    camera_height_mm: float,
) -> Heaps:
    """Return the clumps of a photo, cut from its truth's outlines."""
    row = np.zeros(int(labels.max()) + 1, np.int32)
    row[truth["id"].astype(int)[truth["id"] <= labels.max()]] = (
        np.flatnonzero(truth["id"] <= labels.max()) + 1
    )
    ids = row[labels]
    mask = cv2.morphologyEx((ids > 0).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, connected, box, middle = cv2.connectedComponentsWithStats(mask, connectivity=8)
    clumps, crops, shape = [], [], []
    for k in range(1, count):
        x, y, w, h, area = box[k]
        if area < 20:
            continue
        at = np.s_[max(y - 4, 0) : y + h + 4, max(x - 4, 0) : x + w + 4]
        own = connected[at] == k
        shape.append(_shape(own))
        if len(np.unique(ids[at][own & (ids[at] > 0)])) > 1:
            scale, lean = _seen(camera, middle[k])
            clumps.append(Clump(own, np.ascontiguousarray(pixels[at]), scale, lean, camera_height_mm))
            crops.append(np.where(own, ids[at], 0))
    flat = (truth["tilt_deg"] < 5) & (truth["upright"] == 0) & (truth["visible_fraction"] >= 0.95)
    counted = flat & np.isin(truth["kind"].astype(str), STRANDS)
    sides = np.array(shape).reshape(-1, 4).T
    prior = strand_prior(*sides)
    if prior is not None:
        prior = strand_prior(*sides[:, looks_single(*sides, prior)]) or prior
    return Heaps(name, clumps, crops, truth["length_mm"].astype(float), counted, prior)


def _shape(mask: BoolArray) -> tuple[float, float, float, float]:
    outline, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(outline, key=len))
    sides = cv2.minAreaRect(hull)[1]
    around = cv2.contourArea(hull) + cv2.arcLength(hull, True) / 2 + 1
    return float(mask.sum()), float(mask.sum()) / around, max(sides) + 1, min(sides) + 1


def _seen(camera: Camera, at_px: FloatArray, height_mm: float = 0.9) -> tuple[float, tuple[float, float]]:
    """Return the scale and the lean at a pixel, in the photo's own directions."""
    place = camera.to_plane(at_px, height_mm)
    across = camera.project(place + [0.5, 0], height_mm) - camera.project(place - [0.5, 0], height_mm)
    down = camera.project(place + [0, 0.5], height_mm) - camera.project(place - [0, 0.5], height_mm)
    scale = float(np.sqrt(abs(across[0] * down[1] - across[1] * down[0])))
    lean = (camera.project(place, height_mm + 0.5) - camera.project(place, height_mm - 0.5)) / scale
    return scale, (float(lean[0]), float(lean[1]))


def folder_heaps(folder: Path) -> Iterator[Heaps]:
    """Yield the heaps of a folder's photos that have labels and scene beside them."""
    for photo in photos_in(folder):
        labels, scene = folder / f"{photo.name}.labels.png", folder / f"{photo.name}.scene.json"
        if not (labels.exists() and scene.exists()):
            continue
        stored = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
        pixels = cv2.imread(str(photo.photo), stored)[..., ::-1]
        truth = read_truth(photo.truth)
        ids = cv2.imread(str(labels), cv2.IMREAD_UNCHANGED)
        camera = _camera(json.loads(scene.read_text())["camera"])
        if len(truth["kind"]):
            height = camera.height_mm if isinstance(camera, PerspectiveCamera) else float("inf")
            yield heaps_of(photo.name, pixels, ids, truth, camera, height)


def _camera(facts: dict[str, Any]) -> Camera:
    if "K" not in facts:
        return FlatCamera((facts["px_per_mm"],) * 2)
    k, rotation = np.array(facts["K"]), cv2.Rodrigues(np.array(facts["rvec"]))[0]
    centre = -rotation.T @ np.array(facts["tvec"])
    return PerspectiveCamera(
        k[0, 0],
        (k[0, 2], k[1, 2]),
        (facts["dist"][0], facts["dist"][1]),
        rotation,
        centre * np.array([1, 1, -1]),
    )


def drawn_heaps(count: int) -> Iterator[Heaps]:
    """Yield drawn groups of touching pieces, side by side, in chains, T, X, fans and stars, under changing light."""
    from traygauge_shared.scenes import LIGHTS, draw, groups_scene

    lights = [light for name, light in LIGHTS.items() if "scanner" not in name]
    for seed in range(count):
        drawn = draw(replace(groups_scene(seed, n=70, mpix=8), light=lights[seed % len(lights)]))
        facts = drawn.camera.facts()
        camera = _camera(facts)
        yield heaps_of(
            f"drawn {seed}",
            drawn.pixels,
            drawn.labels,
            as_truth(list(drawn.truth)),
            camera,
            float(drawn.camera.centre_mm[2]),
        )


def table(title: str, many: Iterator[Heaps]) -> None:
    """Print how each way fares on heaps."""
    scores = {name: Score() for name in WAYS}
    for heaps in many:
        compared(heaps, scores)
    print(f"\n{title}\n{HEAD}")
    for name, score in scores.items():
        print(score.row(name))


def main(folders: Sequence[Path] = (), drawn: int = 4) -> None:
    """Print the tables."""
    print(
        f"parted: share with a part of their own (overlap {SAME}); length: of those the ones within {NEAR_MM} mm;\n"
        "merged: share that lie in one part with another piece; invented: share of parts that are no piece.\n"
        "Pieces of strand lying flat and in sight, in clumps of two or more."
    )
    if drawn:
        table(f"{drawn} drawn photos", drawn_heaps(drawn))
    for folder in folders:
        table(folder.name, folder_heaps(folder))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--drawn", type=int, default=4, help="how many drawn photos")
    main(**vars(parser.parse_args()))
