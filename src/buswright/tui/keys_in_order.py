"""Answering keys one after the other, however fast they come."""

from __future__ import annotations

from collections import deque
from typing import Any

from textual import events
from textual.app import App
from textual.message import Message
from textual.timer import Timer

PATIENCE_S = 0.5
"""So long the next key waits for the one before at most: what took that one may be gone."""


class KeysInOrder(App[None]):
    """An app in which a key waits until the one before has been answered.

    Textual answers some keys at once (those with priority, such as / for a search) and hands the others to the widget
    in focus, which answers them a little later. Of keys that come in one go, such as `2/oil`, the search would open
    before the screen had changed.
    """

    class Answered(Message):
        """Follows a key on its way through the widgets: once it is here, that key has been answered."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._early: deque[events.Key | events.Paste] = deque()
        """What came before the last key was answered."""
        self._followed: KeysInOrder.Answered | None = None
        self._patience: Timer | None = None

    async def on_event(self, event: events.Event) -> None:
        """Answer a key, or keep it until the one before has been answered."""
        if not isinstance(event, events.Key | events.Paste) or event.is_forwarded:
            await super().on_event(event)
        elif self._followed is None:
            await self._answer(event)
        else:
            self._early.append(event)
            if self._patience is None:
                self._patience = self.set_timer(PATIENCE_S, self._go_on)

    async def _answer(self, event: events.Key | events.Paste) -> None:
        target = self.focused or self.screen
        await super().on_event(event)
        follower = self.Answered()
        if event.is_forwarded and target.post_message(follower):
            self._followed = follower

    async def on_keys_in_order_answered(self, message: Answered) -> None:
        """Take the next key."""
        if message is self._followed:
            await self._go_on()

    async def _go_on(self) -> None:
        self._followed = None
        if self._patience is not None:
            self._patience.stop()
            self._patience = None
        while self._early and self._followed is None:
            await self._answer(self._early.popleft())
        if self._early:
            self._patience = self.set_timer(PATIENCE_S, self._go_on)
