"""What a capture contains, as text and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from buswright.channels.carfile.model import CarFile
from buswright.channels.fitting import Absent, Key, Misfit, never_came
from buswright.frames.captures.capture import Capture
from buswright.frames.table import Flag, Frames
from buswright.frames.tally import Identifier, Tally
from buswright.messages.match import Databases, Group, Matcher
from buswright.report.plain import CLOCK, plain, problems_json, some
from buswright.report.text import joined, problem_lines, table
from buswright.wording import listed, moment, plural

SCHEMA = "buswright.contents/1"
SHOWN_ABSENT = 12
SHOWN_CHANNELS = 3


class Meaning(NamedTuple):
    """What an identifier means: its message (None: no database knows it), and the car file's channels that it feeds."""

    message: str | None = None
    channels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Contents:
    """What `contents` shows: each identifier with what it means, and what car file and databases say and never came.

    `names` leads from interface to bus name; `misfit` says why the capture isn't of this car, bus or database, None if
    it may be.
    """

    capture: Capture
    frames: int
    first_ns: int | None
    last_ns: int | None
    identifiers: tuple[tuple[Identifier, Meaning], ...]
    names: dict[str, str]
    with_database: bool
    with_car: bool
    absent: Absent
    misfit: Misfit | None = None

    @property
    def duration_s(self) -> float | None:
        """Seconds from the first frame to the last."""
        if self.first_ns is None or self.last_ns is None:
            return None
        return (self.last_ns - self.first_ns) / 1e9

    def keys(self) -> dict[str, set[Key]]:
        """Return the identifiers of data frames, by bus name."""
        found: dict[str, set[Key]] = {}
        for entry, _ in self.identifiers:
            if entry.kind == "data":
                found.setdefault(self.names.get(entry.bus, entry.bus), set()).add((entry.id, entry.extended))
        return found

    @property
    def unmatched_frames(self) -> int:
        """Data frames that no database knows."""
        return sum(
            entry.count for entry, meaning in self.identifiers if entry.kind == "data" and meaning.message is None
        )


def contents_of(
    capture: Capture,
    tally: Tally,
    *,
    names: dict[str, str],
    databases: Databases | None = None,
    car: CarFile | None = None,
) -> Contents:
    """Join what was counted with what a car file and databases (those of the car file among them) know of it.

    `names` leads from interface to bus name. Without a database the meaning of identifiers isn't known.
    """
    matcher = Matcher(databases or {}, bus_names=names)
    groups = []
    if tally.identifiers:
        groups = [matcher.groups[code] for code in matcher.match(_one_of_each(tally.identifiers)).tolist()]
    channels = car.channels if car is not None else {}
    fed: dict[tuple[str, str], list[str]] = {}
    for channel in channels.values():
        if channel.signal is not None:
            fed.setdefault(channel.signal[:2], []).append(channel.name)
    return Contents(
        capture,
        tally.frames,
        tally.first_ns,
        tally.last_ns,
        tuple((entry, _meaning(group, fed)) for entry, group in zip(tally.identifiers, groups, strict=True)),
        names,
        bool(databases),
        car is not None,
        never_came(car, databases or {}, matcher.groups, channels),
    )


def _meaning(group: Group, fed: Mapping[tuple[str, str], list[str]]) -> Meaning:
    if group.message is None:
        return Meaning()
    names = dict.fromkeys((group.name, group.message.name))
    return Meaning(group.name, tuple(channel for name in names for channel in fed.get((group.bus, name), ())))


def absent_lines(absent: Absent) -> list[str]:
    """Name the modules and channels that never came; nothing for none."""
    said = (("module", absent.modules), ("channel", absent.channels))
    return [f"never came: {plural(len(names), noun)}: {listed(names, SHOWN_ABSENT)}" for noun, names in said if names]


def _one_of_each(identifiers: tuple[Identifier, ...]) -> Frames:
    buses = tuple(dict.fromkeys(entry.bus for entry in identifiers))
    flags = [
        (Flag.EXTENDED if entry.extended else 0)
        | {"data": 0, "remote": Flag.REMOTE, "error": Flag.ERROR}[entry.kind]
        | (Flag.FD if entry.fd else 0)
        for entry in identifiers
    ]
    n = len(identifiers)
    return Frames(
        np.zeros(n, dtype=np.int64),
        np.array([buses.index(entry.bus) for entry in identifiers], dtype=np.uint8),
        np.array([entry.id for entry in identifiers], dtype=np.uint32),
        np.array(flags, dtype=np.uint8),
        np.zeros(n, dtype=np.uint8),
        np.zeros(n, dtype=np.uint8),
        np.zeros((n, 8), dtype=np.uint8),
        buses,
    )


def render_text(contents: Contents) -> str:
    """Write the page that `contents` prints."""
    capture, clock = contents.capture, contents.capture.clock
    lines = [
        f"{', '.join(str(path) for path in capture.paths)}  ({capture.format}, {plural(capture.size, 'byte')})",
        f"  frames    {contents.frames:,}",
        f"  first     {moment(contents.first_ns, clock.origin)}",
    ]
    if contents.duration_s is not None:
        lines.append(f"  duration  {contents.duration_s:.3f} s")
    origin = {"epoch": "absolute", "capture": "seconds from the capture's start", "none": "no time stamps"}[
        clock.origin
    ]
    zone = f", time zone {clock.timezone}" if clock.timezone else ""
    lines.append(f"  clock     {origin}, {_step(clock.resolution_ns)}, stamped by: {clock.source}{zone}")
    lines += [f"  {key:9s} {value}" for key, value in capture.metadata.items()]
    if capture.events:
        kinds = Counter(event.kind for event in capture.events)
        lines.append("  events    " + ", ".join(f"{kind} {number}" for kind, number in kinds.items()))
    problems = problem_lines(capture.problems)
    lines.append(f"  problems  {len(capture.problems):,}" if problems else "  problems  none")
    lines += [f"            {line}" for line in problems]
    for bus in dict.fromkeys(entry.bus for entry, _ in contents.identifiers):
        lines += ["", _bus_heading(contents, bus)]
        rows = [_row(entry, meaning) for entry, meaning in contents.identifiers if entry.bus == bus]
        heads = ["ID", "message", "frames", "per second", "bytes", "", "channels"]
        shown = len(heads) if contents.with_car else len(heads) - 1
        lines += table(heads[:shown], [row[:shown] for row in rows], right=(2, 3))
    if contents.with_database:
        lines += ["", f"{contents.unmatched_frames:,} frames are in no database", *absent_lines(contents.absent)]
    elif contents.identifiers:
        lines += ["", "Next: buswright health. No database yet? buswright guide unknown-bus"]
    return joined(lines)


def _bus_heading(contents: Contents, bus: str) -> str:
    entries = [entry for entry, _ in contents.identifiers if entry.bus == bus]
    name = contents.names.get(bus)
    called = f"bus {name} (interface {bus})" if name else f"interface {bus}"
    return f"{called}: {sum(entry.count for entry in entries):,} frames, {plural(len(entries), 'identifier')}"


def _row(entry: Identifier, meaning: Meaning) -> list[str]:
    rate = "" if entry.rate_hz is None else f"{entry.rate_hz:.2f}"
    kind = " ".join(word for word in ("FD" if entry.fd else "", entry.kind if entry.kind != "data" else "") if word)
    lengths, fed = "/".join(map(str, entry.lengths)), listed(meaning.channels, SHOWN_CHANNELS)
    return [entry.text, meaning.message or "–", f"{entry.count:,}", rate, lengths, kind, fed]


def _step(resolution_ns: int) -> str:
    if resolution_ns == 0:
        return "no resolution"
    return f"{resolution_ns // 1000} µs steps" if resolution_ns >= 1000 else f"{resolution_ns} ns steps"


def render_json(contents: Contents) -> dict[str, Any]:
    """Return the document that `contents --json` prints; its schema is contents.schema.json in schemas/."""
    capture, clock = contents.capture, contents.capture.clock
    return {
        "schema": SCHEMA,
        "files": [str(path) for path in capture.paths],
        "format": capture.format,
        "bytes": capture.size,
        **some(contents, "frames first_ns last_ns"),
        "clock": some(clock, CLOCK),
        "metadata": capture.metadata,
        "events": [some(event, "time_ns bus kind values text") for event in capture.events[:1000]],
        "event_count": len(capture.events),
        "problems": problems_json(capture.problems),
        "identifiers": [
            {
                "interface": entry.bus,
                "bus": contents.names.get(entry.bus, entry.bus),
                "id": entry.text,
                **some(entry, "extended kind fd"),
                "message": meaning.message,
                "channels": list(meaning.channels),
                "frames": entry.count,
                **some(entry, "rate_hz lengths first_ns last_ns"),
            }
            for entry, meaning in contents.identifiers
        ],
        "never_came": plain(contents.absent),
        "misfit": None if contents.misfit is None else some(contents.misfit, "text hint sure"),
        "unmatched_frames": contents.unmatched_frames if contents.with_database else None,
    }
