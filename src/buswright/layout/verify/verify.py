"""What of a car no longer matches its layout document: what is said of it, and what it sends, ranked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from buswright.findings import Severity
from buswright.health.baseline.compare import compare
from buswright.health.baseline.differences import RANK, Difference, Kind
from buswright.layout.document.model import Change, Issue, Layout, severity_word
from buswright.layout.verify.declared import declared_differences
from buswright.wording import listed, plural

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile

_OF_DECODING = frozenset({"byte-order", "signedness", "bit-position", "mux-undefined", "scale-or-unit", "unit-mixup"})
"""Findings that say that payloads are no longer made as the document says."""
_OF_A_PAYLOAD: frozenset[Kind] = frozenset({"length-changed", "signal-changed", "message-changed", "decoding-changed"})
"""What happens to a frame, and with it to all its channels."""
_OF_A_VALUE: frozenset[Kind] = frozenset({"calibration-changed", "zero-changed", "channel-changed", "decoding-changed"})
_SEVERITIES = {severity_word(severity): severity for severity in Severity}


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
    said = list(declared_differences(document, now))
    said += _decoding(document, now)
    seen = list(_replaced(compare(document.baseline, now.baseline, car=car)))
    changed = _changed_channels([*said, *seen], document, now)
    found = said + [_explained(one, changed) for one in seen]
    return tuple(sorted(found, key=_rank))


def with_changes(layout: Layout, earlier: Layout, name: str, car: CarFile | None) -> Layout:
    """Return a layout that lists what changed since an earlier one.

    Parameters
    ----------
    layout, earlier
        This issue and the one before, whose file is called `name`.
    car
        Car file with thresholds of its own.
    """
    found = differences(earlier, layout, car=car)
    changes = tuple(Change(severity_word(one.severity), one.subject, one.text) for one in found)
    return replace(layout, changes_since=name, changes=changes)


def _rank(one: Difference) -> tuple[int, int, float, str]:
    return -int(one.severity), RANK.index(one.kind), -one.size, one.subject


def _decoding(document: Layout, now: Layout) -> Iterator[Difference]:
    """Yield what detectors say of payloads that they did not say when the document was made."""
    known = {(one.fault, one.subject) for one in document.issues}
    for one in now.issues:
        if one.fault in _OF_DECODING and (one.fault, one.subject) not in known:
            yield _of_issue(one)


def _of_issue(one: Issue) -> Difference:
    text = f"{one.subject.partition(':')[2]}: {one.fault}, which the document doesn't have. {one.text}"
    severity = max(_SEVERITIES[one.severity], Severity.SUSPECT)
    return Difference("decoding-changed", severity, one.subject, text, look=one.check)


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


def _changed_channels(found: Sequence[Difference], document: Layout, now: Layout) -> dict[str, str]:
    """Return the channels that a difference accounts for, by name, with the subject of that difference."""
    changed: dict[str, str] = {}
    homes = {name: channel.message for name, channel in document.baseline.channels.items() if channel.message}
    by_frame = {one.key: f"{one.bus}/{one.name}" for one in (*document.messages, *now.messages) if one.name}
    sensors = {channel.name: channel.sensor for channel in now.channels}
    for one in found:
        kind, _, name = one.subject.partition(":")
        if one.severity == Severity.NOTE:
            continue
        if kind == "channel" and one.kind in _OF_A_VALUE:
            changed.setdefault(name, one.subject)
        elif kind == "sensor" and one.kind == "calibration-changed":
            changed.update({channel: one.subject for channel, sensor in sensors.items() if sensor == name})
        elif kind == "id" and one.kind in _OF_A_PAYLOAD:
            home = by_frame.get(name)
            changed.update({channel: one.subject for channel, message in homes.items() if message == home})
    return changed


_OF_A_CHANNEL: frozenset[Kind] = frozenset(
    {"zero-moved", "noise-up", "channel-unusable", "channel-silent", "range-moved", "scale-changed", "unit-changed"}
)


def _explained(one: Difference, changed: dict[str, str]) -> Difference:
    """Return a difference of a channel as a note where another difference accounts for it."""
    cause = changed.get(one.subject.removeprefix("channel:"))
    if one.kind not in _OF_A_CHANNEL or cause is None:
        return one
    return replace(one, severity=Severity.NOTE, threshold="", look=f"accounted for: {cause} changed")
