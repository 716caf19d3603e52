"""Regions' labels with the tails taken out, so that a body's edges can be read beside them."""

from __future__ import annotations

import cv2
import numpy as np

from traygauge.measure.tails import Tails
from traygauge.segment.regions import Labels, Regions
from traygauge_shared.threads import in_bands

TAIL_LABEL = -1


def labels_without_tails(regions: Regions, tails: Tails, blur_px: float) -> Labels:
    """Return `regions.labels` with every tail's pixels, blur included, set to `TAIL_LABEL`.

    The array is the regions' own where there are none. Burrs stay: most of what stands out a little is no burr, and
    rows of light that disagree with their neighbours count little in a fit anyway.
    """
    if not len(tails.owner):
        return regions.labels
    labels = np.empty_like(regions.labels)
    in_bands(len(labels), lambda rows: np.copyto(labels[rows], regions.labels[rows]))
    scale = regions.tray.px_per_mm(np.array([line.mean(0) for line in tails.centrelines_mm]))
    for line, width, px_per_mm in zip(tails.centrelines_px, tails.width_mm, scale, strict=True):
        wide = np.nan_to_num(width, nan=0.15) * px_per_mm + 4 * blur_px
        points = np.round((line - regions.origin_px) * 16).astype(np.int32)
        cv2.polylines(labels, [points], False, TAIL_LABEL, thickness=max(1, round(wide)), shift=4)
    return labels
