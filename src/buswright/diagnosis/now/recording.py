"""How a recording is at the moment: room left on the disk, frames lost on the way, what could not be taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from buswright.findings import Severity
from buswright.frames.live.capture import Drops
from buswright.frames.recording.recorder import RecordingError, Space
from buswright.frames.recording.run import Recording

LEAST_ROOM_S = 3600.0
"""Room for less than that with full buses is worth a look: a session has to fit (a choice)."""


@dataclass(frozen=True, slots=True)
class RecordingState:
    """How a recording is; None everywhere where nothing is wrong.

    Attributes
    ----------
    buses
        Of what each bus lost, and of whether it is received.
    gaps
        Of the times without listening.
    refused
        Of what could not be taken, and of what the format can't hold.
    """

    buses: Mapping[str, Severity | None]
    gaps: Severity | None
    refused: Severity | None


def judge_recording(recording: Recording) -> RecordingState:
    """Judge a recording, while it runs or after it."""
    buses = {
        name: drops_severity(drops) if recording.connected.get(name, True) else Severity.FAULT
        for name, drops in recording.drops.items()
    }
    refused = any((*recording.problems.values(), *recording.losses.values()))
    return RecordingState(buses, _suspect(recording.gaps > 0), _suspect(refused))


def drops_severity(drops: Drops) -> Severity | None:
    """Judge what was lost on the way from one bus: frames that are gone are a fault."""
    return Severity.FAULT if drops.lost else None


def room_severity(space: Space | RecordingError | None) -> Severity | None:
    """Judge the room on the disk; None for one that nobody asked yet."""
    if isinstance(space, RecordingError):
        return Severity.FAULT
    return _suspect(space is not None and space.seconds_full < LEAST_ROOM_S)


def _suspect(wrong: bool) -> Severity | None:
    return Severity.SUSPECT if wrong else None
