"""Who works for a season is asked in one way: this process, several, or the workers of a Dask scheduler.

Run as a program, this module is a process that works: it is given one function and item after the other, by
processes.py.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from typing import IO, Any, NoReturn, Protocol, TypeVar

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


RESULT, RAISED, BROKEN = "result", "raised", "broken"
"""What an answer is: a result, a fault of disk or system, a fault of this program."""


def work(told: IO[bytes], answers: IO[bytes]) -> None:
    """Work until nothing more comes: the one who asks has ended, or was killed."""
    with suppress(EOFError, BrokenPipeError):
        while True:
            pickle.dump(_answer(*pickle.load(told)), answers)  # noqa: S301  (of this program's own process)
            answers.flush()


def _answer(function: Any, item: Any) -> tuple[str, object]:
    try:
        return RESULT, tried(function, item)
    except (WritingError, OSError) as fault:
        return RAISED, fault
    except Exception:  # noqa: BLE001  (said where the program ends)
        return BROKEN, traceback.format_exc()


def _ended(*_: object) -> NoReturn:
    raise SystemExit(1)  # what is half written is removed on the way


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the other process's, which ends this one
    signal.signal(signal.SIGTERM, _ended)
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing that prints gets between the answers
    work(sys.stdin.buffer, answers)
