"""A car file cut down to one module: only its messages and its channels are left."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from types import MappingProxyType

from buswright.channels.carfile.model import CarFile, Channel, Limits
from buswright.diagnosis.scope import Scope, modules_known
from buswright.errors import UserError


def one_module(car: CarFile, name: str) -> CarFile:
    """Return the car file as if the car had no other module, so that nothing else is missed on a bench.

    Raises
    ------
    UserError
        There is no such module, or nothing says what it sends.
    """
    from buswright.channels.keys.faults import suggestion

    sent = {
        bus: [message for message in database.messages if car.module_of(bus, message.name) == name]
        for bus, database in car.databases.items()
    }
    sent = {bus: messages for bus, messages in sent.items() if messages}
    known = modules_known(car, {})
    if name not in known:
        raise UserError(f"there is no module {name!r} in {car.path}", hint=suggestion(name, known))
    if not sent:
        raise UserError(
            f"nothing says which messages {name} sends",
            hint=f"name them under [module.{name}] in the car file, or their sender in the database",
        )
    databases = {bus: replace(car.databases[bus], messages=tuple(messages), nodes=()) for bus, messages in sent.items()}
    own = Scope(name, car).channels
    channels = {key: each for key, each in car.channels.items() if key in own}
    ids = {(bus, message.id) for bus, messages in sent.items() for message in messages}
    return replace(
        car,
        buses=MappingProxyType(
            {bus: replace(found, chain=(), terminators=()) for bus, found in car.buses.items() if bus in sent}
        ),
        modules=MappingProxyType({key: each for key, each in car.modules.items() if key == name}),
        channels=MappingProxyType({key: _without_conditions(each, channels) for key, each in channels.items()}),
        frames=MappingProxyType({key: each for key, each in car.frames.items() if (key.bus, key.id) in ids}),
        databases=MappingProxyType(databases),
    )


def _without_conditions(channel: Channel, names: Collection[str]) -> Channel:
    """Leave out limits that wait for a channel of another module: on a bench nothing meets their condition."""

    def kept(limits: Limits | None) -> Limits | None:
        waits = limits is not None and limits.when is not None and not set(limits.when.inputs) <= set(names)
        return None if waits else limits

    return replace(channel, caution=kept(channel.caution), warning=kept(channel.warning))
