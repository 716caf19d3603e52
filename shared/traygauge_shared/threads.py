"""Work shared out over two threads: NumPy and OpenCV let go of the interpreter while they work.

That pays where each call works for a tenth of a millisecond and more: over a band of a picture, or on a great many
pieces at once. Threads that make many short calls wait for each other all the time and are slower than one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from functools import lru_cache
from threading import current_thread
from typing import TypeVar

import numpy as np
import numpy.typing as npt

T = TypeVar("T")

_THREADS, _NAME = 2, "traygauge"
#: With more things in a block its arrays outgrow the memory of small machines; with fewer, calls are short.
_MANY = 2048


def blocks(n: int) -> list[npt.NDArray[np.intp]]:
    """Return the indices 0 to n - 1 in as few blocks as memory allows, all about as large (one, empty, if n is 0)."""
    return np.array_split(np.arange(n), max(1, -(-n // _MANY)))


def in_threads(job: Callable[..., T], *over: Iterable[object]) -> list[T]:
    """Return what a job returns for each of some arguments, in their order."""
    each = list(zip(*over, strict=True))
    # what is shared out by a job that is itself shared out would wait for its own thread
    if len(each) == 1 or current_thread().name.startswith(_NAME):
        return [job(*one) for one in each]
    return list(_pool().map(lambda one: job(*one), each))


def in_bands(rows: int, work: Callable[[slice], object], high: int = 64) -> None:
    """Call `work` with each band of a picture's rows, those of the upper half beside those of the lower.

    What is made of a band on the way should fit into a processor core's own memory: that says how `high` it is.
    """
    bands = [slice(r, min(r + high, rows)) for r in range(0, rows, high)]
    middle = len(bands) // _THREADS

    def some(part: list[slice]) -> None:
        for band in part:
            work(band)

    in_threads(some, [part for part in (bands[:middle], bands[middle:]) if part])


def beside(job: Callable[..., T], *arguments: object) -> Future[T]:
    """Start a job beside what follows, and return what its result comes in."""
    return _pool().submit(job, *arguments)


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_THREADS, _NAME)
