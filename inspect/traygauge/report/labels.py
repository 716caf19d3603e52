"""Where the labels of a crowded picture go: beside their pieces, or on them where there is no room."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: What covering a label's own piece costs against covering another: there the label seems to be the other's.
_OWN = 0.3

#: Places around a piece in the order of preference: (side across, side down), -1 before, 0 middle, 1 behind. The last
#: is on the piece itself: in a heap it leaves no doubt whose label it is.
_SIDES = np.array([(0, -1), (0, 1), (1, 0), (-1, 0), (1, -1), (-1, -1), (1, 1), (-1, 1), (0, 0)], float)


def place_labels(
    boxes: FloatArray, sizes: FloatArray, labelled: npt.NDArray[np.intp], bounds: tuple[float, float]
) -> FloatArray:
    """Return the middles of labels, ndarray of shape (m, 2), in picture points.

    Each label takes the place around its piece where it covers least of other pieces and of the labels before it; in
    a heap that is on the piece itself.

    Parameters
    ----------
    boxes : ndarray (n, 4), x0, y0, x1, y1 of all pieces.
    sizes : ndarray (m, 2), width and height of each label.
    labelled : ndarray (m,), which piece each label belongs to.
    bounds : width and height of the picture; labels stay inside.
    """
    taken = np.concatenate([boxes, np.zeros((len(labelled), 4))])
    placed = np.zeros((len(labelled), 2))
    for k, (piece, size) in enumerate(zip(labelled, sizes, strict=True)):
        middles = np.clip(
            _around(boxes[piece], size), size / 2, np.maximum(np.array(bounds) - size / 2, size / 2)
        )
        weights = np.ones(len(boxes) + k)
        weights[piece] = _OWN
        cost = _covered(middles, size, taken[: len(boxes) + k]) @ weights
        placed[k] = middles[int(np.argmin(np.round(cost) + 1e-3 * np.arange(len(cost))))]
        taken[len(boxes) + k] = (*(placed[k] - size / 2), *(placed[k] + size / 2))
    return placed


def _around(box: FloatArray, size: FloatArray) -> FloatArray:
    middle, half = (box[:2] + box[2:]) / 2, (box[2:] - box[:2]) / 2
    return middle + _SIDES * (half + size / 2)


def _covered(middles: FloatArray, size: FloatArray, taken: FloatArray) -> FloatArray:
    """Return the area that a label at each of the places would share with each of what is there."""
    low = np.maximum(middles[:, None] - size / 2, taken[None, :, :2])
    high = np.minimum(middles[:, None] + size / 2, taken[None, :, 2:])
    area: FloatArray = np.prod(np.maximum(high - low, 0.0), -1)
    return area
