"""What is known of a followed channel besides its samples: where it comes from and how often it should come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from buswright.channels.carfile.model import CarFile, Channel, FrameName, Wiring
from buswright.messages.match import Group
from buswright.messages.model import Message, Signal

_NO_WIRING = Wiring()
_NO_LABELS: Mapping[int, str] = {}


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a channel comes from.

    Attributes
    ----------
    unit, electrical
        Its unit as far as it is known before there is a sample; unit at the sensor's input, "" without a sensor.
    bus, message, module
        "" where nobody says.
    expected_hz
        None where nobody says.
    change_driven
        Sent when something changes, so silence is no fault.
    labels
        Raw value to text.
    delay_ns
        How much earlier its time stamps are than its frames.
    wiring, formula
        Of the car file; None and "" where there is none.
    """

    unit: str
    electrical: str
    bus: str
    message: str
    module: str
    expected_hz: float | None
    change_driven: bool
    labels: Mapping[int, str]
    delay_ns: int
    wiring: Wiring | None
    formula: str


def origin_of_signal(group: Group, signal: Signal) -> Origin:
    """Return what the database says of a signal."""
    message = group.message
    assert message is not None, "only frames of known messages have signals"
    rate = None
    if message.cycle_time_ms and not message.change_driven and signal.multiplexer is None:
        rate = 1000.0 / message.cycle_time_ms
    sender = message.senders[0] if message.senders else ""
    labels = signal.choices
    return Origin(signal.unit, "", group.bus, group.name, sender, rate, message.change_driven, labels, 0, None, "")


def origin_of_channel(car: CarFile, channel: Channel, group: Group | None) -> Origin:
    """Return what car file and database say of a channel; `group` is where it was found, None before that."""
    sensor = car.sensors.get(channel.sensor) if channel.sensor else None
    unit = channel.unit or (sensor.calibration.unit if sensor else "")
    electrical = sensor.calibration.electrical if sensor else ""
    wiring = channel.wiring if channel.wiring != _NO_WIRING else None
    if channel.signal is None:
        formula = channel.formula.text if channel.formula else ""
        return Origin(unit, "", "", "", "", channel.expected_hz, False, _NO_LABELS, 0, wiring, formula)
    bus, name = channel.signal.bus, group.name if group else channel.signal.message
    message = group.message if group else car.message(bus, name)
    signal = None
    if message is not None:
        signal = next((each for each in message.signals if each.name == channel.signal.signal), None)
    rate, change_driven = _rate(car, channel, message, signal)
    return Origin(
        unit or (signal.unit if signal else ""),
        electrical,
        bus,
        name,
        car.module_of(bus, name) or "",
        rate,
        change_driven,
        signal.choices if signal else _NO_LABELS,
        round(channel.delay_s * 1e9),
        wiring,
        "",
    )


def _rate(car: CarFile, channel: Channel, message: Message | None, signal: Signal | None) -> tuple[float | None, bool]:
    """Return the expected rate (None: nobody says), and whether the message is sent on change."""
    assert channel.signal is not None
    if message is None:
        return channel.expected_hz, False
    entry = car.frames.get(FrameName(channel.signal.bus, message.id, message.extended))
    change_driven = message.change_driven or (entry is not None and bool(entry.change_driven))
    if channel.expected_hz or change_driven:
        return channel.expected_hz, change_driven
    if signal is not None and signal.multiplexer is not None:
        return None, False  # it comes with some of its message's frames only
    period = car.expected_period(channel.signal.bus, message.id, message.extended)
    return (1000.0 / period.period_ms if period else None), False
