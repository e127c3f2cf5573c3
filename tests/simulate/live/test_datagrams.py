"""Datagrams against python-can's own packing and unpacking."""

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTHS, Flag, empty_frames
from buswright.simulate.live.datagrams import datagrams
from tests.frames.frame_batches import batch_of
from tests.simulate.listening import row_of, rows_of

msgpack = pytest.importorskip("msgpack")
packing = pytest.importorskip("can.interfaces.udp_multicast.utils")


@st.composite
def batches(draw, error=True):
    rows = []
    for _ in range(draw(st.integers(1, 12))):
        flags = Flag(draw(st.sampled_from([0, Flag.REMOTE, Flag.FD, Flag.FD | Flag.BRS, Flag.FD | Flag.ESI])))
        if error and draw(st.booleans()):
            flags = Flag.ERROR
        if flags != Flag.ERROR and draw(st.booleans()):
            flags |= Flag.EXTENDED
        top = 0x1FFFFFFF if flags & Flag.EXTENDED else 0x7FF
        length = draw(st.sampled_from(FD_LENGTHS if flags & Flag.FD else FD_LENGTHS[:9]))
        length = 8 if flags & Flag.ERROR else length
        payload = b"" if flags & Flag.REMOTE else draw(st.binary(min_size=length, max_size=length))
        time_ns = draw(st.integers(0, 4_000_000_000_000_000_000))
        rows.append((time_ns, draw(st.integers(0, top)), flags, int(FD_CODE_OF_LENGTH[length]), payload))
    return frames_of(rows)


def frames_of(rows):
    return batch_of([(time_ns, 0, *row) for time_ns, *row in rows])


@given(batches())
def test_python_can_unpacks_what_was_packed(frames):
    messages = [packing.unpack_message(datagram, check=True) for datagram in datagrams(frames)]
    assert [row_of(message) for message in messages] == rows_of(frames)
    assert [message.timestamp for message in messages] == (frames.time_ns / 1e9).tolist()
    assert {message.channel for message in messages} == {None}


@given(batches())
def test_python_can_packs_the_same_map(frames):
    for datagram in datagrams(frames):
        message = packing.unpack_message(datagram, check=True)
        assert msgpack.unpackb(datagram) == msgpack.unpackb(packing.pack_message(message))


def test_what_a_message_cannot_hold():
    frames = frames_of(
        [
            (0, 0x123, Flag.TRANSMITTED, 15, bytes(range(8))),  # a raw length code above 8
            (0, 0x123, Flag.REMOTE, 12, b""),
            (0, 0x1000, Flag.ERROR, 8, bytes(8)),  # an error class of more than eleven bits
        ]
    )
    classic, remote, error = [packing.unpack_message(datagram, check=True) for datagram in datagrams(frames)]
    assert (classic.dlc, bytes(classic.data)) == (8, bytes(range(8)))
    assert (remote.dlc, remote.is_remote_frame) == (8, True)
    assert (error.arbitration_id, error.is_error_frame) == (0x1000, True)


def test_nothing_gives_nothing():
    assert datagrams(empty_frames()) == []


def test_the_comparison_can_fail():
    frames = frames_of([(0, 0x123, Flag(0), 1, b"\x01")])
    other = packing.unpack_message(datagrams(frames_of([(0, 0x123, Flag(0), 1, b"\x02")]))[0])
    assert [row_of(other)] != rows_of(frames)
    assert row_of(can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\x01")) == rows_of(frames)[0]
