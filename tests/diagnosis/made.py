"""Health figures made by hand: a well bus, in which a test changes what it is about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from buswright.channels.carfile.model import Bus, Car, CarFile, Channel, FrameEntry, FrameName, Module
from buswright.channels.expectation import NOTHING, Expectation, Facts
from buswright.diagnosis.detect import diagnose
from buswright.findings import Finding
from buswright.health.grouping import group_gaps
from buswright.health.model.gaps import Gaps
from buswright.health.model.health import (
    BitRate,
    BusFigures,
    BusHealth,
    CaptureFigures,
    ErrorFigures,
    LoadWindows,
    ModuleFigures,
    Silences,
    Spacing,
)
from buswright.health.model.identifiers import (
    CounterFigures,
    IdFigures,
    Lengths,
    NeverCame,
    PayloadFigures,
    Period,
    PeriodStrip,
)

MS = 1_000_000
S = 1_000_000_000
SECONDS = 60


def none(dtype: type[np.generic] = np.int64) -> Any:
    return np.zeros(0, dtype=dtype)


def gaps(rows: Sequence[tuple[int, int]] = (), period_ns: int = 10 * MS, **columns: Any) -> Gaps:
    """Gaps from (last before, first after); `columns` say what isn't as on the old grid with a jumped counter."""
    start = np.array([row[0] for row in rows], dtype=np.int64)
    end = np.array([row[1] for row in rows], dtype=np.int64)
    count = len(rows)
    frames = np.maximum(np.rint((end - start) / period_ns).astype(np.int64) - 1, 0)
    made: dict[str, Any] = {
        "start_ns": start,
        "end_ns": end,
        "frames": frames,
        "is_missing": np.ones(count, dtype=np.bool_),
        "unheard": np.zeros(count, dtype=np.bool_),
        "period_ns": np.full(count, float(period_ns)),
        "excess_ns": (end - start - period_ns).astype(np.float64),
        "residual_ns": np.zeros(count),
        "tolerance_ns": np.full(count, 0.3 * MS),
        "caught_up": np.zeros(count, dtype=np.bool_),
        "counter_step": np.full(count, -1),
        "same_as_first": np.zeros(count, dtype=np.bool_),
        "load": np.full(count, 0.2),
    }
    made |= {name: np.array(column) for name, column in columns.items()}
    missing = int(made["frames"][made["is_missing"]].sum())
    return Gaps(total=count, missing=missing, late=int((~made["is_missing"]).sum()), rule="1.5 periods", **made)


def counter(**changes: Any) -> CounterFigures:
    figures = CounterFigures(0, 4, 1, 16, False, "car file", 1.0, 6000, 0, 0, 0, 0, 0, 0.0, ())
    return replace(figures, **changes)


def declared(period_ns: float | None) -> Expectation:
    """What a car file expects that gives the period, if there is one."""
    return NOTHING.or_else("car file", Facts(period_ns, change_driven=False)) if period_ns else NOTHING


def car_of(
    thresholds: Mapping[str, Mapping[str, float]] | None = None,
    *,
    modules: Sequence[tuple[str, str]] = (),
    chain: Sequence[str] = (),
    frames: Mapping[FrameName, Mapping[str, float]] | None = None,
    channels: Sequence[Channel] = (),
) -> CarFile:
    """A car file: thresholds by bus and by frame, modules as (bus, name), the daisy chain of the bus `main`."""
    limits = {"main": {}, **(thresholds or {})}
    buses = {
        name: Bus(name, 500_000, chain=tuple(chain) if name == "main" else (), thresholds=own)
        for name, own in limits.items()
    }
    entries = {name: FrameEntry(name, thresholds=own) for name, own in (frames or {}).items()}
    named = {name: Module(name, on) for on, name in modules}
    described = {each.name: each for each in channels}
    return CarFile(Path("car.toml"), "", Car(), buses, named, {}, described, entries, (), {})


def absent(number: int, message: str = "", module: str = "node_a", period_ms: float | None = None) -> NeverCame:
    """A message of a database that never came."""
    name = FrameName("main", number, number > 0x7FF)
    text = message or str(name).rpartition("/")[2]
    return NeverCame(name, text, message, module, "database", declared(period_ms and period_ms * MS))


def identifier(
    number: int, period_ms: float | None = 10.0, module: str | None = "node_a", bus: str = "main", **changes: Any
) -> IdFigures:
    period_ns = None if period_ms is None else period_ms * MS
    frames = 100 if period_ns is None else int(SECONDS * S / period_ns)
    made: dict[str, Any] = {
        "name": FrameName(bus, number, number > 0x7FF),
        "message": f"M{number:03X}",
        "module": module,
        "known": True,
        "expected": declared(period_ns),
        "frames": frames,
        "remote_frames": 0,
        "untimed": 0,
        "first_ns": 10 * MS,
        "last_ns": SECONDS * S,
        "age_ns": 0,
        "rate_hz": frames / SECONDS,
        "bits": frames * 120,
        "data_bits": 0,
        "share": 0.1,
        "load": 0.02,
        "busiest": None,
        "busy_seconds": 0,
        "period": Period(
            period_ns, period_ns, False, 1.0, 1.0,
            0.01 * (period_ns or 0), 0.03 * (period_ns or 0), int(period_ns or 1), int(period_ns or 1), frames - 1, 0,
            "periodic" if period_ns else "irregular",
        ),
        "gaps": gaps(),
        "strip": PeriodStrip(none(), none(), none(), none(np.float64), none()),
        "counter": None,
        "checksum": None,
        "lengths": Lengths({8: frames}, 8, 0, 0, ()),
        "payload": PayloadFigures((), bytes(8), frames, 1, 0, 0, SECONDS * S, bytes(8)),
        "two_senders": None,
    }  # fmt: skip
    return IdFigures(**(made | changes))


def errors(times: Sequence[int] = (), **changes: Any) -> ErrorFigures:
    time_ns = np.array(sorted(times), dtype=np.int64)
    made: dict[str, Any] = {
        "count": len(time_ns),
        "on_the_wire": len(time_ns),
        "classes": {},
        "protocol": {"stuff": len(time_ns)} if len(time_ns) else {},
        "places": {},
        "controller": {},
        "time_ns": time_ns,
        "first_ns": int(time_ns[0]) if len(time_ns) else None,
        "last_ns": int(time_ns[-1]) if len(time_ns) else None,
        "burst": 0,
        "burst_ns": None,
        "states": (),
        "bus_off_ns": (),
        "restarted_ns": (),
    }
    return ErrorFigures(**(made | changes))


def windows(width_ns: int, load: float | Sequence[float], found: ErrorFigures) -> LoadWindows:
    count = SECONDS * S // width_ns + 1
    loads = np.full(count, load) if isinstance(load, float) else np.array(load, dtype=np.float64)
    start = np.arange(len(loads)) * width_ns
    errors_at = np.bincount(found.time_ns // width_ns, minlength=len(loads))[: len(loads)].astype(np.int64)
    frames = np.full(len(loads), 100) + errors_at
    return LoadWindows(width_ns, start, frames, errors_at, frames * 100, np.zeros(len(loads), np.int64), loads)


def bus(name: str = "main", load: float | Sequence[float] = 0.2, **changes: Any) -> BusFigures:
    """A bus of 500 kbit/s; `load` by seconds where it isn't steady."""
    found = changes.get("errors", errors())
    slow = windows(S, load, found)
    fast = windows(S // 10, np.repeat(slow.load, 10).tolist(), found)
    made: dict[str, Any] = {
        "name": name,
        "interfaces": (name,),
        "bitrate": BitRate(500_000, None, "car file", 1.0, "from the car file"),
        "shown": BitRate(500_000, None, "guessed", 0.1, "guessed"),
        "frames": 60_000,
        "data_frames": 60_000 - found.count,
        "remote_frames": 0,
        "error_frames": found.count,
        "fd_frames": 0,
        "transmitted": 0,
        "untimed": 0,
        "first_ns": 0,
        "last_ns": SECONDS * S,
        "seconds": float(SECONDS),
        "bits": 6_000_000,
        "data_bits": 0,
        "load": float(np.mean(slow.load)),
        "peak_100ms": None,
        "peak_1s": None,
        "windows": fast,
        "slow_windows": slow,
        "spacing": Spacing(60_000, 0, 5_000, 0, 0, 0, 60),
        "errors": found,
        "silences": Silences(none(), none(), 0),
        "steps_back": (),
        "steps_back_count": 0,
        "filters": (),
    }
    return BusFigures(**(made | changes))


def health(
    ids: Sequence[IdFigures] = (),
    buses: Sequence[BusFigures] = (),
    capture: dict[str, Any] | None = None,
    modules: Sequence[ModuleFigures] = (),
) -> BusHealth:
    """Everything; modules and groups of gaps follow from the identifiers."""
    found = {one.name: one for one in (buses or (bus(),))}
    sent: dict[tuple[str, str], list[IdFigures]] = {}
    for one in ids:
        if one.module is not None:
            sent.setdefault((one.name.bus, one.module), []).append(one)
    described = {
        key: ModuleFigures(key[1], key[0], tuple(f.name for f in own), (), 1, 1, 0.1, 0.1, 0, SECONDS * S)
        for key, own in sent.items()
    }
    described |= {(one.bus, one.name): one for one in modules}
    base: dict[str, Any] = {
        "frames": 60_000,
        "untimed": 0,
        "first_ns": 0,
        "last_ns": SECONDS * S,
        "duplicates": (),
        "drops": (),
        "dropped": None,
        "bad_lines": {},
        "unlisted": 0,
    }
    groups, count = group_gaps(tuple(ids), found, SECONDS * S)
    return BusHealth(
        CaptureFigures(**(base | (capture or {}))), found, {f.name: f for f in ids}, described, groups, count
    )


def found(measured: BusHealth, fault: str, **keys: Any) -> Finding:
    """The one root finding of a fault."""
    (one,) = [finding for finding in diagnose(measured, **keys) if finding.fault == fault]
    return one


def faults(measured: BusHealth, **keys: Any) -> list[tuple[str, str]]:
    return [(finding.fault, finding.subject) for finding in diagnose(measured, **keys)]
