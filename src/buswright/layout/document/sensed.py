"""The channels of a layout with their sensors, wiring and calibrations."""

from __future__ import annotations

import json
from collections.abc import Iterator

from buswright.channels import units
from buswright.channels.calibration.registry import SENSOR_KEYS
from buswright.channels.carfile.model import CarFile, Channel, Limits, Sensor
from buswright.layout.document.gathered import Gathered
from buswright.layout.document.messages import PLACES, says_where
from buswright.layout.document.model import CalibrationLayout, ChannelLayout, SensorLayout
from buswright.wording import listed


def sensor_layouts(car: CarFile | None) -> tuple[SensorLayout, ...]:
    """Return the sensors of the car file."""
    return tuple(_sensor(sensor) for sensor in car.sensors.values()) if car is not None else ()


def _sensor(sensor: Sensor) -> SensorLayout:
    calibration = sensor.calibration
    return SensorLayout(
        name=sensor.name,
        kind=calibration.kind,
        text=calibration.describe(),
        electrical=calibration.electrical,
        unit=calibration.unit,
        curve=_curve(sensor),
        healthy=sensor.healthy or (),
        open_reads=sensor.open_reads or "",
        max_rate=sensor.max_rate,
        cautions=sensor.cautions,
    )


def _curve(sensor: Sensor) -> str:
    """Return the keys of the curve as JSON, so that it can be read and compared again."""
    beside = {key.name for key in SENSOR_KEYS}
    return json.dumps({name: value for name, value in sensor.written.items() if name not in beside}, sort_keys=True)


def calibration_layouts(car: CarFile | None) -> tuple[CalibrationLayout, ...]:
    """Return the calibrations that were done, in the order of the car file."""
    return tuple(
        CalibrationLayout(
            of=f"channel {one.channel}" if one.channel else f"sensor {one.sensor}",
            date=str(one.date),
            by=one.by,
            reference=one.reference,
            readings=one.readings,
            as_found=one.as_found,
            as_left=one.as_left,
            residual=one.residual,
            due=str(one.due or ""),
        )
        for one in (car.calibration_log if car is not None else ())
    )


def channel_layouts(of: Gathered) -> tuple[ChannelLayout, ...]:
    """Return the channels of the car file, each with what it showed; none without a car file."""
    if of.car is None:
        return ()
    return tuple(_channel(of, of.car, channel) for channel in of.car.channels.values())


def _channel(of: Gathered, car: CarFile, channel: Channel) -> ChannelLayout:
    shown, good = of.measured.channels.get(channel.name), of.good.channels.get(channel.name)
    rest = good.rest if good is not None else None
    done, dated = car.calibrations_of(channel), car.due_by(channel)
    zero, wiring = channel.zero, channel.wiring
    unit = channel.unit or (shown.unit if shown is not None else "")
    return ChannelLayout(
        name=channel.name,
        origin=str(channel.signal) if channel.signal is not None else channel.formula.text if channel.formula else "",
        is_formula=channel.formula is not None,
        sensor=channel.sensor or "",
        input_scale=channel.input_scale,
        unit=unit,
        role=channel.role or "",
        position=channel.position or "",
        expected_hz=channel.expected_hz,
        delay_s=channel.delay_s,
        plausible=channel.plausible or (),
        limits=tuple(_limits(channel, unit)),
        invalid_raw=", ".join(map(str, channel.invalid_raw)),
        zero=zero.add if zero is not None else None,
        zero_date=str(zero.date or "") if zero is not None else "",
        zero_by=zero.by if zero is not None else "",
        zero_why=zero.why if zero is not None else "",
        input=wiring.input,
        plug=wiring.plug,
        pin=wiring.pin,
        supply=wiring.supply,
        ground=wiring.ground,
        fingerprints=_fingerprints(channel),
        seen_low=shown.low if shown is not None else None,
        seen_high=shown.high if shown is not None else None,
        rate_hz=shown.rate_hz if shown is not None else None,
        rest=rest.zero if rest is not None else None,
        noise=rest.noise if rest is not None else None,
        bad_share=shown.unusable if shown is not None else 0.0,
        bad_why=shown.unusable_why if shown is not None else "",
        calibrated=str(done[-1].date) if done else "",
        due=str(dated.due) if dated is not None else "",
        is_place=_is_place(car, channel),
    )


def _is_place(car: CarFile, channel: Channel) -> bool:
    """Whether a channel says where the car is: by its role, its signal, or what it is computed from."""
    if channel.role in PLACES:
        return True
    if channel.formula is not None:  # the reader has refused formulas that go in a circle
        return any(_is_place(car, car.channels[name]) for name in channel.formula.inputs if name in car.channels)
    name = channel.signal
    message = car.message(name.bus, name.message) if name is not None else None
    if name is None or message is None:
        return False
    return any(says_where(signal, message) for signal in message.signals if signal.name == name.signal)


def _limits(channel: Channel, unit: str) -> Iterator[str]:
    levels: list[tuple[str, Limits | None]] = [("caution", channel.caution), ("warning", channel.warning)]
    for level, limits in levels:
        if limits is None:
            continue
        ends = [
            f"{word} {value:g}" for word, value in (("below", limits.low), ("above", limits.high)) if value is not None
        ]
        more = f" for {limits.hold_s:g} s" if limits.hold_s else ""
        more += f", clears after {limits.hysteresis:g}" if limits.hysteresis else ""
        more += f", while {limits.when.text}" if limits.when is not None else ""
        yield f"{level} {' or '.join(ends)} {units.shown(unit)}".rstrip() + more


def _fingerprints(channel: Channel) -> str:
    found = channel.fingerprints
    every = (("open", found.open), ("on ground", found.to_ground), ("on supply", found.to_supply))
    return listed([f"{word} {volts:g} V" for word, volts in every if volts is not None])
