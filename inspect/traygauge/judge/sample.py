"""One batch made ready to be judged: what each piece is, what it can be, and what it stands for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from traygauge.judge.borders import Window, border_weights
from traygauge.judge.findings import BoolArray, FloatArray, flags
from traygauge.judge.looks import MOST_LOOKS
from traygauge.judge.misreading import common_error_mm
from traygauge.judge.once import Once
from traygauge.judge.spec import Spec
from traygauge.judge.unmeasured import Reach, reach
from traygauge.measure.pieces import Pieces
from traygauge_calib.sight import Sight

_NO_STRAND = ("crumb", "thread", "flake")
#: Findings that only a strand piece can have.
_OF_STRAND = ("short", "thick", "thin", "burred")


@dataclass(frozen=True, eq=False)
class Sample(Once):
    """A batch and everything that limits are judged from; arrays are over its n pieces.

    Parameters
    ----------
    pieces, spec : as measured, and the target.
    masks : finding -> ndarray (n,) bool.
    reach : the lengths each piece can have.
    weights : what each piece stands for where pieces run past the window's edge; 0 for those cut off.
    sides : photo -> sides that pieces run past.
    form : ndarray (n,) of str; photo : ndarray (n,), number of the photo each piece is from, in order of names.
    look : how many times the batch has been judged, this one included.
    shares : share of the pieces that each look so far had seen, cumulated; the last is 1.
    sight : what every photo can show, None where it is not known.
    """

    pieces: Pieces
    spec: Spec
    masks: dict[str, BoolArray]
    reach: Reach
    weights: FloatArray
    sides: dict[str, list[str]]
    form: npt.NDArray[np.str_]
    photo: npt.NDArray[np.intp]
    look: int
    shares: tuple[float, ...]
    sight: Sight | None = None

    @cached_property
    def photos(self) -> int:
        """Return how many photos show pieces, at least one."""
        return max(1, len(np.unique(self.photo)))

    @property
    def next_look(self) -> int:
        """Return the number of the look after this one; 1, a fresh sample's, when all looks are used up."""
        return self.look + 1 if self.look < MOST_LOOKS else 1

    def sizes_of(self, n: float, looks: int) -> list[float]:
        """Return how many of n pieces each look so far had seen, cumulated; those to come add a photo each."""
        seen = [n * share for share in self.shares]
        return seen + [n * (1 + k / self.photos) for k in range(1, looks - len(seen) + 1)]

    def base(self, finding: str) -> BoolArray:
        """Return the mask (n,) of the things among which a finding is counted.

        Fines are counted among everything seen; the rest among strand pieces and flakes that are no fines, and what
        only strand can have among strand pieces.
        """
        if finding == "fines":
            return np.asarray(self.form != "thread")
        without = _NO_STRAND if finding in _OF_STRAND else _NO_STRAND[:2]
        fines = self.masks.get("fines", np.zeros(len(self.pieces), bool))
        return self.once(("base", without), lambda: ~np.isin(self.form, without) & ~fines)

    @cached_property
    def long_as_shown(self) -> BoolArray:
        """Return the mask (n,) of single pieces that are not measured and yet long, by what shows of them."""
        limit = self.spec.long_over_mm
        if limit is None:
            return np.zeros(len(self.pieces), bool)
        longer = ~self.reach.is_heap & (self.reach.low > limit)
        return np.asarray(longer & self.base("long") & ~self.masks["long"])

    def u_shared(self, column: int) -> FloatArray:
        """Return each piece's standard uncertainty that all share, mm (n,); 0 is the length, 1 the diameter.

        The parts that measuring calls shared, and what the pieces of a photo have in common beside them.
        """
        return self.once(("shared", column), lambda: np.hypot(self._stated(column), self._common))

    def u_own(self, column: int) -> FloatArray:
        """Return each piece's own standard uncertainty, mm (n,): what is left of the whole without the shared part.

        No length is less certain than any from nothing to the largest extent would be (JCGM 100, 4.3.7).
        """
        return self.once(("own", column), lambda: self._own(column))

    def _own(self, column: int) -> FloatArray:
        whole = self.pieces[("u_length_mm", "u_diameter_mm")[column]].astype(float)
        most = self.pieces["feret_max_mm"].astype(float) / np.sqrt(12.0)
        own = np.fmin(np.nan_to_num(whole), most) ** 2 - self._stated(column) ** 2
        return np.asarray(np.sqrt(np.maximum(own - self._common**2, 0.0)))

    def _stated(self, column: int) -> FloatArray:
        return self.once(("stated", column), lambda: self._stated_in_all(column))

    def _stated_in_all(self, column: int) -> FloatArray:
        total = np.zeros(len(self.pieces))
        for name, part in self.pieces.u_parts.items():
            if name.startswith("shared "):
                total += np.nan_to_num(part[:, column]) ** 2
        return np.asarray(np.sqrt(total))

    @cached_property
    def _common(self) -> FloatArray:
        own = self.pieces["u_length_mm"].astype(float) ** 2 - self._stated(0) ** 2
        return common_error_mm(self.pieces, self.photo, np.sqrt(np.maximum(own, 0.0)))


def sample(
    pieces: Pieces,
    spec: Spec,
    windows_mm: Mapping[str, Window],
    look: int = 1,
    look_sizes: Sequence[int] | None = None,
    sight: Sight | None = None,
) -> Sample:
    """Return a batch made ready to be judged."""
    weights, sides = border_weights(pieces, windows_mm)
    return Sample(
        pieces,
        spec,
        flags(pieces, spec),
        reach(pieces, spec),
        weights,
        sides,
        pieces["form"].astype(str),
        np.unique(pieces["photo"].astype(str), return_inverse=True)[1],
        look,
        _shares(pieces, look, look_sizes),
        sight,
    )


def _shares(pieces: Pieces, look: int, look_sizes: Sequence[int] | None) -> tuple[float, ...]:
    """Return what share of the pieces each look had seen: as told, else a photo a look, else equal scoops."""
    if look <= 1:
        return (1.0,)
    if look_sizes is not None and len(look_sizes) == look and look_sizes[-1] > 0:
        return tuple(size / look_sizes[-1] for size in look_sizes)
    photo = pieces["photo"].astype(str).tolist()
    names = list(dict.fromkeys(photo))
    if len(names) == look:
        sizes = np.cumsum([photo.count(name) for name in names])
        return tuple(float(s) / len(photo) for s in sizes)
    return tuple((k + 1) / look for k in range(look))
