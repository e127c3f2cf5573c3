"""What the worker has to say for itself, and how a fault in one part of it stays there."""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Literal, TypeVar

from buswright.errors import UserError

LOG = logging.getLogger("buswright.watch")
SHOWN = 20
"""The latest notices are in every snapshot; a screen that saw the one before misses none."""
MOST_FAULTS = 3
"""A part that failed so often is switched off."""

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that went wrong in the program itself, or that the user should know; `number` rises."""

    number: int
    level: Literal["note", "trouble"]
    text: str


class Notices:
    """The latest notices."""

    def __init__(self) -> None:
        self._count = 0
        self._latest: deque[Notice] = deque(maxlen=SHOWN)

    @property
    def count(self) -> int:
        """How many there were."""
        return self._count

    def latest(self) -> tuple[Notice, ...]:
        """Return the latest ones."""
        return tuple(self._latest)

    def tell(self, text: str, level: Literal["note", "trouble"] = "note") -> None:
        """Add one."""
        self._count += 1
        self._latest.append(Notice(self._count, level, text))

    def trouble(self, what: str, fault: Exception) -> None:
        """Tell what went wrong and why; a fault of the program goes to the log with where it happened."""
        if isinstance(fault, UserError):
            LOG.warning("%s: %s", what, fault)
            self.tell(f"{what}: {fault}", "trouble")
        elif isinstance(fault, OSError):
            LOG.error("%s", what, exc_info=fault)
            where = f"{fault.filename}: " if fault.filename else ""
            self.tell(f"{what}: {where}{fault.strerror or fault}", "trouble")
        else:
            LOG.error("%s", what, exc_info=fault)
            self.tell(f"{what}: {type(fault).__name__}: {fault} (a fault in Buswright; the log has more)", "trouble")


class Shielded(Generic[T]):
    """One of the things that are done with every batch: what it raises is told and logged, and it starts again.

    Parameters
    ----------
    what
        What it does, for a sentence: "the health of the buses".
    make
        Makes it.
    notices
        Where its faults are told.
    """

    def __init__(self, what: str, make: Callable[[], T], notices: Notices) -> None:
        self.what = what
        self._make = make
        self._notices = notices
        self._faults = 0
        self._one: T | None = None
        self.renew()

    @property
    def one(self) -> T | None:
        """The thing itself; None when it failed too often."""
        return self._one

    def renew(self, one: T | None = None) -> None:
        """Start again, or go on with another one."""
        try:
            self._one = self._make() if one is None else one
        except Exception as fault:  # noqa: BLE001  (as below)
            self._one = None
            self._notices.trouble(f"{self.what} can't be shown", fault)

    def run(self, do: Callable[[T], R], otherwise: R) -> R:
        """Do something with it; what is returned where that fails is `otherwise`."""
        if self._one is None:
            return otherwise
        try:
            return do(self._one)
        except Exception as fault:  # noqa: BLE001  (a fault here must cost neither the recording nor the rest)
            self._faults += 1
            off = self._faults >= MOST_FAULTS
            self._notices.trouble(
                f"{self.what} {'failed again and is switched off' if off else 'failed and was restarted'}", fault
            )
            if off:
                self._one = None
            else:
                self.renew()
            return otherwise


class Beside:
    """Does one thing at a time beside the work, in a thread of its own; what it raises is told and logged.

    Parameters
    ----------
    fails
        What failed then, for a sentence: "the channels can't be judged".
    notices
        Where that is told.

    Attributes
    ----------
    changes, faults
        How often it was done, and how often it failed.
    """

    def __init__(self, fails: str, notices: Notices) -> None:
        self._fails, self._notices = fails, notices
        self._thread: threading.Thread | None = None
        self.changes = self.faults = 0

    @property
    def busy(self) -> bool:
        """Whether it does something."""
        return self._thread is not None and self._thread.is_alive()

    def begin(self, do: Callable[[], None]) -> None:
        """Do this in the thread."""
        self._thread = threading.Thread(target=self.do, args=(do,), daemon=True)
        self._thread.start()

    def do(self, do: Callable[[], None]) -> None:
        """Do this at once, in the caller's thread."""
        try:
            do()
        except Exception as fault:  # noqa: BLE001  (a fault here must not cost the numbers)
            self.faults += 1
            self._notices.trouble(self._fails, fault)
        else:
            self.changes += 1

    def finish(self) -> None:
        """Wait until what has begun is done."""
        if self._thread is not None:
            self._thread.join()
