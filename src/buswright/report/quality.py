"""Channels without a verdict: which have bad samples, what share, why and since when; which limits were passed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from buswright.channels import units
from buswright.channels.carfile.model import CarFile
from buswright.channels.limits import Exceedance
from buswright.channels.samples.series import Quality
from buswright.channels.samples.tally import BadSamples
from buswright.report.plain import some
from buswright.report.text import first, number
from buswright.wording import percent, plural

LISTED_CHANNELS = 12
"""Channels with bad samples that are listed, the worst first; the rest is counted."""
LISTED_LIMITS = 12
"""Limits passed that are listed, the first ones; the rest is counted."""


def since(time_ns: int | None, first_ns: int | None) -> str:
    """Write a time as `--from` takes it: "12.3 s"; empty where there is none."""
    return "" if time_ns is None or first_ns is None else f"{(time_ns - first_ns) / 1e9:.1f} s"


def worst_first(found: Sequence[BadSamples]) -> list[BadSamples]:
    """Return the channels with bad samples, the largest share first."""
    return sorted((one for one in found if one.bad), key=lambda one: -one.share)


def bad_lines(found: Sequence[BadSamples], first_ns: int | None, noun: str = "channel") -> Iterator[str]:
    """Say how many channels have bad samples, of how many; then which, what share, since when and why."""
    wrong = worst_first(found)
    if not wrong:
        yield f"{plural(len(found), noun)}: no bad sample"
        return
    yield f"{plural(len(found), noun)}: {len(wrong)} {'has' if len(wrong) == 1 else 'have'} bad samples"
    lines = [
        f"  {one.channel}: {percent(one.share, 2)} bad ({one.bad:,} of {one.samples:,}) "
        f"since {since(one.since_ns, first_ns)}: {one.why}"
        for one in wrong
    ]
    yield from first(lines, LISTED_CHANNELS, "  {} more with bad samples (--json lists them all)")


def out_of_range_line(found: Sequence[BadSamples], noun: str = "channel") -> str:
    """Say how many channels left their range in the database, which is no bad sample; empty where none did."""
    outside = [one.channel for one in found if Quality.DATABASE_RANGE in one.objections]
    return f"  {plural(len(outside), noun)} left the range in the database: {', '.join(outside[:6])}" if outside else ""


def bad_json(found: Sequence[BadSamples], first_ns: int | None) -> list[dict[str, Any]]:
    """Return every channel with its bad samples."""
    return [
        {
            **some(one, "channel samples bad share why since_ns"),
            "since_s": None if one.since_ns is None or first_ns is None else (one.since_ns - first_ns) / 1e9,
            "objections": {bit.name: count for bit, count in one.objections.items()},
        }
        for one in found
    ]


def limit_lines(car: CarFile | None, passed: Sequence[Exceedance], first_ns: int | None) -> list[str]:
    """Say which cautions and warnings of the car file were passed, the first ones by name; nothing without one."""
    if car is None:
        return []
    if not any(each.caution or each.warning for each in car.channels.values()):
        return ["The car file sets no caution or warning."]
    if not passed:
        return ["No channel went beyond a caution or warning of the car file."]
    lines = [
        f"{each.level}: {each.channel} {each.side}, {number(each.peak)} {units.shown(each.unit)} "
        f"(limit {each.limit:g}), at {since(each.start_ns, first_ns)} for {each.duration_s:.1f} s"
        for each in passed
    ]
    return first(lines, LISTED_LIMITS, "{} more limits exceeded")


def limits_json(passed: Sequence[Exceedance]) -> list[dict[str, Any]]:
    """Return every limit that was passed."""
    return [some(each, "channel level side limit unit start_ns end_ns peak peak_ns") for each in passed]
