"""Channels while they come in: latest values, extremes since a reset, and a trace, in bounded memory.

Values are those of the recorded session. Frames are decoded once and their raw columns kept for the recent seconds.
Of these a window, the last few seconds, is given to a `Session` again and again; it computes the channels exactly
as for a recording. What later samples can still change is counted provisionally until they have come. So every
number equals that of a session over the frames so far, however these were cut into batches, with two exceptions:

- `rate_of_change` and `low_pass` use the sender's period as the window measures it; a session over the whole run
  measures it over all of it. Their values may differ by some parts in ten thousand.
- Where nobody gives a period, it is measured, for gaps and for the common grid of a formula: over the window.

`accumulate` and `keep_last` go on from one window to the next: they count from where following began.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from buswright.channels.carfile.model import CarFile
from buswright.channels.carfile.needs import inputs_of
from buswright.channels.expectation import Expectations
from buswright.channels.following.account import Account, no_samples
from buswright.channels.following.limits import Judge, limits_in_words
from buswright.channels.following.model import ChannelNow, Plotted
from buswright.channels.following.now import Followed, channel_now
from buswright.channels.following.origin import origin_of_channel, origin_of_signal
from buswright.channels.following.window import Window, Windows, needs_whole_run
from buswright.channels.formula.past import Past
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.frames.table import Frames, concatenate
from buswright.messages.match import Databases

SLICE_FRAMES = 50_000
"""Frames that wait at most before they are worked on; a live bus is asked for results much sooner."""


class Follower:
    """Channels while their frames come in. Not for several threads at once.

    Parameters
    ----------
    car
        The car file: its channels, in its order. Without one: the signals that occur, `bus/message/signal`.
    databases
        By bus name, for what the car file has none for; see `messages.match`. With neither there are no channels.
    bus_names
        Interface to bus name, over the car file's.
    """

    def __init__(
        self,
        car: CarFile | None = None,
        *,
        databases: Databases | None = None,
        bus_names: Mapping[str, str] | None = None,
    ) -> None:
        self._car = car
        self._idle = car is None and not databases
        self._windows = Windows(Session((), car, databases=databases, bus_names=bus_names))
        self.clear()

    def clear(self) -> None:
        """Forget everything that came, e.g. to begin at another moment of a capture."""
        self._pending: list[Frames] = []
        self._pending_count = 0
        self._windows.clear()
        self._expectations = Expectations(self._car)
        self._pasts: dict[str, Past] = {}
        self._followed: dict[str, Followed] = {}
        self._conditions: dict[str, Followed] = {}
        if self._car is not None:
            self._follow_car(self._car)

    def reset_extremes(self) -> None:
        """Begin minimum, maximum and counts anew, with the samples after those that came."""
        self._advance()
        for followed in self._followed.values():
            followed.account.reset()

    def update(self, frames: Frames) -> None:
        """Take a batch in. Cheap: it is worked on when a result is asked for, or when a lot has come together."""
        if self._idle or not len(frames):
            return
        self._pending.append(frames)
        self._pending_count += len(frames)
        if self._pending_count >= SLICE_FRAMES:
            self._advance()

    def result(self, now_ns: int) -> tuple[ChannelNow, ...]:
        """Return all channels as they are at a moment, which no frame so far lies behind.

        Parameters
        ----------
        now_ns
            On the clock of the frames: silence is judged by it, and traces end with its second.
        """
        self._advance()
        return tuple(channel_now(followed, now_ns, self._windows.segment_ns) for followed in self._followed.values())

    def plotted(self, names: Sequence[str]) -> tuple[Plotted, ...]:
        """Return the samples of channels over the recent seconds of the latest segment; unknown names are left out."""
        self._advance()
        recorded, trusted_ns = self._windows.plot_window()
        pasts = {name: past.copy() for name, past in self._pasts.items()}
        window = Window(recorded, self._car, pasts, self._expectations, trusted_ns)
        return tuple(self._plotted(window, name, trusted_ns) for name in names if name in self._followed)

    # Taking in -----------------------------------------------------------------------------------------------------

    def _follow_car(self, car: CarFile) -> None:
        """Set up an account for each channel and for each condition of a limit."""
        judged = {name: channel.limits for name, channel in car.channels.items()}
        accounts: dict[str, Account] = {}
        for _, limits in (each for found in judged.values() for each in found):
            if limits.when is None or limits.when.text in self._conditions:
                continue
            text = limits.when.text
            accounts[text] = Account(keeps=True)
            condition = Followed(text, inputs_of(car, limits.when.inputs), accounts[text], condition=limits.when)
            self._conditions[text] = condition
        for name, channel in car.channels.items():
            keeps = bool(judged[name]) or needs_whole_run(car, name)
            followed = Followed(name, inputs_of(car, [name]), Account(keeps=keeps))
            followed.origin = origin_of_channel(self._expectations, car, channel, None)
            sensor = car.sensors.get(channel.sensor) if channel.sensor else None
            followed.final = channel.signal is not None and not (sensor and sensor.calibration.needs)
            if judged[name]:
                followed.judge = Judge(channel, accounts)
                followed.limit_text = limits_in_words(channel, followed.origin.unit)
            self._followed[name] = followed

    def _advance(self) -> None:
        """Work on what has come since the last time."""
        if not self._pending:
            return
        frames = concatenate(self._pending)
        self._pending, self._pending_count = [], 0
        windows = self._windows
        recorded, trusted_ns = windows.add(frames), windows.trusted_ns
        window = Window(recorded, self._car, self._pasts, self._expectations, trusted_ns)
        if self._car is None:
            self._discover(window)
        came: set[str] = set()
        for key, followed in (*self._conditions.items(), *self._followed.items()):
            if not self._homes(window, followed).isdisjoint(windows.changed):
                came.add(key)
                self._take(window, followed, trusted_ns)
        if windows.move_on():
            self._begin_segment(window, came)
        for key, followed in self._followed.items():
            if followed.judge is not None and (key in came or not followed.judge.conditions.isdisjoint(came)):
                self._judge(followed)
        for followed in (*self._conditions.values(), *self._followed.values()):
            if followed.account.stretch is not None:
                followed.account.stretch.drop_before(windows.oldest_ns)

    def _discover(self, window: Window) -> None:
        """Follow the signals of messages that came for the first time."""
        for message_name, message in window.recorded.messages.items():
            for signal_name, signal in message.signals.items():
                name = f"{message_name}/{signal_name}"
                if name in self._followed:
                    break  # a message brings all its signals at once
                followed = Followed(name, (name,), Account(keeps=False), final=True)
                followed.origin = origin_of_signal(self._expectations, message.group, signal.signal)
                self._followed[name] = followed

    def _homes(self, window: Window, followed: Followed) -> frozenset[str]:
        """Return the messages that a channel comes from, itself or by its inputs, as far as they came."""
        if followed.homes is not None:
            return followed.homes
        direct = [
            name
            for name in followed.inputs
            if self._car is None or (name in self._car.channels and self._car.channels[name].signal is not None)
        ]
        found = {name: window.found(name) for name in direct}
        homes = frozenset(f"{each[0].group.bus}/{each[0].group.name}" for each in found.values() if each is not None)
        if homes and all(each is not None for each in found.values()):
            followed.homes = homes
        own = found.get(followed.name)
        if self._car is not None and own is not None:
            channel = self._car.channels[followed.name]
            followed.origin = origin_of_channel(self._expectations, self._car, channel, own[0].group)
        return homes

    def _take(self, window: Window, followed: Followed, trusted_ns: int | None) -> None:
        """Compute one channel; what goes wrong with it is its own affair."""
        try:
            if followed.final:
                self._take_final(window, followed)
                return
            condition = followed.condition
            series = window[followed.name] if condition is None else window.condition(condition)
            followed.account.take(series, trusted_ns)
        except Exception as error:  # noqa: BLE001 - whatever it is, the other channels go on
            followed.account.error = str(error) or type(error).__name__

    def _take_final(self, window: Window, followed: Followed) -> None:
        """Take in the rows of a channel's message that are new."""
        measured = window.measured(followed.name)
        home = window.home(followed.name)
        assert home is not None, "its message came just now"
        start, stop = self._windows.bounds(home)
        new = max(0, followed.seen - start)
        first = new if measured.rows is None else int(np.searchsorted(measured.rows, new))
        followed.account.take_final(measured.series, first)
        followed.seen = stop

    def _begin_segment(self, window: Window, came: set[str]) -> None:
        """Settle what did not come in the batch in which the clock jumped back: it won't come in that segment."""
        for key, followed in (*self._conditions.items(), *self._followed.items()):
            if key not in came or self._windows.recent.untimed:
                followed.account.end_segment()
            if key not in came:
                followed.beyond = None
            if followed.judge is not None:
                followed.judge.begin()
        for name, past in self._pasts.items():
            if name not in window.evaluated:
                past.begin(None)

    def _judge(self, followed: Followed) -> None:
        account = followed.account
        assert followed.judge is not None
        followed.beyond = None
        if account.stretch is None or account.series is None or account.stale or account.error:
            return
        try:
            followed.beyond = followed.judge.beyond(account.stretch, account.series, account.tail)
        except Exception as error:  # noqa: BLE001 - a limit that can't be judged costs only its channel
            account.error = f"its limits can't be judged: {error}"

    # Giving out ----------------------------------------------------------------------------------------------------

    def _plotted(self, window: Window, name: str, trusted_ns: int | None) -> Plotted:
        channel = self._car.channels[name] if self._car is not None else None
        account = self._followed[name].account
        try:
            if self._car is not None and needs_whole_run(self._car, name):
                series = self._kept(account, name)
            else:
                series = window[name]
        except Exception:  # noqa: BLE001 - the reason stands in the channel's quality
            series = no_samples(name)
        if trusted_ns is not None:
            series = series.take(series.time_ns >= trusted_ns)
        limits = [] if channel is None else channel.limits[::-1]
        return Plotted(series, tuple((level, *end) for level, each in limits for end in each.ends))

    @staticmethod
    def _kept(account: Account, name: str) -> Series:
        if account.stretch is None or account.series is None or account.stale:
            return no_samples(name)
        return account.stretch.series(account.series, account.tail)
