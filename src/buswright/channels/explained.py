"""How one sample became a value: from the raw number to the unit, a step at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from buswright.channels.measuring.measured import electrical_of
from buswright.channels.samples.series import Series, describe_quality

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile, Channel, Sensor
    from buswright.channels.session import Session
    from buswright.messages.model import Signal


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what it is called, and what happened to the number."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Explained:
    """One sample, explained.

    `steps`: from the raw number to the unit.
    """

    channel: str
    time_ns: int
    steps: tuple[Step, ...]


def explain(session: Session, name: str, at_ns: int | None = None) -> Explained | None:
    """Explain a channel's last sample at or before a time; None: it had none by then.

    Parameters
    ----------
    session
        The capture, decoded.
    at_ns
        On the capture's clock; None: the last sample of all.

    Raises
    ------
    KeyError
        There is no channel of that name.
    """
    series = session[name]
    rows = np.arange(len(series)) if at_ns is None else np.flatnonzero(series.time_ns <= at_ns)
    if not len(rows):
        return None
    channel = session.car.channels[name] if session.car is not None else None
    sensor = session.car.sensors[channel.sensor] if session.car and channel and channel.sensor else None
    home, signal = session.home(name), None
    if home is not None:
        message = session.recorded.messages[home]
        wanted = channel.signal.signal if channel is not None and channel.signal else name.rpartition("/")[2]
        signal = message.signals[wanted].signal
        home = f"{home} (identifier {message.group.message.identifier if message.group.message is not None else ''})"
    return _explained(series, int(rows[-1]), channel, sensor, home or "", signal, session.__getitem__)


def explain_sample(car: CarFile, series: Series, row: int, others: Mapping[str, Series]) -> Explained:
    """Explain one sample of a channel by the car file, where no session is at hand.

    Parameters
    ----------
    series, row
        The channel's samples, and which of them.
    others
        Samples of further channels by name, as far as they are known: references, and what formulas take.

    Raises
    ------
    KeyError
        The car file has no channel of that name.
    """
    channel = car.channels[series.name]
    sensor = car.sensors[channel.sensor] if channel.sensor else None
    home, signal = "", None
    if channel.signal is not None:
        message = car.databases[channel.signal.bus].find(channel.signal.message_name)
        signal = message.signal(channel.signal.signal)
        home = f"{channel.signal.bus}/{message.name} (identifier {message.identifier})"
    return _explained(series, row, channel, sensor, home, signal, others.get)


def _explained(
    series: Series,
    row: int,
    channel: Channel | None,
    sensor: Sensor | None,
    home: str,
    signal: Signal | None,
    other: Callable[[str], Series | None],
) -> Explained:
    steps, at_ns = [], int(series.time_ns[row])
    if channel is not None and channel.formula is not None:
        steps += [Step("formula", channel.formula.text)]
        steps += [Step("input", _held(each, other(each), at_ns)) for each in channel.formula.inputs]
    elif signal is not None:
        steps += [Step("frame", f"{home}, signal {signal.name}: {layout_words(signal)}")]
        steps += _of_raw(series, row, channel, sensor, signal, other)
    if channel is not None and channel.zero is not None and channel.zero.add:
        zero = channel.zero
        said = ", ".join(str(each) for each in (zero.date, zero.by, zero.why) if each)
        steps.append(Step("zero", f"{zero.add:+g} {series.unit}" + (f" ({said})" if said else "")))
    steps.append(Step("value", _sample(series, row)))
    bits = 0 if series.quality is None else int(series.quality[row])
    steps.append(Step("quality", describe_quality(bits) if bits else "nothing objected to"))
    return Explained(series.name, at_ns, tuple(steps))


def _of_raw(
    series: Series,
    row: int,
    channel: Channel | None,
    sensor: Sensor | None,
    signal: Signal,
    other: Callable[[str], Series | None],
) -> list[Step]:
    if series.raw is None:
        return []
    raw = series.raw[row].item()
    steps = [Step("raw", f"{raw:,}" + (f" (0x{raw:X})" if isinstance(raw, int) and raw > 9 else ""))]
    scaled = float(raw) * float(signal.scale) + float(signal.offset)
    sign = "−" if float(signal.offset) < 0 else "+"
    offset = f" {sign} {abs(float(signal.offset)):g}" if signal.offset else ""
    steps.append(Step("database", f"{raw:,} × {float(signal.scale):g}{offset} = {_number(scaled, signal.unit)}"))
    if channel is None or sensor is None or series.volts is None:
        return steps
    unit = sensor.calibration.electrical
    seen = float(electrical_of(channel, sensor, signal.unit, np.array([scaled]))[0])
    if channel.input_scale is not None:
        steps.append(Step("input", f"× input_scale {channel.input_scale:g} = {_number(seen, unit)}"))
    elif signal.unit != unit:
        steps.append(Step("input", f"{_number(scaled, signal.unit)} = {_number(seen, unit)}"))
    made = float(series.value[row]) - (channel.zero.add if channel.zero is not None else 0.0)
    curve = f"{sensor.name}: {sensor.calibration.describe()}"
    steps += [
        Step("input", _held(need.channel, other(need.channel), int(series.time_ns[row])))
        for need in sensor.calibration.needs
    ]
    steps.append(Step("sensor", f"{curve}; {_number(seen, unit)} = {_number(made, series.unit)}"))
    if sensor.healthy is not None:
        low, high = sensor.healthy
        side = "inside" if low < seen < high else "outside"
        steps.append(Step("wiring", f"{_number(seen, unit)} is {side} healthy {low:g} to {high:g}"))
    return steps


def layout_words(signal: Signal) -> str:
    """Say where in the payload a signal lies and how it is read: "bits 16-31, little-endian, unsigned"."""
    order = "big-endian" if signal.big_endian else "little-endian"
    kind = "float" if signal.is_float else "signed" if signal.signed else "unsigned"
    return f"start bit {signal.start}, {signal.length} bits, {order}, {kind}"


def _held(name: str, series: Series | None, time_ns: int) -> str:
    """Say what another channel was at a time: its last sample by then."""
    if series is None:
        return f"{name}, as it was at that time"
    rows = np.flatnonzero(series.time_ns <= time_ns)
    if not len(rows):
        return f"{name}: no sample by then"
    return f"{name} = {_sample(series, int(rows[-1]))}"


def _sample(series: Series, row: int) -> str:
    """Write a value, and what its state is called."""
    label = series.label(row)
    return _number(float(series.value[row]), series.unit) + (f" ({label})" if label else "")


def _number(value: float, unit: str) -> str:
    return f"{value:.6g} {unit}".rstrip()
