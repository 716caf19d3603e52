"""Work shared out over two threads: NumPy and OpenCV let go of the interpreter while they work."""

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
#: Fewer things are not worth a second thread; with more in a block its arrays outgrow the memory of small machines.
_FEW, _MANY = 64, 2048
#: Rows of a band: what is made of one on the way fits into a processor core's own memory.
_BAND = 64


def blocks(n: int, most: int | None = None) -> list[npt.NDArray[np.intp]]:
    """Return the indices 0 to n - 1 in blocks, as many for each thread; one block (empty, if n is 0) of a few.

    No block holds more than `most` (of small things: as many as fit into a core's own memory with all that is made of
    them).
    """
    return np.array_split(np.arange(n), 1 if n < _FEW else _THREADS * -(-n // (_THREADS * (most or _MANY))))


def in_threads(job: Callable[..., T], *over: Iterable[object]) -> list[T]:
    """Return what a job returns for each of some arguments, in their order."""
    each = list(zip(*over, strict=True))
    # what is shared out by a job that is itself shared out would wait for its own thread
    if len(each) == 1 or current_thread().name.startswith(_NAME):
        return [job(*one) for one in each]
    return list(_pool().map(lambda one: job(*one), each))


def in_bands(rows: int, work: Callable[[slice], object]) -> None:
    """Call `work` with one band of a picture's rows after the other."""
    in_threads(work, [slice(r, min(r + _BAND, rows)) for r in range(0, rows, _BAND)])


def beside(job: Callable[..., T], *arguments: object) -> Future[T]:
    """Start a job beside what follows, and return what its result comes in."""
    return _pool().submit(job, *arguments)


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_THREADS, _NAME)
