"""A whole capture's signals in memory, by name: the notebook's door to raw signals."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from fnmatch import fnmatchcase
from functools import cached_property

from buswright.channels.measuring.recorded import Recorded, RecordedMessage, RecordedSignal
from buswright.frames.table import Frames
from buswright.messages.decoding.columns import Bools, Int64s, UInt8s, unknown_signal
from buswright.messages.decoding.decode import Counts, Decoder
from buswright.messages.decoding.plan import Numbers
from buswright.messages.decoding.selection import SignalSelection
from buswright.messages.match import Databases
from buswright.messages.model import Message, Signal
from buswright.wording import plural

BATCH_ROWS = 1 << 19
"""Rows decoded at a time: their columns still fit the processor's cache."""


class StoredSignal:
    """One signal over a whole capture; columns are joined and scaled when asked for, then kept.

    Attributes
    ----------
    signal, message, bus
        From the database; `bus` by name.
    """

    def __init__(self, name: str, message: RecordedMessage, recorded: RecordedSignal) -> None:
        assert message.group.message is not None
        self.name = name
        self.signal: Signal = recorded.signal
        self.message: Message = message.group.message
        self.bus = message.group.bus
        self._of_message = message
        self._recorded = recorded

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def unit(self) -> str:
        """Unit of `value`."""
        return self.signal.unit

    @property
    def labels(self) -> Mapping[int, str]:
        """Value table: raw value to text; empty if the signal has none."""
        return self.signal.choices

    @property
    def time_ns(self) -> Int64s:
        """Time stamps; int64[n], the same array for all signals of a message."""
        return self._of_message.time_ns()

    @property
    def raw(self) -> Numbers:
        """Raw values, [n] of the smallest type that holds them; 0 where not valid."""
        return self._recorded.raw()

    @property
    def reasons(self) -> UInt8s | None:
        """Bits of `Reason` for every sample, uint8[n]; None if all are valid."""
        return self._recorded.reasons()

    @property
    def valid(self) -> Bools | None:
        """Mask of the samples that have a value, bool[n]; None if all have one."""
        return None if self.reasons is None else self.reasons == 0

    @cached_property
    def value(self) -> Numbers:
        """Physical values, [n]; NaN (integer columns: 0) where not valid."""
        return self._recorded.value()


class SignalStore(Mapping[str, StoredSignal]):
    """Signals by `bus/message/signal`, in the order they first appear.

    Attributes
    ----------
    counts
        What became of every frame.
    unused_patterns
        Selection patterns that fitted no signal.
    """

    def __init__(self, signals: dict[str, StoredSignal], counts: Counts, unused_patterns: tuple[str, ...]) -> None:
        self._signals = signals
        self.counts = counts
        self.unused_patterns = unused_patterns

    def __getitem__(self, name: str) -> StoredSignal:
        try:
            return self._signals[name]
        except KeyError:
            raise KeyError(str(unknown_signal(name, self._signals))) from None

    def __iter__(self) -> Iterator[str]:
        return iter(self._signals)

    def __len__(self) -> int:
        return len(self._signals)

    def __repr__(self) -> str:
        return f"<SignalStore: {plural(len(self), 'signal')}>"

    def matching(self, pattern: str) -> tuple[StoredSignal, ...]:
        """Return the signals whose name fits a pattern with the wildcards * ? [..]."""
        return tuple(signal for name, signal in self._signals.items() if fnmatchcase(name, pattern))


def read_signals(
    capture: Iterable[Frames],
    databases: Databases,
    *,
    select: SignalSelection | Iterable[str] | None = None,
    bus_names: Mapping[str, str] | None = None,
) -> SignalStore:
    """Decode a whole capture into memory.

    Parameters
    ----------
    capture
        Batches of frames, e.g. what `open_capture` returns.
    databases, bus_names
        As for `Decoder`.
    select
        Patterns `bus/message/signal` of the signals wanted; default all.

    Examples
    --------
    >>> store = read_signals(open_capture("run3.log"), open_database("chassis.dbc"))  # doctest: +SKIP
    >>> store["can1/DAMPERS_A/AIN1"].value  # doctest: +SKIP
    """
    if select is not None and not isinstance(select, SignalSelection):
        select = SignalSelection.parse([select] if isinstance(select, str) else select)
    decoder = Decoder(databases, select=select, bus_names=bus_names)
    recorded = Recorded(decoder, None)
    for frames in capture:
        for piece in frames.pieces(BATCH_ROWS):
            recorded.add(piece)
    signals = {
        name: StoredSignal(name, message, signal)
        for of_message, message in recorded.messages.items()
        for signal_name, signal in message.signals.items()
        for name in (f"{of_message}/{signal_name}",)
    }
    return SignalStore(signals, decoder.counts, decoder.unused_patterns())
