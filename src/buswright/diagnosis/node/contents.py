"""Do the frames carry what they should? Counters, checksums, lengths, and payloads that no longer move."""

from __future__ import annotations

from collections.abc import Iterator

from buswright.diagnosis.case import SECOND, Case, Sighting, Window, merged, sighting, subject_of, titled
from buswright.findings import Severity
from buswright.health.model.identifiers import ChecksumFigures, Held, IdFigures
from buswright.wording import listed, percent, plural, times

_FEW = 3
_ALL_WRONG = 0.99
_LEARNED_SLACK = 0.02
"""A learned counter may be a number that mostly counts: up to this share of other steps says nothing."""
_DEBOUNCE_S = 0.1


def contents_sightings(case: Case) -> Iterator[Sighting]:
    """Judge what the payloads of every identifier carry."""
    for figures in case.health.ids.values():
        frozen = _frozen(case, figures)
        if frozen is not None:
            yield frozen
        yield from _counter(case, figures, frozen)
        yield from _checksum(case, figures)
        yield from _length(case, figures)


def _frozen(case: Case, figures: IdFigures) -> Sighting | None:
    """Judge stretches of equal frames: where the counter stands too, nobody fills the frame."""
    held = _held(case, figures)
    if figures.counter is None or not held:
        return None
    windows = [Window(each.start_ns, each.end_ns) for each in held]
    frames = sum(each.frames for each in held)
    to_end = figures.last_ns is not None and windows[-1].end_ns >= figures.last_ns
    return sighting(
        "frozen-frame",
        Severity.FAULT,
        subject_of(figures.name),
        windows=windows,
        count=frames,
        confidence=0.95 if figures.counter.source == "car file" else 0.8,
        evidence=[
            f"{titled(figures)} sent one frame over and over, its counter included: {frames:,} frames.",
            f"That was {case.spans(windows)}{', to its last frame' if to_end else ''}.",
            "The frames kept arriving on time, so the values only seem to hold.",
            f"At other times the payload changed {figures.payload.changes:,} times in {figures.frames:,} frames.",
        ],
        threshold=case.used("frozen_s", "frozen_frames", frame=figures.name),
        ruled_out=[
            "Not a quantity that stands still: the counter stopped too.",
            "Not a module without power or off the bus: the frames kept arriving.",
        ],
        next_check="Restart the module, then look at its supply and its firmware: its program hangs while its bus "
        "controller repeats the last frame.",
        caution="Treat every value of this message in that time as unknown, above all oil pressure, brakes and "
        "temperatures.",
    )


def _held(case: Case, figures: IdFigures) -> list[Held]:
    """Return the stretches in which counter and data stood for too long."""
    if figures.counter is None:
        return []
    seconds, frames = (case.limit(name, frame=figures.name) for name in ("frozen_s", "frozen_frames"))
    return [
        each
        for each in figures.counter.held
        if each.frames >= frames and each.end_ns - each.start_ns >= seconds * SECOND
    ]


def _counter(case: Case, figures: IdFigures, frozen: Sighting | None) -> Iterator[Sighting]:
    """Judge steps that no gap in time explains."""
    counter = figures.counter
    if counter is None or not counter.frames:
        return
    windows = frozen.windows if frozen is not None else ()
    events = [
        event
        for event in counter.events
        if not event.in_gap and not any(w.start_ns <= event.time_ns <= w.end_ns for w in windows)
    ]
    inside = frozen.finding.count - len(windows) if frozen is not None else 0
    repeats = max(0, counter.repeats - inside)
    backs = sum(event.kind == "back" for event in events)
    wrong = repeats + counter.jumps_without_gap + backs
    if not wrong or not events or (counter.source == "learned" and wrong < _LEARNED_SLACK * counter.frames):
        return
    share = wrong / counter.frames
    limit = case.limit("counter_share_fault", frame=figures.name)
    severity = Severity.FAULT if share >= limit else Severity.SUSPECT if wrong >= _FEW else Severity.NOTE
    evidence = [
        (
            f"The counter of {titled(figures)} took {plural(wrong, 'wrong step')} in {counter.frames:,} with no gap in "
            f"time, first at {case.at(events[0].time_ns)}."
        )
    ]
    evidence.append(
        f"{repeats:,} repeated, {counter.jumps_without_gap:,} jumped ahead, {backs:,} went back. The counter has "
        f"{counter.length} bits ({counter.source})."
    )
    if counter.alternating > limit:
        share_right = percent(counter.alternating, 0)
        evidence.append(f"Over two frames {share_right} of the steps are right, so two senders may count side by side.")
    yield sighting(
        "counter-jump",
        severity,
        subject_of(figures.name),
        windows=merged(Window(event.time_ns, event.time_ns) for event in events),
        count=wrong,
        confidence=0.9 if counter.source == "car file" else 0.6,
        evidence=evidence,
        threshold=case.used("counter_share_fault", frame=figures.name)
        + f"; from {_FEW} wrong steps on it is worth a look",
        ruled_out=[
            "Not lost frames: there is no gap in time at these steps.",
            "Not a frozen payload: the rest of it kept changing."
            if frozen is None
            else "Not the frozen payload: its frames are not counted here.",
        ],
        next_check="See whether a second module or a gateway sends this identifier, and whether the counter's place in "
        "the car file is right.",
    )


def _checksum(case: Case, figures: IdFigures) -> Iterator[Sighting]:
    checksum = figures.checksum
    if checksum is None or not checksum.wrong or not checksum.frames:
        return
    share = checksum.wrong / checksum.frames
    always = share >= _ALL_WRONG
    yield sighting(
        "checksum-wrong",
        _checksum_severity(case, figures, checksum, share),
        subject_of(figures.name),
        windows=merged(Window(time, time) for time in checksum.wrong_ns.tolist()),
        count=checksum.wrong,
        confidence=0.9 if checksum.source == "car file" else 0.6,
        evidence=[
            (
                f"The checksum of {titled(figures)} was wrong in {checksum.wrong:,} of {checksum.frames:,} frames "
                f"({percent(share, 2)}), first at {case.at(int(checksum.wrong_ns[0]))}."
            ),
            "All are wrong, so the formula, its place or its data id is probably not the sender's."
            if always
            else f"At most {checksum.longest_run:,} in a row were wrong.",
            f"It is {checksum.checksum.kind} in byte {checksum.checksum.byte} ({checksum.source}).",
        ],
        threshold=case.used("counter_share_fault", frame=figures.name)
        + f"; or wrong for {_DEBOUNCE_S:g} s without a break",
        ruled_out=["Not damage on the bus: the controller checks each frame in hardware, and these passed."],
        next_check="Compare the formula and data id with the module's data sheet."
        if always
        else "See whether a second module or a gateway sends this identifier; then look at the sender's firmware.",
        caution="Take no value from these frames.",
    )


def _checksum_severity(case: Case, figures: IdFigures, checksum: ChecksumFigures, share: float) -> Severity:
    if share >= _ALL_WRONG:
        return Severity.SUSPECT
    period = figures.period.judged_ns or 0.0
    lasting = checksum.longest_run * period >= _DEBOUNCE_S * SECOND
    wide = share >= case.limit("counter_share_fault", frame=figures.name) and checksum.wrong >= _FEW
    return Severity.FAULT if lasting or wide else Severity.SUSPECT


def _until_changed(figures: IdFigures, at: int) -> Window:
    """Return how long a length stayed that is not the database's; of the right one, the moment of the change."""
    lengths, event = figures.lengths, figures.lengths.events[at]
    if lengths.declared in (None, event.after):
        return Window(event.time_ns, event.time_ns)
    later = lengths.events[at + 1 :]
    end = later[0].time_ns if later else figures.last_ns
    return Window(event.time_ns, max(event.time_ns, end or 0))


def _length(case: Case, figures: IdFigures) -> Iterator[Sighting]:
    lengths = figures.lengths
    if not lengths.off and not lengths.changes:
        return
    counts = listed([f"{count:,} × {length} bytes" for length, count in sorted(lengths.counts.items())])
    evidence = [
        f"{titled(figures)} came with {counts}." + (f" The database says {lengths.declared}." if lengths.off else "")
    ]
    windows = [_until_changed(figures, at) for at in range(len(lengths.events))]
    if lengths.events:
        first = lengths.events[0]
        evidence.append(
            f"The length changed {times(lengths.changes)}, first from {first.before} to {first.after} bytes at "
            f"{case.at(first.time_ns)}."
        )
    elif figures.first_ns is not None and figures.last_ns is not None:
        windows.append(Window(figures.first_ns, figures.last_ns))
    short = lengths.declared is not None and any(length < lengths.declared for length in lengths.counts)
    if short:
        evidence.append("Signals beyond the end of a short frame have no value.")
    yield sighting(
        "wrong-length",
        Severity.NOTE if not lengths.off else Severity.FAULT if short else Severity.SUSPECT,
        subject_of(figures.name),
        windows=merged(windows),
        count=lengths.off or lengths.changes,
        confidence=0.95 if lengths.off else 0.5,
        evidence=evidence,
        threshold="any frame with another length than the database says"
        if lengths.declared is not None
        else "any change of length; no database says which is right",
        ruled_out=["Not damage on the bus: the controller checks each frame in hardware, and these passed."],
        next_check="Compare the database with the module's firmware version and settings; see whether a second module "
        "sends this identifier.",
    )
