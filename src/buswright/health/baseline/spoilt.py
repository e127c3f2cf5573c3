"""What a spoilt recording does to the comparison: one difference with its cause, not one for each identifier."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from buswright.findings import Severity
from buswright.health.baseline.baseline import Baseline, BusBaseline
from buswright.health.baseline.differences import Difference, Kind
from buswright.wording import listed, plural, times

_TIMING = "frames-missing period-changed jitter-up counter-changed clock-changed"
_SPOILS: Mapping[str, frozenset[str]] = {
    cause: frozenset(kinds.split())
    for cause, kinds in {
        "clock-jump": _TIMING,
        "capture-drop": _TIMING,
        "host-timestamps": "period-changed jitter-up clock-changed frames-missing",
        "echo": f"{_TIMING} load-up channel-unusable noise-up",
        "bad-lines": "frames-missing counter-changed",
    }.items()
}
"""Which differences of buses, identifiers and channels each fault of a recording makes."""
_CALLED: Mapping[str, str] = {
    "clock-jump": "the recorder's clock jumped",
    "capture-drop": "the recorder lost frames",
    "host-timestamps": "a computer stamped the frames",
    "echo": "frames were recorded twice",
    "bad-lines": "lines could not be read",
}
_CHECK: Mapping[str, str] = {
    "clock-jump": "switch off the recorder's time synchronisation while it records",
    "capture-drop": "the adapter's receive buffer and the load of the recording computer",
    "host-timestamps": "record with hardware time stamps, or compare with a run that was stamped like this one",
    "echo": "whether the recorder receives its own frames, or records one bus twice",
    "bad-lines": "the recorder's disk, and how it was switched off",
}
_EVENTS = frozenset({"clock-jump"})
_NAMED = 8
_MARGIN = 1.2
_AT_EACH = 3
"""Frames that each silence may cost beside its length."""
_SAME_PERIOD = 0.25


@dataclass(slots=True)
class Spoilt:
    """What went wrong with the later recording and not with the earlier, and what it explains.

    Attributes
    ----------
    causes
        How often, by fault.
    silent_s
        How long all identifiers of a bus were silent together, more than in the earlier run.
    explained
        Differences that were left out, by kind and identifier.
    """

    causes: Mapping[str, int]
    silent_s: float
    explained: set[tuple[Kind, str]] = field(default_factory=set)

    def explains(self, each: Difference, bus: BusBaseline | None = None) -> bool:
        """Whether a difference (of an identifier: of this bus) comes from the recording; then it is counted here."""
        causes = {cause for cause in self.causes if each.kind in _SPOILS[cause]}
        if not causes or (bus is not None and self._too_much(each, bus, causes)):
            return False
        self.explained.add((each.kind, each.subject))
        return True

    def _too_much(self, each: Difference, bus: BusBaseline, causes: set[str]) -> bool:
        """Whether it is more than the recording does: frames beyond its silences, or steadily another period."""
        entry = bus.ids.get(each.subject.rpartition("/")[2])
        if entry is None:
            return False
        if each.kind == "period-changed" and each.unit == "ms" and each.before and each.after:
            return entry.sending == "periodic" and abs(each.after / each.before - 1) > _SAME_PERIOD
        if each.kind == "frames-missing" and entry.period_ms and not causes & {"host-timestamps", "bad-lines"}:
            silences = sum(self.causes[cause] for cause in causes)
            return entry.missing > _MARGIN * self.silent_s * 1e3 / entry.period_ms + _AT_EACH * silences
        return False

    def difference(self) -> Difference | None:
        """Return the one difference that is made of them; None where the recording is as before."""
        if not self.causes:
            return None
        said = [
            f"{_CALLED[cause]} {times(count)}" if cause in _EVENTS and count > 1 else _CALLED[cause]
            for cause, count in self.causes.items()
        ]
        text = f"in the later run, and not in the earlier, {listed(said)}"
        if self.explained:
            subjects = sorted({subject.partition(":")[2] for _, subject in self.explained})
            kinds = sorted({kind for kind, _ in self.explained})
            text += f"; this accounts for {plural(len(self.explained), 'difference')} ({listed(kinds)}) of "
            text += listed(subjects, _NAMED)
        merely_stamped = self.causes.keys() == {"host-timestamps"}
        return Difference(
            "recording-changed",
            Severity.NOTE if merely_stamped else Severity.SUSPECT,
            "capture",
            text,
            0.0,
            float(len(self.explained)),
            "differences",
            "" if merely_stamped else "any such fault that the earlier run has not",
            listed([_CHECK[cause] for cause in self.causes]),
            size=float(len(self.explained)),
        )


def spoilt_by_recording(a: Baseline, b: Baseline) -> Spoilt:
    """Say what is wrong with the later recording that isn't with the earlier one."""
    before, after = a.capture, b.capture
    causes = {
        fault: count
        for fault, count in sorted(after.recording.items())
        if fault in _SPOILS and fault not in before.recording
    }
    return Spoilt(causes, max(0.0, after.silent_s - before.silent_s))
