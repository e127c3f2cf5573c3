"""Writes the Wrenfell's car file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from types import MappingProxyType
from typing import Any

from buswright.simulate.car import networks as car
from buswright.simulate.car.channels import CHASSIS_CHANNELS, COMPUTED_CHANNELS, ENGINE_CHANNELS, Entry
from buswright.simulate.car.definition import Bus, Message
from buswright.simulate.car.sensors import SENSORS

FILE_NAME = "wrenfell.toml"

_CHAIN = ("power_node", "engine_controller", "inertial_node", "wheel_node", "damper_node")
CHAINS: Mapping[str, tuple[str, ...]] = MappingProxyType({"engine": _CHAIN[:2], "chassis": _CHAIN})
"""Modules in the order in which the wires of each bus pass from one to the next."""

_LENGTHS_M: Mapping[str, tuple[float, ...]] = MappingProxyType({"engine": (1.4,), "chassis": (1.4, 0.6, 1.1, 0.9)})
"""Metres from each module of a chain to the next."""

_FITTED: Mapping[str, Mapping[str, Any]] = MappingProxyType(
    {
        name: {"place": place, "plug": plug, "supply": supply, "ground": ground, "stub_m": stub_m}
        for name, place, plug, supply, ground, stub_m in (
            ("engine_controller", "left of the seat", "C1", "F1", "G1", 0.1),
            ("power_node", "behind the dash", "C2", "main switch", "G1", 0.1),
            ("inertial_node", "under the seat", "C3", "F2", "G1", 0.2),
            ("damper_node", "rear bulkhead", "C4", "F3", "G2", 0.15),
            ("wheel_node", "rear bulkhead", "C5", "F3", "G2", 0.2),
        )
    }
)
"""Where each module is, and what feeds it."""

NOTHING: Mapping[str, str] = MappingProxyType({})

_DATES = frozenset({"date", "due"})
"""Keys whose text is a date, which stands without quotes."""

_HEXADECIMAL = frozenset({"data_id"})
"""Keys whose number reads better in hexadecimal."""


def wrenfell_car_file(
    *, fd: bool = False, further: Mapping[str, str] = NOTHING, due: Mapping[str, date] = MappingProxyType({})
) -> str:
    """Return the text of the car file; it lies beside the databases that it names.

    `further` has one more database for a bus, by the bus's name; `due` a day on which a channel's latest calibration
    ran out, by the channel's name.
    """
    return "\n".join(_lines(fd, further, due)) + "\n"


def _lines(fd: bool, further: Mapping[str, str], due: Mapping[str, date]) -> Iterator[str]:
    yield f"# The {car.NAME}, an invented hill-climb single-seater. This file is written by buswright.simulate."
    yield "format = 1"
    yield from _table("car", {"name": car.NAME, "cylinders": 3, "strokes": 4})
    yield from _section("The networks. In captures they are can0 and can1, or channels 1 and 2 of an ASC file.")
    for number, bus in enumerate(car.buses(fd=fd), 1):
        yield from _table(f"bus.{bus.name}", _bus(bus, number, fd, further.get(bus.name)))
    for node in car.NODES:
        homes = [message.bus for message in car.messages(fd=fd) if message.sender == node.name]
        yield from _table(f"module.{node.name}", {"bus": homes[0], **_FITTED[node.name]}, node.comment)
    yield from _section("Kinds of sensors: what they make of a quantity, and what intact wiring looks like.")
    for name, sensor in SENSORS.items():
        yield from _table(f"sensor.{name}", sensor)
    homes_by_message = {message.name: message.bus for message in car.messages(fd=fd)}
    yield from _section("What is measured. Without a sensor the database's scaling is final.")
    for entry in (*ENGINE_CHANNELS, *CHASSIS_CHANNELS):
        yield from _table(f"channel.{entry.name}", _channel(entry, homes_by_message))
    yield from _section("What is computed from it.")
    for entry in COMPUTED_CHANNELS:
        yield from _table(f"channel.{entry.name}", {"formula": entry.source, **entry.keys})
    yield from _section("What the databases can't say about frames.")
    for message in car.messages(fd=fd):
        if message.counter or message.checksum:
            yield from _table(f'frame."{message.bus}/{message.digits}"', _frame(message), message.name)
    yield from _section("Calibrations that were done.")
    for record in (*(one for one in _CALIBRATIONS if one.get("channel") not in due), *map(_expired, due.items())):
        yield from _table("calibration_log", record, array=True)


def _bus(bus: Bus, number: int, fd: bool, further: str | None) -> dict[str, Any]:
    variant = "_fd" if fd and bus.name == "chassis" else ""
    keys: dict[str, Any] = {"bitrate": bus.bitrate}
    if bus.data_bitrate:
        keys |= {"data_bitrate": bus.data_bitrate, "fd": "iso"}
    chain = CHAINS[bus.name]
    return keys | {
        "interfaces": [bus.interface, number],
        "databases": [f"wrenfell_{bus.name}{variant}.dbc", *([further] if further else [])],
        "chain": chain,
        "terminators": [chain[0], chain[-1]],
        "lengths_m": _LENGTHS_M[bus.name],
        "resistance": {"ohm": 60.3, "date": "2026-03-14"},
    }


def _channel(entry: Entry, homes: Mapping[str, str]) -> dict[str, Any]:
    message, _, signal = entry.source.partition("/")
    if message not in homes:
        message = "DAMPERS_FD"  # carries what the two classic messages carry otherwise
    return {"signal": f"{homes[message]}/{message}/{signal}", **entry.keys}


def _frame(message: Message) -> dict[str, Any]:
    keys: dict[str, Any] = {}
    if message.counter:
        keys["counter"] = {"start": message.counter.start, "length": message.counter.length}
    if message.checksum:
        keys["checksum"] = {"kind": message.checksum.kind, "byte": message.checksum.byte}
        if message.checksum.data_id is not None:
            keys["checksum"]["data_id"] = message.checksum.data_id
    return keys


_CALIBRATIONS: tuple[dict[str, Any], ...] = (
    {
        "channel": "damper_fl", "date": "2026-04-02", "by": "crew", "reference": "steel rule",
        "readings": [[0.5, 0.0], [1.57, 20.1], [2.63, 40.0], [3.7, 59.9], [4.5, 75.0]],
        "as_found": "1.4 mm high at rest", "as_left": "within 0.2 mm", "residual": 0.1,
    },
    {
        "sensor": "ntc_10k", "date": "2026-03-14", "by": "crew",
        "reference": "ice bath and boiling water, glass thermometer",
        "as_found": "0.3 degC low in ice", "as_left": "unchanged", "due": "2036-03-14",
    },
)  # fmt: skip


def _expired(due: tuple[str, date]) -> dict[str, Any]:
    """Return the record of a calibration that was good for a year."""
    channel, day = due
    done = day - timedelta(days=365)
    return {"channel": channel, "date": done.isoformat(), "by": "crew", "due": day.isoformat()}


def _section(title: str) -> Iterator[str]:
    yield ""
    yield f"# {title}"


def _table(name: str, keys: Mapping[str, Any], comment: str = "", *, array: bool = False) -> Iterator[str]:
    yield ""
    heading = f"[[{name}]]" if array else f"[{name}]"
    yield f"{heading:32}# {comment}" if comment else heading
    for key, value in keys.items():
        yield f"{key} = {_value(key, value)}"


def _value(key: str, value: Any) -> str:
    """Write the value of a key as TOML."""
    if isinstance(value, str):
        return value if key in _DATES else "'" + value + "'" if '"' in value else f'"{value}"'
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{inner} = {_value(inner, item)}" for inner, item in value.items()) + " }"
    if isinstance(value, Sequence) and value and isinstance(value[0], Mapping):
        return "[\n" + "".join(f"    {_value(key, item)},\n" for item in value) + "]"
    if isinstance(value, Sequence):
        return "[" + ", ".join(_value(key, item) for item in value) + "]"
    if isinstance(value, int) and key in _HEXADECIMAL:
        return f"0x{value:X}"
    return f"{value:_}" if isinstance(value, int) and value >= 10_000 else repr(value)
