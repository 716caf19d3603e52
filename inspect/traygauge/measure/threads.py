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
#: Fewer things are not worth a second thread; with more in a block its arrays outgrow the memory of small machines.
_FEW, _MANY = 64, 2048


def blocks(n: int) -> list[npt.NDArray[np.intp]]:
    """Return the indices 0 to n - 1 in blocks, as many for each thread; one block (empty, if n is 0) of a few."""
    return np.array_split(np.arange(n), 1 if n < _FEW else _THREADS * -(-n // (_THREADS * _MANY)))


def in_threads(job: Callable[..., T], *over: Iterable[object]) -> list[T]:
    """Return what a job returns for each of some arguments, in their order. A job must not start jobs of its own."""
    each = list(zip(*over, strict=True))
    if len(each) == 1:
        return [job(*each[0])]
    return list(_pool().map(lambda one: job(*one), each))


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_THREADS, "measuring")
