"""A moment made by hand: what was measured, what came last, and how the buses are received."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.now.moment import Moment, Reception
from buswright.findings import FAULTS, Finding, Severity
from buswright.health.model.health import BusHealth
from buswright.health.model.identifiers import IdFigures
from buswright.health.recent import BusNow, IdNow, Recent

from ..made import SECONDS, S

NOW = SECONDS * S


def at(
    health: BusHealth,
    *,
    now_ns: int | None = NOW,
    live: bool = False,
    rates: Mapping[FrameName, float | None] | None = None,
    buses: Mapping[str, BusNow] | None = None,
    **changes: Any,
) -> Moment:
    """The moment at the end of a run; `rates` are those of its last seconds where they aren't the declared ones."""
    ids = {
        name: IdNow(name, one.frames, one.first_ns or 0, one.last_ns or 0, _rate(one, rates or {}), bytes(8), 8, False)
        for name, one in health.ids.items()
        if one.last_ns is not None
    }
    recent = Recent(now_ns or 0, bus_now(health) if buses is None else buses, ids)
    made = Moment(health, recent, (), live, health.capture.first_ns, now_ns, None, ())
    return replace(made, **changes)


def _rate(one: IdFigures, rates: Mapping[FrameName, float | None]) -> float | None:
    period = one.period.judged_ns
    return rates.get(one.name, 1e9 / period if period else None)


def bus_now(health: BusHealth, bits_per_s: float = 100_000.0, errors_per_s: float = 0.0) -> dict[str, BusNow]:
    """Every bus carries so much; 100 kbit/s are a fifth of what one of 500 kbit/s can."""
    return {name: BusNow(name, 1000.0, bits_per_s, errors_per_s, each.last_ns) for name, each in health.buses.items()}


def received(bus: str = "main", *, connected: bool = True, **changes: Any) -> Reception:
    """A live bus, proven to listen only."""
    return replace(Reception(bus, f"live:{bus}", connected, "proven", "", None), **changes)


def finding(fault: str, severity: Severity, subject: str, **changes: Any) -> Finding:
    """A finding without further words."""
    made = Finding(fault, FAULTS[fault], severity, subject, None, None, 1, 0.9, (), "", (), "look")
    return replace(made, **changes)
