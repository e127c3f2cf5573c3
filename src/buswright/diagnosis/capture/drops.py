"""What the recorder itself says it lost, and what the gaps show of the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from buswright.diagnosis.case import SECOND, Case, Sighting, Window, merged, sighting
from buswright.findings import Severity
from buswright.wording import listed, plural, times


def reported_drops(case: Case) -> Iterator[Sighting]:
    """Return the recorder's own word for losses: one sighting, on one bus if it says so, else on the capture."""
    drops = case.health.capture.drops
    if not drops:
        return
    spans = sorted((drop.start_ns or drop.time_ns, drop.time_ns) for drop in drops if drop.time_ns is not None)
    lost = case.health.capture.dropped
    said = sorted({drop.text for drop in drops if drop.text})
    buses = sorted({drop.bus for drop in drops if drop.bus})
    known = [_bus_called(case, bus) for bus in buses]
    own = [bus for bus in known if bus is not None]
    everywhere = not own or len(own) < len(known) or not all(drop.bus for drop in drops)
    # Losses are counted when they are noticed: the frames are missing up to a second before.
    yield sighting(
        "capture-drop",
        Severity.FAULT,
        "capture" if everywhere else case.recorded(own),
        windows=merged(Window(start - SECOND, stop + SECOND // 10) for start, stop in spans),
        told=[Window(start, stop) for start, stop in spans],
        count=len(drops),
        confidence=1.0,
        evidence=[
            f"The recorder itself reported losses {times(len(drops))}"
            + (f" on {listed(buses)}" if buses else "")
            + (f", {plural(lost, 'frame')} in total" if lost else ", without a number of frames")
            + (f": {listed(said, 2)}." if said else ".")
        ],
        threshold="any loss that the recorder reports",
        ruled_out=["Not a module that skips: the recorder counted the loss between the bus and the file."],
        next_check="Take load off the recording computer, use a larger receive buffer or a better adapter, look at "
        "its plug, and record again before you blame any module for missing frames.",
        reach=case.everything() if everywhere else frozenset().union(*(case.subjects_of_bus(bus) for bus in own)),
    )


def _bus_called(case: Case, name: str) -> str | None:
    """Return the bus that a capture calls so; None where it has no frames."""
    return next((bus.name for bus in case.health.buses.values() if name in (bus.name, *bus.interfaces)), None)


def recorder_subject(reported: Sequence[Sighting], window: Window, subject: str, buses: Sequence[str]) -> str:
    """Return the subject of a loss that the gaps show: that of the recorder's own word, if it speaks of that time."""
    for one in reported:
        concerned = subject in one.reach or any(f"bus:{bus}" in one.reach for bus in buses)
        if concerned and any(touch(window, own) for own in one.windows):
            return one.finding.subject
    return subject


def touch(one: Window, other: Window) -> bool:
    """Whether two stretches of time have a moment in common."""
    return one.start_ns <= other.end_ns and other.start_ns <= one.end_ns
