"""The channels of a run as a report shows them: how far each can be trusted, its figures, the limits it passed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Series
from buswright.diagnosis.trust import Trust, counts
from buswright.health.channels.evidence import ChannelEvidence
from buswright.report import quality
from buswright.report.health.report import HealthReport
from buswright.report.plain import plain, some
from buswright.report.text import number
from buswright.wording import listed, percent, plural

HEADS = ("channel", "state", "last", "unit", "per s", "min", "mean", "max", "bad", "since", "why")
RIGHT = (2, 4, 5, 6, 7, 8, 9)


def rows(report: HealthReport, shown: Sequence[Trust]) -> list[list[str]]:
    """Return the cells under `HEADS` for some channels."""
    return [_row(report, one) for one in shown]


def _row(report: HealthReport, one: Trust) -> list[str]:
    evidence = report.channels.by_name.get(one.channel) if report.channels is not None else None
    if evidence is None:
        return [one.channel, one.state, "–", "", "–", "–", "–", "–", "–", "", one.why]
    figures = evidence.series.statistics()
    numbers = [number(value) for value in (figures.minimum, figures.mean, figures.maximum)]
    rate = f"{figures.rate_hz:.1f}" if math.isfinite(figures.rate_hz) else "–"
    bad = percent(one.share, 2) if one.bad else "0"
    last, unit = number(last_value(evidence.series)), units.shown(evidence.series.unit)
    return [one.channel, one.state, last, unit, rate, *numbers, bad, report.at(one.since_ns), one.why]


def last_value(series: Series) -> float:
    """Return the last usable value; NaN if there is none."""
    usable = np.flatnonzero(series.valid)
    return float(series.value[usable[-1]]) if len(usable) else math.nan


def calibration_words(evidence: ChannelEvidence) -> str:
    """Say how a channel is made: its sensor's curve and its zero, or who scales it."""
    channel = evidence.channel
    if channel is not None and channel.formula is not None:
        return f"= {channel.formula.text}"
    sensor = evidence.sensor
    said = f"{sensor.name}: {sensor.calibration.describe()}" if sensor is not None else "scaled by the database"
    signal = evidence.signal
    if sensor is None and signal is not None:
        sign = "-" if signal.offset < 0 else "+"
        said += f": raw × {signal.scale:.6g}" + (f" {sign} {abs(signal.offset):g}" if signal.offset else "")
    if channel is not None and channel.zero is not None and channel.zero.add:
        said += f", zero {channel.zero.add:+g} {units.shown(evidence.series.unit)}"
    return said


def calibration_rows(report: HealthReport, shown: Sequence[Trust]) -> list[list[str]]:
    """Return name and calibration in words of some channels, those that came, by name."""
    by_name = report.channels.by_name if report.channels is not None else {}
    names = sorted(one.channel for one in shown if one.channel in by_name)
    return [[name, calibration_words(by_name[name])] for name in names]


def through_lines(trusted: Sequence[Trust]) -> list[str]:
    """Say which channels are not fine through something that brings them, a sentence for each such thing."""
    by: dict[str, list[Trust]] = {}
    for one in trusted:
        if one.through:
            by.setdefault(one.through, []).append(one)
    return [
        f"{plural(len(each), 'channel')} through {subject.partition(':')[2] or subject}: "
        f"{listed([one.channel for one in each], 4)}"
        for subject, each in by.items()
    ]


def limit_lines(report: HealthReport) -> list[str]:
    """Say which cautions and warnings of the car file were passed, the first ones by name."""
    channels = report.channels
    return [] if channels is None else quality.limit_lines(report.rules, channels.exceedances, report.first_ns)


def as_json(report: HealthReport) -> dict[str, Any] | None:
    """Return what `--json` says of the channels; None where none were decoded."""
    channels = report.channels
    if channels is None:
        return None
    return {
        "looked_at": len(report.trusted),
        "counts": {state.replace(" ", "_"): count for state, count in counts(report.trusted).items()},
        "trust": [_trust_json(one, channels.by_name.get(one.channel)) for one in report.trusted],
        "exceedances": quality.limits_json(channels.exceedances),
    }


def _trust_json(one: Trust, evidence: ChannelEvidence | None) -> dict[str, Any]:
    document = {
        **some(one, "channel state why samples bad share since_ns"),
        "fault": None if one.finding is None else one.finding.fault,
        "root": None if one.root is None else f"{one.root.fault} {one.root.subject}",
    }
    if evidence is None:
        return {**document, "unit": "", "objections": {}, "calibration": "", **dict.fromkeys(_FIGURES.split())}
    figures = evidence.series.statistics()
    return {
        **document,
        "unit": evidence.series.unit,
        "objections": {bit.name: count for bit, count in evidence.bad_samples.objections.items()},
        "calibration": calibration_words(evidence),
        "last": plain(last_value(evidence.series)),
        **some(figures, "rate_hz minimum mean maximum"),
    }


_FIGURES = "last rate_hz minimum mean maximum"
