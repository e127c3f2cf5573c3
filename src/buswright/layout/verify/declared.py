"""What is said of a car otherwise than in its document: car file and databases, by meaning and not by their text."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from buswright.channels import units
from buswright.channels.calibration.kind import Calibration
from buswright.channels.calibration.registry import read_calibration
from buswright.findings import Severity
from buswright.health.baseline.differences import Difference, Kind
from buswright.layout.differences.curves import curve_change
from buswright.layout.differences.difference import number
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
class _Field:
    """A field whose change matters: its name, what a person calls it, and what kind of difference it makes."""

    name: str
    words: str
    kind: Kind
    severity: Severity = Severity.FAULT
    look: str = ""


_SIGNAL_LOOK = "the database: values decoded with another one differ"
_SIGNAL = tuple(
    _Field(name, words, "signal-changed", look=_SIGNAL_LOOK)
    for name, words in (
        ("big_endian", "byte order"),
        ("start", "start bit"),
        ("length", "number of bits"),
        ("signed", "sign"),
        ("is_float", "kind of number"),
        ("scale", "scale"),
        ("offset", "offset"),
        ("unit", "unit"),
        ("multiplexer", "multiplexer"),
        ("values", "multiplexer page"),
    )
)
_MESSAGE = (
    _Field("length", "declared length in bytes", "message-changed", look="the database"),
    _Field("name", "name", "message-changed", Severity.SUSPECT, "the database"),
    _Field("period_ms", "declared period in ms", "message-changed", Severity.SUSPECT, "car file and database"),
    _Field("module", "sender", "message-changed", Severity.SUSPECT, "car file and database"),
)
_CHANNEL = (
    _Field("origin", "signal or formula", "channel-changed", look="the car file"),
    _Field("sensor", "sensor", "channel-changed", look="the car file; was the sensor replaced?"),
    _Field("input_scale", "input_scale", "channel-changed", look="the car file"),
    _Field("unit", "unit", "channel-changed", look="the car file"),
    _Field("zero", "zero", "zero-changed", look="when, by whom and why it was zeroed again: the car file says"),
    _Field("role", "role", "channel-changed", Severity.SUSPECT, "the car file"),
    _Field("position", "position", "channel-changed", Severity.SUSPECT, "the car file"),
    _Field("delay_s", "delay in s", "channel-changed", Severity.SUSPECT, "the car file"),
    _Field("invalid_raw", "raw values that mean nothing", "channel-changed", Severity.SUSPECT, "the car file"),
    _Field("limits", "limits", "channel-changed", Severity.SUSPECT, "the car file"),
    *(
        _Field(name, words, "wiring-changed", Severity.SUSPECT, "the wire itself, then the car file")
        for name, words in (
            ("input", "input"),
            ("plug", "plug"),
            ("pin", "pin"),
            ("supply", "supply"),
            ("ground", "ground"),
            ("fingerprints", "readings of a broken wire"),
        )
    ),
)
_SENSOR = (
    _Field("healthy", "healthy band", "channel-changed", Severity.SUSPECT, "the car file"),
    _Field("open_reads", "what a broken wire reads", "channel-changed", Severity.SUSPECT, "the car file"),
)
_MODULE = tuple(
    _Field(name, words, "module-changed", Severity.SUSPECT, "the module itself: was another one fitted?")
    for name, words in (
        ("part", "part"),
        ("serial", "serial number"),
        ("firmware", "firmware"),
        ("place", "place"),
        ("plug", "plug"),
        ("supply", "supply"),
        ("ground", "ground"),
        ("stub_m", "stub in m"),
    )
)


def declared_differences(before: Layout, now: Layout) -> Iterator[Difference]:
    """Yield what car file and databases say otherwise than in the document; in no particular order.

    Parameters
    ----------
    before, now
        The document, and a layout of the car as it is. What a side doesn't know at all (it was made without a car
        file, or without a database) is noted once and not compared.
    """
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
    return Difference("not-compared", Severity.NOTE, "capture", text)


def _databases(before: Layout, now: Layout) -> Iterator[Difference]:
    old, new = ({one.key: one for one in layout.messages} for layout in (before, now))
    for key, message in old.items():
        found = new.get(key)
        if found is None or not (message.name or found.name):
            if found is None and message.name and not message.frames:  # what came is missed in the traffic
                yield _gone(key, message)
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
            yield Difference("signal-changed", Severity.FAULT, subject, text, look=_SIGNAL_LOOK)
    for key, signal in later.items():
        if key not in signals and signal.frame in old and old[signal.frame].name:
            text = f"{key} is new in the database"
            yield Difference("signal-changed", Severity.SUSPECT, f"id:{signal.frame}", text, look=_SIGNAL_LOOK)


def _gone(key: str, message: MessageLayout) -> Difference:
    text = f"{_named(key, message.name)} is no longer in the database"
    return Difference("message-changed", Severity.SUSPECT, f"id:{key}", text, look="the database")


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
            yield Difference("calibrated", Severity.NOTE, one.of.replace(" ", ":", 1), text)


def _lost_and_new(
    old: Mapping[str, ModuleLayout] | Mapping[str, ChannelLayout],
    new: Mapping[str, ModuleLayout] | Mapping[str, ChannelLayout],
    noun: str,
    kind: Kind,
) -> Iterator[Difference]:
    look = "the car file; was it renamed, or another one fitted?"
    for name in old.keys() - new.keys():
        text = f"{noun} {name} is no longer in the car file"
        yield Difference(kind, Severity.FAULT, f"{noun}:{name}", text, look=look)
    for name in new.keys() - old.keys():
        text = f"{noun} {name} is not in the document"
        yield Difference(kind, Severity.SUSPECT, f"{noun}:{name}", text, look=look)


def _bus(old: BusLayout, new: BusLayout) -> Iterator[Difference]:
    subject = f"bus:{old.name}"
    if set(old.terminators) != set(new.terminators):
        now, then = _names(new.terminators), _names(old.terminators)
        text = f"the terminators of {old.name} are in {now}; the document says {then}"
        look = "key off, battery isolated: about 60 ohm between the wires of this bus, and a terminator at each end"
        yield Difference("terminator-moved", Severity.FAULT, subject, text, look=look)
    if old.chain != new.chain:
        text = f"{old.name} runs past {_names(new.chain)}; the document says {_names(old.chain)}"
        yield Difference("chain-changed", Severity.SUSPECT, subject, text, look="the order of the plugs along this bus")
    if old.lengths_m != new.lengths_m and old.chain == new.chain:
        text = f"the lengths of {old.name} are {_value(new.lengths_m)} m; the document says {_value(old.lengths_m)} m"
        yield Difference("chain-changed", Severity.SUSPECT, subject, text, look="the loom of this bus")
    if old.resistance_ohm is not None and new.resistance_ohm is not None and old.resistance_ohm != new.resistance_ohm:
        text = f"{new.resistance_ohm:g} ohm were measured on {old.name}; the document says {old.resistance_ohm:g} ohm"
        yield Difference("calibrated", Severity.NOTE, subject, text, old.resistance_ohm, new.resistance_ohm, "ohm")
    if old.data_bitrate != new.data_bitrate and old.data_bitrate and new.data_bitrate:
        now, then = bit_rate(new.data_bitrate), bit_rate(old.data_bitrate)
        text = f"the data phase of {old.name} has {now}; the document says {then}"
        before, after = float(old.data_bitrate), float(new.data_bitrate)
        yield Difference("bit-rate-changed", Severity.FAULT, subject, text, before, after, "bit/s", look="the car file")


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
            yield Difference("calibration-changed", Severity.FAULT, f"sensor:{sensor.name}", text, look=look)
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
    compared: Sequence[_Field],
) -> Iterator[Difference]:
    turned = isinstance(old, SignalLayout) and old.big_endian != new.big_endian
    for each in compared:
        before, after = getattr(old, each.name), getattr(new, each.name)
        if before != after and not (turned and each.name == "start"):  # counted otherwise in the other order
            words = (_value(value, each.name) for value in (after, before))
            text = "{}: {} is {}; the document says {}".format(called, each.words, *words)
            old_number, new_number = _number(before), _number(after)
            if each.name == "zero" and old_number is not None and new_number is not None:
                moved = new_number - old_number
                text = f"{text}: it moved by {'+' * (moved > 0)}{number(moved)} {units.shown(new.unit)}".rstrip()
            yield Difference(
                *(each.kind, each.severity, subject, text, old_number, new_number), "", "any change", look=each.look
            )


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _value(value: Any, name: str = "") -> str:
    """Write a value in a sentence."""
    if name in ("big_endian", "signed", "is_float"):
        words = {"big_endian": ("little-endian", "big-endian"), "signed": ("unsigned", "signed")}
        return words.get(name, ("integer", "float"))[bool(value)]
    if value is None or value in ("", ()):
        return "not stated"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, tuple):
        return listed([_value(each) for each in value], 12)
    return str(value)
