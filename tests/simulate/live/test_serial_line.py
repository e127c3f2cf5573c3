"""The serial-line protocol against python-can's slcan driver, and against its examples in print."""

import os
import select

import can
import pytest
from hypothesis import given, settings

from buswright.frames.table import Flag
from buswright.simulate.car.networks import CHASSIS_BUS, ENGINE_BUS
from buswright.simulate.live.serial_line import Adapter, SerialLine, has_pseudo_terminals
from buswright.simulate.live.serial_text import lines
from tests.simulate.listening import row_of, rows_of, serial, served_until, stopping
from tests.simulate.live.test_datagrams import batches, frames_of

pytestmark = pytest.mark.skipif(not has_pseudo_terminals(), reason="this system has no pseudo-terminals")
slcan = pytest.importorskip("can.interfaces.slcan")
pytest.importorskip("serial")


# -- Lines ------------------------------------------------------------------------------------------------------------


def test_lines_are_those_of_the_protocol():
    # The forms are those of the kernel's slcan driver (drivers/net/can/slcan/slcan-core.c, its comment on the
    # ASCII frames: "t1230", "t4563112233", "T12ABCDEF2AA55", "r1230") and of python-can's slcan interface for FD.
    frames = frames_of(
        [
            (0, 0x123, Flag(0), 0, b""),
            (0, 0x456, Flag(0), 3, b"\x11\x22\x33"),
            (0, 0x12ABCDEF, Flag.EXTENDED, 2, b"\xaa\x55"),
            (0, 0x123, Flag.REMOTE, 0, b""),
            (0, 0x12ABCDEF, Flag.REMOTE | Flag.EXTENDED, 4, b""),
            (0, 0x100, Flag.FD, 9, bytes(12)),
            (0, 0x100, Flag.FD | Flag.BRS | Flag.EXTENDED, 1, b"\xff"),
        ]
    )
    assert lines(frames, stamped=False) == [
        b"t1230\r",
        b"t4563112233\r",
        b"T12ABCDEF2AA55\r",
        b"r1230\r",
        b"R12ABCDEF4\r",
        b"d1009" + b"00" * 12 + b"\r",
        b"B000001001FF\r",
    ]


def test_stamps_are_milliseconds_of_a_minute():
    frames = frames_of([(second * 1_000_000_000, 0x123, Flag(0), 0, b"") for second in (0, 1, 59, 60, 61)])
    stamps = [int(line[5:9], 16) for line in lines(frames, stamped=True)]
    assert stamps == [0, 1000, 59_000, 0, 1000]


@settings(max_examples=25, deadline=None)
@given(batches(error=False))
def test_python_can_reads_every_kind_of_frame(frames):
    frames = frames_of(
        [
            (int(t), int(i), Flag(int(f)) & ~Flag.ESI, int(c), frames.payload_of(n))  # the protocol has no ESI
            for n, (t, i, f, c) in enumerate(zip(frames.time_ns, frames.id, frames.flags, frames.dlc, strict=True))
        ]
    )
    for stamped in (False, True):
        assert read_by_python_can(b"".join(lines(frames, stamped=stamped)), len(frames)) == rows_of(frames)


def read_by_python_can(text, count):
    here, there = os.openpty()
    bus = slcan.slcanBus(os.ttyname(there), sleep_after_open=0.0)
    try:
        read = []
        while len(read) < count:
            text = text[os.write(here, text[:1000]) :]
            while (message := bus.recv(0.05)) is not None:
                read.append(row_of(message))
        return read
    finally:
        bus.shutdown()
        os.close(here)
        os.close(there)


# -- Commands ---------------------------------------------------------------------------------------------------------


def test_answers():
    adapter = Adapter(ENGINE_BUS)
    for command, answer in [
        (b"O", b"\a"),  # no bit rate yet
        (b"F", b"\a"),  # only an open channel has a status
        (b"S6", b"\r"),
        (b"SX", b"\a"),
        (b"Z1", b"\r"),
        (b"V", b"V1010\r"),
        (b"N", b"NWREN\r"),
        (b"", b"\r"),
        (b"L", b"\r"),
        (b"L", b"\a"),  # open already
        (b"S8", b"\a"),
        (b"F", b"F00\r"),
        (b"t1230", b"\a"),
        (b"C", b"\r"),
        (b"M00000000", b"\a"),  # there is no filter
    ]:
        assert adapter.take(command + b"\r") == answer, command
    assert adapter.refused == 1


def test_commands_come_in_pieces():
    adapter = Adapter(ENGINE_BUS)
    assert [adapter.take(bytes([byte])) for byte in b"S6\rO\r"] == [b"", b"", b"\r", b"", b"\r"]
    assert adapter.take(b"x" * 100_000) == b""
    assert adapter.take(b"\rC\r\rV\r") == b"\a\r\rV1010\r"


@pytest.mark.parametrize(
    ("bus", "command", "hears"),
    [
        (ENGINE_BUS, b"S6", True),
        (ENGINE_BUS, b"S8", False),
        (CHASSIS_BUS, b"S8", True),
        # Registers for 16 MHz: the usual table of these adapters' manuals, from memory.
        (ENGINE_BUS, b"s001C", True),
        (ENGINE_BUS, b"s031C", False),
        (CHASSIS_BUS, b"s0014", True),
    ],
)
def test_it_hears_only_at_the_bit_rate_of_the_bus(bus, command, hears):
    adapter = Adapter(bus)
    assert adapter.take(command + b"\rL\r") == b"\r\r"
    assert adapter.state == "listening"
    assert adapter.hears is hears


@pytest.mark.parametrize("digits", [b"", b"00", b"00ZZ", b"001C00"])
def test_registers_that_are_none(digits):
    assert Adapter(ENGINE_BUS).take(b"s" + digits + b"\r") == b"\a"


# -- The terminal -----------------------------------------------------------------------------------------------------


@pytest.fixture
def line():
    made = SerialLine(ENGINE_BUS)
    yield made
    made.close()


def many(count, time_ns=0):
    return frames_of([(time_ns, n % 0x800, Flag(0), 8, n.to_bytes(8, "big")) for n in range(count)])


def test_the_real_driver_reads_it(line):
    frames = many(300)
    with stopping(serial(line.path, 500_000, listen_only=True)) as (listener,):
        assert served_until(line, lambda: line.adapter.state == "listening")
        for start in range(0, 300, 50):
            line.put(frames, start, start + 50)
        assert served_until(line, lambda: len(listener.received) == 300)
    assert listener.received == rows_of(frames)
    assert line.lost == 0
    assert served_until(line, lambda: line.adapter.state == "closed")


def test_a_request_to_send_goes_nowhere(line):
    bus = can.Bus(interface="slcan", channel=line.path, bitrate=500_000, sleep_after_open=0.0)
    bus.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=b"x"))
    bus.shutdown()
    assert served_until(line, lambda: line.adapter.refused == 1)


def test_frames_before_opening_and_at_another_bit_rate_are_not_heard(line):
    frames = many(10)
    line.put(frames, 0, 10)
    with stopping(serial(line.path, 1_000_000)) as (listener,):
        assert served_until(line, lambda: line.adapter.state == "open")
        line.put(frames, 0, 10)
    assert listener.received == []
    with stopping(serial(line.path, 500_000)) as (listener,):
        assert served_until(line, lambda: line.adapter.hears)
        line.put(frames, 5, 10)
        assert served_until(line, lambda: len(listener.received) == 5)
    assert listener.received == rows_of(frames)[5:]


@pytest.fixture
def reader(line):
    descriptor = os.open(line.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    yield descriptor
    os.close(descriptor)


def everything(line, reader):
    """Read until nothing more comes; lines without their ends."""
    read = b""
    while line.waiting or select.select([reader], [], [], 0.1)[0]:
        line.serve()
        read += os.read(reader, 4096)
    assert read.endswith(b"\r")
    return read.split(b"\r")[:-1]


def without_ends(frames):
    return [text[:-1] for text in lines(frames, stamped=False)]


def test_error_frames_show_in_the_status_only(line, reader):
    line.adapter.take(b"S6\rO\r")
    frames = frames_of([(0, 0x88, Flag.ERROR, 8, bytes(8)), (0, 0x123, Flag(0), 1, b"\x01")])
    line.put(frames, 0, 2)
    assert line.adapter.take(b"F\r") == b"F80\r"
    assert line.adapter.take(b"F\r") == b"F00\r"
    assert everything(line, reader) == [b"t123101"]


def test_a_slow_reader_loses_whole_frames_and_it_is_counted(line, reader):
    frames = many(20_000)
    line.adapter.take(b"S6\rO\r")
    line.put(frames, 0, 20_000)
    assert 0 < line.lost < 20_000
    assert line.adapter.take(b"F\r") == b"F08\r"
    assert everything(line, reader) == without_ends(frames)[: 20_000 - line.lost]


def test_closing_in_the_middle_of_a_line_ends_that_line(line, reader):
    frames = many(8_000)
    line.adapter.take(b"S6\rO\r")
    line.put(frames, 0, 8_000)
    assert line.waiting
    os.write(reader, b"C\r")
    *heard, answer = everything(line, reader)
    assert answer == b""
    assert heard == without_ends(frames)[: len(heard)]
    assert 0 < len(heard) < 8_000


def test_readers_come_and_go(line):
    for _ in range(3):
        reader = os.open(line.path, os.O_RDWR | os.O_NOCTTY)
        os.write(reader, b"V\r")
        assert served_until(line, lambda reader=reader: select.select([reader], [], [], 0)[0])
        assert os.read(reader, 10) == b"V1010\r"
        os.close(reader)
