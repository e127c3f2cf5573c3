"""Does one identifier have two senders? Two regular streams of arrivals, two families of payloads, two counters."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.bus.errors import loudest, repeated
from buswright.diagnosis.bus.load import babblers
from buswright.diagnosis.case import MILLISECOND, Case, Sighting, Window, sighting, subject_of, titled
from buswright.diagnosis.words import UNPLUG
from buswright.findings import Severity
from buswright.health.model.identifiers import IdFigures, TwoSenders
from buswright.wording import duration, percent, plural

_ECHO_NS = 1_000_000
_COUNTING = 0.5
_DESTROYED = 0.5
"""Share of the error frames of a bus that come right before an identifier, from which its two senders make them."""
_EXTRA = 3.0
_EXTRA_SHARE = 0.02
"""Frames in ten seconds beyond what one stream has, from which a second sender was there."""
_NEAR_NS = 1_000_000_000


def duplicate_sightings(case: Case) -> Iterator[Sighting]:
    """Judge identifiers whose arrivals fall into two regular streams."""
    for figures in case.health.ids.values():
        if figures.two_senders is not None and is_sent_twice(case, figures):
            yield _finding(case, figures, figures.two_senders)


def mixed_streams(case: Case) -> frozenset[FrameName]:
    """Return identifiers whose arrivals are no single regular stream: a gap or a jitter of theirs means nothing."""
    names = {figures.name for figures in case.health.ids.values() if is_sent_twice(case, figures)}
    for bus in case.health.buses.values():
        names |= {figures.name for figures, _ in babblers(case, bus)}
        if repeated(case, bus) is not None and (name := loudest(case, bus.name)) is not None:
            names.add(name)
    return frozenset(names)


def is_sent_twice(case: Case, figures: IdFigures) -> bool:
    """Whether two streams of arrivals are there, and payloads, counter or rate bear it out."""
    two = figures.two_senders
    return two is not None and two.split > 0 and any(_witnesses(case, figures, two))


def _witnesses(case: Case, figures: IdFigures, two: TwoSenders) -> tuple[bool, bool, bool]:
    """Say what bears it out: two families of payloads, two counters, twice the rate (and no echo)."""
    families = two.between_bits >= case.limit("two_sender_families", frame=figures.name) * max(two.within_bits, 0.5)
    counters = figures.counter is not None and figures.counter.alternating > _COUNTING
    return families, counters, two.separation_ns >= _ECHO_NS and bool(_rate(figures, two))


def _finding(case: Case, figures: IdFigures, two: TwoSenders) -> Sighting:
    families, counters, _ = _witnesses(case, figures, two)
    twice = _rate(figures, two)
    witnesses = families + counters + bool(twice)
    windows = _windows(figures, two)
    evidence = [
        (
            f"{titled(figures)} comes in two regular streams, each every {two.period_ns / MILLISECOND:.2f} ms, "
            f"{two.separation_ns / MILLISECOND:.2f} ms apart."
        )
    ]
    if two.drift_ppm is not None:
        evidence.append(f"The streams drift apart by {two.drift_ppm:.0f} ppm, so two clocks time them.")
    if families:
        evidence.append(
            f"The payloads differ by {two.between_bits:.1f} bits between the streams and by {two.within_bits:.1f} "
            "within one."
        )
    if counters and figures.counter is not None:
        evidence.append(
            f"{percent(figures.counter.alternating, 0)} of its counter's steps are right only over two frames."
        )
    if twice:
        evidence.append(twice)
    errors = case.health.buses[figures.name.bus].errors
    destroyed, of_all = errors.followed_by.get((figures.name.id, figures.name.extended), 0), errors.on_the_wire
    if destroyed:
        evidence.append(
            f"Right after {destroyed} of {plural(of_all, 'error frame')} it was sent again: two senders that start "
            "together destroy both frames."
        )
    evidence.append(
        f"That was so in {two.split} of {plural(two.windows, 'window')} of ten seconds; each stream is regular to "
        f"{two.sd_ns / MILLISECOND:.3f} ms, and the smaller has {percent(two.minority, 0)} of the frames."
    )
    return sighting(
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
            "Not a multiplexed message: that comes in one regular stream.",
            f"Not a doubled recording: copies follow within 1 ms, these after {duration(two.separation_ns)}.",
        ]
        if two.separation_ns >= _ECHO_NS
        else ["Not a multiplexed message: that comes in one regular stream."],
        next_check="Unplug one suspect with the engine off: half of the frames stay. Then give one of the two another "
        "identifier.",
        caution=UNPLUG,
        reach={f"bus:{figures.name.bus}"} if destroyed > _DESTROYED * of_all else (),
    )


def _rate(figures: IdFigures, two: TwoSenders) -> str:
    """Say that it comes twice as often as declared, if it does."""
    expected = figures.expected.due_ns
    if not figures.expected.period_ns.declared or not expected:
        return ""
    if abs(two.period_ns / expected - 1) > 0.1:
        return ""
    return f"Each stream has the declared period of {expected / MILLISECOND:g} ms, so frames come twice as often."


def _windows(figures: IdFigures, two: TwoSenders) -> list[Window]:
    """Return when there were two: from where more frames came than one stream has, to where they end."""
    if two.first_ns is None or two.last_ns is None or figures.first_ns is None or figures.last_ns is None:
        return []
    strip = figures.strip
    begins = np.maximum(strip.start_ns, figures.first_ns)
    ends = np.minimum(strip.start_ns + strip.WIDTH_NS, figures.last_ns + int(two.period_ns))
    extra = strip.frames - (ends - begins) / two.period_ns
    rows = np.flatnonzero(extra > np.maximum(_EXTRA, _EXTRA_SHARE * strip.frames))
    if not len(rows):
        return [Window(two.first_ns, two.last_ns)]
    first, last = int(rows[0]), int(rows[-1])
    start = max(int(begins[first]), int(ends[first] - extra[first] * two.period_ns))
    end = min(int(ends[last]), figures.last_ns)
    if last + 1 < len(strip) and last != first:
        end = min(end, int(begins[last] + extra[last] * two.period_ns))
    # The counter's first wrong step is exact; where there is none, frames are counted, good to some periods.
    counter = figures.counter
    events = [event.time_ns for event in counter.events if not event.in_gap] if counter is not None else []
    near = [time for time in events if abs(time - start) < _NEAR_NS]
    return [Window(min(near, default=start), max(end, two.last_ns))]
