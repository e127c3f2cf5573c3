"""A serial port read in blocks gives the same bytes as one read byte by byte, with fewer calls."""

import os
import pty
import tty

import serial
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.live.read_ahead import ReadAhead


class Port:
    """A port whose bytes come in portions; counts what it is asked."""

    timeout = 0.1

    def __init__(self, portions):
        self.portions = list(portions)
        self.calls = 0

    @property
    def in_waiting(self):
        self.calls += 1
        return len(self.portions[0]) if self.portions else 0

    def read(self, size=1):
        self.calls += 1
        if not self.portions:
            return b""
        piece, rest = self.portions[0][:size], self.portions[0][size:]
        self.portions[:1] = [rest] if rest else []
        return piece

    def reset_input_buffer(self):
        self.portions.clear()


@given(st.lists(st.binary(min_size=1, max_size=40), max_size=8), st.lists(st.integers(1, 12), max_size=60))
def test_every_byte_comes_once_and_in_order(portions, sizes):
    port = ReadAhead(Port(portions))
    read = b"".join(port.read(size) for size in sizes)
    while piece := port.read(1):
        read += piece
    assert read == b"".join(portions)


@given(st.binary(min_size=1, max_size=100))
def test_what_waits_is_what_can_be_read_at_once(data):
    port = ReadAhead(Port([data]))
    assert port.in_waiting == len(data)
    port.read(1)
    assert port.in_waiting == len(data) - 1


def test_a_block_costs_two_calls_and_not_two_a_byte():
    inner = Port([b"t12381122334455667788\r" * 20])
    port = ReadAhead(inner)
    while port.read(1):
        pass
    assert inner.calls <= 5


def test_forgetting_forgets_the_block_too():
    port = ReadAhead(Port([b"abc", b"def"]))
    assert port.read(1) == b"a"
    port.reset_input_buffer()
    assert port.read(1) == b""


def test_all_else_is_the_ports_own():
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    with serial.Serial(os.ttyname(theirs), timeout=0.2) as inner:
        port = ReadAhead(inner)
        assert port.fileno() == inner.fileno()
        assert port.timeout == 0.2
        os.write(ours, b"t1230\rt4560\r")
        assert b"".join(port.read(1) for _ in range(12)) == b"t1230\rt4560\r"
        assert port.read(1) == b""
        port.write(b"V\r")
        assert os.read(ours, 10) == b"V\r"
    os.close(ours)
    os.close(theirs)
