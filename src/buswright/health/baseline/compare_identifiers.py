"""What changed in one identifier from one run to another: length, period, jitter, losses, counter, checksum."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from buswright.channels.carfile.model import FrameName
from buswright.findings import Severity
from buswright.health.baseline.baseline import CounterBaseline, IdBaseline
from buswright.health.baseline.differences import Difference, Kind, limit_of
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


Numbers = tuple[float | None, float | None, str]
"""Before, after, and their unit."""


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
        parsed = parse_identifier(self.key)
        return limit_of(name, self.car, frame=FrameName(self.bus, *parsed) if parsed else None, bus=self.bus)

    def changed(
        self,
        kind: Kind,
        severity: Severity,
        text: str,
        numbers: Numbers,
        threshold: str,
        look: str,
        size: float = 0.0,
    ) -> Difference:
        """Make a difference of this identifier."""
        return Difference(kind, severity, self.subject, f"{self.called} {text}", *numbers, threshold, look, size)


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
        text = f"was {a.sending} before and is {b.sending} now"
        look = "settings of its module; a full bus or a recorder that drops frames spoils a rhythm too"
        yield one.changed("period-changed", Severity.SUSPECT, text, (a.period_ms, b.period_ms, "ms"), "", look, 1.0)
    yield from _counter(one)
    yield from _checksum(one)


def _lengths(one: Compared) -> Iterator[Difference]:
    a, b = one.a, one.b
    new = [text for text in b.lengths if text not in a.lengths]
    before = float(a.length or 0)
    if a.length != b.length:
        text = f"has {b.length} bytes, before {a.length}"
        look = "firmware or settings of its module; the database must say the same"
        lengths = before, float(b.length or 0), "bytes"
        yield one.changed("length-changed", Severity.FAULT, text, lengths, "any change of the usual length", look)
    elif new:
        frames = sum(b.lengths[text] for text in new)
        text = f"had {' or '.join(new)} bytes in {frames} frames, and never before"
        look = "a second sender of this identifier, or its module restarting"
        lengths, size = (before, float(new[0]), "bytes"), frames / b.frames
        yield one.changed("length-changed", Severity.SUSPECT, text, lengths, "any new length", look, size)


def _period(one: Compared, before: float, after: float) -> Iterator[Difference]:
    suspect, fault = one.limit("period_changed"), one.limit("period_changed_fault")
    change = after / before - 1
    if abs(change) <= suspect:
        return
    severity = Severity.FAULT if abs(change) > fault else Severity.SUSPECT
    text = f"came every {before:.4g} ms and now comes every {after:.4g} ms ({change * 100:+.1f} %)"
    threshold = f"{percent(suspect, 0)} is suspect, {percent(fault, 0)} a fault"
    look = "the rate set in its module, or another module that sends the same identifier"
    yield one.changed("period-changed", severity, text, (before, after, "ms"), threshold, look, abs(change))


def _jitter(one: Compared, period_ms: float) -> Iterator[Difference]:
    limit, before, after = one.limit("jitter_sd"), one.a.jitter_ms, one.b.jitter_ms
    if before is None or after is None or after <= limit * period_ms or after <= 2 * before:
        return
    text = f"jitters by {after:.3g} ms, before {before:.3g} ms"
    threshold = f"standard deviation over {percent(limit, 0)} of the period, and twice what it was"
    look = "the load of the bus, then of its module; time stamps made by the computer do the same to all identifiers"
    jitter, size = (before, after, "ms"), after / period_ms
    yield one.changed("jitter-up", Severity.SUSPECT, text, jitter, threshold, look, size)


def _missing(one: Compared) -> Iterator[Difference]:
    suspect, fault = one.limit("lost_share_suspect"), one.limit("lost_share_fault")
    before, after = (each.missing / (each.frames + each.missing) for each in (one.a, one.b))
    if after <= suspect or after <= 2 * before or one.b.missing < WORTH_LOSING:
        return
    severity = Severity.FAULT if after > fault else Severity.SUSPECT
    text = f"misses {one.b.missing} frames, {percent(after, 2)} (before: {percent(before, 2)})"
    threshold = f"{percent(suspect, 2)} is suspect, {percent(fault, 2)} a fault, if twice what it was"
    look = "`buswright health` says who lost them: sender, bus or recorder"
    yield one.changed("frames-missing", severity, text, (before, after, "share"), threshold, look, after)


def _counter(one: Compared) -> Iterator[Difference]:
    before, after = one.a.counter, one.b.counter
    if before is None or before.steps < LEAST_STEPS:
        return
    place = f"had a counter at bit {before.start}, {before.length} bits"
    if after is None:
        if one.b.frames > LEAST_STEPS:
            look = "its module: a task that hangs repeats old frames; or different firmware"
            lost: Numbers = before.share, None, "share"
            text = f"{place}, and now has none"
            yield one.changed("counter-changed", Severity.SUSPECT, text, lost, _BOTH_RUNS, look, 1.0)
        return
    if after.steps < LEAST_STEPS:
        return
    text, threshold = "", "any change of its place"
    look, size = "firmware or settings of its module", 1.0
    limit, wrong_before, wrong = one.limit("lost_share_suspect"), 1 - before.share, 1 - after.share
    if not _same_place(before, after):
        now = f"now it is at bit {after.start}, {after.length} bits, step {after.step}"
        text = f"{place}, step {before.step}; {now}"
    elif wrong > limit + 2 * wrong_before and wrong * after.steps >= WORTH_LOSING:
        text = f"has {percent(wrong, 2)} wrong counter steps (before: {percent(wrong_before, 2)})"
        threshold, size = f"{percent(limit, 2)} more than twice what it was", wrong
        look = "`buswright health` shows whether frames were lost, stale or doubled"
    if text:
        shares = before.share, after.share, "share"
        yield one.changed("counter-changed", Severity.SUSPECT, text, shares, threshold, look, size)


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
        text = f"had the checksum {before.kind} in byte {before.byte}, and now has {now}"
        lost: Numbers = right, None, "share"
        yield one.changed("checksum-changed", Severity.SUSPECT, text, lost, _BOTH_RUNS, look, 1.0)
        return
    limit, wrong = one.limit("lost_share_suspect"), after.wrong / max(1, after.frames)
    if wrong > limit + 2 * (1 - right) and after.wrong >= WORTH_LOSING:
        text = f"has {percent(wrong, 2)} wrong checksums (before: {percent(1 - right, 2)})"
        threshold = f"{percent(limit, 2)} more than twice what it was"
        shares = right, 1 - wrong, "share"
        yield one.changed("checksum-changed", Severity.SUSPECT, text, shares, threshold, look, wrong)


_BOTH_RUNS = f"over {LEAST_STEPS} frames in both runs"
