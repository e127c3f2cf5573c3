"""What of a car no longer matches its layout document: what is said of it, and what it sends, ranked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from buswright.findings import Severity
from buswright.health.baseline.compare import compare
from buswright.health.baseline.differences import RANK, Difference, Kind
from buswright.layout.document.make import for_handover
from buswright.layout.document.model import Change, Layout
from buswright.layout.verify.declared import declared_differences
from buswright.layout.verify.turned import turned_differences
from buswright.wording import listed, plural

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile

_OF_DECODING = ("byte-order", "signedness", "bit-position", "mux-undefined", "scale-or-unit", "unit-mixup")
"""Findings that say that payloads are no longer made as the document says; what accounts for the others comes first."""
_CAUSES: frozenset[Kind] = frozenset(
    {
        *("length-changed", "signal-changed", "message-changed", "decoding-changed"),
        *("calibration-changed", "zero-changed", "channel-changed"),
    }
)
"""What happens to a payload, a sensor or a channel, and shows in the values of channels."""
_OF_A_CHANNEL: frozenset[Kind] = frozenset(
    {
        *("zero-moved", "noise-up", "channel-unusable", "channel-silent", "range-moved", "scale-changed"),
        *("unit-changed", "decoding-changed"),
    }
)


def differences(document: Layout, now: Layout, *, car: CarFile | None = None) -> tuple[Difference, ...]:
    """Say what of a car no longer matches its document.

    Parameters
    ----------
    document
        As it was read.
    now
        The layout of the car as it is, measured and said today.
    car
        Car file with thresholds of its own.

    Returns
    -------
    tuple of Difference
        What matters most first. What another difference accounts for is a note that says so. A car compared with a
        document that was made of the same inputs gives none.
    """
    if document.handover:  # what it leaves out is no difference
        now = for_handover(now)
    # What the car files say otherwise stands among the differences itself: that they differ needn't be said.
    facts = replace(document.baseline.capture, car_file_sha256=now.baseline.capture.car_file_sha256)
    before = replace(document.baseline, capture=facts)
    found = [
        *declared_differences(document, now),
        *_replaced(compare(before, now.baseline, car=car)),
        *_decoding(document, now),
    ]
    causes = _causes(found, document, now)
    return tuple(sorted((_explained(one, causes) for one in found), key=_rank))


def with_changes(layout: Layout, earlier: Layout, name: str, car: CarFile | None) -> Layout:
    """Return a layout that lists what changed since an earlier one, whose file is called `name`."""
    found = differences(earlier, layout, car=car)
    changes = tuple(Change(one.severity.name.lower(), one.subject, one.text) for one in found)
    return replace(layout, changes_since=name, changes=changes)


def _rank(one: Difference) -> tuple[int, int, float, str]:
    return -int(one.severity), RANK.index(one.kind), -one.size, one.subject


def _decoding(document: Layout, now: Layout) -> Iterator[Difference]:
    """Yield what detectors, and the bits that move, say of payloads that was not so when the document was made."""
    known = {(one.fault, one.subject) for one in document.issues}
    new = [one for one in now.issues if one.fault in _OF_DECODING and (one.fault, one.subject) not in known]
    for one in sorted(new, key=lambda each: _OF_DECODING.index(each.fault)):
        text = f"{one.subject.partition(':')[2]}: {one.fault}, which the document doesn't have. {one.text}"
        severity = max(Severity[one.severity.upper()], Severity.SUSPECT)
        size = float(len(_OF_DECODING) - _OF_DECODING.index(one.fault))
        yield Difference("decoding-changed", severity, one.subject, text, look=one.check, size=size)
    keys = {f"{one.bus}/{one.name}": one.key for one in now.messages}
    told = {one.subject.removeprefix("channel:") for one in new}
    homes = {keys.get(channel.message or "", "") for name, channel in now.baseline.channels.items() if name in told}
    yield from turned_differences(document, now, homes)


def _replaced(found: Sequence[Difference]) -> Iterator[Difference]:
    """Yield differences; a module that went while others came on its bus was probably replaced."""
    lost = [one for one in found if one.kind == "module-vanished"]
    new = [one for one in found if one.kind == "id-new" and one.severity > Severity.NOTE]
    for one in found:
        if one in lost and len(lost) == 1 and new:
            came = listed([each.subject.removeprefix("id:") for each in new])
            text = f"{one.text}; {plural(len(new), 'new identifier')} came: {came}. Another module is in its place?"
            look = "what is fitted in its place: part, serial number and settings; then its fuse and bus wires"
            yield replace(one, kind="module-replaced", text=text, look=look)
        elif one in new and len(lost) == 1:
            yield replace(
                one, severity=Severity.NOTE, look=f"accounted for: {lost[0].subject.partition(':')[2]} was replaced"
            )
        else:
            yield one


def _causes(found: Sequence[Difference], document: Layout, now: Layout) -> dict[str, Difference]:
    """Return by channel the difference that accounts for what is seen of it."""
    causes: dict[str, Difference] = {}
    homes = {name: channel.message for name, channel in document.baseline.channels.items() if channel.message}
    by_frame = {one.key: f"{one.bus}/{one.name}" for one in (*document.messages, *now.messages) if one.name}
    sensors = {channel.name: channel.sensor for channel in now.channels}
    for one in found:
        kind, _, name = one.subject.partition(":")
        if one.severity == Severity.NOTE or one.kind not in _CAUSES:
            continue
        if kind == "sensor":
            reached = [channel for channel, sensor in sensors.items() if sensor == name]
        elif kind == "id" or one.kind == "decoding-changed":  # the whole payload is made otherwise
            home = by_frame.get(name) if kind == "id" else homes.get(name)
            reached = [channel for channel, message in homes.items() if home is not None and message == home]
        else:
            reached = [name]
        for channel in reached:
            causes.setdefault(channel, one)
    return causes


def _explained(one: Difference, causes: Mapping[str, Difference]) -> Difference:
    """Return a difference of a channel as a note where another difference accounts for it."""
    cause = causes.get(one.subject.removeprefix("channel:"))
    if one.kind not in _OF_A_CHANNEL or cause is None or cause is one or not one.subject.startswith("channel:"):
        return one
    return replace(one, severity=Severity.NOTE, threshold="", look=f"accounted for: {cause.kind} of {cause.subject}")
