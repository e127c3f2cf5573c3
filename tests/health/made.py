"""Figures made by hand: identifiers with their silences, buses with theirs, to ask what follows from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.health.model.gaps import Gaps
from buswright.health.model.health import BusFigures, BusHealth, Silences
from buswright.health.model.identifiers import IdFigures
from tests.health.traffic import MS, comb, measured


@cache
def plain() -> BusHealth:
    """One identifier by the clock, for the fields that a test doesn't care about."""
    return measured(comb(0x100, 10, 1), bitrates={"*": 500_000})


def gaps_of(*spans_ms: tuple[float, float], period_ms: float = 10.0, **columns: Any) -> Gaps:
    """Gaps from the last frame before to the first one after, in ms; phases are known and kept unless given."""
    start, end = (np.array([round(span[side] * MS) for span in spans_ms], dtype=np.int64) for side in (0, 1))
    many = len(spans_ms)
    period = np.full(many, period_ms * MS)
    told: dict[str, Any] = {
        "frames": np.rint((end - start) / period).astype(np.int64) - 1,
        "is_missing": np.ones(many, dtype=np.bool_),
        "unheard": np.zeros(many, dtype=np.bool_),
        "period_ns": period,
        "excess_ns": end - start - period,
        "residual_ns": np.zeros(many),
        "tolerance_ns": np.full(many, 0.3 * MS),
        "caught_up": np.zeros(many, dtype=np.bool_),
        "counter_step": np.full(many, -1),
        "same_as_first": np.zeros(many, dtype=np.bool_),
        "load": np.full(many, np.nan),
    }
    told |= {name: np.asarray(column) for name, column in columns.items()}
    return Gaps(many, int(told["frames"].sum()), 0, "1.5 periods", start, end, **told)


def identifier(
    number: int,
    *spans_ms: tuple[float, float],
    period_ms: float = 10.0,
    first_ms: float = -1000.0,
    last_ms: float = 10_000.0,
    module: str | None = None,
    bus: str = "can0",
    extended: bool = False,
    sending: str = "periodic",
    columns: dict[str, Any] | None = None,
    **fields: Any,
) -> IdFigures:
    """An identifier by the clock, there from `first_ms` to `last_ms`, silent in these spans."""
    (template,) = plain().ids.values()
    period = replace(template.period, judged_ns=period_ms * MS, sending=sending)  # type: ignore[arg-type]
    return replace(
        template,
        name=FrameName(bus, number, extended),
        module=module,
        period=period,
        first_ns=round(first_ms * MS),
        last_ns=round(last_ms * MS),
        gaps=gaps_of(*spans_ms, period_ms=period_ms, **(columns or {})),
        **fields,
    )


def bus_of(name: str = "can0", silences_ms: Sequence[tuple[float, float]] = (), **fields: Any) -> BusFigures:
    """A bus that carried nothing in these spans."""
    (template,) = plain().buses.values()
    start, end = (np.array([round(span[side] * MS) for span in silences_ms], dtype=np.int64) for side in (0, 1))
    fields = {"last_ns": 10_000 * MS} | fields
    return replace(template, name=name, silences=Silences(start, end, len(start)), **fields)
