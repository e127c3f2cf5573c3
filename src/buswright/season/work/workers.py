"""Who does the work of a season is asked in one way: this process, several, or the workers of a Dask scheduler."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Protocol, TypeVar

from buswright.errors import UserError
from buswright.writing import WritingError

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


class Workers(Protocol):
    """Whoever works."""

    def each(
        self, function: Callable[[_Item], _Result], items: Sequence[_Item]
    ) -> Iterator[tuple[_Item, _Result | UserError]]:
        """Apply a function to items; yield each with its result, or with what is wrong with it, as they are done.

        Parameters
        ----------
        function
            A function of a module; to do it twice must do no harm.
        """


class Here:
    """Works in this process: one item after the other, each when it is asked for."""

    def each(
        self, function: Callable[[_Item], _Result], items: Sequence[_Item]
    ) -> Iterator[tuple[_Item, _Result | UserError]]:
        """See `Workers`."""
        for item in items:
            yield item, tried(function, item)


def tried(function: Callable[[_Item], _Result], item: _Item) -> _Result | UserError:
    """Return what is wrong with an item as a result: to try it again would not help. A full disk may pass."""
    try:
        return function(item)
    except WritingError:
        raise
    except UserError as fault:
        return fault
