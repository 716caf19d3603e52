"""Medians: of many short rows at once, and of what is known."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

Real = TypeVar("Real", bound=np.floating[Any])


def medians(rows: npt.NDArray[Real]) -> npt.NDArray[Real]:
    """Return the medians (...) over the last axis of values (..., m) that are all numbers.

    To sort short rows is several times faster than to part them, as `numpy.median` does.
    """
    half = rows.shape[-1] // 2
    ranked = np.sort(rows, axis=-1)
    middle = ranked[..., half]
    return np.asarray(middle if rows.shape[-1] % 2 else (ranked[..., half - 1] + middle) / 2, rows.dtype)


def known_medians(rows: npt.NDArray[np.float64], known: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    """Return the medians (...) over the last axis of those values (..., m) that are known, NaN where none is."""
    ranked, n = np.sort(np.where(known, rows, np.nan), axis=-1), np.broadcast_to(known, rows.shape).sum(-1)
    places = np.stack([np.maximum(n - 1, 0) // 2, np.minimum(n // 2, rows.shape[-1] - 1)], -1)
    return np.asarray(np.take_along_axis(ranked, places, -1).mean(-1))


def usual(values: npt.NDArray[np.float64]) -> float:
    """Return the median of the finite values, NaN without any."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")
