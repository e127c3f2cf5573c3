"""The worst case of each bus and frame: asked of the room that plans capacity, so that both say the same."""

from __future__ import annotations

from buswright.capacity.carried.plan import plan_of
from buswright.capacity.carried.traffic import Traffic
from buswright.capacity.timing.state import State, state_of
from buswright.health.described import Described
from buswright.health.model.health import BusHealth


def states_of(health: BusHealth, traffic: Traffic, described: Described) -> dict[str, State]:
    """Plan every bus of a capture with a known bit rate, with what is declared and did not come."""
    plans = [
        plan_of(bus, described, figures.bitrate, health=health, traffic=traffic)
        for bus, figures in health.buses.items()
    ]
    return {plan.bus: state_of(plan, plan.streams, plan.rates) for plan in plans if plan.rates is not None}
