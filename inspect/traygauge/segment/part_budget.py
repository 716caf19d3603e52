"""What parting may cost.

Real heaps hold so many pieces and so many candidates for them. A picture that is no tray (print, a mesh, a blurred
thing taken for many) holds as many as it has pixels, and their pairs grow with the square of that. Time and memory
must not: the cheapest clumps are parted as far as a budget goes, and the others are left unresolved.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Room that a photo's clumps may take, boxes around them, square diameters: a thousand pieces that touch, loosely.
MOST_ROOM = 8000.0
#: The same where no diameter is known, photo pixels.
MOST_ROOM_PX = 6e6
#: Candidates that are followed up: a piece in a heap has 30 or less.
MOST_CANDIDATES = 24_000
#: Neighbours of all candidates: one in a heap has 100 or less.
MOST_NEIGHBOURS = 2_000_000


def within(cost: npt.ArrayLike, budget: float) -> BoolArray:
    """Return which things (n,) a budget pays for when the cheapest come first."""
    each = np.asarray(cost, float)
    order = np.argsort(each, kind="stable")
    paid = np.empty(len(each), bool)
    paid[order] = np.cumsum(each[order]) <= budget
    return paid
