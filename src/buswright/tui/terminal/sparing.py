"""Pictures written sparingly: the next one when the last has reached the terminal.

Over a slow line (a serial port, ssh over a bad radio link) pictures would queue, and every key would be answered behind
them. So each stands between questions to which a terminal answers once it has drawn what came before. While the answer
is awaited nothing is written; what the screen shows meanwhile is written in one go after it.
"""

from __future__ import annotations

import os
import select
import sys
import time
from collections import deque
from collections.abc import Callable
from functools import cache, partial
from math import inf
from typing import TYPE_CHECKING, Any

from rich.color import ColorSystem
from rich.console import RenderableType
from textual import events
from textual._compositor import ChopsUpdate, LayoutUpdate
from textual.app import App
from textual.message import Message
from textual.screen import Screen
from textual.strip import Strip
from textual.timer import Timer

from buswright.tui.terminal.shown import Manner, Shown

if TYPE_CHECKING:
    from textual.driver import Driver

QUESTION = "\x1b[6n"
"""Where is the cursor? (ECMA-48, 8.3.35: DSR 6.) The answer is CPR, 8.3.14."""
FIRST_S = 0.5
"""A terminal that has answered nothing by then may never answer: pictures are no longer held back for it."""
LOST_S = 10.0
"""An answer that hasn't come by then is lost."""
AIM_S = 0.25
"""What is under way shall need no longer; what is more is written when the terminal has answered."""
LEAST = 2_000
"""So many bytes may be under way however slow the line is; at first, too."""
LATEST = 12
"""So many parts of pictures tell what the line carries, but for the slowest quarter: a computer may have been busy."""
SURE = 4
"""So many must have come before the line is taken for a slow one."""
SMALL = 300
"""What a picture of fewer bytes takes tells nothing of the line."""
FEW_COLOURS = 8_000
"""Where fewer bytes are written in `AIM_S`, pictures have few colours: that saves a third. Twice as many end it."""
CALM = 4
"""What nobody asked for takes no more than this part of what may be under way: a key is answered behind it."""
ASKED_S = 1.0
"""So long after a key nothing waits but for the line; longer, until the screen is whole again."""
WRITTEN_S = 0.05
"""A terminal that doesn't answer is looked at so often while something waits to be written."""
LEAVE_S = 1.0
"""The program ends, or is suspended, without that answer after this long."""
GONE_S = 1.0
"""It is looked whether the terminal is still there this often."""


class Pacing:
    """When to write a picture, and how much of it.

    Attributes
    ----------
    most
        Bytes that may be under way: what the line carried in `AIM_S` so far.
    slow
        Whether it carries too little for all the colours.
    answers
        Whether the terminal answers.
    """

    def __init__(self) -> None:
        self.most: float = LEAST
        self._carried: deque[tuple[float, int]] = deque(maxlen=LATEST)  # seconds a byte, bytes
        self.slow = self.answers = False
        self._asked: deque[tuple[int | None, float]] = deque()  # bytes, None before them; when
        self._begun_s: float | None = None
        self._free_s = 0.0  # what was written before had reached the terminal then
        self._next_s = 0.0

    @property
    def is_asked(self) -> bool:
        """Whether an answer is awaited."""
        return bool(self._asked)

    @property
    def _under_way(self) -> int:
        return sum(size or 0 for size, _ in self._asked)

    def room(self, now: float, *, asked: bool) -> float:
        """Return how many bytes may be written now.

        Where a key asked for them, half of what may be under way: the line goes on with the other half meanwhile.
        Else little, when nothing is under way.
        """
        if self._asked and self.answers and now - self._asked[0][1] >= LOST_S:
            self._asked.clear()
            self.answers = False
        if not self.answers and self._begun_s is not None and now - self._begun_s >= FIRST_S:
            return inf
        if not asked:
            return 0.0 if self._under_way else self.most / CALM
        half = self.most / 2
        return half if self.most - self._under_way >= half else 0.0

    def wait_s(self, now: float, *, asked: bool) -> float:
        """Return how long to wait before the next picture, unless an answer comes before; 0: write it."""
        if self.room(now, asked=asked):
            return 0.0 if asked else max(0.0, self._next_s - now)
        until = self._asked[0][1] + LOST_S if self.answers else (self._begun_s or 0.0) + FIRST_S
        return max(WRITTEN_S, until - now)

    def wrote(self, size: int, now: float) -> None:
        """Take note that a picture of so many bytes was written, between two questions."""
        self._asked += [(None, now), (size, now)]
        if self._begun_s is None:
            self._begun_s = now

    def answered(self, now: float) -> None:
        """Take note of an answer. What nobody asked for waits as long again, so that a key finds the line free.

        What lies between the answers to both questions is what the line needed: a computer that is busy, and a long
        way, delay both of them.
        """
        if not self._asked:
            return
        size, asked_s = self._asked.popleft()
        self.answers = True
        self._next_s = now + (now - asked_s)
        if size is None:
            self._free_s = now
        elif size >= SMALL:
            self._carried.append((max(now - self._free_s, 0.001) / size, size))
            quickest = sorted(self._carried)[: -(len(self._carried) // 4) or None]
            took_s, sizes = sum(each * size for each, size in quickest), sum(size for _, size in quickest)
            carried = sizes * AIM_S / took_s
            self.most = min(2 * self.most, max(LEAST, carried))
            late = carried < FEW_COLOURS * (2 if self.slow else 1)
            self.slow = late and len(self._carried) >= SURE


class Sparing(App[None]):
    """An app that writes to its terminal no more than that takes."""

    CSS = """
    .-slow ModalScreen { background: transparent; }
    .-slow Toned { scrollbar-size-vertical: 0; }
    """
    """Over a slow line what lies below a dialog isn't dimmed, which would write all of it again; nor are there bars."""

    class Gone(Message):
        """The terminal is gone."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._shown = Shown()
        self._line_pace = Pacing()
        self._wanted = False
        self._timer: Timer | None = None
        self._pressed_s = time.monotonic()
        self._asked = True
        self._picture = Picture()
        self._in_front: Screen[Any] | None = None
        self._then: Callable[[], None] | None = None

    def on_mount(self) -> None:
        """Write all of the screen after the program was suspended; end with the terminal."""
        self.app_resume_signal.subscribe(self, lambda _: self._begin_again())
        if self._spares:
            self.set_interval(GONE_S, self._look_for_terminal)

    def _begin_again(self) -> None:
        self._shown.forget()
        self._line_pace = Pacing()

    def exit(self, *what: Any, **how: Any) -> None:
        """End, once the answer to the last picture is there: the shell would take it for something typed."""
        self._when_answered(partial(super().exit, *what, **how))

    def action_suspend_process(self) -> None:
        """Go back to the shell, once the answer to the last picture is there."""
        self._when_answered(super().action_suspend_process)

    def _when_answered(self, do: Callable[[], None]) -> None:
        if not (self._spares and self._line_pace.is_asked and self._line_pace.answers and self._then is None):
            do()
            return
        self._then = do
        self.set_timer(LEAVE_S, self._do_then)

    def _do_then(self) -> None:
        do, self._then = self._then, None
        if do is not None:
            do()

    def _look_for_terminal(self) -> None:
        """Tell when the terminal is gone: not every one sends a signal."""
        poll = select.poll()
        poll.register(sys.__stdin__.fileno() if sys.__stdin__ is not None else 0, 0)
        if any(what & (select.POLLHUP | select.POLLNVAL) for _, what in poll.poll(0)):
            self.post_message(self.Gone())

    @property
    def _spares(self) -> bool:
        """Whether it draws on a terminal; Textual has its own ways for the rest, and for Windows."""
        driver = self._driver
        return driver is not None and not (
            self.is_headless or self.is_web or driver.is_inline or sys.platform == "win32"
        )

    async def on_event(self, event: events.Event) -> None:
        """Notice that something was asked for: its picture doesn't wait."""
        if isinstance(event, events.Key | events.MouseDown | events.MouseScrollDown | events.MouseScrollUp):
            self._pressed_s, self._asked = time.monotonic(), True
        await super().on_event(event)

    def on_cursor_position(self, event: events.CursorPosition) -> None:
        """Go on: the terminal shows what was written."""
        self._line_pace.answered(event.time)
        self.set_class(self._line_pace.slow, "-slow")
        self._stop_waiting()
        if self._then is not None and not self._line_pace.is_asked:
            self._do_then()
        elif self._wanted:
            self._write_picture()

    def on_resize(self) -> None:
        """Write all of the screen."""
        self._shown.forget()

    def _display(self, screen: Screen[Any], renderable: RenderableType | None) -> None:
        """Take the place of Textual's: write what differs from what the terminal shows, when it is time."""
        if not self._spares:
            super()._display(screen, renderable)
            return
        if screen is self.screen and self._picture.take(renderable):
            if screen is not self._in_front:
                self._in_front = screen
                self._shown.begin()
            self._wanted = True
            self._write_picture()
        self.post_display_hook()

    def _write_picture(self) -> None:
        now, driver, strips = time.monotonic(), self._driver, self._picture.strips
        if driver is None or not self._running or self._closed or self._then is not None:
            return
        if len(strips) != self.size.height:  # not laid out yet: it will be, and displayed
            return
        wait_s = WRITTEN_S if self._batch_count else self._line_pace.wait_s(now, asked=self._asked)
        if not wait_s and not self._line_pace.answers and _unwritten(driver):
            wait_s = WRITTEN_S
        if wait_s:
            if self._timer is None:
                self._timer = self.set_timer(wait_s, self._waited)
            return
        self._stop_waiting()
        room = self._line_pace.room(now, asked=self._asked)
        text = self._shown.changes(strips, self._manner(), most=room)
        self._wanted = not self._shown.whole
        if self._shown.whole and now - self._pressed_s >= ASKED_S:
            self._asked = False
        if text:
            x, y = self.cursor_position
            self._begin_update()
            driver.write(f"{QUESTION}{text}\x1b[{y + 1};{x + 1}H{QUESTION}")
            self._end_update()
            driver.flush()
            self._line_pace.wrote(len(text.encode()), now)
        if self._wanted:
            self._write_picture()

    def _manner(self) -> Manner:
        colours = self.console._color_system or ColorSystem.TRUECOLOR
        rich = colours in (ColorSystem.TRUECOLOR, ColorSystem.EIGHT_BIT)
        return Manner(colours, self.theme if self._line_pace.slow and rich else "", _repeats())

    def _stop_waiting(self) -> None:
        if self._timer is not None:
            self._timer.stop()
            self._timer = None

    def _waited(self) -> None:
        self._timer = None
        if self._wanted:
            self._write_picture()


class Picture:
    """What the screen in front shows: the lines that Textual has drawn, each as it was drawn last.

    Attributes
    ----------
    strips
        All of its lines; none before the first picture.
    """

    def __init__(self) -> None:
        self.strips: list[Strip] = []

    def take(self, update: RenderableType | None) -> bool:
        """Take what was drawn: a whole screen, or stretches of some lines; return whether it was any of it."""
        if isinstance(update, LayoutUpdate):
            self.strips = [Strip.join(pieces) for pieces in update.strips]
        elif isinstance(update, ChopsUpdate) and self.strips:
            for y, start, stop in update.spans:
                old = self.strips[y]
                drawn = [old.crop(0, start)]
                for (x, piece), end in zip(update.chops[y].items(), update.chop_ends[y], strict=False):
                    if x < stop and end > start:
                        whole = old.crop(x, end) if piece is None else piece
                        drawn.append(whole.crop(max(start - x, 0), min(end, stop) - x))
                self.strips[y] = Strip.join([*drawn, old.crop(stop)])
        else:
            return False
        return True


@cache
def _repeats() -> bool:
    """Whether the terminal's description says that it repeats a sign as we would tell it.

    tmux and screen repeat no sign of several bytes; they often run with the description of another terminal.
    """
    if os.environ.keys() & {"TMUX", "STY"}:
        return False
    try:
        import curses

        curses.setupterm(fd=2 if sys.__stderr__ is None else sys.__stderr__.fileno())
        return (curses.tigetstr("rep") or b"").endswith(b"b")
    except Exception:  # noqa: BLE001  (not every Python has it, and not every terminal is described)
        return False


def _unwritten(driver: Driver) -> bool:
    """Whether something still waits to be taken by the terminal."""
    writer = getattr(driver, "_writer_thread", None)
    return writer is not None and writer._queue.qsize() > 0
