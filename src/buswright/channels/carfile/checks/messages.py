"""Whether a car file fits its databases: messages and signals that exist, units, rates and lengths that agree."""

from __future__ import annotations

from collections.abc import Mapping

from buswright.channels import units
from buswright.channels.carfile.checks.ranges import label_only, unit_hint
from buswright.channels.carfile.model import CarFile, Channel, FrameEntry, FrameName, Module, SignalName, find_message
from buswright.channels.keys.faults import FaultLog, shown, suggestion
from buswright.channels.keys.positions import KeyPath
from buswright.messages.decoding.plan import raw_range
from buswright.messages.match import split_source, with_source
from buswright.messages.model import J1939, Database, Message, Signal, parse_identifier

_RATE_TOLERANCE = 0.02
"""Periods and rates written by hand are rounded: 33 Hz and 30 ms agree."""


def check_messages(car: CarFile, frame_keys: Mapping[FrameName, str], log: FaultLog) -> None:
    """Log everything in which the car file and the databases of its buses disagree.

    Parameters
    ----------
    car
        What could be read, with the databases that could be loaded.
    frame_keys
        How each frame's name stands in the file.
    """
    for bus in car.buses.values():
        database = car.databases.get(bus.name)
        if database and database.bitrate and database.bitrate != bus.bitrate and log.sound("bus", bus.name, "bitrate"):
            text = f"{bus.bitrate} contradicts the database, which says {database.bitrate}"
            log.warning(("bus", bus.name, "bitrate"), text)
    _check_modules(car, log)
    for channel in car.channels.values():
        if channel.signal and log.sound("channel", channel.name, "signal"):
            _check_signal(car, channel, channel.signal, frame_keys, log)
    for name, entry in car.frames.items():
        _check_frame(car, entry, ("frame", frame_keys[name]), log)


# -- modules ----------------------------------------------------------------------------------------------------


def _check_modules(car: CarFile, log: FaultLog) -> None:
    owner: dict[tuple[str, str], str] = {}
    for module in car.modules.values():
        if not log.sound("module", module.name, "bus"):
            continue
        database = car.databases.get(module.bus)
        if not module.messages and database and not any(module.name in m.senders for m in database.messages):
            senders = _senders(database)
            text = f"the database of bus {module.bus} knows no sender of this name, and no messages are listed"
            log.warning(("module", module.name), text, suggestion(module.name, senders, none="list its messages"))
        for index, name in enumerate(module.messages):
            at = ("module", module.name, "messages", index)
            frame = _frame_of(car, module, name, at, log) if log.sound(*at) else ""
            other = owner.setdefault((module.bus, frame), module.name) if frame else module.name
            if other != module.name:
                log.error(at, f"{shown(name)} is already sent by {other}", "a frame has one sender")
    for bus in car.buses.values():
        database = car.databases.get(bus.name)
        known = dict.fromkeys([*car.modules, *(_senders(database) if database else ())])
        if bus.databases and database is None:
            continue  # its senders are unknown
        for key in ("chain", "terminators"):
            for index, name in enumerate(getattr(bus, key)):
                at = ("bus", bus.name, key, index)
                if not log.sound(*at):
                    continue
                there = log.known(at, name, known, "module", none="describe it under [module.NAME]")
                if there and key == "terminators" and bus.chain and name not in bus.chain:
                    log.warning(at, f"{shown(name)} has no place in chain")


def _senders(database: Database) -> list[str]:
    names = [node.name for node in database.nodes]
    return list(dict.fromkeys(names + [sender for message in database.messages for sender in message.senders]))


def _frame_of(car: CarFile, module: Module, name: str, at: KeyPath, log: FaultLog) -> str:
    """Return one spelling for a frame that may be given by name or by identifier; empty where there is none."""
    database = car.databases.get(module.bus)
    if database and (message := find_message(database, name)):
        return name if _may_have_source(message, name, at, log) else ""
    if identifier := parse_identifier(name):
        told = car.entries.message(FrameName(module.bus, *identifier))
        if told is not None and told.protocol == J1939 and told.id != identifier[0]:
            return f"{told.name}@{identifier[0] & 0xFF:02X}"
        return told.name if told else name.upper()
    if database:
        names = [message.name for message in database.messages]
        log.error(at, f"bus {module.bus} has no message {shown(name)}", suggestion(name, names))
        return ""
    return name


def _may_have_source(message: Message, name: str, at: KeyPath, log: FaultLog) -> bool:
    """Refuse a source address behind the name of a message that isn't J1939."""
    if message.name == name or message.protocol == J1939:
        return True
    log.error(at, f"{shown(name)} has a source address, but {message.name} is not J1939", f'"{message.name}" alone')
    return False


# -- channels ---------------------------------------------------------------------------------------------------


def _check_signal(
    car: CarFile, channel: Channel, name: SignalName, frame_keys: Mapping[FrameName, str], log: FaultLog
) -> None:
    at = ("channel", channel.name, "signal")
    database = car.databases.get(name.bus)
    if database is None:
        bus = car.buses.get(name.bus)
        if bus and not bus.databases and log.sound("bus", bus.name, "databases"):
            log.error(at, f"bus {name.bus} has no databases", f'databases = ["FILE"] under [bus.{name.bus}]')
        return
    message = find_message(database, name.message)
    if message is None:
        elsewhere = [bus for bus, other in car.databases.items() if find_message(other, name.message)]
        hint = f'it is on bus {elsewhere[0]}: "{name._replace(bus=elsewhere[0])}"' if elsewhere else ""
        if not hint and find_message(database, name.message.partition("@")[0]):
            hint = "a source address is two hex digits in capitals: EEC1@0A"
        hint = hint or suggestion(name.message, [other.name for other in database.messages])
        log.error(at, f"bus {name.bus} has no message {shown(name.message)}", hint)
        return
    signal = next((signal for signal in message.signals if signal.name == name.signal), None)
    if signal is None:
        holders = [other.name for other in database.messages for s in other.signals if s.name == name.signal]
        hint = suggestion(name.signal, [other.name for other in message.signals])
        if holders:
            hint = f'message {holders[0]} has it: "{name._replace(message=holders[0])}"'
        log.error(at, f"message {name.message} has no signal {shown(name.signal)}", hint)
        return
    if not _may_have_source(message, name.message, at, log):
        return
    _check_raw(channel, signal, log)
    _check_units(car, channel, signal, log)
    source = split_source(name.message)[1]
    identifier = message.id if source is None else with_source(message.id, source)
    entry = car.entries.of(FrameName(name.bus, identifier, message.extended), message)
    if entry is None or log.sound("frame", frame_keys[entry.name], "period_ms"):
        _check_rate(channel, signal, message, entry, log)
    _check_database_range(channel, signal, log)


def _check_raw(channel: Channel, signal: Signal, log: FaultLog) -> None:
    if signal.is_float:
        return
    low, high = raw_range(signal)
    for index, raw in enumerate(channel.invalid_raw):
        at = ("channel", channel.name, "invalid_raw", index)
        if log.sound(*at) and not low <= raw <= high:
            log.error(at, f"{raw} never comes from {signal.length} bits ({low} to {high})")


def _check_units(car: CarFile, channel: Channel, signal: Signal, log: FaultLog) -> None:
    at = ("channel", channel.name)
    if channel.sensor is None:
        if not log.sound(*at, "sensor"):
            return
        if not channel.unit or channel.unit == signal.unit or units.compatible(channel.unit, signal.unit):
            return
        if signal.unit:
            text = f"{shown(channel.unit)} is not what the signal is in: the database says {shown(signal.unit)}"
            log.error((*at, "unit"), text, unit_hint(signal.unit, channel.unit))
        elif units.find(channel.unit) is None:
            label_only(channel, log)
        return
    sensor = car.sensors.get(channel.sensor)
    if sensor is None:
        return
    electrical = sensor.calibration.electrical
    convertible = units.compatible(signal.unit, electrical)
    if channel.input_scale is not None:
        if convertible and units.canonical(signal.unit) != "1":
            text = f"takes the place of the conversion from {signal.unit} to {electrical}"
            log.warning((*at, "input_scale"), text, "leave it out if the database's unit is right")
    elif not convertible:
        has = f"is in {shown(signal.unit)}" if signal.unit else "has no unit in the database"
        hint = f"a signal in counts needs input_scale, the {electrical} per count: 5 / 4095 is 0.001221"
        if not signal.unit and electrical in {"1", "count", "state"}:
            return  # a number without a unit, for a sensor that takes just that
        log.error((*at, "signal"), f"the signal {has}, but sensor {channel.sensor} takes {electrical}", hint)


def _check_rate(channel: Channel, signal: Signal, message: Message, entry: FrameEntry | None, log: FaultLog) -> None:
    """Warn of a rate that contradicts the frame's period; a multiplexed signal may come less often."""
    if channel.expected_hz is None or not log.sound("channel", channel.name, "expected_hz"):
        return
    by_entry = entry.period_ms if entry else None
    period = by_entry or message.cycle_time_ms
    if not period:
        return
    ratio = channel.expected_hz * period / 1000.0
    slower_is_fine = signal.multiplexer is not None
    if ratio > 1 + _RATE_TOLERANCE or (ratio < 1 - _RATE_TOLERANCE and not slower_is_fine):
        source = "its [frame] entry" if by_entry else "the database"
        text = f"{channel.expected_hz:g} Hz contradicts the period of {message.name}, {period:g} ms in {source}"
        hint = f"{1000.0 / period:g} Hz, or a period_ms that is right in a [frame] entry"
        log.warning(("channel", channel.name, "expected_hz"), text, "period_ms wins" if by_entry else hint)


def _check_database_range(channel: Channel, signal: Signal, log: FaultLog) -> None:
    """Warn of limits where values are flagged: beyond the database's range of a signal without a sensor."""
    low, high = signal.minimum, signal.maximum
    if channel.sensor is not None or low is None or high is None or low >= high:
        return
    if channel.unit and signal.unit and channel.unit != signal.unit:
        if not units.compatible(signal.unit, channel.unit):
            return
        factor, offset = units.line(signal.unit, channel.unit)
        low, high = low * factor + offset, high * factor + offset
    for grade, key, limit in channel.limit_values:
        if not low <= limit <= high:
            text = f"{limit:g} lies outside the signal's own range in the database, {low:g} to {high:g}"
            log.warning(("channel", channel.name, grade, key), text)


# -- frames -----------------------------------------------------------------------------------------------------


def _check_frame(car: CarFile, entry: FrameEntry, at: KeyPath, log: FaultLog) -> None:
    database = car.databases.get(entry.name.bus)
    message = car.entries.message(entry.name)
    if message is None:
        other = entry.name._replace(extended=not entry.name.extended)
        alike = (m for m in reversed(database.messages if database else ()) if (m.id, m.extended) == other[1:])
        if twin := next(alike, None):
            log.warning(at, f"the database has no such frame, but {twin.name} with {shown(str(other))}")
        return
    if entry.period_ms and message.cycle_time_ms and log.sound(*at, "period_ms"):
        ratio = entry.period_ms / message.cycle_time_ms
        if abs(ratio - 1) > _RATE_TOLERANCE:
            text = f"{entry.period_ms:g} contradicts the database, which says {message.cycle_time_ms:g} ms"
            log.warning((*at, "period_ms"), text, "period_ms wins")
    for key in ("counter", "checksum"):
        field = getattr(entry, key)
        if field and log.sound(*at, key) and field.shortest > message.length:
            text = f"needs {field.shortest} bytes, but {message.name} has {message.length}"
            log.error((*at, key), text, "bytes count from 0, and bit 0 is the lowest of byte 0")
