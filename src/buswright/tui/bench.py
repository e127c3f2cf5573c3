"""The app as its parts see it; and parts that what a key or a message raises neither ends nor leaves deaf."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, runtime_checkable

from textual.message import Message
from textual.message_pump import MessagePump

if TYPE_CHECKING:
    from buswright.worker.engine import Engine
    from buswright.worker.snapshot import Snapshot


@runtime_checkable
class Reports(Protocol):
    """An app that says what went wrong in it, and goes on."""

    def trouble(self, what: str, fault: Exception) -> None:
        """Report and log a fault of the program; go on."""


class Bench(Reports, Protocol):
    """The workbench, as its screens see it."""

    @property
    def snapshot(self) -> Snapshot | None:
        """The newest snapshot; the one that is held, of a live bus that is held."""

    @property
    def worker(self) -> Engine:
        """Whom to ask: every call returns at once, and the answer is in a later snapshot."""

    @property
    def hears(self) -> bool:
        """Whether the sound is on."""

    def go_to(self, name: str, key: object) -> None:
        """Go to a screen, to one of its rows."""

    def narrow(self, module: str | None) -> None:
        """Judge and show one module alone; None: the whole car."""

    def save_wiggle(self) -> None:
        """Ask where to write the sheet of the wiggle test."""

    def search_in(self, name: str, text: str) -> None:
        """Go to a screen and search its list."""


class Guarded(MessagePump):
    """A part of the workbench that goes on listening after one of its handlers raised.

    Textual ends the loop of a part whose handler raises, and then the app. Here the fault is reported and logged, and
    the next message is taken. Stands in front of Textual's class among the bases.
    """

    def tell(self, what: str, fault: Exception) -> None:
        """Tell and log a fault, where the app knows how.

        Raises
        ------
        Exception
            The fault, in an app that doesn't.
        """
        if not isinstance(self.app, Reports):
            raise fault
        self.app.trouble(what, fault)

    async def _dispatch_message(self, message: Message) -> None:
        try:
            await super()._dispatch_message(message)
        except Exception as fault:  # noqa: BLE001  (whatever it is, the recording has to go on)
            self.tell(f"{type(self).__name__} could not do that", fault)
