"""Work on many pieces, shared out over two threads: NumPy and OpenCV let go of the interpreter while they work."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import TypeVar

import numpy as np
import numpy.typing as npt

T = TypeVar("T")

_THREADS = 2


def blocks(n: int, most: int) -> list[npt.NDArray[np.intp]]:
    """Return the indices 0 to n - 1 in blocks of about the same size, at most `most`; one empty block for none."""
    return np.array_split(np.arange(n), max(1, -(-n // most)))


def in_threads(job: Callable[..., T], *over: Iterable[object]) -> list[T]:
    """Return what a job returns for each of some arguments, in their order. A job must not start jobs of its own."""
    each = list(zip(*over, strict=True))
    if len(each) == 1:
        return [job(*each[0])]
    return list(_pool().map(lambda one: job(*one), each))


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_THREADS, "measuring")
