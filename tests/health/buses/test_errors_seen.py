"""Error frames by what they name: the bits of the Linux error frame (include/uapi/linux/can/error.h), one by one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.frames.table import Event, Flag, Frames
from buswright.health.buses.errors_seen import ErrorsSeen, densest
from buswright.health.model.health import ControllerState, ErrorFigures
from tests.frames.frame_batches import batch_of
from tests.health.traffic import MS

# CAN_ERR_TX_TIMEOUT, LOSTARB, CRTL, PROT, TRX, ACK, BUSOFF, BUSERROR, RESTARTED, CNT: bits 0 to 9 of the identifier.
CLASSES = ["transmit-timeout", "arbitration-lost", "controller", "protocol", "transceiver", "no-acknowledge", "bus-off"]
CLASSES += ["bus-error", "restarted", "counters"]
# CAN_ERR_CRTL_RX_OVERFLOW, TX_OVERFLOW, RX_WARNING, TX_WARNING, RX_PASSIVE, TX_PASSIVE, ACTIVE: bits 0 to 6 of byte 1.
CONTROLLER = ["receive-overflow", "transmit-overflow", "receive-warning", "transmit-warning", "receive-passive"]
CONTROLLER += ["transmit-passive", "active"]
# CAN_ERR_PROT_BIT, FORM, STUFF, BIT0, BIT1, OVERLOAD, ACTIVE, TX: bits 0 to 7 of byte 2.
PROTOCOL = ["bit", "form", "stuff", "dominant-bit", "recessive-bit", "overload", "active", "transmit"]


def error(identifier: int, payload: bytes = bytes(8), time: int = 0, flags: Flag = Flag.ERROR) -> tuple[Any, ...]:
    return time, 0, identifier, int(flags), 8, payload.ljust(8, b"\0")


def seen(*rows: Any, events: tuple[Event, ...] = (), cut: int = 0, timed: bool = True) -> ErrorFigures:
    fold = ErrorsSeen()
    for part in (rows[:cut], rows[cut:]):
        if part:
            fold.add(batch_of(list(part)), np.full(len(part), timed))
    return fold.figures(events)


@pytest.mark.parametrize("bit", range(10))
def test_each_class_is_one_bit_of_the_identifier(bit: int) -> None:
    found = seen(error(1 << bit))
    assert found.classes == {CLASSES[bit]: 1}
    # An error flag on the bus: of a protocol violation, a missing acknowledge, a bus error.
    assert found.on_the_wire == (CLASSES[bit] in ("protocol", "no-acknowledge", "bus-error"))
    assert found.count == 1


@pytest.mark.parametrize("bit", range(7))
def test_each_trouble_of_a_controller_is_one_bit(bit: int) -> None:
    fold = ErrorsSeen()
    fold.add(batch_of([error(0x004, bytes([0, 1 << bit]))]), np.array([True]))
    assert fold.figures(()).controller == {CONTROLLER[bit]: 1}
    assert fold.overflows == (bit == 0)
    assert seen(error(0x008, bytes([0, 1 << bit]))).controller == {}


@pytest.mark.parametrize("bit", range(8))
def test_each_violation_of_the_protocol_is_one_bit(bit: int) -> None:
    assert seen(error(0x008, bytes([0, 0, 1 << bit]))).protocol == {PROTOCOL[bit]: 1}
    found = seen(error(0x004, bytes([0, 0, 1 << bit, 0x0A])))
    assert (found.protocol, found.places) == ({}, {})


def test_a_frame_without_a_class_is_an_error_on_the_wire() -> None:
    found = seen(error(0))
    assert (found.classes, found.on_the_wire, found.time_ns.tolist()) == ({"unspecified": 1}, 1, [0])


def test_what_is_named_most_comes_first_and_names_in_order_among_equals() -> None:
    found = seen(
        error(0x02), error(0x88, bytes([0, 0, 4, 10])), error(0x88, bytes([0, 0, 2, 8])), error(0x08, b"\0\0\4\x08")
    )
    assert list(found.classes.items()) == [("protocol", 3), ("bus-error", 2), ("arbitration-lost", 1)]
    assert list(found.protocol.items()) == [("stuff", 2), ("form", 1)]
    assert list(found.places.items()) == [("checksum", 2), ("data", 1)]


def test_times_are_of_errors_on_the_wire_bus_offs_and_restarts() -> None:
    rows = [
        error(0x88, time=30),
        error(0x02, time=5),
        error(0x40, time=40),
        error(0x100, time=50),
        error(0x20, time=10),
    ]
    found = seen(*rows)
    assert (found.time_ns.tolist(), found.first_ns, found.last_ns) == ([10, 30], 10, 30)
    assert (found.bus_off_ns, found.restarted_ns) == ((40,), (50,))
    untimed = seen(*rows, timed=False)
    assert (untimed.time_ns.tolist(), untimed.first_ns, untimed.last_ns) == ([], None, None)
    assert (untimed.bus_off_ns, untimed.restarted_ns, untimed.burst, untimed.burst_ns) == ((), (), 0, None)
    assert untimed.count == 5
    assert untimed.states == (
        ControllerState(None, None, None, "bus-off"),
        ControllerState(None, None, None, "restarted"),
    )


@pytest.mark.parametrize(
    ("identifier", "controller", "state"),
    [
        (0x100, 0x3F, "restarted"),
        (0x040, 0x3F, "bus-off"),
        (0x140, 0, "restarted"),
        (0x004, 0x10, "error-passive"),
        (0x004, 0x20, "error-passive"),
        (0x004, 0x04, "error-warning"),
        (0x004, 0x08, "error-warning"),
        (0x004, 0x40, "error-active"),
        (0x004, 0x14, "error-passive"),
        (0x004, 0x44, "error-warning"),
        (0x004, 0x01, None),
        (0x008, 0x10, None),
    ],
)
def test_the_state_that_an_error_frame_tells(identifier: int, controller: int, state: str | None) -> None:
    expected = () if state is None else (ControllerState(7, None, None, state),)
    assert seen(error(identifier, bytes([0, controller]), 7)).states == expected


def test_counters_are_in_bytes_six_and_seven() -> None:
    def states(identifier: int, *counters: int) -> tuple[ControllerState, ...]:
        return seen(error(identifier, bytes([0, 0, 0, 0, 0, 0, *counters]), 3)).states

    assert states(0x200, 96, 8) == (ControllerState(3, 96, 8, ""),)
    assert states(0x200, 0, 0) == (ControllerState(3, 0, 0, ""),)
    assert states(0x008, 0, 9) == (ControllerState(3, 0, 9, ""),)
    assert states(0x008, 255, 0) == (ControllerState(3, 255, 0, ""),)
    assert states(0x008, 0, 0) == ()


@pytest.mark.parametrize("cut", range(6))
def test_a_state_is_kept_where_it_changes(cut: int) -> None:
    def at(time: int, transmit: int, controller: int = 0) -> tuple[Any, ...]:
        return error(0x204, bytes([0, controller, 0, 0, 0, 0, transmit, 1]), time)

    found = seen(at(1, 8), at(2, 8), at(3, 96, 8), at(4, 96, 8), at(5, 128, 32), at(6, 8), cut=cut)
    assert [(state.time_ns, state.transmit_errors, state.state) for state in found.states] == [
        (1, 8, ""),
        (3, 96, "error-warning"),
        (5, 128, "error-passive"),
        (6, 8, ""),
    ]
    assert (found.highest_transmit, found.highest_receive) == (128, 1)


def test_chip_states_of_events_are_among_them_by_time() -> None:
    said = {"tx_errors": 250, "rx_errors": 7.0, "state": "bus-off"}
    events = (
        Event(5, "can0", "chip-status", said),
        Event(None, "can0", "chip-status", {"tx_errors": "many"}),
        Event(1, "can0", "drop", {"tx_errors": 99}),
    )
    found = seen(error(0x100, time=3), error(0x40, time=9), events=events)
    assert found.states == (
        ControllerState(None, None, None, ""),
        ControllerState(3, None, None, "restarted"),
        ControllerState(5, 250, 7, "bus-off"),
        ControllerState(9, None, None, "bus-off"),
    )
    assert found.bus_off_ns == (5, 9)


@pytest.mark.parametrize(
    ("times", "most", "first"),
    [
        ([], 0, None),
        ([5], 1, 5),
        ([0, 50], 2, 0),
        ([0, 51], 1, 0),
        ([0, 30, 60, 90], 2, 0),
        ([0, 100, 130, 150, 200], 3, 100),
        ([7, 7, 7], 3, 7),
    ],
)
def test_the_densest_burst_is_the_first_with_most_errors(times: list[int], most: int, first: int | None) -> None:
    assert densest(np.array(times, dtype=np.int64), 50) == (most, first)
    found = seen(*(error(0x88, time=time * MS) for time in times))
    assert (found.burst, found.burst_ns) == (most, None if first is None else first * MS)


def followed(*rows: tuple[int, int], cut: int = 0) -> dict[tuple[int, bool], int]:
    """Frames (identifier, flags), of which it is seen what follows the error frames."""
    fold = ErrorsSeen()
    batch: Frames = batch_of([(0, 0, identifier, flags, 8, bytes(8)) for identifier, flags in rows])
    for part in (batch.slice(0, cut), batch.slice(cut, len(batch))):
        if len(part):
            error_rows = part.has(Flag.ERROR)
            fold.follow(error_rows if error_rows.any() else None, part.id, part.flags)
    return dict(fold.figures(()).followed_by)


@pytest.mark.parametrize("cut", range(9))
def test_each_error_frame_is_followed_by_the_next_other_frame(cut: int) -> None:
    e, x = int(Flag.ERROR), int(Flag.EXTENDED)
    rows = [(1, 0), (8, e), (8, e), (2, 0), (3, 0), (8, e), (2, x), (8, e), (2, 0)]
    assert followed(*rows, cut=cut) == {(2, False): 3, (2, True): 1}
    assert followed(*rows[:2], cut=min(cut, 2)) == {}
