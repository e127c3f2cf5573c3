"""Whether the parts of a car file fit each other: names that refer to something, and nothing claimed twice."""

from __future__ import annotations

import datetime
import graphlib
from collections.abc import Collection, Mapping
from typing import Any

from buswright.channels.calibration.registry import starter_blocks
from buswright.channels.carfile.model import (
    SHARED_ROLES,
    Bus,
    CalibrationRecord,
    CarFile,
    Channel,
    FrameEntry,
    FrameName,
    Limits,
)
from buswright.channels.formula.parse import Formula
from buswright.channels.keys.faults import FaultLog, shown, suggestion
from buswright.channels.keys.positions import KeyPath
from buswright.messages.checksum import KINDS as CHECKSUM_KINDS

_SIGNAL_ONLY = ("sensor", "input_scale", "zero", "invalid_raw", "wiring", "fingerprints")
"""Keys that say something about a wire, which a computed channel doesn't have."""

MOST_CHAIN = 500
"""Channels made one of the other: more than anybody writes, and computed in a second."""
_MOST_CIRCLES = 20
_MOST_STEPS = 8

NamedTables = Mapping[str, Mapping[str, Mapping[str, Any]]]
"""`tables["channel"]["oil"]` is the table `[channel.oil]` as TOML gives it."""


def check_parts(
    car: CarFile, tables: NamedTables, frame_keys: Mapping[FrameName, str], log: FaultLog, today: datetime.date
) -> None:
    """Log every contradiction inside the car file.

    Parameters
    ----------
    car
        What could be read; values with faults are blank.
    tables
        The named tables as TOML gives them: those that could not be read count as known.
    frame_keys
        How each frame's name stands in the file.
    """
    for bus in car.buses.values():
        _check_bus(bus, log)
    _check_interfaces(car, log)
    _check_bus_names(car, tables["bus"], frame_keys, log)
    for channel in car.channels.values():
        _check_channel(channel, tables, log)
    _check_twice(car, log)
    _check_circles(car, log)
    for name, entry in car.frames.items():
        _check_payload(entry, ("frame", frame_keys[name]), log)
    _check_calibration_log(car, tables, log, today)
    _note_unused_sensors(car, tables["sensor"], log)


def _check_bus(bus: Bus, log: FaultLog) -> None:
    at = ("bus", bus.name)
    if bus.fd and bus.data_bitrate is None and log.sound(*at, "data_bitrate"):
        log.error((*at, "fd"), "needs data_bitrate beside it", "or leave fd out on a classic CAN bus")
    read = log.sound(*at, "bitrate") and log.sound(*at, "data_bitrate")
    if read and bus.data_bitrate is not None and bus.data_bitrate < bus.bitrate:
        log.error((*at, "data_bitrate"), f"{bus.data_bitrate} is below the bitrate of {bus.bitrate}")
    between = max(0, len(bus.chain) - 1)
    if bus.lengths_m and len(bus.lengths_m) != between and log.sound(*at, "chain"):
        hint = f"a chain of {len(bus.chain)} modules has {between} lengths between them"
        log.error((*at, "lengths_m"), f"has {len(bus.lengths_m)} lengths", hint)


def _check_interfaces(car: CarFile, log: FaultLog) -> None:
    owner = {bus: bus for bus in car.buses}
    for bus in car.buses.values():
        for index, interface in enumerate(bus.interfaces):
            if not log.sound("bus", bus.name, "interfaces", index):
                continue
            other = owner.setdefault(interface, bus.name)
            if other != bus.name:
                at = ("bus", bus.name, "interfaces", index)
                log.error(at, f"{shown(interface)} already means bus {other}", "an interface belongs to one bus")


def _check_bus_names(car: CarFile, buses: Collection[str], frame_keys: Mapping[FrameName, str], log: FaultLog) -> None:
    none = "describe it under [bus.NAME]"
    for module in car.modules.values():
        at = ("module", module.name, "bus")
        if log.sound(*at) and module.bus:
            log.known(at, module.bus, buses, "bus", none=none)
    for channel in car.channels.values():
        if channel.signal:
            log.known(("channel", channel.name, "signal"), channel.signal.bus, buses, "bus", none=none)
    for name in car.frames:
        if name.bus not in buses:
            text = f"there is no bus {shown(name.bus)}"
            log.error(("frame", frame_keys[name]), text, suggestion(name.bus, buses, none=none), key=True)


# -- channels ---------------------------------------------------------------------------------------------------


def _check_channel(channel: Channel, tables: NamedTables, log: FaultLog) -> None:
    at = ("channel", channel.name)
    table = tables["channel"][channel.name]
    if "signal" in table and "formula" in table:
        log.error((*at, "formula"), "stands beside signal", "a channel has one of the two", key=True)
    elif "formula" in table:
        for key in _SIGNAL_ONLY:
            if key in table:
                log.error((*at, key), "has no place beside a formula", "it belongs to the channels it uses", key=True)
    elif "signal" not in table:
        log.error(at, "has neither signal nor formula", 'signal = "bus/message/signal"', key=True)
    if channel.sensor:
        if channel.sensor not in tables["sensor"] and channel.sensor in starter_blocks():
            hint = "it is a starter sensor: copy its table from `buswright guide sensors` into this file"
            log.error((*at, "sensor"), f"there is no sensor {shown(channel.sensor)} in this file", hint)
        else:
            none = "describe it under [sensor.NAME]; `buswright guide sensors` has some to copy"
            log.known((*at, "sensor"), channel.sensor, tables["sensor"], "sensor", none=none)
    elif "sensor" not in table and "input_scale" in table and "formula" not in table:
        log.error((*at, "input_scale"), "needs a sensor", "without one the database's scaling is final", key=True)
    if channel.input_scale == 0 and log.sound(*at, "input_scale"):
        log.error((*at, "input_scale"), "0 makes every value the same")
    if channel.formula:
        _check_inputs(channel.formula, tables["channel"], (*at, "formula"), log)
    for grade, limits in channel.limits:
        _check_limits(limits, (*at, grade), log)
        if limits.when:
            _check_inputs(limits.when, tables["channel"], (*at, grade, "when"), log)
    if channel.caution and channel.warning:
        _check_order(channel.caution, channel.warning, at, log)


def _check_inputs(formula: Formula, channels: Collection[str], at: KeyPath, log: FaultLog) -> None:
    for name in formula.inputs:
        if name not in channels:
            hint = suggestion(name, channels, none="describe it under [channel.NAME]")
            log.error(at, f"there is no channel {shown(name)}", hint, inside=1 + formula.column_of(name))


def _check_limits(limits: Limits, at: KeyPath, log: FaultLog) -> None:
    if limits.low is None and limits.high is None:
        log.error(at, "has neither low nor high", "{ low = 1.0, high = 5.0 }")
    if limits.low is None or limits.high is None or not log.sound(*at):
        return
    if limits.low >= limits.high:
        log.error((*at, "low"), f"{limits.low:g} is not below high = {limits.high:g}")
    elif limits.hysteresis >= limits.high - limits.low:
        log.error(
            (*at, "hysteresis"), f"{limits.hysteresis:g} is as wide as low to high, or wider: it would never clear"
        )


def _check_order(caution: Limits, warning: Limits, at: KeyPath, log: FaultLog) -> None:
    """Refuse a warning, the graver of the two, that lies inside the caution."""
    hint = "warning limits lie beyond caution limits"
    if caution.low is not None and warning.low is not None and warning.low > caution.low:
        log.error((*at, "warning", "low"), f"{warning.low:g} is reached before caution.low = {caution.low:g}", hint)
    if caution.high is not None and warning.high is not None and warning.high < caution.high:
        log.error((*at, "warning", "high"), f"{warning.high:g} is reached before caution.high = {caution.high:g}", hint)


def _check_twice(car: CarFile, log: FaultLog) -> None:
    """Two channels with the same values, which is a copy with a line forgotten; one role twice in one position."""
    by_values: dict[tuple[object, ...], str] = {}
    by_role: dict[tuple[str, str | None], str] = {}
    for channel in car.channels.values():
        at = ("channel", channel.name)
        if channel.signal:
            how = channel.sensor, channel.input_scale, channel.zero, channel.unit, channel.delay_s, channel.invalid_raw
            other = by_values.setdefault((channel.signal, *how), channel.name)
            if other != channel.name:
                text = f"{shown(str(channel.signal))} is channel {other} already, and both have the same values"
                log.warning((*at, "signal"), text, "is the signal right? else give it a sensor or a unit of its own")
        if channel.role is None or not (log.sound(*at, "role") and log.sound(*at, "position")):
            continue
        other = by_role.setdefault((channel.role, channel.position), channel.name)
        if other == channel.name or (channel.position is None and channel.role in SHARED_ROLES):
            continue
        where = f" at {channel.position}" if channel.position else ""
        hint = "give each its position, or the role to one of them" if not where else "a role stands once per position"
        log.error((*at, "role"), f"{other} is already {channel.role}{where}", hint)


def _check_circles(car: CarFile, log: FaultLog) -> None:
    """Channels that need each other in a circle, or in too long a chain, by formulas or references of sensors."""
    needs = {name: car.sources_of(name) for name in car.channels}
    order = {name: index for index, name in enumerate(needs)}
    for number in range(1, _MOST_CIRCLES + 1):
        try:
            in_order = list(graphlib.TopologicalSorter(needs).static_order())
        except graphlib.CycleError as error:
            circle: list[str] = error.args[1][:0:-1]  # from what is needed to what needs it, the first one twice
            first = min(circle, key=order.__getitem__)
            start = circle.index(first)
            steps = [*circle[start:], *circle[:start], first]
            if len(steps) > _MOST_STEPS:
                steps[_MOST_STEPS // 2 : -1] = ["…"]
            key = "formula" if car.channels[first].formula else "sensor"
            text = f"needs itself: {' needs '.join(steps)}"
            more = "; check again then, there may be more circles" if number == _MOST_CIRCLES else ""
            log.error(("channel", first, key), text, f"start from a channel with a signal{more}")
            for name in circle:
                needs.pop(name)
        else:
            _check_chains(needs, in_order, car, log)
            return


def _check_chains(needs: Mapping[str, list[str]], in_order: list[str], car: CarFile, log: FaultLog) -> None:
    depth: dict[str, int] = {}
    for name in in_order:
        depth[name] = 1 + max((depth[each] for each in needs.get(name, ())), default=0)
    longest = max(depth, key=depth.__getitem__, default="")
    if longest in car.channels and depth[longest] > MOST_CHAIN:
        key = "formula" if car.channels[longest].formula else "sensor"
        text = f"is the last of a chain of {depth[longest]} channels, each made of the one before"
        log.error(("channel", longest, key), text, f"{MOST_CHAIN} are computed at most; join some of the formulas")


# -- frames -----------------------------------------------------------------------------------------------------


def _check_payload(entry: FrameEntry, at: KeyPath, log: FaultLog) -> None:
    counter, checksum = entry.counter, entry.checksum
    if counter and not log.sound(*at, "counter"):
        counter = None
    if checksum and not log.sound(*at, "checksum"):
        checksum = None
    if counter and counter.modulus and counter.modulus > 1 << counter.length:
        text = f"{counter.modulus} values don't fit {counter.length} bits"
        log.error((*at, "counter", "modulus"), text)
    if checksum and isinstance(checksum.data_id, tuple) and checksum.kind != "e2e-p02":
        log.error((*at, "checksum", "data_id"), "a list of bytes belongs to e2e-p02 only", "one number")
    if counter and checksum:
        kind = CHECKSUM_KINDS[checksum.kind]
        shared = ((1 << counter.length) - 1) << counter.start
        shared &= ((1 << kind.width) - 1) << (8 * checksum.byte + kind.shift)
        if shared:
            text = f"the counter and the checksum share bit {(shared & -shared).bit_length() - 1}"
            log.error((*at, "counter"), text)


# -- the calibration log, and what is left over -------------------------------------------------------------------


def _check_calibration_log(car: CarFile, tables: NamedTables, log: FaultLog, today: datetime.date) -> None:
    latest: dict[tuple[str, str], tuple[int, CalibrationRecord]] = {}
    for index, record in enumerate(car.calibration_log):
        at = ("calibration_log", index)
        if (record.channel is None) == (record.sensor is None):
            text = "names both a channel and a sensor" if record.channel else "names neither a channel nor a sensor"
            log.error(at, text, "one of the two was calibrated", key=True)
            continue
        what = "sensor" if record.channel is None else "channel"
        name = record.channel or record.sensor or ""
        if log.sound(*at, what):
            none = f"describe it under [{what}.NAME]"
            log.known((*at, what), name, tables[what], what, none=none)
        if not (log.sound(*at, "date") and log.sound(*at, "due")):
            continue
        if record.date > today:
            log.warning((*at, "date"), f"{record.date} has not come yet")
        if record.due and record.due <= record.date:
            log.error((*at, "due"), f"{record.due} is not after {record.date}, when it was done")
        before = latest.get((what, name))
        if before is None or before[1].date <= record.date:
            latest[what, name] = index, record
    for (what, name), (index, record) in latest.items():
        if record.due and record.date < record.due < today:
            log.note(("calibration_log", index, "due"), f"{what} {name} was due for calibration on {record.due}")


def _note_unused_sensors(car: CarFile, sensors: Collection[str], log: FaultLog) -> None:
    used = {channel.sensor for channel in car.channels.values()}
    for name in sensors:
        if name not in used:
            log.note(("sensor", name), "no channel uses this sensor")
