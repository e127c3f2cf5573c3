"""Windows on the end of what comes in, each a session of its own: where they begin, and from where they are right."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from buswright.channels.carfile.model import CarFile, Channel, FrameName
from buswright.channels.carfile.needs import inputs_of
from buswright.channels.expectation import Expectations
from buswright.channels.following.messages import RecentMessage, RecentMessages
from buswright.channels.formula.evaluate import evaluate
from buswright.channels.formula.parse import Formula
from buswright.channels.formula.past import Past
from buswright.channels.formula.tree import Call, Node, Number, walk
from buswright.channels.measuring.recorded import Recorded, RecordedMessage, RecordedSignal
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.frames.table import Frames

RECENT_S = 120.0
"""Seconds of raw values that are kept, for plots and for limits that hold for long."""
RECENT_ROWS = 2_000_000
"""Frames of known messages kept at most; beyond it fewer seconds are kept."""
LEAST_ROWS = 16
"""Rows of every message that a window has at least: enough to measure a slow message's period."""
SLOW_PERIODS = 4
"""Periods of the slowest message that a formula may have to wait for: a gap is one of three."""
PAUSE_MARGIN_S = 5.5
"""Least margin where there are formulas: a common grid has points in a silence of up to ten seconds, and these come
only when it ends. Two margins then hold it."""
LONE_MARGIN_S = 1.0
"""Margin where no channel looks at another one."""
MARGIN_S = 3.0
"""Least margin of a car: what a sample's value and quality may depend on."""
MOST_MARGIN_S = 20.0
"""Longest margin; what a formula reaches beyond it is not waited for."""

_UNBOUNDED = frozenset({"accumulate", "keep_last"})
"""Functions whose value depends on the whole run before."""


class Window(Session):
    """A session over the end of what came in; computed channels go on from the window before.

    Parameters
    ----------
    recorded
        The messages of the window.
    pasts
        By computed channel (conditions: `when` and their text), what it goes on from; brought up to date as they are
        computed.
    expectations
        What is expected of identifiers, as far as it was asked.
    trusted_ns
        From here on the window's first segment doesn't depend on where it was cut; None: it begins with it.

    `evaluated`: the computed channels (and conditions) that were computed.
    """

    def __init__(
        self,
        recorded: Recorded,
        car: CarFile | None,
        pasts: dict[str, Past],
        expectations: Expectations,
        trusted_ns: int | None,
    ) -> None:
        super().__init__((), car)
        self._recorded = recorded
        self._pasts = pasts
        self._expectations = expectations
        self._trusted_ns = trusted_ns
        self.evaluated: set[str] = set()

    def _evaluate(self, channel: Channel, formula: Formula, inputs: Mapping[str, Series]) -> Series:
        past = self._past(channel.name)
        return evaluate(formula, inputs, name=channel.name, unit=channel.unit, rate_hz=channel.expected_hz, past=past)

    def condition(self, formula: Formula) -> Series:
        """Compute the condition of a limit."""
        return evaluate(formula, {each: self[each] for each in formula.inputs}, past=self._past(f"when {formula.text}"))

    def _past(self, name: str) -> Past:
        past = self._pasts.setdefault(name, Past())
        past.begin(self._trusted_ns)
        self.evaluated.add(name)
        return past

    def found(self, name: str) -> tuple[RecordedMessage, RecordedSignal] | None:
        """Return the message and signal that a channel comes from; None before they came."""
        return self._find(name)


class Windows:
    """Decodes what comes in and cuts windows from it.

    Attributes
    ----------
    recent
        The raw columns of the latest seconds.
    margin_s
        Least stretch on either side of what is trusted.
    trusted_ns
        From here on the next window's first segment doesn't depend on where it is cut; None: it begins with it.
    changed
        Messages, `bus/message`, of which the latest batch had frames.
    """

    def __init__(self, template: Session) -> None:
        self._template = template
        self._car = template.car
        self.margin_s = _margin(self._car)
        self.clear()

    def clear(self) -> None:
        """Forget everything that came."""
        entries = None if self._car is None else self._car.entries
        self.recent = RecentMessages(self._template.new_recorded().decoder, entries)
        self.trusted_ns: int | None = None
        self.changed: frozenset[str] = frozenset()
        self._rows: dict[str, int] = {}
        self._keep_ns = round(RECENT_S * 1e9)
        self._newest_ns = self.segment_ns = 0
        self._reach_ns: int | None = None  # up to here every bus that talks has come

    def add(self, frames: Frames) -> Recorded:
        """Take frames in; return the window that ends with them."""
        before = {name: message.rows for name, message in self.recent.by_name.items()}
        self.recent.add(frames)
        messages = self.recent.by_name
        self.changed = frozenset(name for name, each in messages.items() if each.rows > before.get(name, 0))
        for name, message in messages.items():
            self._rows.setdefault(name, message.first)
        return self.recent.window(self._rows)

    def bounds(self, message: str) -> tuple[int, int]:
        """Return which rows of a message are in the window: the first, and one after the last; from the first ever."""
        return self._rows[message], self.recent.by_name[message].rows

    def move_on(self) -> bool:
        """Place the next window, let go of what is older than the recent seconds; tell whether a segment began.

        Frames without a time count as one: nothing can be said of before and after.
        """
        new = self.recent.settle()
        messages = self.recent.by_name
        if self.recent.untimed:
            for message in messages.values():
                message.drop(message.rows - LEAST_ROWS)
            self._rows = {name: each.rows for name, each in messages.items()}
            return True
        if new:
            self._reach_ns = None
        newest: dict[str, int] = {}
        for name in self.changed:
            message = messages[name]
            times = message.times(_begin(message))
            if len(times):
                newest[message.group.bus] = max(newest.get(message.group.bus, int(times[-1])), int(times[-1]))
        if newest:
            reach = min(newest.values())
            self._reach_ns = reach if self._reach_ns is None else max(reach, self._reach_ns)
        if self._reach_ns is not None:
            self._place(self._reach_ns)
            self._newest_ns = max(newest.values(), default=self._reach_ns)
            self._trim(self._newest_ns)
        return new

    def plot_window(self) -> tuple[Recorded, int | None]:
        """Return all that is kept of the latest segment, and from where on that is right (None: everywhere)."""
        rows = {name: _begin(message) for name, message in self.recent.by_name.items()}
        whole = all(message.first <= message.segment_first for message in self.recent.by_name.values())
        return self.recent.window(rows), None if whole else self._newest_ns - self._keep_ns

    @property
    def oldest_ns(self) -> int:
        """Where the recent seconds begin."""
        return self._newest_ns - self._keep_ns

    def _place(self, reach_ns: int) -> None:
        """Begin the next window two margins before the moment up to which every bus that talks has come."""
        margin = round(self.margin_s * 1e9)
        start = reach_ns - 2 * margin
        messages = self.recent.by_name
        whole = all(message.first <= message.segment_first for message in messages.values())
        firsts = [int(times[0]) for each in messages.values() if len(times := each.times(_begin(each)))]
        if whole and firsts:
            self.segment_ns = min(firsts)
        if whole and start <= min(firsts, default=start):
            self.trusted_ns = None
            self._rows = {name: message.segment_first for name, message in messages.items()}
            return
        self.trusted_ns = reach_ns - margin
        for name, message in messages.items():
            first = _begin(message)
            times = message.times(first)
            at = min(int(np.searchsorted(times, start, side="right")) - 1, len(times) - LEAST_ROWS)
            self._rows[name] = first + max(0, at)

    def _trim(self, newest_ns: int) -> None:
        """Let go of rows that neither the recent seconds nor the next window need."""
        margin = round(self.margin_s * 1e9)
        messages = self.recent.by_name
        while True:
            oldest = newest_ns - self._keep_ns - margin
            for name, message in messages.items():
                first = _begin(message)
                old = int(np.searchsorted(message.times(first), oldest))
                message.drop(min(first + old, self._rows[name]))
            count = sum(message.rows - message.first for message in messages.values())
            if count <= RECENT_ROWS or self._keep_ns <= 2 * margin:
                return
            self._keep_ns = self._keep_ns * 3 // 4


def _begin(message: RecentMessage) -> int:
    """Return the first kept row of the latest segment."""
    return max(message.first, message.segment_first)


def _margin(car: CarFile | None) -> float:
    """Return the seconds to either side that a channel may depend on."""
    if car is None:
        return LONE_MARGIN_S
    computed = [name for name, channel in car.channels.items() if channel.formula is not None]
    slowest, expected = 0.0, Expectations(car)
    least = PAUSE_MARGIN_S if computed else MARGIN_S
    with_others = [name for name in car.channels if len(inputs_of(car, [name])) > 1]  # in a limit or a calibration
    for name in inputs_of(car, [*computed, *with_others]):
        signal = car.channels[name].signal
        message = car.message(signal.bus, signal.message) if signal is not None else None
        if signal is None or message is None:
            continue
        period_ns = expected.of(FrameName(signal.bus, message.id, message.extended), message).period_ns.value
        slowest = max(slowest, (period_ns or 0.0) / 1e9)
    return min(max(_reach_of_formulas(car) + SLOW_PERIODS * slowest, least), MOST_MARGIN_S)


def needs_whole_run(car: CarFile, name: str) -> bool:
    """Whether a channel, or one that it is made of, depends on the whole run before."""
    formulas = (car.channels[each].formula for each in inputs_of(car, [name], limits=False))
    return any(formula is not None and _UNBOUNDED & set(formula.functions) for formula in formulas)


def _reach_of_formulas(car: CarFile) -> float:
    """Seconds of margin that a car's formulas need; generous, since memory is what it costs."""
    reach = [_reach(channel.formula.tree) for channel in car.channels.values() if channel.formula is not None]
    slowest = [1.0 / channel.expected_hz for channel in car.channels.values() if channel.expected_hz]
    longest_delay = max((channel.delay_s for channel in car.channels.values()), default=0.0)
    furthest = sum(sorted(reach, reverse=True)[:3])
    return MARGIN_S + furthest + 8 * max(slowest, default=0.1) + longest_delay


def _reach(tree: Node) -> float:
    """Seconds that the functions of a formula look back or ahead, added up."""
    reach = 0.0
    for node in walk(tree):
        if isinstance(node, Call) and node.function in ("lagged", "low_pass"):
            constant = next((each.value for each in node.arguments[1:] if isinstance(each, Number)), 0.0)
            reach += abs(constant) if node.function == "lagged" else 24.0 / max(constant, 1e-3)
    return reach
