"""One channel from its recorded signal: electrical value, calibration, zero, and every quality bit."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.channels import units
from buswright.channels.calibration.count import Switch
from buswright.channels.calibration.kind import on_rail
from buswright.channels.carfile.model import Channel, Sensor
from buswright.channels.expectation import believable
from buswright.channels.measuring.recorded import RecordedMessage, RecordedSignal
from buswright.channels.measuring.signals import quality_of_signal
from buswright.channels.samples.labels import NO_LABELS, Labels
from buswright.channels.samples.resample import align, partner
from buswright.channels.samples.runs import longest_step_ns
from buswright.channels.samples.series import Bools, Floats, Int64s, Kind, Quality, Series, UInt16s, median
from buswright.messages.decoding.columns import Reason
from buswright.messages.model import Signal

STEPS_OF_NOISE = 3
"""A change of fewer raw steps than this is never too fast: quantisation looks like a jump."""

MEASURABLE = 8
"""Samples from which on a channel's period can be measured."""

STATE_ROLES = frozenset({"gear", "fan_state"})
_COUNTS = re.compile(r"counter|checksum|crc|alive|sequence", re.IGNORECASE)

Lookup = Callable[[str], Series]
"""Gives another channel by name."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A channel's series, and which rows of its message it has samples in (None: all)."""

    series: Series
    rows: npt.NDArray[np.intp] | None


def kind_of_signal(signal: Signal) -> Kind:
    """Whether a signal may be interpolated: not if it has a value table, one bit, or looks like a count or a code.

    Without a unit a small integer that the database leaves unscaled is one of those (common practice, no source).
    """
    plain = signal.scale == 1 and signal.offset == 0 and not signal.is_float
    code = plain and not signal.unit and signal.length <= 8
    named = plain and _COUNTS.search(signal.name) is not None
    return "state" if signal.choices or signal.is_multiplexer or signal.length == 1 or code or named else "continuous"


class _Flags:
    """A quality column that costs nothing until something is set."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.column: UInt16s | None = None

    def set(self, where: Bools | None, bit: Quality) -> None:
        if where is not None and where.any():
            self.join(where * np.uint16(bit))

    def join(self, other: UInt16s | None) -> None:
        if other is None:
            return
        if self.column is None:
            self.column = np.zeros(self.size, dtype=np.uint16)
        self.column |= other


def measure_channel(
    channel: Channel,
    sensor: Sensor | None,
    message: RecordedMessage,
    recorded: RecordedSignal,
    *,
    segments: int,
    period_s: float | None,
    on_change: bool = False,
    lookup: Lookup,
) -> Measured:
    """Turn a signal into a channel of the car.

    value = curve(electrical) converted to the channel's unit, + zero.add. The electrical value is the database's,
    converted to what the sensor's calibration expects (`input_scale` makes it of counts). `delay_s` moves the time
    stamps back to when the quantity had its value. Rows without the signal (multiplexer) are no samples.

    Parameters
    ----------
    period_s
        Nominal time between samples; None: it is measured, for gaps.
    on_change
        Somebody says that it is sent only when something changes: then no time between samples is a gap.
    lookup
        Gives the channels that the calibration refers to.
    """
    signal = recorded.signal
    time_ns, starts = message.time_ns(), message.segments(segments)
    raw, reasons, scaled = recorded.raw(), recorded.reasons(), recorded.value()
    frames = message.frame_quality()
    rows: npt.NDArray[np.intp] | None = None
    absent = None if reasons is None else reasons == Reason.MUX_ABSENT
    if absent is not None and absent.any():
        rows = np.flatnonzero(~absent)
        time_ns, raw, scaled, reasons = (
            time_ns[rows],
            raw[rows],
            scaled[rows],
            reasons[rows] if reasons is not None else None,
        )
        frames = None if frames is None else frames[rows]
        starts = np.searchsorted(rows, starts).astype(np.int64)
    steps = _steps(time_ns, starts)
    period_s = _believable(period_s, steps)
    flags = _Flags(len(time_ns))
    assert message.group.message is not None, "a signal is one of a database's message"
    flags.join(quality_of_signal(signal, raw, scaled, reasons, message.group.message.protocol))
    flags.join(frames)
    if channel.invalid_raw:
        flags.set(np.isin(raw, channel.invalid_raw), Quality.SENDER_INVALID)
    if channel.delay_s:
        time_ns = time_ns - np.int64(round(channel.delay_s * 1e9))
    value = scaled.astype(np.float64, copy=False)
    if reasons is not None and scaled.dtype.kind != "f":
        value[reasons != 0] = np.nan  # whole numbers have none
    kind: Kind = "state" if channel.role in STATE_ROLES else kind_of_signal(signal)
    volts: Floats | None = None
    if sensor is not None:
        volts = electrical_of(channel, sensor, signal.unit, value)
        value = _in_unit_of(channel, sensor, _calibrated(channel, sensor, volts, time_ns, starts, flags, lookup))
        kind = "state" if sensor.calibration.kind == "switch" else kind
    else:
        if channel.unit and signal.unit and channel.unit != signal.unit:
            value = units.convert(value, signal.unit, channel.unit)
        value = _with_zero(channel, value)
    if channel.plausible is not None:
        with np.errstate(invalid="ignore"):
            flags.set((value < channel.plausible[0]) | (value > channel.plausible[1]), Quality.IMPLAUSIBLE)
    _judge_steps(channel, sensor, steps, raw, value, 0.0 if on_change else period_s, flags)
    series = Series(
        channel.name,
        channel.unit or signal.unit,
        time_ns,
        value,
        raw=None if recorded.plan.extraction is None else raw,
        volts=volts,
        quality=flags.column,
        period_s=period_s,
        kind=kind,
        segments=starts,
        labels=labels_of(channel, sensor, signal),
    )
    return Measured(series, rows)


def labels_of(channel: Channel, sensor: Sensor | None, signal: Signal) -> Labels:
    """Return what the states of a channel are called: those of its switch, else those that the database names."""
    if sensor is None or not isinstance(sensor.calibration, Switch):
        return Labels(of_raw=signal.choices) if signal.choices else NO_LABELS
    states = sensor.calibration.states
    values = _in_unit_of(channel, sensor, np.array([state.value for state in states]))
    return Labels(of_value=dict(zip(values.tolist(), (state.name for state in states), strict=True)))


def electrical_of(channel: Channel, sensor: Sensor, unit: str, value: Floats) -> Floats:
    """Return what a sensor sees, in its electrical unit, of values that the database has in `unit`; float64[n]."""
    if channel.input_scale is not None:
        return value * channel.input_scale
    wanted = sensor.calibration.electrical
    return units.convert(value, unit, wanted) if unit and unit != wanted else value


def _calibrated(
    channel: Channel,
    sensor: Sensor,
    volts: Floats,
    time_ns: Int64s,
    segments: Int64s,
    flags: _Flags,
    lookup: Lookup,
) -> Floats:
    calibration = sensor.calibration
    references: dict[str, Floats] = {}
    for need in calibration.needs:
        reference = lookup(need.channel)
        given = _reference_at(reference, time_ns, segments)
        flags.set(~np.isfinite(given), Quality.BAD_REFERENCE)
        references[need.channel] = units.convert(given, reference.unit or need.unit, need.unit)
    value = calibration.apply(volts, references)
    if sensor.healthy is not None:
        flags.set(on_rail(volts, sensor.healthy), Quality.ELECTRICAL_RAIL)
    margin = channel.thresholds.get("calibration_extrapolation")
    outside = (
        calibration.outside(volts, references) if margin is None else calibration.outside(volts, references, margin)
    )
    flags.set(outside, Quality.OUTSIDE_CALIBRATION)
    return value


def _in_unit_of(channel: Channel, sensor: Sensor, value: Floats) -> Floats:
    """Turn what the calibration gives into the channel's values."""
    if channel.unit and channel.unit != sensor.calibration.unit:
        value = units.convert(value, sensor.calibration.unit, channel.unit)
    return _with_zero(channel, value)


def _with_zero(channel: Channel, value: Floats) -> Floats:
    return value if channel.zero is None or not channel.zero.add else value + channel.zero.add


def _reference_at(reference: Series, time_ns: Int64s, segments: Int64s) -> Floats:
    """Return a reference's values at a channel's times; where it is silent its samples hold as long as a gap may be.

    A supply is told less often than a pressure: without this the first and last pressures would have none. Between
    samples without a gap nothing is filled in: there a missing value means an unusable reference.
    """
    given = align(reference, time_ns, segments).value
    missing = np.flatnonzero(~np.isfinite(given))
    if not len(missing):
        return given
    reach = longest_step_ns(reference.step_s())
    given = given.copy() if not given.flags.writeable else given
    for number, (start, stop) in enumerate(pairwise(np.append(segments, len(time_ns)).tolist())):
        rows = missing[np.searchsorted(missing, start) : np.searchsorted(missing, stop)]
        part = partner(reference, number, len(segments), time_ns[start:stop])
        if len(rows) and len(part):
            _hold_into_gaps(given, rows, time_ns, part, reach)
    return given


def _hold_into_gaps(given: Floats, rows: npt.NDArray[np.intp], time_ns: Int64s, part: Series, reach_ns: float) -> None:
    """Fill rows that lie in a gap of a reference, or before or after it, from its nearest sample if that is usable."""
    after = np.searchsorted(part.time_ns, time_ns[rows], side="right")
    before, next_one = np.maximum(after - 1, 0), np.minimum(after, len(part) - 1)
    since, until = time_ns[rows] - part.time_ns[before], part.time_ns[next_one] - time_ns[rows]
    first, last = after == 0, after == len(part)
    silent = first | last | (since + until > reach_ns)
    usable = part.valid
    for near, at in ((~last & (until <= reach_ns), next_one), (~first & (since <= reach_ns), before)):
        fill = silent & near & usable[at]
        given[rows[fill]] = part.value[at[fill]]


def _judge_steps(
    channel: Channel,
    sensor: Sensor | None,
    between: _Steps,
    raw: npt.NDArray[np.generic],
    value: Floats,
    period_s: float | None,
    flags: _Flags,
) -> None:
    """Set AFTER_GAP and TOO_FAST from each sample and the one before it in the same segment."""
    steps, inside = between
    if not len(steps):
        return
    period = _median_s(steps[inside]) if period_s is None else period_s
    late = np.zeros(len(value), dtype=np.bool_)
    if period > 0:
        late[1:] = inside & (steps > longest_step_ns(period))
        flags.set(late, Quality.AFTER_GAP)
    if sensor is None or sensor.max_rate is None:
        return
    limit = float(
        units.convert_difference(
            np.array(sensor.max_rate), sensor.calibration.unit, channel.unit or sensor.calibration.unit
        )
    )
    with np.errstate(invalid="ignore"):
        fast = np.abs(np.diff(value)) > limit * np.maximum(steps, 1) * 1e-9
    if not fast.any():
        return
    moved = np.abs(np.diff(raw.astype(np.float64))) > STEPS_OF_NOISE
    too_fast = np.zeros(len(value), dtype=np.bool_)
    too_fast[1:] = fast & moved & inside & ~late[1:]
    flags.set(too_fast, Quality.TOO_FAST)


class _Steps(NamedTuple):
    """Time from each sample to the next, int64[n - 1], and which of these steps lie within a segment."""

    steps: Int64s
    inside: Bools


def _steps(time_ns: Int64s, segments: Int64s) -> _Steps:
    steps = time_ns[1:] - time_ns[:-1]
    inside = np.ones(len(steps), dtype=np.bool_)
    inside[segments[(segments > 0) & (segments <= len(steps))] - 1] = False
    return _Steps(steps, inside)


def _median_s(steps: Int64s) -> float:
    """Median of the positive steps in seconds; 0 if there is none."""
    positive = steps[steps > 0]
    return median(positive) * 1e-9 if len(positive) else 0.0


def _believable(period_s: float | None, between: _Steps) -> float | None:
    """Return a nominal period only if samples come at about that: against a wrong one everything is a gap."""
    if period_s is None or len(between.steps) + 1 < MEASURABLE:
        return period_s
    measured = _median_s(between.steps[between.inside])
    return period_s if believable(period_s, measured) else None
