"""A car as data: buses, modules, messages, channels; its databases and its car file as text."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from tests.cars.sensors import Sensor


@dataclass
class Bus:
    """A network."""

    name: str
    interface: str
    bitrate: int
    database: str


@dataclass
class Module:
    """A node, and the converter behind its inputs.

    Attributes
    ----------
    bits, full
        Of the converter: its bits and the volts of its full scale.
    ratio
        Whether its converter measures against the sensor supply, so that a sag of it can't be seen.
    supplied_from
        How many volts it loses from the battery.
    """

    name: str
    bus: str
    bits: int = 12
    full: float = 5.0
    ratio: bool = False
    drop: float = 0.15


@dataclass
class Channel:
    """A quantity on its way: sensor, wire, converter, signal.

    Attributes
    ----------
    how
        volts: the signal is in millivolts; counts: raw converter codes; ready: scaled by the module.
    resolution
        Of the signal: mV, volts per count, hertz or channel units per step.
    other_order, said_signed, said_start, said_scale
        What the database says wrongly.
    noise
        Standard deviation in steps of the converter (or of the signal, for ready ones).
    skew
        How far a healthy one is off, in the channel's unit: no sensor is perfect.
    bias
        Where the input goes without a wire: high, low or floating.
    """

    name: str
    quantity: str
    module: str
    message: str
    signal: str
    sensor: Sensor | None
    how: str
    unit: str
    bits: int = 16
    signed: bool = False
    resolution: float = 1.0
    offset: float = 0.0
    noise: float = 0.5
    bias: str = "low"
    role: str = ""
    position: str = ""
    input: str = ""
    plug: str = ""
    supply: str = ""
    ground: str = ""
    zero: float | None = None
    plausible: tuple[float, float] | None = None
    invalid: int | None = None
    range: tuple[float, float] = (0.0, 0.0)
    page: int | None = None
    start: int = 0
    fingerprints: dict[str, float] = field(default_factory=dict)
    per_unit: float = 1.0
    tells_wiring: bool = False
    log: str = ""
    skew: float = 0.0
    other_order: bool = False
    said_signed: bool | None = None
    said_start: int | None = None
    said_scale: float = 1.0


@dataclass
class Message:
    """A frame of the car."""

    name: str
    bus: str
    module: str
    identifier: int
    extended: bool
    period: float
    big: bool
    counter: bool = False
    on_change: bool = False
    heartbeat: float = 0.0
    pages: int = 0
    length: int = 8
    counter_start: int = 0
    says_period: bool = True
    lowest_page: int = 0
    page_start: int = 0


@dataclass
class Car:
    """All of it. `signals` is filled by `lay_out`."""

    style: str
    seed: int
    cylinders: int
    strokes: int
    buses: dict[str, Bus] = field(default_factory=dict)
    modules: dict[str, Module] = field(default_factory=dict)
    messages: dict[str, Message] = field(default_factory=dict)
    channels: dict[str, Channel] = field(default_factory=dict)
    host_stamps: bool = False
    seconds: float = 90.0
    names_modules: bool = False
    date: str = "2026-05-01"
    supply_volts: float = 5.0
    jitter: float = 1e-4

    def of_message(self, name: str) -> list[Channel]:
        """Give the channels of a message, in the order of their bits."""
        return [channel for channel in self.channels.values() if channel.message == name]

    def of_module(self, name: str) -> list[Channel]:
        """Give the channels of a module."""
        return [channel for channel in self.channels.values() if channel.module == name]

    def id_of(self, message: Message) -> str:
        """Give the subject of an identifier, as bus/ID."""
        return (
            f"{message.bus}/{message.identifier:08X}" if message.extended else f"{message.bus}/{message.identifier:03X}"
        )

    def lay_out(self) -> None:
        """Give every signal its bits: one after the other, pages over each other, a counter at the end."""
        for message in self.messages.values():
            head = 8 if message.pages else 0
            message.page_start = 7 if message.big else 0
            used = head
            cursors: dict[int | None, int] = {}
            for channel in self.of_message(message.name):
                at = cursors.get(channel.page, head)
                channel.start = self._place(at, message.big)
                at += channel.bits
                cursors[channel.page] = at
                used = max(used, at)
            if message.counter:
                used = (used + 3) // 4 * 4
                message.counter_start = self._place(used, message.big)
                used += 4
            if used > 64:
                raise ValueError(f"{message.name} takes {used} bits")
            message.length = (used + 7) // 8

    @staticmethod
    def _place(bit: int, big: bool) -> int:
        return bit // 8 * 8 + 7 - bit % 8 if big else bit


def number(value: float) -> str:
    """Give a number as both DBC and TOML read it, with all its digits."""
    return repr(int(value)) if value == int(value) and abs(value) < 1e15 else repr(float(value))


def database(car: Car, bus: Bus) -> str:
    """Give the text of a bus's database."""
    messages = [message for message in car.messages.values() if message.bus == bus.name]
    nodes = sorted({message.module for message in messages})
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: " + " ".join(nodes), ""]
    for message in messages:
        can_id = message.identifier | (0x8000_0000 if message.extended else 0)
        lines.append(f"BO_ {can_id} {message.name}: {message.length} {message.module}")
        order = "0" if message.big else "1"
        if message.pages:
            lines.append(f' SG_ {message.name}_page M : {message.page_start}|8@{order}+ (1,0) [0|0] "" Vector__XXX')
        for channel in car.of_message(message.name):
            unit = {"volts": "mV", "counts": ""}.get(channel.how, channel.unit)
            unit = {"degC": "degC"}.get(unit, unit)
            if channel.sensor and channel.sensor.kind == "pulses" and channel.how == "volts":
                unit = "Hz"
            page = f" m{channel.page}" if channel.page is not None else ""
            scale = 1.0 if channel.how == "counts" else channel.resolution
            own = ("1" if order == "0" else "0") if channel.other_order else order
            start = channel.start if channel.said_start is None else channel.said_start
            signed = channel.signed if channel.said_signed is None else channel.said_signed
            low, high = channel.range
            lines.append(
                f" SG_ {channel.signal}{page} : {start}|{channel.bits}@{own}{'-' if signed else '+'} "
                f"({number(scale * channel.said_scale)},{number(channel.offset)}) "
                f'[{number(low)}|{number(high)}] "{unit}" Vector__XXX'
            )
        if message.counter:
            lines.append(f' SG_ {message.name}_count : {message.counter_start}|4@{order}+ (1,0) [0|15] "" Vector__XXX')
        lines.append("")
    lines += ['BA_DEF_ BO_  "GenMsgCycleTime" INT 0 65535;', 'BA_DEF_DEF_  "GenMsgCycleTime" 0;']
    for message in messages:
        if message.says_period and not message.on_change:
            can_id = message.identifier | (0x8000_0000 if message.extended else 0)
            lines.append(f'BA_ "GenMsgCycleTime" BO_ {can_id} {round(message.period * 1000)};')
    return "\n".join([*lines, ""])


def car_file(car: Car) -> str:
    """Give the text of the car file."""
    lines = ["format = 1", "", "[car]", f'name = "{car.style} {car.seed}"']
    if car.cylinders:
        lines += [f"cylinders = {car.cylinders}", f"strokes = {car.strokes}"]
    for bus in car.buses.values():
        lines += ["", f"[bus.{bus.name}]", f"bitrate = {bus.bitrate}", f'interfaces = ["{bus.interface}"]']
        lines += [f'databases = ["{bus.database}"]']
    if car.names_modules:
        for module in car.modules.values():
            sent = [message.name for message in car.messages.values() if message.module == module.name]
            if sent:
                lines += ["", f"[module.{module.name}]", f'bus = "{module.bus}"']
                lines += ["messages = [" + ", ".join(f'"{name}"' for name in sent) + "]"]
    cold = next((channel.name for channel in car.channels.values() if channel.quantity == "t_module"), "")
    done: set[str] = set()
    for channel in car.channels.values():
        if channel.sensor and channel.how != "ready" and channel.sensor.label not in done:
            done.add(channel.sensor.label)
            lines += ["", *(line.replace("{cold}", cold) for line in channel.sensor.table())]
    for channel in car.channels.values():
        message = car.messages[channel.message]
        lines += ["", f"[channel.{channel.name}]", f'signal = "{message.bus}/{message.name}/{channel.signal}"']
        if channel.sensor and channel.how != "ready":
            lines.append(f'sensor = "{channel.sensor.label}"')
            if channel.how == "counts":
                lines.append(f"input_scale = {channel.resolution!r}")
        elif channel.unit and channel.how == "ready":
            lines.append(f'unit = "{channel.unit}"')
        if channel.role:
            lines.append(f'role = "{channel.role}"')
        if channel.position:
            lines.append(f'position = "{channel.position}"')
        if channel.zero is not None:
            lines.append(f'zero = {{ add = {channel.zero!r}, date = {car.date}, by = "crew", why = "at rest" }}')
        if channel.plausible:
            lines.append(f"plausible = [{channel.plausible[0]!r}, {channel.plausible[1]!r}]")
        if channel.invalid is not None:
            lines.append(f"invalid_raw = [{channel.invalid}]")
        if channel.tells_wiring:
            parts = {"input": channel.input, "plug": channel.plug, "supply": channel.supply, "ground": channel.ground}
            held = ", ".join(f'{key} = "{value}"' for key, value in parts.items() if value)
            lines.append(f"wiring = {{ {held} }}")
        if channel.fingerprints:
            held = ", ".join(f"{key} = {value!r}" for key, value in channel.fingerprints.items())
            lines.append(f"fingerprints = {{ {held} }}")
    for message in car.messages.values():
        frame: list[str] = []
        if message.on_change:
            frame.append("change_driven = true")
        elif not message.says_period:
            frame.append(f"period_ms = {number(message.period * 1000)}")
        if message.counter:
            start = message.counter_start
            low = start // 8 * 8 + start % 8 - 3 if message.big else start
            frame.append(f"counter = {{ start = {low}, length = 4 }}")
        if frame:
            lines += ["", f'[frame."{car.id_of(message)}"]', *frame]
    for channel in car.channels.values():
        if channel.log:
            lines += ["", "[[calibration_log]]", f'channel = "{channel.name}"', *channel.log.split("\n")]
    return "\n".join([*lines, ""])


def write_description(car: Car, folder: Path) -> Path:
    """Write databases and car file into a folder and return the car file."""
    for bus in car.buses.values():
        (folder / bus.database).write_text(database(car, bus), encoding="utf-8")
    path = folder / "car.toml"
    path.write_text(car_file(car), encoding="utf-8")
    return path
