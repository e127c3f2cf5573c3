"""What explains what: a finding of a lower layer accounts for higher ones on its subjects, in its time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from buswright.diagnosis.case import MILLISECOND, Sighting, Window, merged
from buswright.findings import Finding, Layer, Severity

SLACK_NS = 250 * MILLISECOND
"""What follows from a fault may begin this much before it is seen, or end this much after: frames that were due
before an error, queues that empty, timers that run out."""
_COVERED = 0.9
_FRAMES_A_LINE = 3
"""A damaged line costs a frame; lines run together cost two."""

_LOSSES = "frames-lost sender-skips counter-jump late-frames"
_WIRES = "open-circuit short-to-ground short-to-supply loose-contact chafed-wire impossible-rate saturated"
_SPOILS = (
    "bad-lines capture-drop wrong-bitrate bus-off segment-open power-cycle module-missing module-reset id-missing "
    "duplicate-id checksum-wrong frozen-frame wrong-length no-acknowledge babbling-node"
)
_SPOILS_VALUES = frozenset(_SPOILS.split())
"""Faults up to the node layer that make values wrong or stop them. Others make frames late, few, twofold or unlisted,
or their times wrong: values stay right."""
_BY_TIME = "impossible-rate loose-contact chafed-wire ignition-noise stuck drift under-sampled"
"""Faults of sensors that are seen in how values follow each other in time."""
_SHAPES = frozenset({"stuck", "under-sampled", "sign-flipped", "swapped-channels"})
"""What a wrong zero or factor leaves as it is: how values follow each other, and others."""
EXPLAINS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        cause: frozenset(effects.split())
        for cause, effects in {
            "bad-lines": "frames-lost counter-jump capture-drop",
            "clock-jump": f"{_LOSSES} bus-overload {_BY_TIME}",
            "capture-drop": f"{_LOSSES} id-missing module-missing module-reset bus-off",
            "echo": f"{_LOSSES} {_BY_TIME} host-timestamps frozen-frame duplicate-id bus-overload babbling-node",
            "host-timestamps": "late-frames bus-overload",
            "filter-in-force": "id-missing module-missing",
            "bus-errors": "late-frames",
            "babbling-node": f"{_LOSSES} bus-overload unknown-id id-missing duplicate-id module-missing "
            "module-reset bus-off segment-open",
            "bus-overload": f"{_LOSSES} id-missing module-missing module-reset bus-off segment-open",
            "no-acknowledge": f"{_LOSSES} capture-drop frozen-frame filter-in-force bus-errors bus-overload "
            "babbling-node echo module-missing module-reset id-missing segment-open bus-off",
            "bus-off": f"{_LOSSES} bus-errors id-missing module-missing module-reset",
            "wrong-bitrate": f"{_LOSSES} bus-errors bus-off id-missing module-missing capture-drop segment-open "
            "filter-in-force module-reset bus-overload babbling-node",
            "segment-open": f"{_LOSSES} bus-errors id-missing module-missing module-reset",
            "power-cycle": f"{_LOSSES} bus-errors bus-off segment-open id-missing module-missing module-reset "
            "wrong-length checksum-wrong frozen-frame late-start unknown-id",
            "module-missing": f"{_LOSSES} id-missing",
            "module-reset": f"{_LOSSES} id-missing wrong-length checksum-wrong frozen-frame",
            "duplicate-id": f"{_LOSSES} checksum-wrong wrong-length bus-errors",
            "frozen-frame": "counter-jump",
            "byte-order": "scale-or-unit out-of-range signedness",
            "signedness": "scale-or-unit out-of-range",
            "bit-position": "byte-order signedness scale-or-unit out-of-range",
            "scale-or-unit": "out-of-range",
            "wrong-length": "checksum-wrong counter-jump",
            "supply-lost": f"{_WIRES} supply-sag ground-shift ignition-noise cross-talk",
            "open-circuit": f"{_WIRES} ignition-noise cross-talk scale-or-unit",
            "short-to-ground": _WIRES,
            "short-to-supply": f"{_WIRES} cross-talk",
            "loose-contact": f"{_WIRES} ignition-noise",
            "chafed-wire": "open-circuit short-to-ground short-to-supply loose-contact impossible-rate saturated",
            "saturated": "loose-contact",
            "supply-sag": "ground-shift impossible-rate",
            "ground-shift": "impossible-rate",
            "ignition-noise": "ignition-noise cross-talk impossible-rate",
            "gain": "impossible-rate",
            "unit-mixup": "impossible-rate",
        }.items()
    }
)
"""Which faults a fault can account for, up to the node layer and within a layer. Beyond that any fault that spoils
values accounts for what lies above its own layer on its subjects while it lasts: what isn't there, or is read wrongly,
can't be judged."""


_NUMBERS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        cause: frozenset(effects.split())
        for cause, effects in {
            "supply-sag": "offset gain unit-mixup drift",
            "supply-lost": "offset gain",
            "ground-shift": "offset gain drift",
            "open-circuit": "under-sampled",
        }.items()
    }
)
"""What is a number over a run, without a time of its own, and what moves such numbers though it lasts for a part of it:
the values it leaves lie within their bands, so that they count."""


def rank(sighting: Sighting) -> tuple[int, int, float, int, str]:
    """Order of findings: grave ones first, then lower layers, then sure ones, then early ones."""
    finding = sighting.finding
    return (-finding.severity, finding.layer, -finding.confidence, finding.start_ns or 0, finding.subject)


def mute(sightings: Sequence[Sighting]) -> tuple[Finding, ...]:
    """Put what is explained into the `explains` of its explanation, and return the roots in rank order.

    A sighting goes to the lowest layer that accounts for it, and there to the first in rank order. What explains
    others may itself be explained: then all of it stands under the one root.
    """
    ordered = sorted(sightings, key=rank)
    causes = sorted(ordered, key=lambda one: one.finding.layer)
    parent: dict[int, Sighting] = {}
    for effect in ordered:
        for cause in causes:
            if cause is not effect and accounts_for(cause, effect) and not _descends(cause, effect, parent):
                parent[id(effect)] = cause
                break
    children: dict[int, list[Sighting]] = {}
    for effect in ordered:
        if id(effect) in parent:
            children.setdefault(id(parent[id(effect)]), []).append(effect)
    return tuple(_assembled(one, children) for one in ordered if id(one) not in parent)


def spoils_values(finding: Finding) -> bool:
    """Whether a finding means that values of its subject are wrong, or don't come."""
    return finding.layer > Layer.NODE or finding.fault in _SPOILS_VALUES


def accounts_for(cause: Sighting, effect: Sighting) -> bool:
    """Whether one sighting explains another: by kind, subject, gravity and time."""
    own, other = cause.finding, effect.finding
    higher = own.layer < other.layer > Layer.NODE and spoils_values(own)
    if own.layer is Layer.CALIBRATION and other.fault in _SHAPES:
        return False
    if not (higher or other.fault in EXPLAINS.get(own.fault, frozenset())) or not _reaches(cause, other.subject):
        return False
    if own.fault == "bad-lines":
        return other.count <= _FRAMES_A_LINE * own.count
    if own.severity < Severity.SUSPECT and own.severity < other.severity:
        return False
    if not effect.windows and other.fault in _NUMBERS.get(own.fault, frozenset()):
        return True
    return _covers(cause.windows, effect.windows, coarse=effect.coarse)


def _reaches(cause: Sighting, subject: str) -> bool:
    """Whether a subject is among those of a cause: a module without a name is where all its identifiers are."""
    if subject in cause.reach or not subject.startswith("module:"):
        return subject in cause.reach
    bus, slash, ids = subject.removeprefix("module:").rpartition("/")
    return bool(slash) and all(f"id:{bus}/{one}" in cause.reach for one in ids.split("+"))


def _covers(windows: Sequence[Window], others: Sequence[Window], *, coarse: bool) -> bool:
    """Whether others lie within windows, nearly all of them; no windows are the whole capture.

    Coarse ones only say that something was somewhere in them: they count where they overlap at all.
    """
    if not windows:
        return True
    if not others:
        return False
    wide = merged(Window(w.start_ns - SLACK_NS, w.end_ns + SLACK_NS) for w in windows)
    total = inside = at = 0
    for other in others:
        while at < len(wide) - 1 and wide[at].end_ns < other.start_ns:
            at += 1
        length = max(1, other.end_ns - other.start_ns)
        total += length
        overlap = 1 + min(other.end_ns, wide[at].end_ns) - max(other.start_ns, wide[at].start_ns)
        inside += length if coarse and overlap > 0 else min(length, max(0, overlap))
    return inside >= _COVERED * total


def _descends(sighting: Sighting, ancestor: Sighting, parent: Mapping[int, Sighting]) -> bool:
    """Whether one is explained, through others, by another: explanations must not go in circles."""
    at: Sighting | None = sighting
    while at is not None:
        if at is ancestor:
            return True
        at = parent.get(id(at))
    return False


def _assembled(sighting: Sighting, children: Mapping[int, Sequence[Sighting]]) -> Finding:
    """Return a finding with everything below it, flat and in rank order."""
    below: list[Finding] = []
    for child in children.get(id(sighting), ()):
        found = _assembled(child, children)
        below += [replace(found, explains=()), *found.explains]
    return replace(sighting.finding, explains=tuple(below)) if below else sighting.finding
