"""What a car file says, as frozen values: a field for each key, whose meaning and unit stand in `keys.py`."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from buswright.findings import THRESHOLDS
from buswright.messages.checksum import Checksum, Counter
from buswright.messages.match import ANY_SOURCE, Matcher, distance, parameter_group, split_source, with_source
from buswright.messages.model import J1939, identifier_text
from buswright.wording import plural

if TYPE_CHECKING:
    from buswright.channels.calibration.kind import Calibration
    from buswright.channels.formula.parse import Formula
    from buswright.channels.keys.faults import Fault
    from buswright.messages.model import Database, Message

ROLES = (
    *("engine_speed", "vehicle_speed", "wheel_speed", "throttle", "gear", "brake_pressure", "steering_angle"),
    *("accel_long", "accel_lat", "accel_vert", "yaw_rate", "damper_travel"),
    *("manifold_pressure", "barometric_pressure", "oil_pressure", "fuel_pressure"),
    *("oil_temperature", "coolant_temperature", "air_temperature", "exhaust_temperature", "lambda"),
    *("battery_voltage", "module_supply", "reference_voltage", "fan_state", "latitude", "longitude"),
)
"""What detectors may rely on: the quantity that a channel stands for."""

SHARED_ROLES = frozenset({"module_supply", "reference_voltage", "exhaust_temperature", "lambda"})
"""Roles that several channels without a position may have: one a module, a supply, a cylinder."""

POSITIONS = ("front-left", "front-right", "rear-left", "rear-right", "front", "rear", "left", "right")

NO_THRESHOLDS: Mapping[str, float] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Car:
    """The car itself; `name` is empty and `cylinders` None where the file doesn't say."""

    name: str = ""
    cylinders: int | None = None
    strokes: int = 4


@dataclass(frozen=True, slots=True)
class Resistance:
    """What a meter showed between the two wires of a bus, with the battery disconnected."""

    ohm: float
    date: datetime.date | None = None


@dataclass(frozen=True, slots=True)
class Bus:
    """One physical CAN network.

    Attributes
    ----------
    bitrate, data_bitrate
        Bit/s; the latter only for CAN FD.
    databases
        Absolute paths.
    """

    name: str
    bitrate: int
    data_bitrate: int | None = None
    fd: Literal["iso", "non-iso"] | None = None
    interfaces: tuple[str, ...] = ()
    databases: tuple[Path, ...] = ()
    chain: tuple[str, ...] = ()
    terminators: tuple[str, ...] = ()
    lengths_m: tuple[float, ...] = ()
    resistance: Resistance | None = None
    thresholds: Mapping[str, float] = field(default_factory=lambda: NO_THRESHOLDS)


@dataclass(frozen=True, slots=True)
class Module:
    """A node that sends messages: names from the database, or identifiers (`1A0`) of a bus that has none.

    The other texts describe the device and how it is fitted; they are empty where unknown. `stub_m` are the metres of
    wire from the bus to it.
    """

    name: str
    bus: str
    messages: tuple[str, ...] = ()
    part: str = ""
    serial: str = ""
    firmware: str = ""
    place: str = ""
    plug: str = ""
    supply: str = ""
    ground: str = ""
    stub_m: float | None = None


@dataclass(frozen=True, slots=True)
class Sensor:
    """A kind of device: its calibration and what healthy looks like.

    Attributes
    ----------
    calibration
        Electrical input to value; knows kind, electrical unit and unit.
    max_rate
        Fastest real change, in the calibration's unit per second.
    written
        Its table as it stands in the file.
    """

    name: str
    calibration: Calibration
    healthy: tuple[float, float] | None = None
    open_reads: Literal["high", "low", "floating"] | None = None
    max_rate: float | None = None
    cautions: tuple[str, ...] = ()
    written: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}), compare=False, repr=False)


class SignalName(NamedTuple):
    """Where a channel comes from. For J1939 the message may name its source address: `EEC1@00`."""

    bus: str
    message: str
    signal: str

    def __str__(self) -> str:
        return "/".join(self)

    @property
    def message_name(self) -> str:
        """The message as the database calls it, without a source address."""
        return split_source(self.message)[0]


@dataclass(frozen=True, slots=True)
class Zero:
    """A correction found on the car: value = curve(electrical) + add, in the channel's unit."""

    add: float
    date: datetime.date | None = None
    by: str = ""
    why: str = ""


Level = Literal["caution", "warning"]
"""The warning is the graver one."""

Side = Literal["low", "high"]


@dataclass(frozen=True, slots=True)
class Limits:
    """A caution or a warning."""

    low: float | None = None
    high: float | None = None
    hold_s: float = 0.0
    hysteresis: float = 0.0
    when: Formula | None = None

    @property
    def ends(self) -> list[tuple[Side, float]]:
        """On which sides there is a limit, and where."""
        ends: tuple[tuple[Side, float | None], ...] = (("low", self.low), ("high", self.high))
        return [(side, limit) for side, limit in ends if limit is not None]


@dataclass(frozen=True, slots=True)
class Wiring:
    """The path of a channel's wire, so that faults can be located by what they share; empty where unknown."""

    input: str = ""
    plug: str = ""
    pin: str = ""
    supply: str = ""
    ground: str = ""


@dataclass(frozen=True, slots=True)
class Fingerprints:
    """What the input reads with the wire open or shorted, in volts, from the bench test."""

    open: float | None = None
    to_ground: float | None = None
    to_supply: float | None = None


@dataclass(frozen=True, slots=True)
class Channel:
    """A named, calibrated quantity of the car: from a signal, or computed by a formula.

    Attributes
    ----------
    signal, formula
        One of the two is there.
    unit
        Unit of the value; empty: the sensor's, else the database's.
    """

    name: str
    signal: SignalName | None = None
    formula: Formula | None = None
    sensor: str | None = None
    input_scale: float | None = None
    zero: Zero | None = None
    unit: str = ""
    role: str | None = None
    position: str | None = None
    expected_hz: float | None = None
    delay_s: float = 0.0
    plausible: tuple[float, float] | None = None
    caution: Limits | None = None
    warning: Limits | None = None
    invalid_raw: tuple[int, ...] = ()
    wiring: Wiring = field(default_factory=Wiring)
    fingerprints: Fingerprints = field(default_factory=Fingerprints)
    thresholds: Mapping[str, float] = field(default_factory=lambda: NO_THRESHOLDS)

    @property
    def limits(self) -> list[tuple[Level, Limits]]:
        """Its caution and its warning, as far as it has them."""
        levels: tuple[tuple[Level, Limits | None], ...] = (("caution", self.caution), ("warning", self.warning))
        return [(level, limits) for level, limits in levels if limits is not None]

    @property
    def limit_values(self) -> list[tuple[Level, Side, float]]:
        """Every limit with its level and side."""
        return [(level, side, limit) for level, limits in self.limits for side, limit in limits.ends]


class FrameName(NamedTuple):
    """Which frame: `chassis/1A0` has 11 bits, `chassis/000001A0` has 29."""

    bus: str
    id: int
    extended: bool

    def __str__(self) -> str:
        return f"{self.bus}/{self.id:08X}" if self.extended else f"{self.bus}/{self.id:03X}"


@dataclass(frozen=True, slots=True)
class FrameEntry:
    """What the database can't say about a frame.

    Attributes
    ----------
    change_driven
        Sent when something changes, so silence isn't a fault; None: recognised from the traffic.
    """

    name: FrameName
    period_ms: float | None = None
    change_driven: bool | None = None
    counter: Counter | None = None
    checksum: Checksum | None = None
    thresholds: Mapping[str, float] = field(default_factory=lambda: NO_THRESHOLDS)


class Entries:
    """Finds what a car file says of a frame: under its identifier, in J1939 under its parameter group too.

    There an entry of the same source address comes first, of whatever priority (and destination), then one of the
    address FE, which stands for any source, then one of the identifier that the database has.

    Parameters
    ----------
    databases
        By bus: they say what is J1939.
    """

    def __init__(self, frames: Mapping[FrameName, FrameEntry], databases: Mapping[str, Database]) -> None:
        self._frames = frames
        self._matcher = Matcher(databases)
        self._by_group: dict[tuple[str, int], list[FrameName]] = {}
        for name in frames:
            if name.extended:
                self._by_group.setdefault((name.bus, parameter_group(name.id)), []).append(name)

    def of(self, name: FrameName, message: Message | None = None) -> FrameEntry | None:
        """Return the entry of a frame; `message` is what another database than the car file's calls it."""
        found = self._frames.get(name)
        if found is not None or not name.extended:
            return found
        alike = self._by_group.get((name.bus, parameter_group(name.id)), ())
        message = (message or self.message(name)) if alike else None
        if message is None or message.protocol != J1939:
            return None
        sources = (name.id & 0xFF, ANY_SOURCE)
        fitting = [each for each in alike if each.id & 0xFF in sources or each.id == message.id]
        best = min(fitting, key=lambda each: distance(each.id, name.id), default=None)
        return None if best is None else self._frames[best]

    def message(self, name: FrameName) -> Message | None:
        """Return what the car file's databases call a frame."""
        return self._matcher.find(*name).message


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """One calibration that was done: of a channel, or of a sensor on the bench (one of the two is there)."""

    date: datetime.date
    channel: str | None = None
    sensor: str | None = None
    by: str = ""
    reference: str = ""
    readings: tuple[tuple[float, float], ...] = ()
    as_found: str = ""
    as_left: str = ""
    residual: float | None = None
    due: datetime.date | None = None


@dataclass(frozen=True, slots=True)
class CarFile:
    """A car file without errors.

    Attributes
    ----------
    path
        The file as the caller named it.
    hash
        SHA-256 of its bytes, hexadecimal.
    buses, modules, sensors, channels
        By name, in file order.
    frames
        By bus and identifier.
    calibration_log
        In file order.
    databases
        By bus; each the bus's database files in one, later files winning.
    faults
        The warnings and notes that were found.
    entries
        Finds the entry of a frame in `frames`.
    """

    path: Path
    hash: str
    car: Car
    buses: Mapping[str, Bus]
    modules: Mapping[str, Module]
    sensors: Mapping[str, Sensor]
    channels: Mapping[str, Channel]
    frames: Mapping[FrameName, FrameEntry]
    calibration_log: tuple[CalibrationRecord, ...]
    databases: Mapping[str, Database]
    faults: tuple[Fault, ...] = ()
    entries: Entries = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "entries", Entries(self.frames, self.databases))

    def __repr__(self) -> str:
        return f"<CarFile {self.path.name}: {self.car.name}, {plural(len(self.channels), 'channel')}>"

    def sources_of(self, name: str) -> list[str]:
        """Channels that one is made of: inputs of its formula, references of its calibration."""
        channel = self.channels[name]
        sensor = self.sensors.get(channel.sensor) if channel.sensor else None
        references = [need.channel for need in sensor.calibration.needs] if sensor else []
        return [*(channel.formula.inputs if channel.formula else ()), *references]

    def message(self, bus: str, name: str) -> Message | None:
        """Return a database message of a bus by its name; the source address in `EEC1@00` is left aside."""
        database = self.databases.get(bus)
        return find_message(database, name) if database else None

    def module_of(self, bus: str, message: str) -> str | None:
        """Return the module that sends a message, given by name or, without a database, by identifier (`1A0`).

        Modules of the car file win over the database's senders; None if neither names one.
        """
        found = self.message(bus, message)
        name, source = split_source(message)
        exact = {message} if found is None else {message, found.identifier}
        if found is not None and source is not None:  # a module that lists this source address comes first
            exact = {message, identifier_text(with_source(found.id, source), found.extended)}
        for names in (exact, {name, *((found.name, found.identifier) if found else ())}):
            for module in self.modules.values():
                if module.bus == bus and any(each in names or each.upper() in names for each in module.messages):
                    return module.name
        return found.senders[0] if found and found.senders else None

    def calibrations_of(self, channel: Channel) -> list[CalibrationRecord]:
        """Return the calibrations of a channel and of its sensor, latest last."""
        own = [
            one
            for one in self.calibration_log
            if one.channel == channel.name or (one.sensor is not None and one.sensor == channel.sensor)
        ]
        return sorted(own, key=lambda one: one.date)

    def due_by(self, channel: Channel) -> CalibrationRecord | None:
        """Return the calibration whose due date holds for a channel; None where none names one.

        A zero found later, without readings, leaves the date of the curve as it is.
        """
        curves = [one for one in self.calibrations_of(channel) if one.readings or one.due is not None]
        return curves[-1] if curves and curves[-1].due is not None else None

    def threshold(
        self, name: str, *, channel: str | None = None, frame: FrameName | None = None, bus: str | None = None
    ) -> float:
        """Return a detector's threshold: the override of the channel, else of the frame or bus, else the default.

        Raises
        ------
        KeyError
            There is no threshold of that name.
        """
        described: tuple[Channel | FrameEntry | Bus | None, ...] = (
            self.channels.get(channel) if channel else None,
            self.entries.of(frame) if frame else None,
            self.buses.get(bus) if bus else None,
        )
        for entry in described:
            if entry and name in entry.thresholds:
                return entry.thresholds[name]
        return THRESHOLDS[name].default


def buses_in_order(names: Iterable[str], car: CarFile | None) -> list[str]:
    """Return each bus once: those of the car file in its order, then the others by name."""
    place = {name: number for number, name in enumerate(car.buses)} if car is not None else {}
    return sorted(set(names), key=lambda name: (place.get(name, len(place)), name))


def find_message(database: Database, name: str) -> Message | None:
    """Return the last message of that name, as decoding does; `EEC1@00` also finds `EEC1`."""
    for wanted in (name, split_source(name)[0]):
        for message in reversed(database.messages):
            if message.name == wanted:
                return message
    return None
