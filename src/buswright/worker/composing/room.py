"""The room that is left on a bus, worked out beside the work: from what was measured so far, and what is proposed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from buswright.errors import UserError
from buswright.frames.table import Frames
from buswright.health.described import Described
from buswright.health.model.health import BusHealth
from buswright.worker.snapshot import Room


def room_of(
    bus: str,
    proposed: str,
    health: BusHealth,
    frames: Iterable[Frames],
    *,
    described: Described,
    bus_names: Mapping[str, str],
) -> Room:
    """Say what a bus carries, and what becomes of it with something new.

    Parameters
    ----------
    proposed
        As `buswright capacity --add` takes it; "" for nothing.
    health
        What was measured so far.
    frames
        Those that it was measured on, or the latest minutes of them: for their exact lengths.
    described, bus_names
        Car file and databases; interface to bus name.
    """
    from buswright.capacity.assess import assess
    from buswright.capacity.carried.plan import plan_of
    from buswright.capacity.carried.traffic import TrafficFold
    from buswright.capacity.proposed.addition import addition_of

    if bus not in health.buses:
        return Room(bus, proposed, None, "nothing has come on this bus yet")
    car = described.car
    non_iso = {name for name, each in car.buses.items() if each.fd == "non-iso"} if car is not None else ()
    fold = TrafficFold(bus_names, non_iso)
    try:
        additions = [addition_of(proposed)] if proposed else []
        for batch in frames:
            fold.update(batch)
        traffic = fold.result()
        plan = plan_of(bus, described, health.buses[bus].bitrate, health=health, traffic=traffic)
        return Room(bus, proposed, assess(plan, described, additions=additions, traffic=traffic))
    except UserError as fault:
        return Room(bus, proposed, None, str(fault))
