"""Does one identifier have two senders? Two combs of arrivals, two families of payloads, two counters."""

from __future__ import annotations

from collections.abc import Iterator

from buswright.diagnosis.case import MILLISECOND, Case, Sighting, Window, plural, sighting, subject_of
from buswright.diagnosis.words import UNPLUG
from buswright.findings import Severity
from buswright.health.model_ids import IdFigures, TwoSenders

_ECHO_NS = 1_000_000
_COUNTING = 0.5


def duplicate_sightings(case: Case) -> Iterator[Sighting]:
    """Judge identifiers whose arrivals fall into two combs."""
    for figures in case.health.ids.values():
        two = figures.two_senders
        if two is not None and two.split:
            yield from _judge(case, figures, two)


def _judge(case: Case, figures: IdFigures, two: TwoSenders) -> Iterator[Sighting]:
    families = two.between_bits >= case.limit("two_sender_families", frame=figures.name) * max(two.within_bits, 0.5)
    counters = figures.counter is not None and figures.counter.alternating > _COUNTING
    twice = _rate(figures, two)
    if not families and not counters and (two.separation_ns < _ECHO_NS or not twice):
        return
    witnesses = families + counters + bool(twice)
    windows = _windows(figures, two)
    evidence = [
        f"{figures.name} {figures.message or ''}".strip()
        + f": in {two.split} of {plural(two.windows, 'window')} of ten seconds its frames fall into two combs of "
        f"{two.period_ns / MILLISECOND:.2f} ms, {two.separation_ns / MILLISECOND:.2f} ms apart, each within "
        f"{two.sd_ns / MILLISECOND:.3f} ms; the smaller has {two.minority:.0%} of them.",
    ]
    if two.drift_ppm is not None:
        evidence.append(f"The combs drift against each other by {two.drift_ppm:.0f} ppm: two clocks.")
    if families:
        evidence.append(
            f"From one comb to the other {two.between_bits:.1f} payload bits change, within a comb "
            f"{two.within_bits:.1f}: two families of payloads."
        )
    if counters and figures.counter is not None:
        evidence.append(f"{figures.counter.alternating:.0%} of its counter's steps are right only over two frames.")
    if twice:
        evidence.append(twice)
    errors = case.health.buses[figures.name.bus].errors.on_the_wire
    if errors:
        evidence.append(
            f"The bus also has {plural(errors, 'error frame')}: two senders that start together destroy both."
        )
    yield sighting(
        "duplicate-id",
        Severity.FAULT if witnesses >= 2 else Severity.SUSPECT,
        subject_of(figures.name),
        windows=windows,
        count=two.split,
        confidence=0.5 + 0.15 * witnesses,
        evidence=evidence,
        threshold="two clusters by phase in windows of at most 10 s, each with a standard deviation under 0.1 "
        "periods, together over 90 % of the frames; " + case.used("two_sender_families", frame=figures.name),
        ruled_out=[
            "A multiplexed message: that changes its payload by a selector, on one comb and at one rate.",
            "A doubled recording: second copies have the same payload and follow within 1 ms.",
        ],
        next_check="Unplug one suspect with the engine off: half of the frames stay. Then give one of the two another "
        "identifier.",
        caution=UNPLUG,
    )


def _rate(figures: IdFigures, two: TwoSenders) -> str:
    """Say that it comes twice as often as declared, if it does."""
    expected = figures.period.expected_ns
    if figures.period.source not in ("car file", "expected_hz", "database") or not expected:
        return ""
    if abs(two.period_ns / expected - 1) > 0.1:
        return ""
    return f"Each comb has the declared period of {expected / MILLISECOND:g} ms, so frames come twice as often."


def _windows(figures: IdFigures, two: TwoSenders) -> list[Window]:
    """From the first to the last split window, the start sharpened by the first step of the counter that is wrong."""
    if two.first_ns is None or two.last_ns is None:
        return []
    counter = figures.counter
    events = [event.time_ns for event in counter.events if not event.in_gap] if counter is not None else []
    inside = [time for time in events if two.first_ns - 10_000 * MILLISECOND <= time <= two.last_ns]
    return [Window(min(inside, default=two.first_ns), two.last_ns)]
