"""What is done with every batch: health, the moment, channels, a wiggle test, the frames held in memory."""

from __future__ import annotations

import dataclasses
import io
import pickle
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from buswright.channels.carfile.needs import databases_of, interface_names
from buswright.channels.expectation import NO_FACTS
from buswright.channels.fitting import Key, Misfit, misfit_of
from buswright.channels.following.follow import Follower
from buswright.channels.session import Session
from buswright.diagnosis.scope import Scope, scope_of
from buswright.diagnosis.wiggle.model import WiggleNow
from buswright.diagnosis.wiggle.test import WiggleTest
from buswright.frames.latest import LatestFrames
from buswright.frames.table import empty_frames
from buswright.health.described import Described
from buswright.health.recent import RecentTracker
from buswright.health.track import HealthTracker
from buswright.messages.decoding.decode import Decoder
from buswright.worker.notices import Notices, Shielded

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.frames.table import Frames
    from buswright.health.baseline.baseline import Baseline
    from buswright.messages.match import Databases


@dataclass(frozen=True, slots=True)
class Known:
    """What is known beside the frames.

    Attributes
    ----------
    car
        The car file, None without one.
    databases
        More databases, by bus name.
    bus_names
        Interface to bus name, over the car file's.
    bitrates, data_bitrates
        Bit/s by bus name, over the car file's.
    baseline
        A good run, None without one: its identifiers are expected.
    """

    car: CarFile | None = None
    databases: Databases = field(default_factory=dict)
    bus_names: Mapping[str, str] = field(default_factory=dict)
    bitrates: Mapping[str, int] = field(default_factory=dict)
    data_bitrates: Mapping[str, int] = field(default_factory=dict)
    baseline: Baseline | None = None

    @property
    def any_message(self) -> bool:
        """Whether any database is there."""
        return bool(databases_of(self.car, self.databases))

    def bus_name(self, interface: str) -> str:
        """Return the name of the bus on an interface."""
        return self.every_name.get(interface, interface)

    def misfit(self, seen: Mapping[str, set[Key]], interfaces: Sequence[str]) -> Misfit | None:
        """Say what doesn't fit a capture with these identifiers by bus name; None if everything may."""
        return misfit_of(seen, interfaces, car=self.car, databases=self.databases, bus_names=self.bus_names)

    def scope(self, module: str) -> Scope:
        """Return what is judged where one module is looked at."""
        return scope_of(module, self.car, self.databases)

    def described(self) -> Described:
        """Return what car file and databases say."""
        return Described(self.car, self.databases, self.every_name)

    @property
    def every_name(self) -> dict[str, str]:
        """Interface to bus name, the car file's too."""
        return {**interface_names(self.car), **self.bus_names}

    def tracker(self) -> HealthTracker:
        """Make a tracker of the buses' health."""
        return HealthTracker(
            car=self.car,
            databases=self.databases,
            bus_names=self.bus_names,
            remembered=self.baseline.facts() if self.baseline is not None else NO_FACTS,
            bitrates=self.bitrates,
            data_bitrates=self.data_bitrates,
        )

    def follower(self) -> Follower:
        """Make a follower of the channels."""
        return Follower(self.car, databases=self.databases, bus_names=self.bus_names)

    def decoder(self) -> Decoder:
        """Make a decoder of everything."""
        return Decoder(databases_of(self.car, self.databases), bus_names=self.every_name)


NOTHING_KNOWN = Known()


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """Copies of what had been folded up to a place of a capture; None: nothing had, or that part failed."""

    frames: int = 0
    health: HealthTracker | None = None
    recent: RecentTracker | None = None
    channels: Follower | None = None


class Folds:
    """Gives every batch to everything that is computed from frames, each in a guard of its own.

    Attributes
    ----------
    frames
        Frames taken since the last `clear` or `back_to`.
    changes
        Rises with every batch and every going back.
    """

    def __init__(self, known: Known, notices: Notices) -> None:
        self.known = known
        self.frames = self.changes = 0
        self.health = Shielded("the health of the buses", known.tracker, notices)
        self.recent = Shielded(
            "what is on the buses now", lambda: RecentTracker(car=known.car, bus_names=known.bus_names), notices
        )
        self.channels = Shielded("following the channels", known.follower, notices)
        self.latest = Shielded("holding the latest frames", LatestFrames, notices)
        self.wiggle: Shielded[WiggleTest] | None = None
        self._notices = notices

    def update(self, frames: Frames) -> None:
        """Take a batch."""
        self.frames += len(frames)
        self.changes += 1
        bits = self.health.run(lambda one: one.bits_of(frames), None)
        self.health.run(lambda one: one.update(frames, bits), None)
        self.recent.run(lambda one: one.update(frames, bits), None)
        self.channels.run(lambda one: one.update(frames), None)
        self.latest.run(lambda one: one.add(frames), None)
        if self.wiggle is not None:
            self.wiggle.run(lambda one: one.update(frames), None)

    def checkpoint(self) -> Checkpoint:
        """Return copies of what has been folded, to go back to."""
        return Checkpoint(
            self.frames,
            self.health.run(lambda one: one.copy(), None),
            self.recent.run(lambda one: one.copy(), None),
            self.channels.run(_copy, None),
        )

    def back_to(self, place: Checkpoint | None) -> None:
        """Go back to a checkpoint, or to nothing."""
        place = place or Checkpoint()
        self.changes += 1
        self.frames = place.frames
        self.health.renew(place.health and place.health.copy())
        self.recent.renew(place.recent and place.recent.copy())
        self.channels.renew(place.channels and _copy(place.channels))
        self.latest.renew()
        self._keep_wiggle()

    # A wiggle test ----------------------------------------------------------------------------------------------------

    def start_wiggle(self, channels: Sequence[str], start_ns: int | None) -> None:
        """Begin a test of these channels at a moment of the capture's clock; None: with the next frame."""
        known = self.known
        self.wiggle = Shielded(
            "the wiggle test",
            lambda: WiggleTest(
                channels, known.car, databases=known.databases, bus_names=known.bus_names, start_ns=start_ns
            ),
            self._notices,
        )

    def move_to(self, place: str, time_ns: int | None) -> None:
        """From that moment on this place is being moved."""
        if self.wiggle is not None and time_ns is not None:
            self.wiggle.run(lambda one: one.move_to(place, time_ns), None)

    def stop_wiggle(self, time_ns: int | None) -> None:
        """End the test; its result stays."""
        if self.wiggle is not None and time_ns is not None:
            self.wiggle.run(lambda one: one.stop(time_ns), None)

    def _keep_wiggle(self) -> None:
        """End the test because the capture went back; what was measured until then stays."""
        test = self.wiggle.run(lambda one: one.result(), None) if self.wiggle is not None else None
        if test is None or test.end_ns == test.start_ns:
            self.wiggle = None
        if test is not None and test.running:
            kept = "" if self.wiggle is None else "; f saves its result"
            self._notices.tell(f"the wiggle test ended because the capture went back{kept}")
            self.stop_wiggle(test.end_ns)

    def wiggle_now(self, heard_ns: int | None) -> WiggleNow | None:
        """Return the test as it is where everything up to `heard_ns` has come; None without one."""
        if self.wiggle is None:
            return None
        self.wiggle.run(lambda one: one.update(empty_frames(), heard_ns), None)
        return self.wiggle.run(lambda one: one.result(), None)


def _copy(follower: Follower) -> Follower:
    """Return a follower that goes on by itself; what never changes is shared, and so is what that refers to.

    These are frozen dataclasses (series, messages, the car file), read-only mappings, the session, which tells where
    channels come from, and the decoder, which tells what messages are.
    """
    kept: list[object] = []

    class Pickler(pickle.Pickler):
        def persistent_id(self, each: Any) -> int | None:
            if isinstance(each, Session | Decoder | MappingProxyType) or _is_frozen(each):
                kept.append(each)
                return len(kept) - 1
            return None

    class Unpickler(pickle.Unpickler):
        def persistent_load(self, number: Any) -> object:
            return kept[number]

    stream = io.BytesIO()
    Pickler(stream, protocol=pickle.HIGHEST_PROTOCOL).dump(follower)
    stream.seek(0)
    copy: Follower = Unpickler(stream).load()
    return copy


def _is_frozen(each: object) -> bool:
    if not dataclasses.is_dataclass(each) or isinstance(each, type):
        return False
    parameters: Any = vars(type(each)).get("__dataclass_params__")  # there is no public way to ask
    return parameters is not None and parameters.frozen
