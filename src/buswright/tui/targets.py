"""Findings as rows, and from a finding's subject to the rows that show it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from buswright.tui.bench import Bench

if TYPE_CHECKING:
    from buswright.channels.carfile.model import FrameName
    from buswright.findings import Finding
    from buswright.worker.snapshot import Snapshot


class FindingKey(NamedTuple):
    """What tells a finding from the others from snapshot to snapshot."""

    fault: str
    subject: str
    start_ns: int | None


def key_of(finding: Finding) -> FindingKey:
    """Return a finding's key."""
    return FindingKey(finding.fault, finding.subject, finding.start_ns)


class Target(NamedTuple):
    """A screen, and either one of its rows or what its list is searched for."""

    screen: str
    key: object = None
    sought: str = ""


def identifiers_of(subject: str, snapshot: Snapshot) -> Target | None:
    """Return where the identifiers of a subject are listed; None where it has none."""
    kind, _, name = subject.partition(":")
    if kind == "id":
        known = _frame(name, snapshot)
        return Target("identifiers", known) if known else Target("identifiers", sought=name.rpartition("/")[2])
    if kind in ("module", "bus"):
        # A module without a name is called by its bus and its first identifiers.
        return Target("identifiers", sought=name.rpartition("/")[2].split("+")[0])
    if kind == "channel":
        channel = next((each for each in snapshot.channels if each.name == name), None)
        if channel is None or not channel.message:
            return None
        for frame, figures in snapshot.health.ids.items():
            if (frame.bus, figures.message) == (channel.bus, channel.message):
                return Target("identifiers", frame)
        return Target("identifiers", sought=channel.message)
    return None


def channels_of(subject: str, snapshot: Snapshot) -> Target | None:
    """Return where the channels of a subject are listed; None where it has none."""
    kind, _, name = subject.partition(":")
    if kind == "channel":
        return Target("channels", name)
    if kind == "id":
        frame = _frame(name, snapshot)
        message = snapshot.health.ids[frame].message if frame else None
        own = [each for each in snapshot.channels if frame and (each.bus, each.message) == (frame.bus, message)]
        if len(own) == 1:
            return Target("channels", own[0].name)
        return Target("channels", sought=own[0].message) if own else None
    if kind == "module":
        return Target("channels", sought=name) if any(each.module == name for each in snapshot.channels) else None
    if kind == "bus":
        return Target("channels", sought=name) if any(each.bus == name for each in snapshot.channels) else None
    if kind in ("supply", "ground", "plug"):
        return Target("channels", sought=name)
    return None


def _frame(text: str, snapshot: Snapshot) -> FrameName | None:
    return next((name for name in snapshot.health.ids if str(name) == text), None)


def go(bench: Bench, target: Target) -> None:
    """Go there."""
    if target.sought:
        bench.search_in(target.screen, target.sought)
    else:
        bench.go_to(target.screen, target.key)
