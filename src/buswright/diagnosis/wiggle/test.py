"""The wiggle test: glitches counted per place that is being moved, against a quiet stretch."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from buswright.channels.carfile.model import CarFile, Wiring
from buswright.channels.carfile.needs import inputs_of, interface_names
from buswright.channels.glitches import Glitch, GlitchCounter
from buswright.channels.keys.faults import nearest
from buswright.channels.samples.series import Int64s
from buswright.channels.session import Session
from buswright.channels.watching import watch
from buswright.diagnosis.wiggle.advice import SIGNIFICANT, State, advise
from buswright.diagnosis.wiggle.model import PlaceNow, WiggleNow
from buswright.diagnosis.wiggle.places import Places, Tally, chance
from buswright.errors import UserError
from buswright.frames.table import Frames
from buswright.messages.match import Databases

LATEST = 200
"""So many glitches are kept one by one."""

_PAUSE_NS = 20_000_000
"""A bus that carries nothing for so long is silent (a choice: gaps of channels count from 50 ms)."""
_PAUSES = 500
"""So many silences of a bus are kept: a glitch is held against the latest."""
_LATE_NS = 200_000_000
"""A silence counts as a gap this much later than it became one: buses are read one after the other."""


class WiggleTest:
    """A wiggle test, fed with the frames of a live bus or a capture as they come.

    Times are those of the capture's clock. It begins quiet: nothing is being moved.

    Parameters
    ----------
    channels
        Names of the car file's channels, or `bus/message/signal`; a computed channel stands for what it is computed
        from, since wires are tested.
    car
        None: the databases alone say what the channels are.
    databases, bus_names
        As for a `Session`.
    start_ns
        When it begins; None: with the first frame.

    Raises
    ------
    UserError
        There is no such channel, or none at all.

    Examples
    --------
    >>> test = WiggleTest(["damper_fl"], car)  # doctest: +SKIP
    >>> test.update(frames)  # doctest: +SKIP
    >>> test.move_to("plug C12", now_ns)  # doctest: +SKIP
    >>> test.result().advice  # doctest: +SKIP
    """

    def __init__(
        self,
        channels: Sequence[str],
        car: CarFile | None = None,
        *,
        databases: Databases | None = None,
        bus_names: Mapping[str, str] | None = None,
        start_ns: int | None = None,
    ) -> None:
        self.channels = _measured(channels, car)
        self._car = car
        self._session = Session((), car, databases=databases, bus_names=bus_names, only=self.channels)
        self._wiring: dict[str, Wiring] = _wiring_of(self.channels, car) if car is not None else {}
        self._counters: dict[str, GlitchCounter] = {}
        self._delays_ns = {
            name: round(car.channels[name].delay_s * 1e9) if car is not None else 0 for name in self.channels
        }
        self._bus_names = {**interface_names(car), **(bus_names or {})}
        self._buses: dict[str, _BusPauses] = {}
        self._home: dict[str, str] = {}
        self._begun: dict[tuple[str, str], int] = {}
        self._latest: deque[tuple[Glitch, str]] = deque(maxlen=LATEST)
        self._running = True
        self._places = None if start_ns is None else Places(start_ns, self._wiring)

    def update(self, frames: Frames, now_ns: int | None = None) -> None:
        """Take a batch of frames.

        Parameters
        ----------
        frames
            Any size, none at all too.
        now_ns
            The moment up to which everything has been received, where that is later than the last frame: on a bus
            that fell silent. Never ahead of frames that are still to come.
        """
        times = [] if not len(frames) else [int(frames.time_ns.max())]
        times += [] if now_ns is None else [now_ns]
        if not self._running or not times:
            return
        if self._places is None:
            self._places = Places(int(frames.time_ns.min()) if len(frames) else times[0], self._wiring)
        if len(frames):
            for number, interface in enumerate(frames.buses):
                bus = self._buses.setdefault(self._bus_names.get(interface, interface), _BusPauses())
                bus.add(frames.time_ns[frames.bus == number])
            self._decode(frames)
        self._places.advance(max(times))
        self._note(self._open())
        begun = [glitch.time_ns for glitch in self._open()]
        self._places.settle(min(begun) if begun else None)

    def move_to(self, place: str, time_ns: int) -> None:
        """From that moment on this place is being moved; "" is quiet again."""
        if not self._running:
            return
        if self._places is None:
            self._places = Places(time_ns, self._wiring)
        self._places.move_to(place.strip(), time_ns)

    def stop(self, time_ns: int) -> None:
        """End the test; its result stays."""
        if self._running and self._places is not None:
            self._places.advance(time_ns)
        self._running = False

    def result(self) -> WiggleNow:
        """Return the test so far."""
        places = self._places if self._places is not None else Places(0, self._wiring)
        quiet = places.quiet
        now = WiggleNow(
            channels=self.channels,
            running=self._running,
            place=places.place,
            quiet_s=quiet.seconds,
            quiet=self._counts(quiet),
            places=tuple(self._place(name, tally, quiet) for name, tally in places.places.items()),
            latest=tuple(sorted(self._latest, key=lambda one: one[0].time_ns, reverse=True)),
            total=quiet.total + sum(tally.total for tally in places.places.values()),
            advice="",
            start_ns=places.start_ns if self._places is not None else None,
            end_ns=places.now_ns if self._places is not None else None,
            silences=sum(bus.counted for bus in self._buses.values()),
        )
        standing = tuple(name for name, counter in self._counters.items() if counter.standing)
        silent = tuple(name for name in self.channels if name not in self._counters)
        state = State(now, places, self._wiring, standing, silent, self._cautions())
        return replace(now, advice=advise(state))

    # Frames to glitches -------------------------------------------------------------------------------------------

    def _decode(self, frames: Frames) -> None:
        part = self._session.part([frames])
        for name in self.channels:
            home = part.home(name) if self._car is not None or name in part.names else None
            if home is None:
                continue
            series = part[name]
            counter = self._counters.get(name)
            if counter is None:
                message = part.recorded.messages[home]
                wanted = self._car.channels[name].signal if self._car is not None else None
                signal = message.signals[wanted.signal if wanted else name.rpartition("/")[2]].signal
                watched = watch(series, signal, part.expected(name), self._car)
                counter = self._counters[name] = GlitchCounter(watched)
                self._home[name] = home.partition("/")[0]
            self._note(counter.add(series))

    def _open(self) -> list[Glitch]:
        """Glitches that have begun and go on."""
        assert self._places is not None
        found: list[Glitch] = []
        for name, counter in self._counters.items():
            found += counter.open
            gap = counter.silent(self._places.now_ns - self._delays_ns[name] - _LATE_NS)
            if gap is not None:
                found.append(replace(gap, duration_ns=gap.duration_ns + _LATE_NS))
        return found

    def _note(self, glitches: Iterable[Glitch]) -> None:
        """Count glitches, each once: some are seen while they go on, all when they end.

        What was silent with its whole bus was not made so by a sensor's wire: an adapter may be unplugged.
        """
        assert self._places is not None
        for glitch in glitches:
            bus = self._buses.get(self._home[glitch.channel])
            if glitch.kind == "gap" and bus is not None and bus.silent_for(glitch, self._places.now_ns):
                continue
            key = (glitch.channel, glitch.kind)
            known = self._begun.get(key) == glitch.time_ns
            if not known and glitch.time_ns >= self._places.start_ns:
                self._places.add(glitch)
                self._begun[key] = glitch.time_ns
                self._latest.append((glitch, self._places.place_at(glitch.time_ns)))
            elif known:
                self._amend(glitch)

    def _amend(self, glitch: Glitch) -> None:
        """Put in the list how a glitch that was already there went on."""
        for at in range(len(self._latest) - 1, -1, -1):
            held, place = self._latest[at]
            if (held.channel, held.kind, held.time_ns) == (glitch.channel, glitch.kind, glitch.time_ns):
                self._latest[at] = (glitch, place)
                return

    # Glitches to a result -----------------------------------------------------------------------------------------

    def _counts(self, tally: Tally) -> tuple[tuple[str, int], ...]:
        return tuple((name, tally.counts[name]) for name in self.channels)

    def _place(self, name: str, tally: Tally, quiet: Tally) -> PlaceNow:
        odds = chance(tally.total, quiet.total, tally.seconds, quiet.seconds)
        return PlaceNow(
            place=name,
            seconds=tally.seconds,
            counts=self._counts(tally),
            total=tally.total,
            expected=quiet.total / quiet.seconds * tally.seconds if quiet.seconds else math.nan,
            chance=odds,
            likely=odds < SIGNIFICANT,
        )

    def _cautions(self) -> dict[str, tuple[str, ...]]:
        """Cautions of the sensors, by channel."""
        if self._car is None:
            return {}
        found: dict[str, tuple[str, ...]] = {}
        for name in self.channels:
            sensor = self._car.sensors.get(self._car.channels[name].sensor or "")
            found[name] = sensor.cautions if sensor is not None else ()
        return found


class _BusPauses:
    """When a bus carried nothing at all."""

    def __init__(self) -> None:
        self._latest_ns: int | None = None
        self._pauses: deque[tuple[int, int]] = deque(maxlen=_PAUSES)
        self._counted_to = -1
        self.counted = 0
        """Silences of the bus that a channel shared."""

    def add(self, time_ns: Int64s) -> None:
        """Take the times of its further frames; int64[n]."""
        if not len(time_ns):
            return
        before = int(time_ns[0]) if self._latest_ns is None else self._latest_ns
        reached = np.maximum.accumulate(np.concatenate(([before], time_ns)))
        for row in np.flatnonzero(np.diff(reached) > _PAUSE_NS).tolist():
            self._pauses.append((int(reached[row]), int(reached[row + 1])))
        self._latest_ns = int(reached[-1])

    def silent_for(self, glitch: Glitch, now_ns: int) -> bool:
        """Whether the bus was silent for most of a channel's silence; counts that silence of the bus once."""
        end_ns = glitch.time_ns + glitch.duration_ns
        last = (now_ns if self._latest_ns is None else self._latest_ns, max(now_ns, end_ns))
        shared, begun = max(
            (min(end, end_ns) - max(start, glitch.time_ns), start) for start, end in (*self._pauses, last)
        )
        if 2 * shared < glitch.duration_ns:
            return False
        if begun > self._counted_to:
            self._counted_to, self.counted = begun, self.counted + 1
        return True


def _wiring_of(channels: Sequence[str], car: CarFile) -> dict[str, Wiring]:
    """Return the wiring of channels; those of one signal have one wire, whichever of them describes it."""
    nothing = Wiring()
    of_signal = {each.signal: each.wiring for each in car.channels.values() if each.signal and each.wiring != nothing}
    found = {name: car.channels[name] for name in channels}
    return {
        name: of_signal.get(each.signal, nothing) if each.signal and each.wiring == nothing else each.wiring
        for name, each in found.items()
    }


def _measured(channels: Sequence[str], car: CarFile | None) -> tuple[str, ...]:
    """Return the channels that come from wires, each once, in the order given."""
    if not channels:
        raise UserError("a wiggle test needs a channel", hint="choose at least one")
    if car is None:
        return tuple(dict.fromkeys(channels))
    found: dict[str, None] = {}
    for name in channels:
        if name not in car.channels:
            close = nearest(name, car.channels)
            raise UserError(f"no channel {name!r}", hint=f"did you mean {close!r}?" if close else "see buswright check")
        if car.channels[name].formula is None:
            found[name] = None
        else:
            found |= dict.fromkeys(each for each in inputs_of(car, [name]) if car.channels[each].formula is None)
    return tuple(found)
