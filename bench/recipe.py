"""The plain recipe many people write: threshold, watershed, regionprops. Only to compare with."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def plain_recipe(gray: npt.NDArray[np.uint8], px_per_mm: float) -> dict[str, npt.NDArray[np.float64]]:
    """Return x, y (px), length and diameter (mm) of everything in a grey window picture, by scikit-image alone.

    Otsu threshold, distance transform, watershed, `regionprops_table`: the axes of the ellipse of equal moments,
    scaled to a rectangle's sides, with one scale for the whole picture.
    """
    from scipy import ndimage
    from skimage import feature, filters, measure, segmentation

    level = filters.threshold_otsu(gray)
    mask = gray > level
    if mask.mean() > 0.5:
        mask = ~mask
    mask = ndimage.binary_fill_holes(mask)
    distance = ndimage.distance_transform_edt(mask)
    peaks = feature.peak_local_max(
        distance, min_distance=max(3, round(0.45 * px_per_mm)), labels=measure.label(mask)
    )
    markers = np.zeros(mask.shape, int)
    markers[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    labels = segmentation.watershed(-distance, markers, mask=mask)
    found = measure.regionprops_table(
        labels,
        properties=(
            "centroid",
            "axis_major_length",
            "axis_minor_length",
            "area",
            "solidity",
            "feret_diameter_max",
        ),
    )
    big = found["area"] > 0.3 * px_per_mm**2
    side = np.sqrt(3) / 2 / px_per_mm
    return {
        "x": found["centroid-1"][big],
        "y": found["centroid-0"][big],
        "length_mm": found["axis_major_length"][big] * side,
        "diameter_mm": found["axis_minor_length"][big] * side,
    }
