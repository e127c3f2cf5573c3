"""What is known of a followed channel besides its samples: where it comes from and how often it should come."""

from __future__ import annotations

from dataclasses import dataclass

from buswright.channels.carfile.model import CarFile, Channel, Wiring
from buswright.channels.expectation import Expectation, Expectations, name_of, rate_of_channel
from buswright.channels.following.model import SilenceLimits
from buswright.messages.match import Group, Kind
from buswright.messages.model import Signal

_NO_WIRING = Wiring()


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a channel comes from.

    Attributes
    ----------
    unit, electrical
        Its unit as far as it is known before there is a sample; unit at the sensor's input, "" without a sensor.
    bus, message, module
        "" where nobody says.
    expected
        How its samples should come.
    delay_ns
        How much earlier its time stamps are than its frames.
    silence
        How long its frames may be silent.
    wiring, formula
        Of the car file; None and "" where there is none.
    """

    unit: str
    electrical: str
    bus: str
    message: str
    module: str
    expected: Expectation
    delay_ns: int
    silence: SilenceLimits
    wiring: Wiring | None
    formula: str


def origin_of_signal(expectations: Expectations, group: Group, signal: Signal) -> Origin:
    """Return what the database says of a signal."""
    message = group.message
    assert message is not None, "only frames of known messages have signals"
    sender = message.senders[0] if message.senders else ""
    expected, silence = expectations.of_signal(group, signal), SilenceLimits.of(None, None, group.bus)
    return Origin(signal.unit, "", group.bus, group.name, sender, expected, 0, silence, None, "")


def origin_of_channel(expectations: Expectations, car: CarFile, channel: Channel, group: Group | None) -> Origin:
    """Return what car file and database say of a channel; `group` is where it was found, None before that."""
    sensor = car.sensors.get(channel.sensor) if channel.sensor else None
    unit = channel.unit or (sensor.calibration.unit if sensor else "")
    electrical = sensor.calibration.electrical if sensor else ""
    wiring = channel.wiring if channel.wiring != _NO_WIRING else None
    if channel.signal is None:
        formula = channel.formula.text if channel.formula else ""
        expected = Expectation(rate_of_channel(channel.expected_hz))
        return Origin(unit, "", "", "", "", expected, 0, SilenceLimits.of(car, None, ""), wiring, formula)
    bus, name = channel.signal.bus, group.name if group else channel.signal.message
    message = group.message if group else car.message(bus, name)
    signal = None
    if message is not None:
        signal = next((each for each in message.signals if each.name == channel.signal.signal), None)
    if message is None or signal is None:
        expected = Expectation(rate_of_channel(channel.expected_hz))
    else:
        expected = expectations.of_signal(group or Group(Kind.MESSAGE, bus, message), signal, channel.expected_hz)
    return Origin(
        unit or (signal.unit if signal else ""),
        electrical,
        bus,
        name,
        car.module_of(bus, name) or "",
        expected,
        round(channel.delay_s * 1e9),
        SilenceLimits.of(car, name_of(group) if group else None, bus),
        wiring,
        "",
    )
