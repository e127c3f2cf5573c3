"""A serial port read in blocks gives the same bytes as one read byte by byte, with fewer calls."""

import itertools
import os
import pty
import tty
from unittest import mock

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.live import read_ahead
from buswright.frames.live.read_ahead import ReadAhead, refuses_to_listen


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


def test_pieces_are_cut_from_the_block():
    port = ReadAhead(Port([b"abcdef", b"g"]))
    assert [port.read(2), port.read(9), port.read(9), port.read(9)] == [b"ab", b"cdef", b"g", b""]
    port = ReadAhead(Port([b"ab"]))
    assert (port.in_waiting, port.read(3), port.in_waiting) == (2, b"ab", 0)


def test_bytes_that_are_put_back_come_again_before_those_behind_them():
    port = ReadAhead(Port([b"abcd"]))
    assert port.read(2) == b"ab"
    port.put_back(b"AB")
    assert (port.in_waiting, port.read(9)) == (4, b"ABcd")


# Asked to listen only -----------------------------------------------------------------------------------------------


def asked(*portions, seconds=0.0):
    """Ask an adapter that answers in these portions; each look at the clock takes so long."""
    inner = Port(portions)
    inner.written = b""

    def write(data):
        inner.written += data

    inner.write = write
    port = ReadAhead(inner)
    looks = itertools.count(step=seconds)
    with mock.patch.object(read_ahead.time, "monotonic", looks.__next__):
        refused = refuses_to_listen(port)
    assert inner.written == b"C\rV\rL\r"
    left = b""
    while piece := port.read(100):
        left += piece
    return refused, left


@pytest.mark.parametrize(
    ("answers", "refused", "left"),
    [
        (b"\rV1013\r\r", False, b""),
        (b"\rV1013\r\a", True, b""),
        (b"\aV1013\r\r", False, b""),  # it was closed already
        (b"\aV1013\r\a", True, b""),
        (b"t1230\r\rV1013\r\a", True, b""),  # a frame that came before the channel was closed
        (b"\rV1013\r\rt1230\r", False, b"t1230\r"),
        (b"\rV1013\rt1230\rt4560\r", False, b"t1230\rt4560\r"),  # it answers nothing, and listens
    ],
)
def test_the_answer_behind_its_version_counts(answers, refused, left):
    assert asked(answers, seconds=0.01) == (refused, left)
    assert asked(*(bytes([sign]) for sign in answers), seconds=0.01) == (refused, left)


@pytest.mark.parametrize("answers", [b"", b"\r", b"\r\r\a", b"t1230\rt45"])
def test_one_that_does_not_tell_its_version_is_taken_at_its_word_and_nothing_is_lost(answers):
    assert asked(answers, seconds=0.01) == (False, answers)


def test_an_answer_is_waited_for_for_a_second():
    """At an eighth of a second a look seven signs are read; the eighth look is a second behind the first."""
    assert asked(b"x" * 30, seconds=0.125) == (False, b"x" * 30)
    assert asked(b"\rV101\r\a", seconds=0.125)[0] is True
    assert asked(b"\rV1013\r\a", seconds=0.125)[0] is False
