"""What a key or a message raises must not end the workbench, nor leave a part of it deaf."""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from textual.message import Message
from textual.message_pump import MessagePump


@runtime_checkable
class Teller(Protocol):
    """An app that knows what to do with a fault of the program."""

    def trouble(self, what: str, fault: Exception) -> None:
        """Report and log it; go on."""


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
        if not isinstance(self.app, Teller):
            raise fault
        self.app.trouble(what, fault)

    async def _dispatch_message(self, message: Message) -> None:
        try:
            await super()._dispatch_message(message)
        except Exception as fault:  # noqa: BLE001  (whatever it is, the recording has to go on)
            self.tell(f"{type(self).__name__} could not do that", fault)
