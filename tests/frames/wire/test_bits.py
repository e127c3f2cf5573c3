"""Exact bits on the wire: worked frames, catalogue values, and a bit-by-bit reference encoder."""

import numpy as np
import pytest
from crccheck.crc import Crc15Can
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.errors import UserError
from buswright.frames.table import Flag, Frames
from buswright.frames.wire import tables as wire_tables
from buswright.frames.wire.bits import (
    ERROR_FRAME_BITS,
    FdForm,
    classic_bits,
    fd_bits,
    wire_bits,
    wire_bits_of,
)
from tests.frames import bit_reference
from tests.frames.bit_reference import FD_SIZES, Wire
from tests.frames.frame_batches import batch_of
from tests.frames.worked_frames import FD_WORKED, WORKED, Worked


def batch(rows: list[tuple[int, int, int, bytes]]) -> Frames:
    """Frames from (id, flags, dlc, payload)."""
    return batch_of([(at, 0, *row) for at, row in enumerate(rows)])


def reference(row: tuple[int, int, int, bytes], iso: bool) -> Wire:
    identifier, flags, dlc, payload = row
    extended = bool(flags & Flag.EXTENDED)
    if flags & Flag.FD:
        return bit_reference.fd(identifier, extended, bool(flags & Flag.BRS), bool(flags & Flag.ESI), dlc, payload, iso)
    return bit_reference.classic(identifier, extended, bool(flags & Flag.REMOTE), dlc, payload)


def assert_equal_to_reference(rows: list[tuple[int, int, int, bytes]], form: FdForm) -> None:
    frames = batch(rows)
    got = wire_bits(frames, fd=form)
    for row, ours, data, stuff in zip(rows, got.nominal, got.data, got.stuff, strict=True):
        wire = reference(row, form == "iso")
        assert (ours, data, stuff) == (wire.nominal, wire.data, wire.stuff), row


@pytest.mark.parametrize("worked", WORKED, ids=lambda w: w.name)
def test_worked_frames(worked: Worked):
    flags = Flag.EXTENDED * worked.extended | Flag.REMOTE * worked.remote
    frames = batch([(worked.id, int(flags), worked.dlc, bytes.fromhex(worked.data))])
    alone = wire_bits(frames, interframe=0)
    assert alone.nominal.tolist() == [worked.bits]
    assert alone.stuff.tolist() == [len(worked.stuff_at)]
    assert alone.data.tolist() == [0]
    assert wire_bits(frames).nominal.tolist() == [worked.bits + 3]
    # ... and the reference encoder of these tests draws the same bits
    drawn = bit_reference.classic(worked.id, worked.extended, worked.remote, worked.dlc, bytes.fromhex(worked.data))
    assert (drawn.stuffed, drawn.stuff_at, drawn.crc) == (worked.stuffed, worked.stuff_at, worked.crc)


@pytest.mark.parametrize("worked", FD_WORKED, ids=lambda w: f"{w[0]:x}-{w[4]}-{w[5]}")
def test_worked_fd_frames(worked):
    identifier, extended, brs, esi, form, dlc, data, stuff, crc, total = worked
    drawn = bit_reference.fd(identifier, extended, brs, esi, dlc, bytes.fromhex(data), form == "iso")
    assert drawn.crc == crc
    flags = Flag.FD | Flag.EXTENDED * extended | Flag.BRS * brs | Flag.ESI * esi
    frames = batch([(identifier, int(flags), dlc, bytes.fromhex(data))])
    bits = wire_bits(frames, fd=form)
    assert (bits.total.tolist(), bits.stuff.tolist()) == ([total], [stuff])
    assert (bits.data > 0).tolist() == [brs]


def test_a_stuff_bit_may_follow_the_last_crc_bit():
    # The five bits 11111 end the CRC of this frame; counting stuff bits before each bit only would miss the last.
    worked = next(w for w in WORKED if w.name == "stuff-after-crc")
    assert worked.stuff_at[-1] == len(worked.stuffed) - 1
    got = wire_bits(batch([(worked.id, 0, worked.dlc, bytes.fromhex(worked.data))]))
    assert got.stuff.tolist() == [5]
    careless = bit_reference.stuff(_unstuffed(worked), after_last=False)
    assert len(careless[1]) == 4


def _unstuffed(worked: Worked) -> str:
    return "".join(bit for at, bit in enumerate(worked.stuffed) if at not in worked.stuff_at)


def test_no_stuff_bit_before_the_fixed_one_of_can_fd():
    # Five equal bits end the data field: the fixed stuff bit that opens the CRC field is the only one there.
    frames = batch([(0x555, int(Flag.FD), 1, b"\x1f"), (0x555, int(Flag.FD), 1, b"\x1e")])
    assert wire_bits(frames).stuff.tolist() == [reference((0x555, int(Flag.FD), 1, b"\x1e"), True).stuff] * 2


def classic_rows(rng: np.random.Generator, n: int) -> list[tuple[int, int, int, bytes]]:
    rows = []
    for _ in range(n):
        extended, remote = rng.random() < 0.4, rng.random() < 0.1
        dlc = int(rng.integers(0, 16))
        size = 0 if remote else min(dlc, 8)
        identifier = int(rng.integers(0, 1 << (29 if extended else 11)))
        rows.append((identifier, int(Flag.EXTENDED * extended | Flag.REMOTE * remote), dlc, awkward_bytes(rng, size)))
    return rows


def fd_rows(rng: np.random.Generator, n: int) -> list[tuple[int, int, int, bytes]]:
    rows = []
    for _ in range(n):
        extended, brs, esi = rng.random(3) < (0.4, 0.6, 0.2)
        dlc = int(rng.integers(0, 16))
        flags = Flag.FD | Flag.EXTENDED * bool(extended) | Flag.BRS * bool(brs) | Flag.ESI * bool(esi)
        identifier = int(rng.integers(0, 1 << (29 if extended else 11)))
        rows.append((identifier, int(flags), dlc, awkward_bytes(rng, FD_SIZES[dlc])))
    return rows


def awkward_bytes(rng: np.random.Generator, size: int) -> bytes:
    """Random bytes, or long rows of equal bits, or the pattern that needs most stuff bits."""
    match rng.integers(0, 3):
        case 0:
            return rng.bytes(size)
        case 1:
            return bytes(rng.choice([0x00, 0xFF, 0x0F, 0xF8, 0x07, 0xC1], size).tolist())
        case _:
            turn = int(rng.integers(0, 8))
            pattern = 0x0F0F0F0F0F0F0F0F0F >> turn
            return bytes(pattern >> (8 * (k % 8)) & 0xFF for k in range(size))


def test_twenty_thousand_classic_frames_equal_the_reference():
    assert_equal_to_reference(classic_rows(np.random.default_rng(20260314), 20_000), "iso")


@pytest.mark.parametrize("form", ["iso", "non-iso"])
def test_two_thousand_fd_frames_equal_the_reference(form: FdForm):
    assert_equal_to_reference(fd_rows(np.random.default_rng(20260315), 2_000), form)


any_row = st.one_of(
    st.tuples(st.integers(0, 0x7FF), st.sampled_from([0, 2]), st.integers(0, 15), st.binary(min_size=8, max_size=8)),
    st.tuples(
        st.integers(0, 0x1FFFFFFF), st.sampled_from([1, 3]), st.integers(0, 15), st.binary(min_size=8, max_size=8)
    ),
    st.builds(
        lambda identifier, extra, dlc, payload: (identifier, 8 | extra, dlc, payload[: FD_SIZES[dlc]]),
        st.integers(0, 0x7FF),
        st.sampled_from([0, 16, 32, 48, 1, 17]),
        st.integers(0, 15),
        st.binary(min_size=64, max_size=64),
    ),
)


@given(st.lists(any_row, min_size=1, max_size=8), st.sampled_from(["iso", "non-iso"]))
@settings(max_examples=150, deadline=None)
def test_any_mixture_equals_the_reference(rows: list[tuple[int, int, int, bytes]], form: FdForm):
    assert_equal_to_reference(rows, form)


def test_dropping_one_stuff_bit_is_caught(monkeypatch):
    # A table that forgets one stuff bit in one state must not survive the comparison above.
    broken = wire_tables.stuff_table(16).copy()
    broken[broken >> 3 == 4] -= 8
    original = wire_tables.stuff_table
    monkeypatch.setattr(wire_tables, "stuff_table", lambda bits: broken if bits == 16 else original(bits))
    with pytest.raises(AssertionError):
        assert_equal_to_reference(classic_rows(np.random.default_rng(1), 500), "iso")


def test_blocks_and_batches_don_t_change_the_count():
    rng = np.random.default_rng(5)
    rows = classic_rows(rng, 150) + fd_rows(rng, 150)
    many = batch([rows[k] for k in rng.integers(0, len(rows), 20_000)])
    whole = wire_bits(many)
    for start, stop in ((0, 1), (1, 8192), (8191, 8193), (19_000, 20_000)):
        part = wire_bits(many.slice(start, stop))
        assert np.array_equal(part.nominal, whole.nominal[start:stop])
        assert np.array_equal(part.data, whole.data[start:stop])
        assert np.array_equal(part.stuff, whole.stuff[start:stop])
    assert np.array_equal(
        wire_bits_of(many.id, many.flags, many.dlc, many.payload, many.long_row, many.long_payload).total, whole.total
    )


def test_an_empty_batch():
    assert len(wire_bits(batch([]))) == 0


def test_error_frames_take_the_documented_constant():
    error = int(Flag.ERROR)
    rows = [
        (0x80, error, 8, bytes(8)),  # bus error
        (0x08, error, 8, bytes(8)),  # protocol violation
        (0x20, error, 8, bytes(8)),  # no acknowledge
        (0x00, error, 0, b""),  # class not recorded
        (0x8C, error, 8, bytes(8)),  # protocol violation, controller state, bus error together
        (0x04, error, 8, bytes(8)),  # controller state
        (0x40, error, 8, bytes(8)),  # bus off
        (0x02, error, 8, bytes(8)),  # lost arbitration
        (0x200, error, 8, bytes(8)),  # error counters
    ]
    bits = wire_bits(batch(rows), interframe=0)
    assert bits.nominal.tolist() == [ERROR_FRAME_BITS] * 5 + [0] * 4
    assert bits.stuff.tolist() == [0] * 9
    assert wire_bits(batch(rows)).nominal.tolist() == [ERROR_FRAME_BITS + 3] * 5 + [0] * 4


# CRC catalogue (reveng.sourceforge.io/crc-catalogue): check value, the CRC of the ASCII text "123456789"
@pytest.mark.parametrize(
    ("polynomial", "check"),
    [(wire_tables.CRC15, 0x059E), ((17, 0x1685B), 0x04F03), ((21, 0x102899), 0x0ED841)],
)
def test_catalogue_check_values(polynomial: tuple[int, int], check: int):
    width, _ = polynomial
    table = wire_tables.crc_table(*polynomial, 8)
    crc = 0
    for byte in b"123456789":
        crc = (crc << 8) & ((1 << width) - 1) ^ int(table[crc >> (width - 8) ^ byte])
    assert crc == check
    message = "".join(format(byte, "08b") for byte in b"123456789")
    assert bit_reference.remainder(message, *polynomial) == check


def test_crc15_by_words_equals_an_independent_library():
    words = wire_tables.crc15_words()
    message = bytes(range(7, 27))
    crc = 0
    for high, low in zip(message[::2], message[1::2], strict=True):
        crc = int(words[crc ^ (high << 8 | low)])
    assert crc >> 1 == Crc15Can.calc(message)


def test_worst_case_of_davis():
    # Davis, Burns, Bril, Lukkien 2007, eq. 3 and 4: (55 + 10 s) and (80 + 10 s) bit times
    for size in range(9):
        assert classic_bits(size, False) == 55 + 10 * size
        assert classic_bits(size, True) == 80 + 10 * size
        # 47 + 8 n and 67 + 8 n: the sums of Linux include/linux/can/length.h
        assert classic_bits(size, False, "best") == 47 + 8 * size
        assert classic_bits(size, True, "best") == 67 + 8 * size
    assert classic_bits(8, False) == 135
    assert classic_bits(8, True) == 160
    assert classic_bits(8, False, interframe=0) == 132


def test_worst_case_of_can_fd():
    # 673 bits in the data phase of 64 bytes in the form without a stuff count, a published figure derived at
    # electronics.stackexchange.com/questions/284797
    assert fd_bits(64, False, fd="non-iso")[1] == 673
    assert fd_bits(64, False)[1] == 673 + 4 + 1
    # 29 + 27 + 8 n (17-bit CRC): the fields of Linux include/linux/can/length.h, both CRC fields there 28 and 33
    assert sum(fd_bits(8, False, "best")) == 22 + 64 + 28 + 9 + 3
    assert sum(fd_bits(64, True, "best")) == 41 + 512 + 33 + 9 + 3
    assert fd_bits(8, False, switched=False)[1] == 0


@pytest.mark.parametrize("brs", [False, True])
def test_the_fd_maximum_is_reached_by_some_frame(brs: bool):
    # every base identifier, every payload of one byte, both values of ESI
    number = np.arange(2048 * 2 * 256, dtype=np.uint32)
    flags = (Flag.FD | Flag.BRS * brs) | (number >> 8 & 1) * Flag.ESI
    payload = np.zeros((len(number), 8), dtype=np.uint8)
    payload[:, 0] = number & 0xFF
    bits = wire_bits_of(
        number >> np.uint32(9), flags.astype(np.uint8), np.full(len(number), 1, dtype=np.uint8), payload
    )
    assert (bits.nominal.max(), bits.data.max()) == fd_bits(1, False, switched=brs)
    assert bits.total.max() == sum(fd_bits(1, False, switched=brs))


def test_fd_frames_never_pass_their_maximum():
    rows = fd_rows(np.random.default_rng(11), 2_000)
    bits = wire_bits(batch(rows))
    for (_, flags, dlc, _), nominal, data in zip(rows, bits.nominal, bits.data, strict=True):
        shape = FD_SIZES[dlc], bool(flags & Flag.EXTENDED)
        worst, best = (fd_bits(*shape, stuffing, switched=bool(flags & Flag.BRS)) for stuffing in ("worst", "best"))
        assert best[0] <= nominal <= worst[0]
        assert best[1] <= data <= worst[1]


def test_classic_frames_never_pass_the_worst_case():
    rows = classic_rows(np.random.default_rng(3), 2_000)
    bits = wire_bits(batch(rows)).nominal
    for (_, flags, dlc, _), got in zip(rows, bits, strict=True):
        size = 0 if flags & Flag.REMOTE else min(dlc, 8)
        assert classic_bits(size, bool(flags & 1), "best") <= got <= classic_bits(size, bool(flags & 1))


def test_time_on_the_wire():
    # "typical" of the worked frames: 112 bits with interframe space, 224 us at 500 kbit/s
    frames = batch([(0x123, 0, 8, bytes.fromhex("1122334455667788"))])
    assert wire_bits(frames).time_ns(500_000).tolist() == [224_000]
    assert wire_bits(frames).time_ns(83_333).tolist() == [round(112e9 / 83_333)]
    switched = batch([(0x123, int(Flag.FD | Flag.BRS), 8, bytes.fromhex("1122334455667788"))])
    bits = wire_bits(switched)
    expected = int(bits.nominal[0]) * 2000 + int(bits.data[0]) * 500
    assert wire_bits(switched).time_ns(500_000, 2_000_000).tolist() == [expected]
    plain = batch([(0x123, int(Flag.FD), 8, bytes.fromhex("1122334455667788"))])
    assert wire_bits(plain).time_ns(500_000).tolist() == [int(wire_bits(plain).nominal[0]) * 2000]


def test_wrong_calls_say_what_to_try():
    switched = batch([(0x123, int(Flag.FD | Flag.BRS), 1, b"\x01")])
    with pytest.raises(UserError, match="data bit rate") as caught:
        wire_bits(switched).time_ns(500_000)
    assert "data_bitrate" in caught.value.hint
    with pytest.raises(UserError, match="positive"):
        wire_bits(switched).time_ns(0)
    with pytest.raises(UserError, match="0 to 8 bytes"):
        classic_bits(9, False)
    with pytest.raises(UserError, match="no length of 9") as caught:
        fd_bits(9, False)
    assert "12" in caught.value.hint


def test_payload_missing_from_the_batch_counts_as_zeros():
    # A damaged capture may hold fewer bytes than the length code says.
    short = wire_bits(batch([(0x55, int(Flag.FD), 10, b"\x01\x02")]))
    full = wire_bits(batch([(0x55, int(Flag.FD), 10, b"\x01\x02" + bytes(14))]))
    assert short.total.tolist() == full.total.tolist()
