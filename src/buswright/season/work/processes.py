"""Several items at once, each in a process of its own: started for the second item, ended with the block.

A process that dies costs its item alone. When this program is killed, its processes end after the item at hand.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from queue import SimpleQueue
from threading import Thread
from types import TracebackType
from typing import Any, TypeVar

from buswright.errors import UserError
from buswright.season.work.worker_process import BROKEN, RAISED, RESULT, Here

POLITE_S = 5
"""How long a process may take to remove what it had half written."""

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


class Processes:
    """Works in so many processes of this computer; on a single item in this one."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._processes: list[_Process] = []

    def __enter__(self) -> Processes:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        """End the processes; what they have half written they remove."""
        for process in self._processes:
            process.ask_to_end()
        for process in self._processes:
            process.end()

    def each(
        self, function: Callable[[_Item], _Result], items: Sequence[_Item]
    ) -> Iterator[tuple[_Item, _Result | UserError]]:
        """See `Workers`."""
        if min(self._jobs, len(items)) < 2:
            yield from Here().each(function, items)
            return
        while len(self._processes) < min(self._jobs, len(items)):
            self._processes.append(_Process())
        waiting: SimpleQueue[_Item | None] = SimpleQueue()
        done: SimpleQueue[tuple[_Item, tuple[str, Any]]] = SimpleQueue()
        for item in items:
            waiting.put(item)
        for process in self._processes:
            waiting.put(None)
            Thread(target=_served, args=(process, function, waiting, done), daemon=True).start()
        for _ in items:
            item, (kind, result) = done.get()
            if kind == BROKEN:
                raise RuntimeError(f"in a process that worked on {item}:\n{result}")
            if kind == RAISED:
                raise result
            yield item, result


def _served(process: _Process, function: Any, waiting: SimpleQueue[Any], done: SimpleQueue[Any]) -> None:
    """Give one process item after item; one that died of its item is replaced."""
    while (item := waiting.get()) is not None:
        done.put((item, process.answer(function, item)))


class _Process:
    def __init__(self) -> None:
        self._start()
        self._ending = False

    def _start(self) -> None:
        environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
        command = [sys.executable, "-m", "buswright.season.work.worker_process"]
        self._process = subprocess.Popen(  # noqa: S603  (this program's own module)
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment
        )

    def answer(self, function: Any, item: Any) -> tuple[str, Any]:
        """Have a function applied to an item; return what came of it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            pickle.dump((function, item), self._process.stdin)
            self._process.stdin.flush()
            answer: tuple[str, Any] = pickle.load(self._process.stdout)  # noqa: S301  (of this program's own process)
        except (OSError, EOFError, ValueError, pickle.UnpicklingError):
            words, hint = "the process that worked on it died", "free some memory, or add it with --jobs 1"
            if not self._ending:
                self.end()
                self._start()
            return RESULT, UserError(words, hint=hint)
        return answer

    def ask_to_end(self) -> None:
        """Have it remove what is half written, and end."""
        self._ending = True
        self._process.terminate()

    def end(self) -> None:
        """Wait until it has ended; kill it if that takes long."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(POLITE_S)
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            with suppress(OSError, ValueError):
                stream.close()  # type: ignore[union-attr]
