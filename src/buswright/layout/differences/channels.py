"""Sensors and channels compared: curves, zeroes and limits in the unit of the value."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.registry import SENSOR_KEYS
from buswright.channels.carfile.keys import CHANNEL
from buswright.channels.carfile.model import CarFile, Channel, Limits, Sensor, Zero
from buswright.channels.keys.tables import Record
from buswright.findings import Severity
from buswright.layout.differences.curves import curve_change
from buswright.layout.differences.difference import Difference, close, moved, number, written
from buswright.layout.differences.tables import record

_SENSOR = Record("a sensor beside its curve", SENSOR_KEYS, dict)
_IN_CHANNEL_UNIT = frozenset(
    {"plausible", *(f"{kind}.{key}" for kind in ("caution", "warning") for key in ("low", "high"))}
)


def sensor(subject: str, before: Sensor, after: Sensor) -> Iterator[Difference]:
    """Compare two sensors."""
    yield from curve(subject, "curve", before, after)
    electrical, unit = before.calibration.electrical, before.calibration.unit
    of_keys = {"healthy": electrical, "max_rate": f"{unit}/s"}
    yield from record(_SENSOR, subject, before, after, unit=lambda path: of_keys.get(path, ""))


def curve(subject: str, part: str, before: Sensor, after: Sensor, said: str = "") -> Iterator[Difference]:
    """Compare the curves of two sensors."""
    found = curve_change(before.calibration, after.calibration, before.healthy or after.healthy)
    if found is not None:
        texts = before.calibration.describe(), after.calibration.describe()
        yield Difference(Severity.SUSPECT, subject, part, said + found.text, *texts, found.change, found.unit)


def channel(subject: str, before: Channel, after: Channel, cars: tuple[CarFile, CarFile]) -> Iterator[Difference]:
    """Compare two channels; numbers in another unit are converted first."""
    if before.unit != after.unit:
        after = _converted(after, before.unit)
    yield from _zero(subject, before.zero, after.zero, before.unit)
    yield from _other_sensor(subject, before, after, cars)
    of_keys = dict.fromkeys(_IN_CHANNEL_UNIT, before.unit)
    leave = {"zero", "sensor"}
    yield from record(CHANNEL, subject, before, after, leave=leave, unit=lambda path: of_keys.get(path, ""))


def _other_sensor(subject: str, before: Channel, after: Channel, cars: tuple[CarFile, CarFile]) -> Iterator[Difference]:
    if before.sensor == after.sensor:
        return
    text = f"sensor: {written(before.sensor)} → {written(after.sensor)}"
    names = before.sensor or "", after.sensor or ""
    sensors = [car.sensors.get(name) for car, name in zip(cars, names, strict=True)]
    if sensors[0] is None or sensors[1] is None:
        yield Difference(Severity.SUSPECT, subject, "sensor", text, *names)
        return
    found = list(curve(subject, "sensor", sensors[0], sensors[1], f"{text}; "))
    yield from (replace(each, before=names[0], after=names[1]) for each in found)
    if not found:
        yield Difference(Severity.NOTE, subject, "sensor", f"{text}; the same curve", *names)


def _zero(subject: str, before: Zero | None, after: Zero | None, unit: str) -> Iterator[Difference]:
    if before == after:
        return
    shown = f" {units.shown(unit)}" if unit else ""
    texts = [f"{number(each.add)}{shown}" if each else "" for each in (before, after)]
    notes = [_note(each) for each in (before, after)]
    by = (after.add if after else 0.0) - (before.add if before else 0.0)
    if before and after and close(before.add, after.add):
        if notes[0] == notes[1]:
            return
        text = f"zero is as before, its note is another: {notes[0] or 'none'} → {notes[1] or 'none'}"
        yield Difference(Severity.NOTE, subject, "zero", text, notes[0], notes[1])
        return
    said = [
        f"{text}{f' ({note})' if note and notes[0] != notes[1] else ''}"
        for text, note in zip(texts, notes, strict=True)
    ]
    text = f"zero {moved(by, unit)}: {said[0] or 'none'} → {said[1] or 'none'}"
    if notes[0] and notes[0] == notes[1]:
        text += f"; its note is as before ({notes[0]})"
    yield Difference(Severity.SUSPECT, subject, "zero", text, texts[0], texts[1], float(f"{by:.12g}"), unit)


def _note(zero: Zero | None) -> str:
    return ", ".join(filter(None, (str(zero.date or ""), zero.by, zero.why))) if zero else ""


def _converted(channel: Channel, unit: str) -> Channel:
    """Return a channel with its numbers in another unit, its own unit as written; as it is where none converts."""
    if not (unit and channel.unit and units.compatible(channel.unit, unit)):
        return channel

    def value(number: float | None) -> float | None:
        return None if number is None else float(units.convert(np.array(number), channel.unit, unit))

    def step(number: float) -> float:
        return float(units.convert_difference(np.array(number), channel.unit, unit))

    def limits(each: Limits | None) -> Limits | None:
        return each and replace(each, low=value(each.low), high=value(each.high), hysteresis=step(each.hysteresis))

    span = channel.plausible and (value(channel.plausible[0]), value(channel.plausible[1]))
    return replace(
        channel,
        zero=channel.zero and replace(channel.zero, add=step(channel.zero.add)),
        plausible=span,  # type: ignore[arg-type]
        caution=limits(channel.caution),
        warning=limits(channel.warning),
    )
