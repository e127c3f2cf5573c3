"""The worst case of each bus and frame: asked of the room that plans capacity, so that both say the same."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from buswright.capacity.bounds import Response, bounds_of, worst_load
from buswright.capacity.plan import plan_of
from buswright.capacity.traffic import Traffic
from buswright.channels.carfile.model import FrameName
from buswright.health.described import Described
from buswright.health.model.health import BusHealth


@dataclass(frozen=True, slots=True)
class Planned:
    """What a bus asks for at most: worst load, 0.., and the bound of each frame; None and empty without a bit rate."""

    worst_load: float | None
    responses: Mapping[FrameName, Response]


def plans_of(health: BusHealth, traffic: Traffic, described: Described) -> dict[str, Planned]:
    """Plan every bus of a capture, with what is declared and did not come."""
    found = {}
    for bus, figures in health.buses.items():
        plan = plan_of(bus, described, figures.bitrate, health=health, traffic=traffic)
        rates = plan.rates
        found[bus] = (
            Planned(worst_load(plan.streams, rates), bounds_of(plan.streams, rates)) if rates else Planned(None, {})
        )
    return found
