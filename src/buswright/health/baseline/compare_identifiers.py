"""What changed in one identifier from one run to another: length, period, jitter, losses, counter, checksum."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from buswright.channels.carfile.model import FrameName
from buswright.findings import THRESHOLDS, Severity
from buswright.health.baseline.baseline import CounterBaseline, IdBaseline
from buswright.health.baseline.differences import Difference
from buswright.messages.model import parse_identifier
from buswright.wording import percent

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile

LEAST_FRAMES = 20
"""An identifier seen less often says nothing about periods or lengths."""
LEAST_STEPS = 200
"""A counter or checksum in fewer frames is not judged."""
WORTH_LOSING = 3
"""Frames missing, or wrong, before a share of them is judged: one lost frame of a short run is no trend."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One identifier in both runs.

    Attributes
    ----------
    bus, key
        Bus and identifier as written.
    a, b
        Earlier and later run.
    car
        Car file with thresholds of its own; None: the defaults hold.
    """

    bus: str
    key: str
    a: IdBaseline
    b: IdBaseline
    car: CarFile | None

    @property
    def subject(self) -> str:
        """As in a finding."""
        return f"id:{self.bus}/{self.key}"

    @property
    def called(self) -> str:
        """For a sentence."""
        return called(self.bus, self.key, self.b)

    def limit(self, name: str) -> float:
        """Return a threshold, the car file's own where it has one."""
        if self.car is None:
            return THRESHOLDS[name].default
        parsed = parse_identifier(self.key)
        frame = FrameName(self.bus, *parsed) if parsed else None
        return self.car.threshold(name, frame=frame, bus=self.bus)


def called(bus: str, key: str, entry: IdBaseline) -> str:
    """Name an identifier in a sentence."""
    return f"{bus}/{key} ({entry.message})" if entry.message else f"{bus}/{key}"


def id_differences(one: Compared) -> Iterator[Difference]:
    """Yield what changed in an identifier that both runs have."""
    a, b = one.a, one.b
    if min(a.frames, b.frames) < LEAST_FRAMES:
        return
    yield from _lengths(one)
    if a.sending == b.sending == "periodic" and a.period_ms and b.period_ms:
        yield from _period(one, a.period_ms, b.period_ms)
        yield from _jitter(one, b.period_ms)
        yield from _missing(one)
    elif "periodic" in (a.sending, b.sending) and "too few" not in (a.sending, b.sending):
        text = f"{one.called} was {a.sending} before and is {b.sending} now"
        look = "settings of its module; a full bus or a recorder that drops frames spoils a rhythm too"
        yield Difference(
            "period-changed", Severity.SUSPECT, one.subject, text, a.period_ms, b.period_ms, "ms", "", look, 1.0
        )
    yield from _counter(one)
    yield from _checksum(one)


def _lengths(one: Compared) -> Iterator[Difference]:
    a, b = one.a, one.b
    new = [text for text in b.lengths if text not in a.lengths]
    before = float(a.length or 0)
    if a.length != b.length:
        text = f"{one.called} has {b.length} bytes, before {a.length}"
        threshold = "any change of the usual length"
        look = "firmware or settings of its module; the database must say the same"
        yield Difference(
            "length-changed", Severity.FAULT, one.subject, text, before, float(b.length or 0), "bytes", threshold, look
        )
    elif new:
        frames = sum(b.lengths[text] for text in new)
        text = f"{one.called} had {' or '.join(new)} bytes in {frames} frames, and never before"
        threshold = "any new length"
        look = "a second sender of this identifier, or its module restarting"
        yield Difference(
            *("length-changed", Severity.SUSPECT, one.subject, text, before, float(new[0]), "bytes", threshold, look),
            size=frames / b.frames,
        )


def _period(one: Compared, before: float, after: float) -> Iterator[Difference]:
    suspect, fault = one.limit("period_changed"), one.limit("period_changed_fault")
    change = after / before - 1
    if abs(change) <= suspect:
        return
    severity = Severity.FAULT if abs(change) > fault else Severity.SUSPECT
    text = f"{one.called} came every {before:.4g} ms and now comes every {after:.4g} ms ({change * 100:+.1f} %)"
    threshold = f"{percent(suspect, 0)} is suspect, {percent(fault, 0)} a fault"
    look = "the rate set in its module, or another module that sends the same identifier"
    yield Difference(
        "period-changed", severity, one.subject, text, before, after, "ms", threshold, look, size=abs(change)
    )


def _jitter(one: Compared, period_ms: float) -> Iterator[Difference]:
    limit, before, after = one.limit("jitter_sd"), one.a.jitter_ms, one.b.jitter_ms
    if before is None or after is None or after <= limit * period_ms or after <= 2 * before:
        return
    text = f"{one.called} jitters by {after:.3g} ms, before {before:.3g} ms"
    threshold = f"standard deviation over {percent(limit, 0)} of the period, and twice what it was"
    look = "the load of the bus, then of its module; time stamps made by the computer do the same to all identifiers"
    size = after / period_ms
    yield Difference("jitter-up", Severity.SUSPECT, one.subject, text, before, after, "ms", threshold, look, size=size)


def _missing(one: Compared) -> Iterator[Difference]:
    suspect, fault = one.limit("lost_share_suspect"), one.limit("lost_share_fault")
    before, after = (each.missing / (each.frames + each.missing) for each in (one.a, one.b))
    if after <= suspect or after <= 2 * before or one.b.missing < WORTH_LOSING:
        return
    severity = Severity.FAULT if after > fault else Severity.SUSPECT
    text = f"{one.called} misses {one.b.missing} frames, {percent(after, 2)} (before: {percent(before, 2)})"
    threshold = f"{percent(suspect, 2)} is suspect, {percent(fault, 2)} a fault, if twice what it was"
    look = "`buswright health` says who lost them: sender, bus or recorder"
    yield Difference("frames-missing", severity, one.subject, text, before, after, "share", threshold, look, size=after)


def _counter(one: Compared) -> Iterator[Difference]:
    before, after = one.a.counter, one.b.counter
    if before is None or before.steps < LEAST_STEPS:
        return
    if after is None:
        if one.b.frames > LEAST_STEPS:
            text = f"{one.called} had a counter at bit {before.start}, {before.length} bits, and now has none"
            look = "its module: a task that hangs repeats old frames; or different firmware"
            yield _bookkeeping(one, "counter-changed", text, before.share, None, _BOTH_RUNS, look, 1.0)
        return
    if after.steps < LEAST_STEPS:
        return
    if not _same_place(before, after):
        text = (
            f"{one.called} had a counter at bit {before.start}, {before.length} bits, step {before.step}; "
            f"now it is at bit {after.start}, {after.length} bits, step {after.step}"
        )
        look = "firmware or settings of its module"
        yield _bookkeeping(
            one, "counter-changed", text, before.share, after.share, "any change of its place", look, 1.0
        )
        return
    limit, wrong_before, wrong = one.limit("lost_share_suspect"), 1 - before.share, 1 - after.share
    if wrong > limit + 2 * wrong_before and wrong * after.steps >= WORTH_LOSING:
        text = f"{one.called} has {percent(wrong, 2)} wrong counter steps (before: {percent(wrong_before, 2)})"
        look = "`buswright health` shows whether frames were lost, stale or doubled"
        threshold = f"{percent(limit, 2)} more than twice what it was"
        yield _bookkeeping(one, "counter-changed", text, before.share, after.share, threshold, look, wrong)


def _same_place(a: CounterBaseline, b: CounterBaseline) -> bool:
    """Whether two counters are one: a learned one is as wide as it has counted so far."""
    if (a.start, a.big_endian, a.step) != (b.start, b.big_endian, b.step):
        return False
    narrow = a if a.length < b.length else b
    return a.length == b.length or narrow.steps < 2 * narrow.modulus


def _checksum(one: Compared) -> Iterator[Difference]:
    before, after = one.a.checksum, one.b.checksum
    if before is None or min(before.frames, one.b.frames) < LEAST_STEPS:
        return
    look = "its module's firmware, or a second sender of this identifier"
    right = 1 - before.wrong / before.frames
    if after is None or (before.kind, before.byte) != (after.kind, after.byte):
        now = "no known one" if after is None else f"{after.kind} in byte {after.byte}"
        text = f"{one.called} had the checksum {before.kind} in byte {before.byte}, and now has {now}"
        yield _bookkeeping(one, "checksum-changed", text, right, None, _BOTH_RUNS, look, 1.0)
        return
    limit, wrong = one.limit("lost_share_suspect"), after.wrong / max(1, after.frames)
    if wrong > limit + 2 * (1 - right) and after.wrong >= WORTH_LOSING:
        text = f"{one.called} has {percent(wrong, 2)} wrong checksums (before: {percent(1 - right, 2)})"
        threshold = f"{percent(limit, 2)} more than twice what it was"
        yield _bookkeeping(one, "checksum-changed", text, right, 1 - wrong, threshold, look, wrong)


_BOTH_RUNS = f"over {LEAST_STEPS} frames in both runs"


def _bookkeeping(
    one: Compared, kind: str, text: str, before: float, after: float | None, threshold: str, look: str, size: float
) -> Difference:
    return Difference(
        "counter-changed" if kind == "counter-changed" else "checksum-changed",
        *(Severity.SUSPECT, one.subject, text, before, after, "share", threshold, look),
        size=size,
    )
