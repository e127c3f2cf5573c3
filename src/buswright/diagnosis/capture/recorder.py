"""Did the recording tell the truth? Lines, clock, echoes, stamps and filters of the capture itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.capture.drops import reported_drops
from buswright.diagnosis.capture.echo import echoes
from buswright.diagnosis.capture.host_lag import smear
from buswright.diagnosis.case import SECOND, Case, Sighting, Window, merged, open_link, sighting, subject_of, whole_run
from buswright.diagnosis.silence import never_seen
from buswright.diagnosis.words import CLEAR_FILTERS
from buswright.findings import Severity
from buswright.health.model.health import BusFigures, CommonFilter
from buswright.wording import all_of, capital, listed, percent, plural, times

_NOT_LOST = ("time goes backwards", "files overlap in time", "more events than are kept", "the file is empty")
"""What a reader reports beside lines that it could not read."""
_OUT_OF_ORDER_NS = 1_000
"""Stamps that go back by no more than this are two frames of one instant."""
_BESIDE_A_COPY = 2
_SLOW_ENOUGH = 800_000
_FEW_STAMPS = 10
_ON_MILLISECOND = 0.9
_FEW_ABSENT = 3


def capture_sightings(case: Case) -> Iterator[Sighting]:
    """Judge the capture itself, losses and forward jumps of the clock aside: those show in the gaps."""
    yield from _bad_lines(case)
    yield from _clock_back(case)
    yield from reported_drops(case)
    yield from echoes(case)
    for bus in case.health.buses.values():
        yield from _host_stamps(case, bus)
        yield from _filters(case, bus)


def _bad_lines(case: Case) -> Iterator[Sighting]:
    reasons = {reason: n for reason, n in case.health.capture.bad_lines.items() if reason not in _NOT_LOST and n}
    count = sum(reasons.values())
    if not count:
        return
    share = count / (count + case.health.capture.frames)
    limit = case.limit("bad_lines_share")
    yield sighting(
        "bad-lines",
        Severity.SUSPECT if share > limit else Severity.NOTE,
        "capture",
        count=count,
        confidence=1.0,
        evidence=[
            f"{plural(count, 'line')} of the capture ({percent(share, 2)}) could not be read: "
            + "; ".join(f"{n} × {reason}" for reason, n in sorted(reasons.items(), key=lambda r: -r[1])[:4])
            + ".",
            "Frames on those lines count as missing, though the bus carried them.",
        ],
        threshold=case.used("bad_lines_share"),
        ruled_out=["Not a module or the bus: neither writes the lines of the file."],
        next_check="Look at the first of these lines (buswright contents names it). Check that the recorder's disk has "
        "space, and that it was switched off cleanly.",
        reach=case.everything(),
    )


def _clock_back(case: Case) -> Iterator[Sighting]:
    steps = [
        step
        for bus in case.health.buses.values()
        for step in bus.steps_back
        if step.before_ns - step.after_ns > _OUT_OF_ORDER_NS
    ]
    if not steps:
        return
    largest = min(steps, key=lambda step: step.step_ns)
    jumped = -largest.step_ns > case.limit("clock_jump_s") * SECOND
    yield sighting(
        "clock-jump",
        Severity.FAULT if jumped else Severity.SUSPECT,
        "capture",
        windows=merged(Window(step.after_ns, step.before_ns) for step in steps),
        told=[Window(step.before_ns, step.before_ns) for step in steps],
        count=len(steps),
        confidence=1.0,
        evidence=[
            (
                f"Time went backwards {times(len(steps))}, by up to {-largest.step_ns / SECOND:.6f} s on "
                f"{largest.bus} at {case.at(largest.before_ns)}."
            ),
            "Stamps of frames on one bus can only rise, so the recorder's clock was set back."
            if jumped
            else "The capture has frames of one bus out of order.",
        ],
        threshold=case.used("clock_jump_s"),
        ruled_out=["Not a fault on the car: only the recorder writes the time stamps."],
        next_check="Switch off the recorder's time synchronisation while it records, and use hardware stamps where "
        "the adapter has them. Judge the parts of the run separately; nothing is interpolated across the jump.",
        reach=case.everything(),
    )


def _host_stamps(case: Case, bus: BusFigures) -> Iterator[Sighting]:
    """Judge who stamped the frames; identifiers whose lateness stands out in spite of it are beyond its reach."""
    spacing = bus.spacing
    if not spacing.pairs:
        return
    said = bus.host_stamped == "clock"
    proof = max(spacing.impossible if spacing.impossible is not None else _too_close(bus), spacing.zero)
    copies = sum(pair.copies for pair in case.health.capture.duplicates if pair.bus == pair.other == bus.name)
    if proof <= _BESIDE_A_COPY * copies:
        proof = 0  # a copy stands where no frame can, and pushes the one behind it
    share = proof / spacing.pairs
    cut = proof > 0 and spacing.on_millisecond / spacing.pairs > _ON_MILLISECOND
    if proof < _FEW_STAMPS and not cut and not said:
        return
    limit = case.limit("host_spacing_share", bus=bus.name)
    evidence = ["The capture says that the computer stamped the frames when it fetched them."] if said else []
    if proof:
        what = "closer than a frame lasts on the wire" if proof > spacing.zero else "with equal stamps"
        evidence += [
            (
                f"{proof:,} of {spacing.pairs:,} spacings on {bus.name} ({percent(share, 2)}) are {what}; "
                f"{spacing.zero:,} have equal stamps."
            ),
            "No bus can do that: a computer stamped the frames when it fetched them, several at once.",
        ]
    if cut:
        evidence.append(f"{percent(spacing.on_millisecond / spacing.pairs, 0)} of the stamps are whole milliseconds.")
    beyond = {
        subject_of(figures.name)
        for figures in case.periodic(bus.name)
        if (compared := smear(case, figures)) is not None and compared.stands_out
    }
    yield sighting(
        "host-timestamps",
        Severity.SUSPECT if share > limit and not said else Severity.NOTE,
        f"bus:{bus.name}",
        windows=whole_run(bus),
        count=max(1, proof),
        confidence=1.0 if said or spacing.impossible is not None else 0.8,
        evidence=evidence,
        threshold=case.used("host_spacing_share", bus=bus.name),
        ruled_out=["Not senders that jitter: on one bus their frames never overlap, and these do."] if proof else [],
        next_check="Use hardware time stamps if the adapter has them. Until then trust counts and mean rates, but not "
        "jitter or which of two frames came first.",
        reach=case.subjects_of_bus(bus.name) - beyond,
    )


def _too_close(bus: BusFigures) -> int:
    """Count spacings that no classic frame has up to 800 kbit/s; 0 where the guessed rate may be higher, or FD."""
    rate = bus.bitrate.bits_per_s
    slow = rate is not None and rate <= _SLOW_ENOUGH and not bus.fd_frames
    return bus.spacing.under_50us if slow else 0


def _filters(case: Case, bus: BusFigures) -> Iterator[Sighting]:
    for common in bus.filters:
        absent = [name for name in never_seen(case, bus.name) if name.extended == common.extended]
        passing = [name for name in absent if name.id & common.mask == common.value]
        whole = _whole_modules(case, bus.name)
        if len(absent) >= _FEW_ABSENT and not passing and not whole:
            yield _filter(case, bus, common, Severity.SUSPECT, absent)
        elif 2 <= common.ids == common.passes and not absent:
            yield _filter(case, bus, common, Severity.NOTE, absent)


def _filter(
    case: Case, bus: BusFigures, common: CommonFilter, severity: Severity, absent: Sequence[FrameName]
) -> Sighting:
    width, kind = (8, "29-bit identifier") if common.extended else (3, "11-bit identifier")
    evidence = [
        (
            f"{capital(all_of(common.ids, kind))} on {bus.name} can pass one filter: mask {common.mask:0{width}X}, "
            f"value {common.value:0{width}X}, which lets {common.passes} through."
        )
    ]
    if absent:
        evidence.append(
            f"{plural(len(absent), 'expected identifier')} never came ({listed([str(name) for name in absent])}). It "
            "would stop each of them."
        )
    return sighting(
        "filter-in-force",
        severity,
        f"bus:{bus.name}",
        windows=whole_run(bus),
        count=max(1, len(absent)),
        confidence=0.8 if absent else 0.3,
        evidence=evidence,
        threshold=f"at least {_FEW_ABSENT} expected identifiers absent, all outside the mask that all seen ones pass",
        ruled_out=["Not missing modules: other identifiers of the same modules came."] if absent else [],
        next_check=CLEAR_FILTERS,
        reach=case.subjects_of_bus(bus.name) | {f"id:{name}" for name in absent},
    )


def _whole_modules(case: Case, bus: str) -> bool:
    """Whether the absent ones are no more than one module that never came: that is missing rather than filtered."""
    never: set[str] = set()
    partly: set[str] = set()
    for (on, module), figures in case.health.modules.items():
        if on == bus and figures.never_came:
            (partly if figures.ids else never).add(module)
    return not partly and (len(never) < 2 or open_link(case.chain(bus, heard=False), never) is not None)
