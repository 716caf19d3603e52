"""Parts of a clump that are one bent piece: rods are straight, and explain such a piece by several in a row and a rest."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects

from traygauge.segment.bend import is_bent_strand
from traygauge.segment.part_result import Parting, compacted


def bent_joined(parting: Parting, rgb: npt.NDArray[np.uint8], diameter: float) -> Parting:
    """Return the parting with parts joined that together are one bent band as wide as the strand; no rod explains those.

    Parameters
    ----------
    rgb : ndarray (h, w, 3): the clump's crop of the photo.
    diameter : of the strand, px.
    """
    labels = parting.labels.copy()
    state, sure, rods = list(parting.state), parting.confidence.copy(), parting.rod_px.copy()
    into = np.arange(len(parting))
    boxes = {part: box for part, box in enumerate(find_objects(np.maximum(labels, 0))) if box is not None}
    for one, two in _neighbours(labels):
        a, b = sorted((int(into[one]), int(into[two])))
        at = tuple(
            slice(min(p.start, q.start), max(p.stop, q.stop)) for p, q in zip(boxes[a], boxes[b], strict=True)
        )
        both = (labels[at] == a + 1) | (labels[at] == b + 1)
        found, _ = cv2.findContours(both.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        corner = np.array([at[1].start, at[0].start], np.int32)
        if a == b or len(found) > 1 or not is_bent_strand(found[0][:, 0] + corner, diameter, rgb):
            continue
        labels[at][both], into[into == b], boxes[a] = a + 1, a, at
        state[a], sure[a], rods[a] = "parted", sure[[a, b]].max(), np.nan
    if (into == np.arange(len(into))).all():
        return parting
    return compacted(labels, state, sure, rods)


def _neighbours(labels: npt.NDArray[np.int32]) -> list[tuple[int, int]]:
    """Return the pairs of parts that meet."""
    pairs = [
        np.stack([a.ravel(), b.ravel()])
        for a, b in ((labels[1:], labels[:-1]), (labels[:, 1:], labels[:, :-1]))
    ]
    met = np.sort(np.concatenate(pairs, 1), 0)
    met = met[:, (met[0] > 0) & (met[0] < met[1])]
    return [(int(a) - 1, int(b) - 1) for a, b in np.unique(met, axis=1).T]
