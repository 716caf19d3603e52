"""Work on many pieces, shared out over two threads: NumPy and OpenCV let go of the interpreter while they work."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from functools import lru_cache
from threading import current_thread
from typing import TypeVar

import numpy as np
import numpy.typing as npt

T = TypeVar("T")

_THREADS, _NAME = 2, "measuring"
#: Fewer things are not worth a second thread; with more in a block its arrays outgrow the memory of small machines.
_FEW, _MANY = 64, 2048


def blocks(n: int) -> list[npt.NDArray[np.intp]]:
    """Return the indices 0 to n - 1 in blocks, as many for each thread; one block (empty, if n is 0) of a few."""
    return np.array_split(np.arange(n), 1 if n < _FEW else _THREADS * -(-n // (_THREADS * _MANY)))


def in_threads(job: Callable[..., T], *over: Iterable[object]) -> list[T]:
    """Return what a job returns for each of some arguments, in their order."""
    each = list(zip(*over, strict=True))
    # what is shared out by a job that is itself shared out would wait for its own thread
    if len(each) == 1 or current_thread().name.startswith(_NAME):
        return [job(*one) for one in each]
    return list(_pool().map(lambda one: job(*one), each))


def beside(job: Callable[..., T], *arguments: object) -> Future[T]:
    """Start a job beside what follows, and return what its result comes in."""
    return _pool().submit(job, *arguments)


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_THREADS, _NAME)
