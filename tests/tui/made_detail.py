"""Details of identifiers, by hand: what a worker would take from the frames it holds."""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from buswright.diagnosis.detect import diagnose
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.tui.widgets.bit_grid import present, raw_of
from buswright.worker.snapshot import IdDetail, SignalNow

from .made import FAULTS, SECONDS, measured, recent_of, snapshot_of, some_id


@lru_cache(maxsize=8)
def faulted(faults=FAULTS, seconds=SECONDS, **options):
    """A snapshot of a run with these faults (channels are those of another run), and its frames."""
    car, capture = demo_car(), SimulatedCapture(seconds, faults=faults, **options)
    health, frames = measured(capture, car)
    snapshot = snapshot_of()
    first, last = health.capture.first_ns, health.capture.last_ns
    made = replace(
        snapshot,
        source=replace(snapshot.source, first_ns=first, now_ns=last, end_ns=last),
        health=health,
        recent=recent_of(health, frames),
        findings=diagnose(health, car=car),
        car=car,
    )
    return made, frames


def looked_at(text, faults=FAULTS, seconds=SECONDS):
    """A snapshot with the detail of the identifier written so, from its latest 2000 frames."""
    snapshot, frames = faulted(faults, seconds)
    name = some_id(snapshot, text)
    interfaces = snapshot.health.buses[name.bus].interfaces
    buses = [at for at, each in enumerate(frames.buses) if each in interfaces]
    rows = np.flatnonzero((frames.id == name.id) & np.isin(frames.bus, buses))[-2000:]
    payload = np.zeros((len(rows), 64), dtype=np.uint8)
    payload[:, :8] = frames.payload[rows]
    figures = snapshot.health.ids[name]
    message = snapshot.car.message(name.bus, figures.message) if figures.message else None
    groups = snapshot.health.gap_groups
    detail = made_detail(name, message, frames.time_ns[rows], payload, frames.length[rows], groups)
    return replace(snapshot, detail=detail)


def made_detail(name, message, time_ns, payload, length, groups=()):
    """A detail from columns; changes are those of the last five seconds."""
    late = payload[time_ns > time_ns[-1] - 5_000_000_000]
    bits = np.unpackbits(late, axis=1, bitorder="little")
    return IdDetail(
        name=name,
        message=message,
        time_ns=time_ns,
        payload=payload,
        length=length,
        bit_changes=(bits[1:] != bits[:-1]).sum(axis=0).astype(np.int64),
        bit_frames=len(late),
        signals=signals_of(message, payload[-1, : length[-1]].tobytes()) if message else (),
        gaps=tuple(group for group in reversed(groups) if any(each.name == name for each in group.members)),
    )


def signals_of(message, payload):
    here = present(message, payload)
    made = []
    for signal in message.signals:
        raw = raw_of(signal, payload) if signal.name in here else None
        if raw is not None and signal.signed and raw >> (signal.length - 1):
            raw -= 1 << signal.length
        why = "" if raw is not None else "frame too short" if signal.name in here else "another selection"
        value = "" if raw is None else f"{raw * signal.scale + signal.offset:.6g}"
        if raw in signal.choices:
            value += f" {signal.choices[raw]}"
        made.append(SignalNow(signal.name, raw, value, signal.unit, why))
    return tuple(made)


def added(snapshot, detail, like):
    """The snapshot with an identifier more, measured like another one of it, and looked at."""
    figures = snapshot.health.ids[like]
    message = detail.message
    figures = replace(
        figures,
        name=detail.name,
        known=message is not None,
        message=message.name if message else None,
        module=figures.module if message else None,
        lengths=replace(
            figures.lengths, declared=message.length if message else None, counts={int(detail.length[-1]): 1}
        ),
    )
    now = replace(
        snapshot.recent.ids[like],
        name=detail.name,
        payload=detail.payload[-1, : detail.length[-1]].tobytes(),
        length=int(detail.length[-1]),
    )
    return replace(
        snapshot,
        health=replace(snapshot.health, ids={**snapshot.health.ids, detail.name: figures}),
        recent=replace(snapshot.recent, ids={**snapshot.recent.ids, detail.name: now}),
        detail=detail,
    )
