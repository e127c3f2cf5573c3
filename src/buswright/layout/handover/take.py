"""Taking a sensor, a channel, or a module with its messages (and channels), over from another car file.

What is there already and means the same stays. What means something else is a conflict: it is shown, and replaced
only on demand. Messages come as a database file of their own beside the car file; of a bus's files the last wins.
"""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, count
from pathlib import Path
from typing import Any, TypeVar

from buswright.channels.carfile import files
from buswright.channels.carfile.editing import edit_car_file, logged
from buswright.channels.carfile.keys import FRAME, MODULE
from buswright.channels.carfile.model import CarFile, Channel, FrameName, Limits
from buswright.channels.carfile.names import parse_frame_name
from buswright.channels.carfile.rendering import table_of
from buswright.channels.carfile.splicing import Change, Put, as_written
from buswright.channels.keys.faults import suggestion
from buswright.errors import UserError
from buswright.findings import Severity
from buswright.layout.differences import channels
from buswright.layout.differences.difference import Difference
from buswright.layout.differences.messages import message_differences
from buswright.layout.differences.tables import record
from buswright.layout.handover.allowed import free_name
from buswright.layout.handover.manifest import Holds
from buswright.messages.database import part_of
from buswright.messages.model import Message
from buswright.wording import plural
from buswright.writing import write_whole

T = TypeVar("T")


class TakeError(UserError):
    """Something can't be taken over."""


@dataclass(slots=True)
class Plan:
    """What taking over would do: changes of the car file, new databases by their name beside it.

    By subject: what is taken, and what is there already and means the same. Then what means something else there, and
    what does not come along and why, in words.
    """

    changes: list[Change] = field(default_factory=list)
    files: dict[str, bytes] = field(default_factory=dict)
    taken: list[str] = field(default_factory=list)
    same: list[str] = field(default_factory=list)
    conflicts: list[Difference] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def judge(self, subject: str, found: Iterable[Difference] | None) -> bool:
        """Note what differs (None: it is not there yet); return whether there is anything to put in or to replace."""
        if found is None:
            self.taken.append(subject)
            return True
        conflicts = [each for each in found if each.severity > Severity.NOTE]
        self.conflicts += conflicts
        (self.taken if conflicts else self.same).append(subject)
        return bool(conflicts)


def plan_taking(
    source: CarFile, wanted: Sequence[str], target: CarFile, *, bus: str | None = None, channels_too: bool = False
) -> Plan:
    """Find out what taking over means.

    Parameters
    ----------
    source, target
        The other car file, and the one that gets it.
    wanted
        `sensor:NAME`, `channel:NAME` or `module:NAME`, several.
    bus
        The bus of `target` that modules and channels go on; None: the one of the same name.
    channels_too
        Whether modules bring the channels that are made of their messages.

    Raises
    ------
    UserError
        There is no such sensor, channel, module or bus.
    """
    made = _Making(source, target, bus)
    for each in wanted:
        kind, _, name = each.partition(":")
        if kind == "sensor" and name:
            made.sensor(name)
        elif kind == "channel" and name:
            made.channel(name)
        elif kind == "module" and name:
            made.module(name, channels_too=channels_too)
        else:
            hint = "for example sensor:damper_75"
            raise TakeError(f"{each}: must be sensor:NAME, channel:NAME or module:NAME", hint=hint)
    return made.finished()


def take(plan: Plan, target: Path, *, untrusted: bool, now: datetime.datetime) -> Path | None:
    """Do it: the databases first, then the car file that names them; the latter as a whole or not at all.

    Returns
    -------
    Path
        The file that holds what the car file was before; None where nothing of it changed.

    Raises
    ------
    UserError
        The car file would have new errors, or something can't be written; the car file is as it was.
    """
    made = []
    try:
        for name, content in plan.files.items():
            place = target.parent / name
            if not place.exists():
                write_whole(place, content)
                made.append(place)
        return edit_car_file(target, plan.changes, untrusted=untrusted).save(now)
    except BaseException:
        for place in made:
            place.unlink(missing_ok=True)
        raise


class _Making:
    def __init__(self, source: CarFile, target: CarFile, bus: str | None) -> None:
        self.source, self.target, self.bus = source, target, bus
        self.text, _, _ = files.decode(source.path.read_bytes())
        self.document: dict[str, Any] = tomllib.loads(self.text)
        self.own: dict[str, Any] = tomllib.loads(files.decode(target.path.read_bytes())[0])
        self.plan = Plan()
        self.databases: dict[str, list[str]] = {}
        self.done: set[str] = set()

    def finished(self) -> Plan:
        """Return the plan with the databases of each bus."""
        for bus, names in self.databases.items():
            if names != self.own["bus"][bus].get("databases", []):
                self.plan.changes.append(Put(("bus", bus), "databases", names))
        return self.plan

    def put(self, group: str, name: str, values: Mapping[str, object], *, old: str | None, as_name: str = "") -> None:
        """Put a table in, as it is written where nothing of it changes; or change the old one key by key."""
        if old is not None:
            self.plan.changes.append(Put((group,), old, values))
            return
        same = values == self.document[group].get(name) and as_name in ("", name)
        written = as_written(self.text, group, name) if same else None
        self.plan.changes.append(written or table_of(group, values, as_name or name))

    def _named(self, kind: str, name: str, there: Mapping[str, T]) -> T | None:
        """Return what is to be taken; None where it was planned already: several channels have one sensor."""
        if name not in there:
            hint = suggestion(name, there, none=f"it has no {kind}s")
            raise TakeError(f"{self.source.path}: has no {kind} {name}", hint=hint)
        first = f"{kind}:{name}" not in self.done
        self.done.add(f"{kind}:{name}")
        return there[name] if first else None

    def sensor(self, name: str) -> None:
        """Plan a sensor with its calibration records."""
        found = self._named("sensor", name, self.source.sensors)
        if found is None:
            return
        subject, mine = f"sensor:{name}", self.target.sensors.get(name)
        if self.plan.judge(subject, None if mine is None else channels.sensor(subject, mine, found)):
            self.put("sensor", name, self.document["sensor"][name], old=None if mine is None else name)
        for each in self.source.calibration_log:
            if each.sensor == name and each not in self.target.calibration_log:
                self.plan.changes.append(logged(each))

    def channel(self, name: str) -> None:
        """Plan a channel with its sensor and the channels that it is computed from, without its zero."""
        found = self._named("channel", name, self.source.channels)
        if found is None:
            return
        subject, mine = f"channel:{name}", self.target.channels.get(name)
        values = {key: value for key, value in self.document["channel"][name].items() if key != "zero"}
        if found.signal is not None:
            signal = found.signal._replace(bus=self._place(found.signal.bus))
            found, values["signal"] = replace(found, signal=signal), str(signal)
        if mine is not None and mine.zero is not None:
            values["zero"] = self.own["channel"][name]["zero"]
        elif found.zero is not None:
            self.plan.left_out.append(f"the zero of {name}: it was found on the other car; find it on yours")
        found = replace(found, zero=mine.zero if mine is not None else None)
        found = self._limits(found, values)
        inputs = list(found.formula.inputs) if found.formula is not None else []
        if found.sensor is not None:
            self.sensor(found.sensor)
            inputs += [need.channel for need in self.source.sensors[found.sensor].calibration.needs]
        for each in inputs:
            if each not in self.target.channels:
                self.channel(each)
        cars = (self.target, self.source)
        if self.plan.judge(subject, None if mine is None else channels.channel(subject, mine, found, cars)):
            self.put("channel", name, values, old=None if mine is None else name)

    def _limits(self, found: Channel, values: dict[str, Any]) -> Channel:
        """Leave out limits that are judged while something holds of which the target knows nothing."""
        for key in ("caution", "warning"):
            limits: Limits | None = getattr(found, key)
            needed = limits.when.inputs if limits is not None and limits.when is not None else ()
            lacking = [
                each for each in needed if each not in self.target.channels and f"channel:{each}" not in self.done
            ]
            if lacking:
                values.pop(key)
                found = replace(found, caution=None) if key == "caution" else replace(found, warning=None)
                why = f"it is judged by {', '.join(lacking)}, which your car file lacks"
                self.plan.left_out.append(f"the {key} of {found.name}: {why}")
        return found

    def _place(self, bus: str) -> str:
        """Return the bus of the target that stands for one of the source."""
        place = self.bus or bus
        if place not in self.target.buses:
            there = ", ".join(self.target.buses)
            hint = f"name one of its buses with --on: {there}" if there else "add the bus to it first: [bus.NAME]"
            raise TakeError(f"{self.target.path}: has no bus {place}", hint=hint)
        return place

    def module(self, name: str, *, channels_too: bool = False) -> None:
        """Plan a module with its messages and what the car file says of their frames, and with its channels."""
        described = self.source.modules.get(name)
        buses = [described.bus] if described else [bus for bus in self.source.databases if self._messages(bus, name)]
        if not buses:
            sent = (message.senders for database in self.source.databases.values() for message in database)
            known = dict.fromkeys([*self.source.modules, *chain.from_iterable(sent)])
            hint = suggestion(name, known, none="it has no modules")
            raise TakeError(f"{self.source.path}: has no module {name}", hint=hint)
        for bus in buses:
            place = self._place(bus)
            if described:
                self._module_table(name, place)
            messages = self._messages(bus, name)
            self._database(name, messages, bus, place)
            listed = {(m.id, m.extended) for m in messages}
            self._frames(bus, place, listed, set(described.messages) if described else set())
            self._channels(name, bus, {each.name for each in messages}, channels_too)

    def _channels(self, module: str, bus: str, messages: set[str], wanted: bool) -> None:
        signals = ((each.name, each.signal) for each in self.source.channels.values())
        own = [name for name, signal in signals if signal and signal.bus == bus and signal.message_name in messages]
        if wanted:
            for each in own:
                self.channel(each)
        elif lacking := [each for each in own if each not in self.target.channels]:
            self.plan.left_out.append(f"{plural(len(lacking), 'channel')} of {module}; --channels takes them, too")

    def _messages(self, bus: str, module: str) -> list[Message]:
        database = self.source.databases.get(bus)
        return [each for each in database or () if self.source.module_of(bus, each.name) == module]

    def _module_table(self, name: str, place: str) -> None:
        subject, mine = f"module:{name}", self.target.modules.get(name)
        values = {**self.document["module"][name], "bus": place}
        theirs = replace(self.source.modules[name], bus=place)
        if self.plan.judge(subject, None if mine is None else record(MODULE, subject, mine, theirs)):
            self.put("module", name, values, old=None if mine is None else name)

    def _database(self, module: str, messages: Sequence[Message], bus: str, place: str) -> None:
        """Plan a database of the messages that aren't there already, from each file that has some of them."""
        mine = self.target.databases.get(place)
        by_id = {(each.id, each.extended): each for each in mine or ()}
        by_name = {each.name: each for each in mine or ()}
        lacking: list[Message] = []
        for message in messages:
            subject = f"message:{place}/{message.name}"
            old = by_id.get((message.id, message.extended)) or by_name.get(message.name)
            if self.plan.judge(subject, None if old is None else message_differences(subject, old, message)):
                lacking.append(message)
        names = self.databases.setdefault(place, list(self.own["bus"][place].get("databases", ())))
        for path in dict.fromkeys(message.path for message in lacking):
            content = part_of(path, [message for message in lacking if message.path == path])
            name = self._file(module, Path(path).suffix.lower(), content or self._whole(path, bus, module))
            if name in names:
                names.remove(name)
            names.append(name)  # the last one wins

    def _whole(self, path: str, bus: str, module: str) -> bytes:
        """Return a database that can't be taken apart, if all its messages are the module's."""
        others = [m for m in self.source.databases[bus] if m.path == path and m not in self._messages(bus, module)]
        if others:
            raise TakeError(
                f"{path}: holds messages of other modules, too, and only a DBC can be taken apart",
                hint="save it as a DBC first",
            )
        return Path(path).read_bytes()

    def _file(self, module: str, ending: str, content: bytes) -> str:
        """Return a name beside the target for a database: that of the same bytes, or a free one."""
        stem = Path(free_name(f"{module}{ending}", Holds.DATABASE, ())).stem
        for number in count(1):
            name = f"{stem}{f'-{number}' if number > 1 else ''}{ending}"
            place = self.target.path.parent / name
            if name not in self.plan.files and (not place.exists() or place.read_bytes() == content):
                break
        self.plan.files[name] = content
        return name

    def _frames(self, bus: str, place: str, listed: set[tuple[int, bool]], identifiers: set[str]) -> None:
        written = {_frame_name(key): key for key in self.own.get("frame", {})}
        for key, values in self.document.get("frame", {}).items():
            name = _frame_name(key)
            entry = self.source.frames.get(name) if name else None
            if name is None or entry is None or name.bus != bus:
                continue
            text = str(name).partition("/")[2]
            if (name.id, name.extended) not in listed and text not in {each.upper() for each in identifiers}:
                continue
            goal = name._replace(bus=place)
            subject, mine = f"id:{goal}", self.target.frames.get(goal)
            if self.plan.judge(subject, None if mine is None else record(FRAME, subject, mine, entry)):
                self.put("frame", key, values, old=written.get(goal), as_name=str(goal))


def _frame_name(key: str) -> FrameName | None:
    return parse_frame_name(key)[0]
