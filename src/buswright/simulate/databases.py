"""Writes the car's messages as DBC text."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from buswright.simulate.car import networks as car
from buswright.simulate.car.definition import Message, Node, Signal
from buswright.simulate.wire.further_traffic import FILLER_NODES, further_messages

ENCODINGS = {"engine": "utf-8", "chassis": "cp1252"}
"""One database each way, as a crew gets them from two suppliers; it shows in the degree sign."""

_EXTENDED = 0x8000_0000
"""DBC files mark 29-bit identifiers with bit 31."""

_FRAME_FORMATS = (
    "StandardCAN", "ExtendedCAN", "reserved", "J1939PG", *("reserved",) * 10, "StandardCAN_FD", "ExtendedCAN_FD",
)  # fmt: skip


def wrenfell_databases(*, load: float | None = None, change_driven: bool = False) -> dict[str, bytes]:
    """Return the car's databases by file name; the one with `_fd` belongs to the variant with CAN FD.

    With the options of `simulate_run`, those of the further messages come too: `further_engine.dbc` and so on.
    """
    files = {}
    for bus, fd, suffix in (("engine", False, ""), ("chassis", False, ""), ("chassis", True, "_fd")):
        text = dbc_text(bus, tuple(message for message in car.messages(fd=fd) if message.bus == bus), fd=fd)
        files[f"wrenfell_{bus}{suffix}.dbc"] = text.encode(ENCODINGS[bus])
    for network in car.buses():
        further = further_messages(network, load=load, change_driven=change_driven)
        if further:
            text = dbc_text(network.name, further, nodes=(*car.NODES, *FILLER_NODES))
            files[further_name(network.name)] = text.encode(ENCODINGS[network.name])
    return files


def further_name(bus: str) -> str:
    """Return the file name of the database of a bus's further messages."""
    return f"further_{bus}.dbc"


def dbc_text(bus: str, messages: tuple[Message, ...], *, fd: bool = False, nodes: tuple[Node, ...] = car.NODES) -> str:
    """Return the DBC text of one bus."""
    return "\n".join(_lines(bus, messages, fd, nodes)) + "\n"


def _lines(bus: str, messages: tuple[Message, ...], fd: bool, nodes: tuple[Node, ...]) -> Iterator[str]:
    variant = ", CAN FD" if fd else ""
    yield f'VERSION "{car.NAME}, {bus} bus{variant}"'
    yield from ("", "NS_ :", "", "BS_:", "")
    yield "BU_: " + " ".join(node.name for node in nodes)
    for message in messages:
        yield ""
        yield f"BO_ {_frame_id(message)} {message.name}: {message.length} {message.sender}"
        for signal in message.signals:
            yield _signal_line(message, signal)
    yield ""
    yield f'CM_ "The {bus} bus of the {car.NAME}, an invented hill-climb car.";'
    for node in nodes:
        yield f'CM_ BU_ {node.name} "{node.comment}";'
    for message in messages:
        yield f'CM_ BO_ {_frame_id(message)} "{message.comment}";'
        for signal in message.signals:
            yield f'CM_ SG_ {_frame_id(message)} {signal.name} "{signal.comment}";'
    yield 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;'
    if fd:
        words = ",".join(f'"{word}"' for word in _FRAME_FORMATS)
        yield f'BA_DEF_ BO_ "VFrameFormat" ENUM {words};'
    yield 'BA_DEF_DEF_ "GenMsgCycleTime" 0;'
    if fd:
        yield 'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";'
    for message in messages:
        yield f'BA_ "GenMsgCycleTime" BO_ {_frame_id(message)} {message.period_ms};'
        if fd:
            word = ("Extended" if message.extended else "Standard") + ("CAN_FD" if message.fd else "CAN")
            yield f'BA_ "VFrameFormat" BO_ {_frame_id(message)} {_FRAME_FORMATS.index(word)};'
    for message in messages:
        for signal in message.signals:
            if signal.choices:
                pairs = " ".join(f'{value} "{word}"' for value, word in sorted(signal.choices.items(), reverse=True))
                yield f"VAL_ {_frame_id(message)} {signal.name} {pairs} ;"


def _frame_id(message: Message) -> int:
    return message.id | (_EXTENDED if message.extended else 0)


def _signal_line(message: Message, signal: Signal) -> str:
    mux = " M" if signal.is_multiplexer else f" m{signal.mux}" if signal.mux is not None else ""
    order, sign = 0 if message.big_endian else 1, "-" if signal.signed else "+"
    receiver = car.NODES[0].name if message.sender != car.NODES[0].name else car.NODES[1].name
    return (
        f" SG_ {signal.name}{mux} : {signal.start}|{signal.bits}@{order}{sign}"
        f" ({_plain(signal.scale)},{_plain(signal.offset)}) [{_plain(signal.low)}|{_plain(signal.high)}]"
        f' "{signal.unit}" {receiver}'
    )


def _plain(number: float) -> str:
    """Write a number without exponent and without a superfluous fraction."""
    text = f"{Decimal(repr(float(number))):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
