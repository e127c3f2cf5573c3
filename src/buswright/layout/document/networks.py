"""The buses and modules of a layout: bit rates, loads, what hangs where, and which identifiers are free."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from buswright.capacity.proposed.identifiers import free_ranges
from buswright.channels.carfile.model import FrameName, Module
from buswright.layout.document.gathered import Gathered
from buswright.layout.document.model import (
    CAR,
    COMPUTED,
    DATABASE,
    INFERRED,
    MEASURED,
    BusLayout,
    MessageLayout,
    ModuleLayout,
)
from buswright.messages.model import identifier_text


def bus_layouts(of: Gathered, messages: Sequence[MessageLayout]) -> tuple[BusLayout, ...]:
    """Return the buses in the order of the car file, then by name."""
    return tuple(_bus(of, name, [one for one in messages if one.bus == name]) for name in of.bus_names)


def _bus(of: Gathered, name: str, messages: Sequence[MessageLayout]) -> BusLayout:
    figures, measured = of.health.buses.get(name), of.measured.buses.get(name)
    said = of.car.buses.get(name) if of.car is not None else None
    bitrate = figures.bitrate.bits_per_s if figures is not None else said.bitrate if said is not None else None
    by = figures.bitrate.source if figures is not None else "car file"
    data = figures.bitrate.data_bits_per_s if figures is not None else said.data_bitrate if said is not None else None
    chain = said.chain if said is not None else ()
    senders = [one.module for one in messages]
    senders += [one.name for one in of.car.modules.values() if one.bus == name] if of.car is not None else []
    state = of.planned.get(name)
    measured_alone = state is None or all(stream.origin == "capture" for stream in state.streams)
    return BusLayout(
        name=name,
        bitrate=bitrate,
        data_bitrate=data,
        fd=(said.fd or "") if said is not None else "",
        interfaces=said.interfaces if said is not None else figures.interfaces if figures is not None else (),
        load=state.mean if state is not None else None,
        load_peak=measured.load_peak if measured is not None else None,
        seconds=measured.seconds if measured is not None else 0.0,
        chain=chain,
        lengths_m=said.lengths_m if said is not None else (),
        terminators=said.terminators if said is not None else (),
        beside=tuple(one for one in dict.fromkeys(senders) if one and one not in chain),
        resistance_ohm=said.resistance.ohm if said is not None and said.resistance is not None else None,
        resistance_date=str(said.resistance.date or "") if said is not None and said.resistance is not None else "",
        free_ids=tuple(_free(name, messages)),
        worst_load=state.worst if state is not None else None,
        said_by={
            "bitrate": {"option": CAR, "car file": CAR, "database": DATABASE, "guessed": MEASURED}.get(by, INFERRED),
            "interfaces": CAR if said is not None else MEASURED,
            **({} if measured_alone else {"load": COMPUTED}),
        },
    )


def _free(bus: str, messages: Iterable[MessageLayout]) -> Iterator[str]:
    """Yield the ranges of 11-bit identifiers that nobody has."""
    for found in free_ranges(FrameName(bus, int(one.id, 16), one.extended) for one in messages):
        ends = [identifier_text(end, False) for end in dict.fromkeys((found.first, found.last))]
        yield "-".join(ends)


def module_layouts(
    of: Gathered, buses: Sequence[BusLayout], messages: Sequence[MessageLayout]
) -> tuple[ModuleLayout, ...]:
    """Return the modules: those of the car file, of the chains, then all other senders."""
    named = [*(of.car.modules if of.car is not None else ())]
    named += [module for bus in buses for module in (*bus.chain, *bus.beside)]
    return tuple(_module(of, name, buses, messages) for name in dict.fromkeys(named))


def _module(of: Gathered, name: str, buses: Sequence[BusLayout], messages: Sequence[MessageLayout]) -> ModuleLayout:
    said = of.car.modules.get(name) if of.car is not None else None
    comment = next(
        (node.comment for database in of.by_bus.values() for node in database.nodes if node.name == name), ""
    )
    own = [one for one in messages if one.module == name]
    on = [bus.name for bus in buses if name in bus.chain or name in bus.beside]
    there = said or Module(name, "")
    return ModuleLayout(
        name=name,
        buses=tuple(on),
        comment=comment,
        sends=tuple(one.key for one in own if one.frames),
        never_came=tuple(one.key for one in own if not one.frames),
        bench=of.bench.get(name, ()),
        said_by={"comment": DATABASE, **({} if said is not None else {"name": DATABASE if own else CAR})},
        part=there.part,
        serial=there.serial,
        firmware=there.firmware,
        place=there.place,
        plug=there.plug,
        supply=there.supply,
        ground=there.ground,
        stub_m=there.stub_m,
    )
