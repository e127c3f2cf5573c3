"""Every key of the car file: the one table that the reader, the manual and the JSON Schema are made from."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from buswright.channels.carfile import model
from buswright.channels.carfile.names import (
    FormulaKind,
    SensorTable,
    SignalKind,
    parse_frame_name,
    refuse_channel_name,
    tidy_channel_name,
)
from buswright.channels.keys.kinds import (
    NOT_NEGATIVE,
    POSITIVE,
    Choice,
    Day,
    Either,
    Flag,
    Items,
    JsonSchema,
    Number,
    Span,
    Text,
    UnitName,
    pairs,
    whole,
)
from buswright.channels.keys.tables import NOT_USED_YET, Key, KeyLine, Named, NumberTable, Record, lines
from buswright.findings import THRESHOLDS
from buswright.messages.checksum import KINDS as CHECKSUM_KINDS
from buswright.messages.checksum import Checksum, Counter

FORMAT = 1

_TEXT = Text()
_ANY = Number()
_THRESHOLDS = NumberTable(
    "threshold",
    tuple(
        Key(name, NOT_NEGATIVE, f"{threshold.meaning[0].upper()}{threshold.meaning[1:]}.", threshold.default,
            unit=threshold.unit, unread=NOT_USED_YET if threshold.not_used_yet else "")
        for name, threshold in THRESHOLDS.items()
    ),
)  # fmt: skip

CAR = Record(
    "a table [car]",
    (
        Key("name", _TEXT, "What the car is called in reports."),
        Key("cylinders", whole(1, 24), "Cylinders of the engine, for its firing frequency."),
        Key("strokes", Choice("a number of strokes", (2, 4)), "Strokes of the engine.", 4),
    ),
    model.Car,
)


def _build_bus(interfaces: tuple[str | int, ...] = (), **values: Any) -> model.Bus:
    if values.get("data_bitrate") is not None:
        values.setdefault("fd", "iso")
    return model.Bus(interfaces=tuple(str(interface) for interface in interfaces), **values)


RESISTANCE = Record(
    "a table like { ohm = 60.2, date = 2026-04-02 }",
    (
        Key("ohm", NOT_NEGATIVE, "The reading in ohm; two terminators of 120 ohm give 60.", required=True),
        Key("date", Day(), "When it was taken."),
    ),
    model.Resistance,
)

BUS = Record(
    "a table [bus.NAME]",
    (
        Key("bitrate", whole(5_000, 1_000_000, "in bit/s: 500_000 or 1_000_000 are usual"), "Bit rate in bit/s.",
            required=True, also_called="baudrate baud speed rate"),
        Key("data_bitrate", whole(5_000, 12_000_000, "in bit/s"), "CAN FD: bit rate of the data phase in bit/s.",
            otherwise="the bus is classic CAN"),
        Key("fd", Choice("a CAN FD dialect", ("iso", "non-iso")),
            "CAN FD: which of its two frame formats the bus speaks.", otherwise="iso where data_bitrate stands"),
        Key(
            "interfaces",
            Items(
                Either(whole(0, 255), int, _TEXT),
                'a list of interface names or channel numbers, like ["can1", 2]',
                distinct=True,
            ),
            "What this bus is called in captures: interface names, or channel numbers of ASC files.",
            otherwise="its own name only",
            also_called="interface channels",
        ),
        Key("databases", Items(_TEXT, 'a list of database files, like ["engine.dbc"]', distinct=True),
            "Database files of this bus, relative to the car file.", also_called="dbc database dbcs"),
        Key("chain", Items(_TEXT, "a list of module names", distinct=True),
            "Modules in the order in which the bus runs past them.", also_called="modules order"),
        Key("terminators", Items(_TEXT, "a list of module names", most=4, distinct=True),
            "Modules that hold a terminating resistor.", also_called="termination"),
        Key("lengths_m", Items(Number(low=0.0, high=1000.0), "a list of lengths in metres, like [0.6, 1.4]"),
            "Metres of bus from each module of chain to the next.", also_called="lengths length_m"),
        Key("resistance", RESISTANCE, "What a meter showed between the two bus wires, battery disconnected."),
        Key("thresholds", _THRESHOLDS, "Detector defaults that this bus overrides, by name."),
    ),
    _build_bus,
    named=True,
)  # fmt: skip

MODULE = Record(
    "a table [module.NAME]",
    (
        Key("bus", _TEXT, "The bus it is on.", required=True),
        Key("messages", Items(_TEXT, "a list of message names", distinct=True),
            "Messages it sends: names from the database, or identifiers like 1A0 on a bus without one.",
            otherwise="the messages whose database sender has the module's name"),
        Key("part", _TEXT, "What it is: maker's name and part number.", also_called="part_number type"),
        Key("serial", _TEXT, "Its serial number.", also_called="serial_number"),
        Key("firmware", _TEXT, "Version of its firmware.", also_called="software version"),
        Key("place", _TEXT, "Where in the car it is.", also_called="location"),
        Key("plug", _TEXT, "Its plug on the bus.", also_called="connector"),
        Key("supply", _TEXT, "Fuse or output that feeds it.", also_called="fuse power"),
        Key("ground", _TEXT, "Ground point that it is on."),
        Key("stub_m", Number(low=0.0, high=100.0), "Metres of wire from the bus to it.", also_called="stub"),
    ),
    model.Module,
    named=True,
)  # fmt: skip

ZERO = Record(
    "a table like { add = -71.2, date = 2026-04-02 }",
    (
        Key("add", _ANY, "Added to the calibrated value, in the channel's unit.", required=True,
            also_called="offset value"),
        Key("date", Day(), "When it was found."),
        Key("by", _TEXT, "Who found it."),
        Key("why", _TEXT, "In which state of the car it was found."),
    ),
    model.Zero,
)  # fmt: skip

LIMITS = Record(
    "a table like { low = 5.0, high = 145.0 }",
    (
        Key("low", _ANY, "Below this, in the channel's unit.", also_called="min minimum below"),
        Key("high", _ANY, "Above this, in the channel's unit.", also_called="max maximum above"),
        Key("hold_s", NOT_NEGATIVE, "Seconds that the value must stay beyond.", 0.0, also_called="hold delay_s"),
        Key("hysteresis", NOT_NEGATIVE, "How far it must come back to clear, in the channel's unit.", 0.0),
        Key("when", FormulaKind(), "Only judged while this formula is true.", otherwise="always",
            also_called="if condition"),
    ),
    model.Limits,
)  # fmt: skip

WIRING = Record(
    'a table like { input = "AIN1", plug = "C12" }',
    (
        Key("input", _TEXT, "Input of the module."),
        Key("plug", _TEXT, "Connector that the wire runs through.", also_called="connector"),
        Key("pin", _TEXT, "Pin of that plug."),
        Key("supply", _TEXT, "Sensor supply that feeds it.", also_called="reference"),
        Key("ground", _TEXT, "Ground point that it shares with others."),
    ),
    model.Wiring,
)

FINGERPRINTS = Record(
    "a table like { open = 4.98, to_ground = 0.01 }",
    (
        Key("open", _ANY, "Volts at the input with the wire open."),
        Key("to_ground", _ANY, "Volts at the input with the wire on ground."),
        Key("to_supply", _ANY, "Volts at the input with the wire on the supply."),
    ),
    model.Fingerprints,
)

CHANNEL = Record(
    "a table [channel.NAME]",
    (
        Key("signal", SignalKind(), "The database signal it comes from, as bus/message/signal."),
        Key("formula", FormulaKind(), "The formula that computes it from other channels, in place of a signal."),
        Key("sensor", _TEXT, "Name of its [sensor.NAME].", otherwise="the database's scaling is final"),
        Key("input_scale", Number(),
            "The sensor's electrical units per unit of the signal, for signals that are counts.",
            otherwise="the signal's unit is converted", also_called="scale factor"),
        Key("zero", ZERO, "A correction found on the car.", also_called="offset"),
        Key("unit", UnitName(label=True), "Unit of its value.", otherwise="the sensor's unit, else the database's",
            also_called="units"),
        Key("role", Choice("a role", model.ROLES), "The quantity that detectors may rely on it for."),
        Key("position", Choice("a position", model.POSITIONS), "Where on the car it is.",
            also_called="location corner"),
        Key("expected_hz", POSITIVE, "Expected rate.", otherwise="the database's cycle time",
            also_called="rate rate_hz frequency hz"),
        Key("delay_s", Number(low=0.0, high=10.0), "How late the value is, in seconds.", 0.0, also_called="delay"),
        Key("plausible", Span(), "What the quantity can be, [low, high] in the channel's unit.", also_called="range"),
        Key("caution", LIMITS, "Limits that deserve a look.", also_called="alarm limits"),
        Key("warning", LIMITS, "Limits that demand action; they lie beyond those of caution.", also_called="alarm"),
        Key("invalid_raw", Items(Number(whole=True), "a list of whole numbers, like [65535]", distinct=True),
            "Raw values by which the sender says that it has none."),
        Key("wiring", WIRING, "The path of its wire, so that faults can be located by what they share."),
        Key("fingerprints", FINGERPRINTS, "What the input reads in each wiring fault, in volts, from the bench test."),
        Key("thresholds", _THRESHOLDS, "Detector defaults that this channel overrides, by name."),
    ),
    model.Channel,
    named=True,
)  # fmt: skip

COUNTER = Record(
    "a table like { start = 56, length = 4 }",
    (
        Key("start", whole(0, 511),
            "Its lowest bit, numbered as for little-endian signals: bit 0 is the lowest of byte 0.", required=True),
        Key("length", whole(1, 32), "Its bits.", required=True),
        Key("modulus", whole(2, 2**32), "How many values it takes before it starts again.",
            otherwise="all that fit its bits"),
    ),
    Counter,
)  # fmt: skip

CHECKSUM = Record(
    'a table like { kind = "crc8-j1850", byte = 7 }',
    (
        Key("kind", Choice("a kind of checksum", tuple(CHECKSUM_KINDS)), "How it is computed.", required=True),
        Key("byte", whole(0, 63), "Its (first) byte, from 0.", required=True),
        Key("over", Span(whole(0, 63), equal=True), "First and last byte that it covers, from 0.",
            otherwise="all bytes but its own"),
        Key(
            "data_id",
            Either(
                whole(0, 0xFFFF_FFFF),
                int,
                Items(whole(0, 255), "a number, or a list of sixteen bytes", least=16, most=16),
            ),
            "What the sender mixes in besides the payload; for e2e-p02 also a list of sixteen bytes.",
        ),
    ),
    Checksum,
)  # fmt: skip


def _build_frame(name: str, **values: Any) -> model.FrameEntry | None:
    frame_name, _, _ = parse_frame_name(name)
    return model.FrameEntry(frame_name, **values) if frame_name else None


FRAME = Record(
    'a table [frame."bus/ID"]',
    (
        Key("period_ms", POSITIVE, "Nominal period; wins over expected_hz and the database.",
            otherwise="expected_hz, then the database's cycle time, then what the traffic shows",
            also_called="cycle_ms cycle_time_ms period"),
        Key("change_driven", Flag(), "Whether it is sent when something changes, so that silence is no fault.",
            otherwise="recognised from the traffic"),
        Key("counter", COUNTER, "A counter in its payload."),
        Key("checksum", CHECKSUM, "A checksum in its payload.", also_called="crc"),
        Key("thresholds", _THRESHOLDS, "Detector defaults that this frame overrides, by name."),
    ),
    _build_frame,
    named=True,
)  # fmt: skip


def _refuse_channel(name: str) -> tuple[str, str]:
    why = refuse_channel_name(name)
    return why, f"[channel.{tidy_channel_name(name)}] would do" if why else ""


CALIBRATION_RECORD = Record(
    "a table [[calibration_log]]",
    (
        Key("channel", _TEXT, "The channel that was calibrated; or sensor."),
        Key("sensor", _TEXT, "The sensor that was calibrated on the bench; or channel."),
        Key("date", Day(), "The day on which it was done.", required=True),
        Key("by", _TEXT, "Who did it."),
        Key("reference", _TEXT, "What it was compared with."),
        Key("readings", pairs("[electrical, value]"), "Pairs of electrical reading and true value."),
        Key("as_found", _TEXT, "What it showed before."),
        Key("as_left", _TEXT, "What it showed after."),
        Key("residual", NOT_NEGATIVE, "Largest error that is left, in the unit of the value."),
        Key("due", Day(), "When it should be done again.", also_called="due_date expires valid_until"),
    ),
    model.CalibrationRecord,
)

DOCUMENT = Record(
    "a car file",
    (
        Key("format", Choice("a format that this version reads", (FORMAT,)),
            "Version of the car file's format, the number 1.", required=True, also_called="version"),
        Key("car", CAR, "The car itself."),
        Key("bus", Named(BUS, "[bus.NAME]"), "The CAN networks of the car, by name.", also_called="buses network can"),
        Key("module", Named(MODULE, "[module.NAME]"), "The nodes that send messages, by name.", also_called="node"),
        Key("sensor", Named(SensorTable(), "[sensor.NAME]"), "The kinds of devices, by name."),
        Key("channel", Named(CHANNEL, "[channel.NAME]", _refuse_channel), "The quantities of the car, by name.",
            also_called="signal"),
        Key("frame", Named(FRAME, '[frame."bus/ID"]', lambda name: parse_frame_name(name)[1:]),
            "What the database can't say about a frame; three hexadecimal digits are 11 bits, eight are 29.",
            also_called="message id"),
        Key("calibration_log", Items(CALIBRATION_RECORD, "tables [[calibration_log]]"),
            "The calibrations that were done, appended by the program and by hand.", also_called="calibration"),
    ),
    dict,
)  # fmt: skip
"""The whole file; its `build` gives a dict by table."""

HOMES: Mapping[str, str] = MappingProxyType(
    {
        name: " or ".join(table.heading for table in tables if name in table.entry.key_names)
        for tables in [tuple(key.kind for key in DOCUMENT.keys if isinstance(key.kind, Named))]
        for table in tables
        for name in table.entry.key_names
    }
    | {key.name: "[car]" for key in CAR.keys}
)
"""Where a key belongs, for one that stands in the wrong table."""


def key_lines() -> tuple[KeyLine, ...]:
    """Return every key of the file with its dotted path, for the manual."""
    return tuple(lines(DOCUMENT.keys))


def json_schema() -> JsonSchema:
    """Return the JSON Schema (2020-12) of the car file, for editors that check TOML while it is typed."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Buswright car file",
        **DOCUMENT.schema(),
    }
