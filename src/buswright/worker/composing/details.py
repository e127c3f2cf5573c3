"""One identifier looked at closely: its latest frames, its bits, its signals, its gaps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from buswright.channels import units
from buswright.channels.carfile.model import FrameName
from buswright.frames.latest import LatestFrames
from buswright.frames.table import Frames, concatenate
from buswright.health.model.health import BusHealth
from buswright.messages.decoding.columns import Reason, SignalColumn
from buswright.messages.decoding.decode import Decoder
from buswright.messages.model import Message
from buswright.survey.survey import Surveyed
from buswright.worker.composing.trials import Trials, tried, with_trials
from buswright.worker.snapshot import IdDetail, SignalNow, TrialNow

FRAMES = 2_000
GAPS = 50
BITS_NS = 5_000_000_000

_NO_TRIALS = Trials()
_WHY_NOT = {
    Reason.SHORT_FRAME: "the frame is too short",
    Reason.MUX_ABSENT: "not in this frame: its multiplexer selects others",
    Reason.UNDECODABLE: "no frame can give it",
}


def id_detail(
    name: FrameName,
    held: LatestFrames,
    interfaces: Sequence[str],
    decoder: Decoder,
    health: BusHealth,
    trials: Trials = _NO_TRIALS,
    survey: Surveyed | None = None,
) -> IdDetail:
    """Look at one identifier.

    Parameters
    ----------
    name
        Which.
    held
        The frames in memory.
    interfaces
        What its bus is called in the frames.
    decoder
        Knows every message.
    health
        For its gaps.
    trials
        Signals that are tried on it.
    survey
        What its payload seems to hold, as far as that is known.
    """
    frames = latest(held, name, interfaces)
    payload = frames.whole_payload()
    recent = payload[frames.time_ns >= int(frames.time_ns[-1]) - BITS_NS] if len(frames) else payload
    changed = np.unpackbits(recent[1:] ^ recent[:-1], axis=1, bitorder="little")
    message, signals = _signals(frames, decoder)
    if message is None and interfaces:
        message = decoder.matcher.find(interfaces[0], name.id, name.extended).message
    tests = tried(frames, name, trials)
    if tests:
        message = with_trials(message, name, [each.signal for each in tests], int(frames.length.max(initial=0)))
        names = (each.name for each in message.signals[-len(tests) :])
        signals += tuple(_trial(each, one) for each, one in zip(names, tests, strict=True))
    return IdDetail(
        name=name,
        message=message,
        time_ns=frames.time_ns,
        payload=payload,
        length=frames.length,
        bit_changes=changed.sum(axis=0, dtype=np.int64),
        bit_frames=len(recent),
        signals=signals,
        gaps=tuple(
            group for group in reversed(health.gap_groups) if any(member.name == name for member in group.members)
        )[:GAPS],
        trials=tests,
        survey=survey,
    )


def _trial(name: str, one: TrialNow) -> SignalNow:
    unit = units.shown(one.signal.unit)
    if one.raw is None:
        reason = Reason.SHORT_FRAME if one.signal.multiplexer is None else Reason.MUX_ABSENT
        return SignalNow(name, None, "", unit, _WHY_NOT[reason])
    return SignalNow(name, one.raw, f"{one.value[-1]:.9g}", unit, "")


def latest(held: LatestFrames, name: FrameName, interfaces: Sequence[str], most: int = FRAMES) -> Frames:
    """Return the latest frames of an identifier, oldest first, whatever its bus is called in them."""
    parts = [held.of(interface, name.id, name.extended, most) for interface in interfaces]
    frames = concatenate(parts)
    if len(parts) > 1:
        frames = frames.take(np.argsort(frames.time_ns, kind="stable"))
    return frames.slice(max(0, len(frames) - most), len(frames))


def _signals(frames: Frames, decoder: Decoder) -> tuple[Message | None, tuple[SignalNow, ...]]:
    """Decode the latest frame."""
    if not len(frames):
        return None, ()
    for table in decoder.decode(frames.slice(len(frames) - 1, len(frames))):
        return table.message, tuple(_signal(column) for column in table)
    return None, ()


def _signal(column: SignalColumn) -> SignalNow:
    unit = units.shown(column.unit)
    if column.reasons is not None and column.reasons[0]:
        reasons = Reason(int(column.reasons[0]))
        why = next(words for reason, words in _WHY_NOT.items() if reasons & reason)
        return SignalNow(column.name, None, "", unit, why)
    raw, value = column.raw[0].item(), column.value[0].item()
    label = column.labels.get(raw) if isinstance(raw, int) else None
    shown = f"{value:.9g}" if isinstance(value, float) else str(value)
    return SignalNow(column.name, raw, shown if label is None else f"{shown} ({label})", unit, "")
