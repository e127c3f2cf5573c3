"""What changed in the channels from one run to another: zero and noise at rest, and whether they come at all."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from buswright.channels import units
from buswright.findings import Severity
from buswright.health.baseline.baseline import Baseline, ChannelBaseline
from buswright.health.baseline.differences import Difference, limit_of
from buswright.health.baseline.standstill import BASIS_WORDS, Basis, RestFigures
from buswright.wording import percent

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile

STILL_ROLES = frozenset(
    {
        *("wheel_speed", "throttle", "brake_pressure", "steering_angle", "yaw_rate", "damper_travel", "oil_pressure"),
        *("accel_long", "accel_lat", "accel_vert", "reference_voltage"),
    }
)
"""Roles of channels that show the same whenever the car stands with its engine off. The air, the fuel pump, the
battery and the place where the car stands are in all others."""
_BY_DRIVER = frozenset({"brake_pressure", "throttle", "steering_angle"})
"""Inputs that the driver loads, also while the car stands."""
_NEED_ENGINE_OFF = frozenset({"oil_pressure"}) | _BY_DRIVER
"""A car that stands with its engine running is held, by a foot that may rest on the pedal all the lap."""
_ALONG = 0.5
"""Share of its movement at rest by which the lowest reading of the run must have moved too."""
_UNUSABLE, _MOSTLY_UNUSABLE = 0.01, 0.5
_SAME_STEP = 0.05
_SIGMAS = 3.0


@dataclass(frozen=True, slots=True)
class _Compared:
    """One channel at rest in both runs; the earlier one's values in the later one's unit."""

    name: str
    then: ChannelBaseline
    now: ChannelBaseline
    before: RestFigures
    after: RestFigures
    basis: Basis
    factor: float
    offset: float
    car: CarFile | None

    def limit(self, name: str) -> float:
        return limit_of(name, self.car, channel=self.name)


def channel_differences(
    a: Baseline, b: Baseline, *, car: CarFile | None, silent: Collection[str]
) -> Iterator[Difference]:
    """Yield the differences between the channels of two runs.

    Parameters
    ----------
    a, b
        Earlier and later run.
    car
        Car file with thresholds of its own.
    silent
        Messages (`bus/message`) that have stopped: their channels need not be mentioned.
    """
    if a.at_rest is None or b.at_rest is None:
        if a.channels or b.channels:
            which = "earlier" if b.channels else "later"
            yield _note(f"channels are not compared: the {which} run was saved without a car file or database")
        return
    alike = a.at_rest.basis == b.at_rest.basis
    if not alike:
        yield _note(
            "zero and noise are not compared, because the car was at rest in two ways: "
            f"{BASIS_WORDS[a.at_rest.basis]}; then {BASIS_WORDS[b.at_rest.basis]}"
        )
    if a.capture.car_file_sha256 != b.capture.car_file_sha256:
        yield _note("the runs were decoded with different car files, so values may differ")
    for name, before in a.channels.items():
        after = b.channels.get(name)
        if after is None:
            continue
        if before.samples and not after.samples:
            if before.message not in silent:
                yield _without_samples(name, before)
        elif before.unit != after.unit and not units.compatible(before.unit, after.unit):
            was, now = (units.shown(each.unit) or "no unit" for each in (before, after))
            text = f"{name} was in {was} and now is in {now}"
            yield Difference(
                "unit-changed", Severity.SUSPECT, f"channel:{name}", text, threshold="any change", look="the car files"
            )
        elif after.unusable > max(_UNUSABLE, 2 * before.unusable):
            yield _unusable(name, before, after)
        else:
            line = units.line(before.unit, after.unit) if before.unit != after.unit else (1.0, 0.0)
            yield from _range(name, before, after, *line)
            if alike and before.rest and after.rest:
                one = _Compared(name, before, after, before.rest, after.rest, a.at_rest.basis, *line, car)
                yield from _scale(one)
                yield from _zero(one)
                yield from _noise(one)


def _note(text: str) -> Difference:
    return Difference("not-compared", Severity.NOTE, "capture", text)


def _without_samples(name: str, before: ChannelBaseline) -> Difference:
    text = f"{name} has no samples, though its message arrives"
    look = "length and multiplexer of the message; the database"
    return Difference(
        *("channel-silent", Severity.SUSPECT, f"channel:{name}", text, float(before.samples), 0.0, "samples"),
        look=look,
    )


def _unusable(name: str, before: ChannelBaseline, after: ChannelBaseline) -> Difference:
    text = f"{name} means nothing in {percent(after.unusable)} of its samples, before in {percent(before.unusable)}"
    severity = Severity.FAULT if after.unusable > _MOSTLY_UNUSABLE else Severity.SUSPECT
    threshold = f"{percent(_UNUSABLE, 0)} and twice what it was is suspect, {percent(_MOSTLY_UNUSABLE, 0)} a fault"
    look = "its plug, wire and supply: `buswright diagnose` says whether its input is open or shorted"
    return Difference(
        *("channel-unusable", severity, f"channel:{name}", text, before.unusable, after.unusable, "share"),
        *(threshold, look, after.unusable),
    )


def _range(
    name: str, before: ChannelBaseline, after: ChannelBaseline, factor: float, offset: float
) -> Iterator[Difference]:
    """Yield a channel that shows more than it can measure beyond what it ever showed."""
    ends = (before.low, before.high, after.low, after.high)
    if not before.span or None in ends:
        return
    low, high, now_low, now_high = (float(end or 0.0) for end in ends)
    low, high = sorted((low * factor + offset, high * factor + offset))
    span, unit = before.span * abs(factor), after.unit
    beyond = max(now_high - high, low - now_low)
    if beyond <= span:
        return
    above = now_high - high >= low - now_low
    was, now = (high, now_high) if above else (low, now_low)
    shown = units.shown(unit)
    text = f"{name} went {'up' if above else 'down'} to {now:.4g} {shown}, before to {was:.4g} {shown}"
    threshold = f"further beyond than it can measure from end to end, {span:.4g} {shown}"
    look = "the unit and scaling set in its module, in the database and in the car file; then the sensor"
    subject = f"channel:{name}"
    yield Difference("range-moved", Severity.SUSPECT, subject, text, was, now, unit, threshold, look, beyond / span)


def _scale(one: _Compared) -> Iterator[Difference]:
    """Yield another size of one step of the raw value: of the input, whose scaling is a straight line."""
    before, after, unit = one.before.input_resolution, one.after.input_resolution, one.now.input_unit
    if unit is None:
        before, after, unit = one.before.resolution * abs(one.factor), one.after.resolution, one.now.unit
    elif unit != one.then.input_unit:
        return
    if not before or not after or abs(after / before - 1) <= _SAME_STEP:
        return
    shown = units.shown(unit)
    text = f"one step of {one.name} is {after:.4g} {shown}, before {before:.4g} {shown}"
    threshold = f"{percent(_SAME_STEP, 0)} more or less"
    look = "the database and input_scale of the two runs, and the unit set in its module"
    subject, size = f"channel:{one.name}", abs(math.log(after / before))
    yield Difference("scale-changed", Severity.SUSPECT, subject, text, before, after, unit, threshold, look, size)


def _unloaded(one: _Compared, moved: float) -> bool:
    """Whether what moved at rest moved all the run: a foot or a hand was on it at rest, but not all the time."""
    if one.now.role not in _BY_DRIVER:
        return True
    ends = [(one.then.low, one.now.low)]
    if one.now.role == "steering_angle":
        ends.append((one.then.high, one.now.high))
    return all(
        before is not None and now is not None and (now - (before * one.factor + one.offset)) / moved >= _ALONG
        for before, now in ends
    )


def _zero(one: _Compared) -> Iterator[Difference]:
    before, after, span = one.before, one.after, one.now.span
    if before.zero is None or after.zero is None or not span:
        return
    zero = before.zero * one.factor + one.offset
    moved = after.zero - zero
    suspect, fault = one.limit("zero_moved"), one.limit("zero_moved_fault")
    # One step of the raw value more or less, and what noise makes of a median, is no movement.
    noise = max(before.noise or 0.0, after.noise or 0.0) / math.sqrt(min(before.samples, after.samples))
    if abs(moved) <= max(suspect * span, 2 * after.resolution + 5 * noise):
        return
    role, unit = one.now.role, one.now.unit
    shown = units.shown(unit)
    text = f"{one.name} rests at {after.zero:.4g} {shown}, before at {zero:.4g} {shown} ({moved:+.3g} {shown})"
    look = "sensor and its mounting, the wire and its ground. Was the car in the same state (driver, fuel)?"
    if before.input is not None and after.input is not None:
        electrical = units.shown(one.now.input_unit or "")
        text += f"; its input at {after.input:.4g} {electrical}, before at {before.input:.4g} {electrical}"
        if abs(after.input - before.input) <= 2 * after.input_resolution:
            look = "calibration or zero in the car file: the input is the same as before"
    severity, threshold = Severity.NOTE, ""
    if not _unloaded(one, moved):
        look = "nothing yet: the driver may have pressed or held it, as its lowest reading of the whole run didn't move"
    elif role in STILL_ROLES and (one.basis in ("key-on", "engine-off") or role not in _NEED_ENGINE_OFF):
        severity = Severity.FAULT if abs(moved) > fault * span else Severity.SUSPECT
        threshold = f"{percent(suspect, 0)} of the span of {span:.4g} {shown} is suspect, {percent(fault, 0)} a fault"
    else:
        look = "nothing yet: its role does not mean the same reading whenever the car rests" if role else ""
    size = abs(moved) / span
    yield Difference(
        "zero-moved", severity, f"channel:{one.name}", text, zero, after.zero, unit, threshold, look, size=size
    )


def _noise(one: _Compared) -> Iterator[Difference]:
    # At the input where there is one: through a thermistor's curve the same volts are more degrees when it is hot.
    before, after = one.before, one.after
    old, new, step, unit = before.input_noise, after.input_noise, after.input_resolution, one.now.input_unit or ""
    old_input = old if new is not None else None
    if old is None or new is None:
        old, new, step, unit = before.noise, after.noise, after.resolution, one.now.unit
        old = old * abs(one.factor) if old is not None else None
    # Whether a quiet input stands on one step of the raw value or between two is chance.
    if old is None or new is None or new <= step:
        return
    ratio = new / max(old, step / 2, 1e-12)
    suspect, fault = one.limit("noise_up"), one.limit("noise_up_fault")
    # The logarithm of a noise from n second differences is good to 1/sqrt(n).
    slack = math.exp(_SIGMAS * math.sqrt(1 / before.samples + 1 / after.samples))
    if ratio <= suspect * slack:
        return
    severity = Severity.FAULT if ratio > fault * slack else Severity.SUSPECT
    look = "ground and shield of its wire, its plug; then the channels that share them"
    if one.basis == "quietest":
        severity, look = Severity.NOTE, "nothing yet: the car may have moved all the while"
    elif old_input is None and one.now.role not in STILL_ROLES:
        severity, look = Severity.NOTE, "nothing yet: what a module computes or switches may move while the car stands"
    shown = units.shown(unit)
    text = f"{one.name} is {ratio:.3g} times as noisy at rest: {new:.3g} {shown}, before {old:.3g} {shown}"
    threshold = f"{suspect * slack:.3g} times as noisy, with {before.samples} and {after.samples} samples"
    yield Difference("noise-up", severity, f"channel:{one.name}", text, old, new, unit, threshold, look, size=ratio)
