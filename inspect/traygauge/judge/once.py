"""Values made when they are first asked for, and kept: many limits and figures of a batch rest on the same ones."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import cached_property
from typing import Any, TypeVar

T = TypeVar("T")


class Once:
    """What can be asked for derived values again and again."""

    def once(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what `make` makes of this value under that key; it is made only once."""
        if key not in self._made:
            self._made[key] = make()
        made: T = self._made[key]
        return made

    @cached_property
    def _made(self) -> dict[Hashable, Any]:
        return {}
