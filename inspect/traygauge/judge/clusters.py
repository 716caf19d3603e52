"""Pieces of one scoop resemble each other: how many independent pieces a clustered sample is worth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.judge.intervals import student

#: From so many photos on, the correlation is estimated and the larger of it and the stated one is used.
FEWEST_PHOTOS = 5


@dataclass(frozen=True)
class Clustering:
    """What the photos of a batch are worth as clusters.

    Parameters
    ----------
    n : pieces; photos : clusters.
    correlation : within a photo, as used.
    is_estimated : whether it was estimated from the photos rather than stated.
    design_effect : by which factor the variance is larger than that of n independent pieces.
    degrees : degrees of freedom behind the variance.
    """

    n: int
    photos: int
    correlation: float
    is_estimated: bool
    design_effect: float
    degrees: float

    def effective(self, error: float) -> float:
        """Return the number of independent pieces that the sample is worth for a bound of that error.

        n / design effect, cut down by the ratio of t quantiles where the effect was estimated from few photos
        (Korn and Graubard, Survey Methodology 24 (1998) 193).
        """
        if not self.n:
            return 0.0
        shrink = 1.0
        if self.is_estimated:
            shrink = (student(1 - error, max(self.n - 1, 1)) / student(1 - error, self.degrees)) ** 2
        return min(float(self.n), self.n / self.design_effect * shrink)


def clustering(values: npt.ArrayLike, photo: npt.ArrayLike, stated: float) -> Clustering:
    """Return how much the photos cluster a value (0 or 1 for a share, millimetres for a figure).

    Kish's design effect 1 + (m - 1) rho, m the photo size weighted by itself. With fewer than 5 photos rho is the
    stated one; from 5 on the larger of it and the analysis-of-variance estimate, which rests on one degree of freedom
    less than there are photos.

    Parameters
    ----------
    values : array_like (n,).
    photo : array_like (n,), a name or number each.
    stated : correlation within a photo, as the spec gives it.
    """
    y = np.asarray(values, float)
    n = len(y)
    if n == 0:
        return Clustering(0, 0, stated, False, 1.0, 1.0)
    _, index = np.unique(np.asarray(photo), return_inverse=True)
    sizes = np.bincount(index).astype(float)
    photos, size = len(sizes), float((sizes**2).sum() / n)
    rho = stated
    if photos >= FEWEST_PHOTOS:
        rho = max(stated, _correlation(y, index, sizes))
    estimated = rho > stated
    degrees = photos - 1.0 if estimated else max(n - 1.0, 1.0)
    return Clustering(n, photos, rho, estimated, 1 + (size - 1) * rho, degrees)


def _correlation(
    y: npt.NDArray[np.float64], index: npt.NDArray[np.intp], sizes: npt.NDArray[np.float64]
) -> float:
    """Return the analysis-of-variance estimate of the correlation within photos, 0 where it is negative."""
    n, k = len(y), len(sizes)
    means = np.bincount(index, y) / sizes
    within = float(((y - means[index]) ** 2).sum()) / max(n - k, 1)
    between = float((sizes * (means - y.mean()) ** 2).sum()) / (k - 1)
    size = (n - float((sizes**2).sum()) / n) / (k - 1)
    total = between + (size - 1) * within
    return float(np.clip((between - within) / total, 0.0, 1.0)) if total > 0 else 0.0
