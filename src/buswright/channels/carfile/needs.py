"""What a car file asks of a capture: names of interfaces, databases, and the signals that channels come from."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.messages.match import Databases


def databases_of(car: CarFile | None, more: Databases) -> Databases:
    """Join a car file's databases with others; the car file's own win on their bus."""
    if car is None:
        return more
    joined: dict[str, object] = dict(more) if isinstance(more, Mapping) else {"*": more}
    joined |= car.databases
    return joined  # type: ignore[return-value]


def interface_names(car: CarFile | None) -> dict[str, str]:
    """Interface to bus name, as a car file says."""
    if car is None:
        return {}
    return {interface: bus.name for bus in car.buses.values() for interface in bus.interfaces}


def inputs_of(car: CarFile, names: Iterable[str], *, limits: bool = True) -> tuple[str, ...]:
    """Names with every channel that they depend on, each once.

    `limits`: what their limits wait for (`when`) counts too.
    """
    found: dict[str, None] = {}
    waiting = deque(names)
    while waiting:
        name = waiting.popleft()
        if name in found or name not in car.channels:
            continue
        found[name] = None
        waiting += car.sources_of(name)
        for _, each in car.channels[name].limits if limits else ():
            waiting += each.when.inputs if each.when is not None else ()
    return tuple(found)


def signals_needed(car: CarFile, names: Iterable[str] | None) -> list[str]:
    """Return selection patterns of the signals that channels come from, dependencies included."""
    wanted = tuple(car.channels) if names is None else inputs_of(car, names)
    patterns = []
    for name in wanted:
        signal = car.channels[name].signal
        if signal is not None:
            patterns.append(re.sub(r"([*?[])", r"[\1]", "/".join(signal)))
    return patterns or ["no bus/no message/no signal"]
