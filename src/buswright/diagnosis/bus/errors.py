"""Is the bus itself well? Error frames, bus-off, nobody acknowledging."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import Case, Sighting, Window, sighting, stretches, whole_run
from buswright.diagnosis.words import METER, TERMINATION, UNPLUG
from buswright.findings import Severity
from buswright.health.model.health import BusFigures, Duplicates, ErrorFigures
from buswright.wording import listed, percent, plural, times

_TEN_SECONDS = 10
_PASSIVE = 128
"""Error counter at which a controller becomes error passive (linux/can/error.h names 96, 128 and 256)."""
_UNACKNOWLEDGED = 20
_REPEATED = 0.7
_SILENT_OTHERS = 0.6


def bus_sightings(case: Case) -> Iterator[Sighting]:
    """Judge error frames, states of the recording controller, and repetition for want of an acknowledgement."""
    for bus in case.health.buses.values():
        severity = errors_severity(case, bus)
        if severity is not None:
            yield _errors(case, bus, severity)
        yield from _off(case, bus)
        yield from _no_acknowledge(case, bus)


def _errors(case: Case, bus: BusFigures, severity: Severity) -> Sighting:
    errors = bus.errors
    count, good = errors.on_the_wire, bus.data_frames
    worst = _worst_rate(bus)
    burst_limit = case.limit("error_burst", bus=bus.name)
    evidence = [
        (
            f"{plural(count, 'error frame')} came on {bus.name} in {bus.seconds:.1f} s: {_per_minute(bus):.1f} a "
            f"minute, at most {worst:.2f} a second over ten seconds."
        )
    ]
    if errors.first_ns is not None:
        evidence.append(f"The first came at {case.at(errors.first_ns)}, the last at {case.at(errors.last_ns)}.")
    if errors.burst >= burst_limit:
        evidence.append(
            f"{errors.burst} of them within 50 ms at {case.at(errors.burst_ns)}: enough to put a sender off the bus."
        )
    for title, kinds in (("Kinds", errors.protocol), ("Places in the frame", errors.places)):
        if kinds:
            evidence.append(f"{title}: {ranked(kinds)}.")
    if (counters := _counters(errors)) is not None:
        evidence.append(counters)
    return sighting(
        "bus-errors",
        severity,
        f"bus:{bus.name}",
        windows=_error_windows(bus),
        count=count,
        confidence=0.95,
        evidence=evidence,
        threshold=case.used("error_frames_per_minute", "error_frames_per_second", "error_burst", bus=bus.name),
        ruled_out=[f"Not a wrong bit rate: {plural(good, 'frame')} came without an error."] if good > count else [],
        next_check=f"{TERMINATION} If that is right, see whether the errors come with vibration, with engine speed or "
        "with one module plugged in. Frames alone can't tell bad termination, a bad contact, a wrong sample point and "
        "interference apart.",
        caution=METER,
        reach=case.subjects_of_bus(bus.name),
    )


def errors_severity(case: Case, bus: BusFigures, now_per_s: float = 0.0) -> Severity | None:
    """Judge the error frames and error counters of a bus, those of the moment too; None where there are none."""
    if not bus.errors.on_the_wire and _highest(bus.errors) < _PASSIVE:
        return None
    if max(_worst_rate(bus), now_per_s) > case.limit("error_frames_per_second", bus=bus.name):
        return Severity.FAULT
    raised = (
        _per_minute(bus) > case.limit("error_frames_per_minute", bus=bus.name)
        or bus.errors.burst >= case.limit("error_burst", bus=bus.name)
        or _highest(bus.errors) >= _PASSIVE
    )
    return Severity.SUSPECT if raised else Severity.NOTE


def _per_minute(bus: BusFigures) -> float:
    return bus.errors.on_the_wire / (max(bus.seconds, 1.0) / 60)


def _worst_rate(bus: BusFigures) -> float:
    """Most error frames a second over ten consecutive seconds; over all of it where there are fewer."""
    errors = bus.slow_windows.errors
    if not len(errors):
        return bus.errors.on_the_wire / max(1.0, bus.seconds)
    width = min(_TEN_SECONDS, len(errors))
    sums = np.convolve(errors, np.ones(width, dtype=np.int64), mode="valid")
    return float(sums.max()) / width


def _error_windows(bus: BusFigures) -> tuple[Window, ...]:
    """Return the 100 ms windows with error frames, cut to the first and last of these."""
    found = stretches(bus.windows, np.flatnonzero(bus.windows.errors).tolist())
    first, last = bus.errors.first_ns, bus.errors.last_ns
    if not found or first is None or last is None:
        return whole_run(bus)
    cut = [Window(max(w.start_ns, first), min(w.end_ns, last)) for w in found]
    return tuple(w for w in cut if w.start_ns <= w.end_ns)


def _highest(errors: ErrorFigures) -> int:
    return max(errors.highest_transmit or 0, errors.highest_receive or 0)


def _counters(errors: ErrorFigures) -> str | None:
    if errors.highest_transmit is None and errors.highest_receive is None:
        return None
    return (
        f"The recorder's own error counters rose to {errors.highest_transmit or 0} (sending) and "
        f"{errors.highest_receive or 0} (receiving); from {_PASSIVE} a controller is error passive. Those of the "
        "modules are not visible on the bus."
    )


def ranked(kinds: Mapping[str, int]) -> str:
    """Write kinds of errors with their counts, the most frequent first."""
    return listed([f"{name} {count}" for name, count in sorted(kinds.items(), key=lambda kind: -kind[1])], 4)


def _off(case: Case, bus: BusFigures) -> Iterator[Sighting]:
    off, back = bus.errors.bus_off_ns, bus.errors.restarted_ns
    if not off:
        return
    ends = [next((time for time in back if time >= start), start) for start in off]
    yield sighting(
        "bus-off",
        Severity.FAULT,
        f"bus:{bus.name}",
        windows=[Window(start, end) for start, end in zip(off, ends, strict=True)],
        confidence=1.0,
        evidence=[
            (
                f"The recorder's own controller went bus-off {times(len(off))}, first at {case.at(off[0])}, "
                f"and reported {plural(len(back), 'restart')}."
            ),
            "So it was sending or acknowledging: a controller that only listens never goes bus-off.",
        ],
        threshold="any bus-off that the controller reports",
        ruled_out=["Not a module's bus-off: the recorder's controller reports only its own."],
        next_check="Compare the bit rates, then check termination and the pair between recorder and bus. While it was "
        "off nothing was recorded.",
        caution=METER,
        reach=case.subjects_of_bus(bus.name),
    )


def _no_acknowledge(case: Case, bus: BusFigures) -> Iterator[Sighting]:
    errors = bus.errors
    said = errors.classes.get("no-acknowledge", 0) + errors.places.get("acknowledge slot", 0)
    said = min(said, errors.on_the_wire)
    loop = repeated(case, bus)
    reported = said >= _UNACKNOWLEDGED and 2 * said > errors.on_the_wire
    if not reported and loop is None:
        return
    evidence = []
    windows: tuple[Window, ...] = ()
    if loop is not None:
        evidence.append(
            f"From {case.at(loop.first_ns)} to {case.at(loop.last_ns)} frames were repeated {loop.copies:,} times, "
            "back to back and with the same payload. Meanwhile the other identifiers of the bus were silent."
        )
        windows = (Window(loop.first_ns, loop.last_ns),)
    if said:
        evidence.append(f"{said:,} of {errors.on_the_wire:,} error frames say that the acknowledgement was missing.")
        windows = windows or _error_windows(bus)
    yield sighting(
        "no-acknowledge",
        Severity.FAULT,
        f"bus:{bus.name}",
        windows=windows,
        count=max(said, loop.copies if loop else 0),
        confidence=0.9 if reported and loop else 0.75,
        evidence=evidence,
        threshold=f"over {percent(_REPEATED, 0)} of the frames repeated at once with the same payload, or at least "
        f"{_UNACKNOWLEDGED} error frames at the acknowledgement",
        ruled_out=[
            *(["Not an echo of the recorder: that doubles each frame only once."] if loop else []),
            *(["Not a babbling module: the other modules were silent, not late."] if loop else []),
        ],
        next_check="See whether the other modules have power, and whether the pair to them is open: a sender needs one "
        "more node that acknowledges. On the bench that is a second node that may acknowledge.",
        caution=UNPLUG,
        reach=case.subjects_of_bus(bus.name),
    )


def repeated(case: Case, bus: BusFigures) -> Duplicates | None:
    """Return the stretch in which frames were repeated endlessly and nobody else was heard; None if there is none."""
    for pair in case.health.capture.duplicates:
        if pair.bus != bus.name or pair.other != bus.name or pair.copies < _UNACKNOWLEDGED:
            continue
        inside = (bus.windows.start_ns + bus.windows.width_ns > pair.first_ns) & (bus.windows.start_ns <= pair.last_ns)
        frames = int(bus.windows.frames[inside].sum() - bus.windows.errors[inside].sum())
        if frames and pair.copies > _REPEATED * frames and _others_silent(case, bus, pair):
            return pair
    return None


def _others_silent(case: Case, bus: BusFigures, pair: Duplicates) -> bool:
    """Whether most identifiers were silent for most of the stretch; the one that is repeated aside."""
    stretch = Window(pair.first_ns, pair.last_ns)
    periodic = [figures for figures in case.periodic(bus.name) if figures.name != loudest(case, bus.name)]
    silent = 0
    for figures in periodic:
        gaps = figures.gaps
        overlap = np.minimum(gaps.end_ns, stretch.end_ns) - np.maximum(gaps.start_ns, stretch.start_ns)
        covered = int(overlap[overlap > 0].sum())
        if figures.last_ns is not None:
            covered += max(0, stretch.end_ns - max(figures.last_ns, stretch.start_ns))
        silent += 2 * covered > stretch.end_ns - stretch.start_ns
    return silent >= _SILENT_OTHERS * len(periodic)


def loudest(case: Case, bus: str) -> FrameName | None:
    """Return the identifier that filled a bus most within one second."""
    found = {figures.name: figures.busiest.bits for figures in case.health.ids_of(bus) if figures.busiest is not None}
    return max(found, key=found.__getitem__, default=None)
