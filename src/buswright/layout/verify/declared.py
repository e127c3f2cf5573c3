"""What is said of a car otherwise than in its document: car file and databases, by meaning and not by their text."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from buswright.channels.calibration.kind import Calibration
from buswright.channels.calibration.registry import read_calibration
from buswright.findings import Severity
from buswright.health.baseline.differences import Difference, Kind
from buswright.layout.differences.curves import curve_change
from buswright.layout.differences.difference import is_number, moved, same, written
from buswright.layout.document.model import (
    BusLayout,
    ChannelLayout,
    Layout,
    MessageLayout,
    ModuleLayout,
    SensorLayout,
    SignalLayout,
)
from buswright.wording import bit_rate, listed


@dataclass(frozen=True, slots=True)
class _Part:
    """How a record's fields are compared: every one but those `beside`, which were measured or stand elsewhere.

    `kinds` has what a field's change counts as and how grave it is, where that isn't `usual`; `words` what a person
    calls it, where that isn't its name.
    """

    usual: tuple[Kind, Severity]
    look: str
    beside: frozenset[str]
    kinds: Mapping[str, tuple[Kind, Severity]]
    words: Mapping[str, str]

    def compared(self, record: Any) -> Iterator[str]:
        """Yield the names of its fields that are compared."""
        return (each.name for each in fields(record) if each.name not in self.beside)


_FAULT, _SUSPECT, _NOTE = Severity.FAULT, Severity.SUSPECT, Severity.NOTE
_SAID = ("said_by", "name")
_SIGNAL = _Part(
    ("signal-changed", _FAULT),
    "the database: values decoded with another one differ",
    frozenset({*_SAID, "frame", "seen_low", "seen_high", "channel", "position"}),
    dict.fromkeys(("low", "high", "invalid", "meanings"), ("signal-changed", _SUSPECT))
    | {"comment": ("signal-changed", _NOTE)},
    {
        "big_endian": "byte order",
        "start": "start bit",
        "length": "number of bits",
        "signed": "sign",
        "is_float": "kind of number",
        "values": "multiplexer page",
        "low": "minimum",
        "high": "maximum",
        "invalid": "raw values that mean nothing",
        "meanings": "value table",
    },
)
_MESSAGE = _Part(
    ("message-changed", _SUSPECT),
    "car file and database",
    frozenset(each.name for each in fields(MessageLayout)) - {"length", "name", "period_ms", "module", "fd", "comment"},
    {"length": ("message-changed", _FAULT), "fd": ("message-changed", _FAULT), "comment": ("message-changed", _NOTE)},
    {"length": "declared length in bytes", "period_ms": "declared period in ms", "module": "sender", "fd": "CAN FD"},
)
_CHANNEL = _Part(
    ("channel-changed", _SUSPECT),
    "the car file",
    frozenset(
        {
            *(*_SAID, "is_formula", "is_place", "seen_low", "seen_high", "rate_hz", "rest", "noise", "bad_share"),
            *("bad_why", "calibrated", "due"),
        }
    ),
    {
        **dict.fromkeys(("origin", "sensor", "input_scale", "unit"), ("channel-changed", _FAULT)),
        "zero": ("zero-changed", _FAULT),
        **dict.fromkeys(("zero_date", "zero_by", "zero_why"), ("zero-changed", _NOTE)),
        **dict.fromkeys(("input", "plug", "pin", "supply", "ground", "fingerprints"), ("wiring-changed", _SUSPECT)),
    },
    {
        "origin": "signal or formula",
        "delay_s": "delay in s",
        "fingerprints": "readings of a broken wire",
        "invalid_raw": "raw values that mean nothing",
        "expected_hz": "expected rate in Hz",
        "zero_date": "date of its zero",
        "zero_by": "who zeroed it",
        "zero_why": "why it was zeroed",
        "plausible": "plausible range",
    },
)
_SENSOR = _Part(
    ("channel-changed", _SUSPECT),
    "the car file",
    frozenset({"name", "kind", "text", "electrical", "unit", "curve"}),  # the curve is compared by what it gives
    {"cautions": ("channel-changed", _NOTE)},
    {"healthy": "healthy band", "open_reads": "what a broken wire reads", "max_rate": "fastest real change"},
)
_MODULE = _Part(
    ("module-changed", _SUSPECT),
    "the module itself: was another one fitted?",
    frozenset({*_SAID, "buses", "sends", "never_came", "bench"}),
    {"comment": ("module-changed", _NOTE)},
    {"serial": "serial number", "stub_m": "stub in m"},
)
_LOOKS: Mapping[Kind, str] = {
    "zero-changed": "when, by whom and why it was zeroed again: the car file says",
    "wiring-changed": "the wire itself, then the car file",
}


def declared_differences(before: Layout, now: Layout) -> Iterator[Difference]:
    """Yield what car file and databases say otherwise than in the document; in no particular order.

    Parameters
    ----------
    before, now
        The document, and a layout of the car as it is. What a side doesn't know at all (it was made without a car
        file, or without a database) is noted once and not compared.
    """
    if before.car and now.car and before.car != now.car:
        text = f"the document is about {before.car}; the car file says {now.car}"
        yield Difference("car-changed", _SUSPECT, "car", text, look="whether this is the right document")
    both = [{source.kind for source in layout.sources} for layout in (before, now)]
    if "database" in both[0] and "database" in both[1]:
        yield from _databases(before, now)
    elif "database" in both[0] | both[1]:
        yield _uncompared("databases", "--dbc FILE", "database" in both[0])
    if "car file" in both[0] and "car file" in both[1]:
        yield from _cars(before, now)
    elif "car file" in both[0] | both[1]:
        yield _uncompared("wiring, sensors and channels", "--car FILE", "car file" in both[0])


def _uncompared(what: str, option: str, here: bool) -> Difference:
    text = f"{what} are not compared: " + (f"none given; add {option}" if here else "the document has none")
    return Difference("not-compared", _NOTE, "capture", text)


def _databases(before: Layout, now: Layout) -> Iterator[Difference]:
    old, new = ({one.key: one for one in layout.messages} for layout in (before, now))
    for key, message in old.items():
        found = new.get(key)
        if found is None or not (message.name or found.name):
            if found is None and message.name and not message.frames:  # what came is missed in the traffic
                text = f"{_named(key, message.name)} is no longer in the database"
                yield Difference("message-changed", _SUSPECT, f"id:{key}", text, look="the database")
            continue
        yield from _fields(f"id:{key}", _named(key, found.name), message, found, _MESSAGE)
    signals, later = ({one.key: one for one in layout.signals} for layout in (before, now))
    for key, signal in signals.items():
        subject = f"id:{signal.frame}"
        changed = later.get(key)
        if changed is not None:
            yield from _fields(subject, key, signal, changed, _SIGNAL)
        elif signal.frame in new and new[signal.frame].name:
            text = f"{key} is no longer in the database"
            yield Difference("signal-changed", _FAULT, subject, text, look=_SIGNAL.look)
    for key, signal in later.items():
        if key not in signals and signal.frame in old and old[signal.frame].name:
            text = f"{key} is new in the database"
            yield Difference("signal-changed", _SUSPECT, f"id:{signal.frame}", text, look=_SIGNAL.look)


def _named(key: str, name: str) -> str:
    return f"{key} ({name})" if name else key


def _cars(before: Layout, now: Layout) -> Iterator[Difference]:
    buses, modules = ({one.name: one for one in layout.buses} for layout in (before, now))
    for name, bus in buses.items():
        if name in modules:
            yield from _bus(bus, modules[name])
    old, new = ({one.name: one for one in layout.modules} for layout in (before, now))
    yield from _lost_and_new(old, new, "module", "module-changed")
    for name, module in old.items():
        if name in new:
            yield from _fields(f"module:{name}", name, module, new[name], _MODULE)
    yield from _sensors(before, now)
    channels, later = ({one.name: one for one in layout.channels} for layout in (before, now))
    yield from _lost_and_new(channels, later, "channel", "channel-changed")
    for name, channel in channels.items():
        if name in later:
            yield from _fields(f"channel:{name}", name, channel, later[name], _CHANNEL)
    done = {(one.of, one.date) for one in before.calibrations}
    for one in now.calibrations:
        if (one.of, one.date) not in done:
            text = f"{one.of} was calibrated on {one.date}, after the document was made"
            yield Difference("calibrated", _NOTE, one.of.replace(" ", ":", 1), text)


def _lost_and_new(old: Mapping[str, object], new: Mapping[str, object], noun: str, kind: Kind) -> Iterator[Difference]:
    look = "the car file; was it renamed, or another one fitted?"
    for name in old.keys() - new.keys():
        text = f"{noun} {name} is no longer in the car file"
        yield Difference(kind, _FAULT, f"{noun}:{name}", text, look=look)
    for name in new.keys() - old.keys():
        text = f"{noun} {name} is not in the document"
        yield Difference(kind, _SUSPECT, f"{noun}:{name}", text, look=look)


def _bus(old: BusLayout, new: BusLayout) -> Iterator[Difference]:
    subject = f"bus:{old.name}"
    if set(old.terminators) != set(new.terminators):
        now, then = _names(new.terminators), _names(old.terminators)
        text = f"the terminators of {old.name} are in {now}; the document says {then}"
        look = "key off, battery isolated: about 60 ohm between the wires of this bus, and a terminator at each end"
        yield Difference("terminator-moved", _FAULT, subject, text, look=look)
    if old.chain != new.chain:
        text = f"{old.name} runs past {_names(new.chain)}; the document says {_names(old.chain)}"
        yield Difference("chain-changed", _SUSPECT, subject, text, look="the order of the plugs along this bus")
    if old.lengths_m != new.lengths_m and old.chain == new.chain:
        text = f"the lengths of {old.name} are {written(new.lengths_m)} m; the document says {written(old.lengths_m)} m"
        yield Difference("chain-changed", _SUSPECT, subject, text, look="the loom of this bus")
    if old.resistance_ohm is not None and new.resistance_ohm is not None and old.resistance_ohm != new.resistance_ohm:
        text = f"{new.resistance_ohm:g} ohm were measured on {old.name}; the document says {old.resistance_ohm:g} ohm"
        yield Difference("calibrated", _NOTE, subject, text, old.resistance_ohm, new.resistance_ohm, "ohm")
    if old.data_bitrate != new.data_bitrate and old.data_bitrate and new.data_bitrate:
        now, then = bit_rate(new.data_bitrate), bit_rate(old.data_bitrate)
        text = f"the data phase of {old.name} has {now}; the document says {then}"
        before, after = float(old.data_bitrate), float(new.data_bitrate)
        yield Difference("bit-rate-changed", _FAULT, subject, text, before, after, "bit/s", look="the car file")


def _names(names: Sequence[str]) -> str:
    return listed(names, 12) or "none"


def _sensors(before: Layout, now: Layout) -> Iterator[Difference]:
    """Yield sensors whose curve is another, each once, with the channels that it reaches."""
    new = {one.name: one for one in now.sensors}
    for sensor in before.sensors:
        found = new.get(sensor.name)
        if found is None:
            continue  # the channels that had it say so
        using = [channel.name for channel in now.channels if channel.sensor == sensor.name]
        change = _another_curve(sensor, found)
        if change:
            reach = f"; it changes {listed(using)}" if using else ""
            text = f"sensor {sensor.name} is another: {change}; the document says {sensor.text}{reach}"
            look = "the calibration record, then a reading of the sensor at two known values"
            yield Difference("calibration-changed", _FAULT, f"sensor:{sensor.name}", text, look=look)
        yield from _fields(f"sensor:{sensor.name}", f"sensor {sensor.name}", sensor, found, _SENSOR)


def _another_curve(old: SensorLayout, new: SensorLayout) -> str:
    """Say how the curve differs by what it makes of an input; empty where it means the same, however it is written."""
    if old.curve == new.curve:
        return ""
    before, after = _read(old), _read(new)
    if before is None or after is None:
        return new.text
    change = curve_change(before, after, (old.healthy[0], old.healthy[-1]) if old.healthy else None)
    return f"{change.text} ({new.text})" if change is not None else ""


def _read(sensor: SensorLayout) -> Calibration | None:
    """Read a curve back; None where a document holds none that can be read."""
    try:
        table = json.loads(sensor.curve)
    except (ValueError, RecursionError):
        return None
    return read_calibration(table) if isinstance(table, dict) else None


def _fields(
    subject: str,
    called: str,
    old: SignalLayout | MessageLayout | ChannelLayout | ModuleLayout | SensorLayout,
    new: Any,
    part: _Part,
) -> Iterator[Difference]:
    turned = isinstance(old, SignalLayout) and old.big_endian != new.big_endian
    for name in part.compared(old):
        before, after = getattr(old, name), getattr(new, name)
        if same(before, after) or (turned and name == "start"):  # counted otherwise in the other order
            continue
        kind, severity = part.kinds.get(name, part.usual)
        words = part.words.get(name, name.replace("_", " "))
        text = "{}: {} is {}; the document says {}".format(
            called, words, *(_value(value, name) for value in (after, before))
        )
        ends = [float(value) if is_number(value) else None for value in (before, after)]
        if name == "zero" and ends[0] is not None and ends[1] is not None:
            text += f": it {moved(ends[1] - ends[0], new.unit)}"
        limit, look = "any change" if severity > _NOTE else "", _LOOKS.get(kind, part.look)
        yield Difference(kind, severity, subject, text, ends[0], ends[1], "", limit, look)


_WORDS = {
    "big_endian": ("little-endian", "big-endian"),
    "signed": ("unsigned", "signed"),
    "is_float": ("integer", "float"),
}


def _value(value: Any, name: str) -> str:
    return _WORDS[name][bool(value)] if name in _WORDS else written(value)
