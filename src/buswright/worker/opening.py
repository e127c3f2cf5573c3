"""Stands for the worker while it is made: a screen is there before the capture, and before what reads it is loaded."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from buswright.worker.engine import Engine
    from buswright.worker.snapshot import Snapshot

WAIT_S = 2.0
"""Who closes waits so long for what is being opened: an adapter that hangs must not hold the program."""


class OpeningEngine:
    """Makes the worker in a thread of its own. What is asked meanwhile is asked of it as soon as it is there.

    Parameters
    ----------
    opens
        Makes it.
    """

    def __init__(self, opens: Callable[[], Engine]) -> None:
        self._opens = opens
        self._lock = threading.Lock()
        self._engine: Engine | None = None
        self._asked: list[Callable[[Engine], object]] = []
        self._thread: threading.Thread | None = None
        self._closed = False
        self.failed: Callable[[], object] = lambda: None
        """Called from the thread when it could not be made; `fault` says why."""
        self.fault: BaseException | None = None

    def start(self, deliver: Callable[[], None] = lambda: None) -> None:
        """Begin to open; `deliver` is called when a snapshot lies ready."""
        self._thread = threading.Thread(target=self._open, args=(deliver,), name="buswright-opening", daemon=True)
        self._thread.start()

    def _open(self, deliver: Callable[[], None]) -> None:
        try:
            engine = self._opens()
        except BaseException as fault:  # noqa: BLE001  (the caller's thread raises it)
            self.fault = fault
            self.failed()
            return
        with self._lock:
            self._engine = engine
            for ask in self._asked:
                ask(engine)
            if self._closed:
                engine.close()
            else:
                engine.start(deliver)

    def take(self) -> Snapshot | None:
        """Return the newest snapshot; None before the first."""
        return None if self._engine is None else self._engine.take()

    def close(self) -> None:
        """End the worker; one that is still being made ends as soon as it is."""
        with self._lock:
            self._closed, engine = True, self._engine
        if engine is not None:
            engine.close()
        elif self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(WAIT_S)

    def __getattr__(self, name: str) -> Callable[..., None]:
        """Return what asks the worker: every method of it that screens call."""
        if name.startswith("_"):
            raise AttributeError(name)

        def ask(*arguments: object, **more: object) -> None:
            with self._lock:
                if self._engine is None:
                    self._asked.append(lambda engine: getattr(engine, name)(*arguments, **more))
                    return
            getattr(self._engine, name)(*arguments, **more)

        return ask
