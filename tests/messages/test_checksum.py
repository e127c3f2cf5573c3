"""Checksums and counters against published vectors, the CRC catalogue and an independent library."""

import numpy as np
import pytest
from crccheck.crc import Crc8Autosar, Crc8GsmA, Crc8SaeJ1850, Crc16CcittFalse
from hypothesis import given
from hypothesis import strategies as st

from buswright.messages.checksum import KINDS, Checksum, Counter, Step, crc16, crc_table


def rows(*texts: str) -> np.ndarray:
    return np.array([list(bytes.fromhex(text)) for text in texts], dtype=np.uint8)


def expected(kind: str, data: str, byte: int | None = None, data_id=None, identifier: int = 0x123) -> int:
    """The checksum of a message whose checksum byte stands at `byte` (default: appended)."""
    payload = rows(data)
    if byte is None:
        payload = np.hstack([payload, np.zeros((1, KINDS[kind].bytes), np.uint8)])
        byte = len(data) // 2
    return int(Checksum(kind, byte, data_id=data_id).expected(payload, identifier)[0])


# Catalogue of parametrised CRC algorithms: the check value is the CRC of "123456789".
@pytest.mark.parametrize(("kind", "check"), [("crc8-j1850", 0x4B), ("crc8-j1850-zero", 0x37), ("crc8-autosar", 0xDF)])
def test_catalogue_check_values(kind, check):
    assert expected(kind, b"123456789".hex()) == check


def test_ccitt_false_check_value():
    columns = [np.array([byte], np.uint8) for byte in b"123456789"]
    assert crc16(crc_table(0x1021, 16), columns, 1, 0xFFFF, 0)[0] == 0x29B1  # same catalogue


# AUTOSAR Specification of CRC Routines, check tables for CRC-8 and CRC-8H2F. The inputs and eight of the results
# are from memory of that table and were reproduced; the other six were computed with two libraries only.
@pytest.mark.parametrize(
    ("data", "j1850", "h2f"),
    [
        ("00000000", 0x59, 0x12),
        ("F20183", 0x37, 0xC2),
        ("0FAA0055", 0x79, 0xC6),
        ("00FF5511", 0xB8, 0x77),
        ("332255AABBCCDDEEFF", 0xCB, 0x11),
        ("926B55", 0x8C, 0x33),
        ("FFFFFFFF", 0x74, 0x6C),
    ],
)
def test_autosar_crc_tables(data, j1850, h2f):
    assert expected("crc8-j1850", data) == j1850
    assert expected("crc8-autosar", data) == h2f


def test_published_j1850_frame():
    # elektronik-keller.de, "CRC-8 J1850 in a CAN message" (read).
    assert expected("crc8-j1850", "00C0DFACAA0740") == 0x6C


# autosar-e2e repository (MIT), test/test_p01.py: data ID 0x123, eight bytes, CRC first, counter in byte 1.
@pytest.mark.parametrize(
    ("kind", "frames"),
    [
        ("e2e-p01", ("cc00000000000000", "9101000000000000")),
        ("e2e-p01-alt", ("ce00000000000000", "0201000000000000")),
        ("e2e-p01-low", ("ce00000000000000", "9301000000000000")),
        ("e2e-p01-nibble", ("2a10000000000000", "7711000000000000")),
    ],
)
def test_e2e_profile_1(kind, frames):
    check = Checksum(kind, 0, data_id=0x123)
    assert check.verify(rows(*frames), 0).all()
    wrong = rows(*frames)
    wrong[:, 7] ^= 1
    assert not check.verify(wrong, 0).any()


# autosar-e2e repository, test/test_p02.py.
@pytest.mark.parametrize(
    ("frame", "ids"),
    [
        ("4501000000000000", (0,) * 16),
        ("bc02020304050607", tuple(range(16))),
        ("6101020304050607", tuple(range(16))),
    ],
)
def test_e2e_profile_2(frame, ids):
    assert Checksum("e2e-p02", 0, data_id=ids).verify(rows(frame), 0).all()


def test_e2e_profile_2_with_one_data_id():
    # cantools tests/test_autosar.py: compute_profile2_crc(00 51 22, data ID 5) = 0xAD, the first byte left out.
    assert expected("e2e-p02", "005122", byte=0, data_id=5) == 0xAD


@pytest.mark.parametrize("frame", ["1cca000000000000", "cf8d010000000000"])  # autosar-e2e, test/test_p05.py
def test_e2e_profile_5(frame):
    check = Checksum("e2e-p05", 0, data_id=0x1234)
    assert check.verify(rows(frame), 0).all()
    blank = rows(frame)
    blank[:, :2] = 0xFF
    check.fill(blank, 0)
    assert blank.tobytes().hex() == frame


# Algorithm of SAE J1939-71 SPN 4206/4207 as four public firmware sources have it; the examples are computed.
@pytest.mark.parametrize(
    ("identifier", "data", "last"),
    [
        (0x0C000003, "01401FA0FFFFFF", 0x50),
        (0x0C000003, "01401FA0FFFFFF", 0x35),
        (0x0C00000B, "00000000000000", 0x17),
    ],
)
def test_j1939_message_checksum(identifier, data, last):
    payload = rows(f"{data}{last:02x}")
    assert Checksum("j1939", 7).verify(payload, identifier).all()
    assert not Checksum("j1939", 7).verify(payload, identifier ^ 1).any()
    payload[:, 7] |= 0x80  # a wrong checksum above the counter
    Checksum("j1939", 7).fill(payload, identifier)
    assert payload[0, 7] == last


@pytest.mark.parametrize(
    ("total", "checksum"), [(7, 7), (8, 1), (9, 2), (64, 1), (65, 2), (128, 2), (192, 3), (255, 1), (7 * 255, 3)]
)
def test_j1939_folds_the_sum_by_the_formula(total, checksum):
    """SAE J1939-71: ((sum >> 6 & 3) + (sum >> 3) + sum) & 7. By hand, 192: 3 + 24 + 192 = 219, and 219 & 7 = 3."""
    full, rest = divmod(total, 255)
    data = [255] * full + [rest] * (full < 7) + [0] * (6 - full)
    assert Checksum("j1939", 7).expected(np.array([[*data[:7], 0]], np.uint8), 0)[0] == checksum


def test_each_kind_has_its_width_and_place():
    shapes = {name: (kind.width, kind.shift, kind.bytes, kind.uses_identifier) for name, kind in KINDS.items()}
    assert shapes.pop("e2e-p05") == (16, 0, 2, False)
    assert shapes.pop("j1939") == (4, 4, 1, True)
    assert shapes.pop("sum8-id") == (8, 0, 1, True)
    assert set(shapes.values()) == {(8, 0, 1, False)}
    assert len({*Step}) == 5


# Rules found in public recordings and true on every frame of them (OTIDS attack-free excerpt; a public MIT series).
@pytest.mark.parametrize(
    ("kind", "identifier", "frame"),
    [
        ("xor", 0x164, "0008000000000109"),
        ("xor", 0x165, "0fe87f0000000098"),
        ("xor", 0x350, "052024797b000003"),
        ("sum8", 0x153, "008010ff00ff40ce"),
        ("sum8-id", 0x221, "210105000000C00A"),
    ],
)
def test_frames_of_real_cars(kind, identifier, frame):
    assert Checksum(kind, 7).verify(rows(frame), identifier).all()


@pytest.mark.parametrize(("kind", "value"), [("xor", 0x88), ("sum8", 0x64), ("sum8-twos", 0x9C), ("sum8-ones", 0x9B)])
def test_plain_sums(kind, value):
    assert expected(kind, "1122334455667788") == value  # arithmetic done by hand


@given(st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=20), st.integers(0, 7), st.integers(0, 0x7FF))
def test_crc8_kinds_equal_crccheck(payloads, byte, data_id):
    payload = np.array([list(p) for p in payloads], np.uint8)
    # CRC-8/GSM-A has the parameters of J1850 with start and final XOR 0
    reference = {"crc8-j1850": Crc8SaeJ1850, "crc8-j1850-zero": Crc8GsmA, "crc8-autosar": Crc8Autosar}
    tail = data_id.to_bytes(1 if data_id < 256 else 2, "little")
    for kind, crc in reference.items():
        got = Checksum(kind, byte, data_id=data_id).expected(payload, 0)
        assert got.tolist() == [crc.calc(p[:byte] + p[byte + 1 :] + tail) for p in payloads]


@given(st.lists(st.binary(min_size=16, max_size=16), min_size=1, max_size=8), st.integers(0, 0xFFFF))
def test_profile_5_equals_crccheck(payloads, data_id):
    payload = np.array([list(p) for p in payloads], np.uint8)
    got = Checksum("e2e-p05", 0, data_id=data_id).expected(payload, 0)
    assert got.tolist() == [Crc16CcittFalse.calc(p[2:] + data_id.to_bytes(2, "little")) for p in payloads]


@given(
    st.sampled_from(sorted(KINDS)),
    st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=8),
    st.integers(0, 6),
    st.integers(0, 0x7FF),
    st.integers(0, 63),
)
def test_fill_then_verify_and_nothing_else_changes(kind, payloads, byte, identifier, bit):
    payload = np.array([list(p) for p in payloads], np.uint8)
    check, before = Checksum(kind, byte), payload.copy()
    check.fill(payload, identifier)
    assert check.verify(payload, identifier).all()
    own = range(byte, byte + KINDS[kind].bytes)
    assert all(np.array_equal(payload[:, i], before[:, i]) for i in range(8) if i not in own)
    if bit // 8 not in own and kind.startswith(("xor", "sum", "crc")):
        payload[:, bit // 8] ^= np.uint8(1 << bit % 8)  # these kinds see every single bit error
        assert not check.verify(payload, identifier).any()


def test_only_the_covered_bytes_count():
    payload = rows("1122334455667788")
    check = Checksum("xor", 7, over=(1, 3))
    assert check.expected(payload, 0)[0] == 0x22 ^ 0x33 ^ 0x44
    assert Checksum("xor", 2, over=(1, 3)).expected(payload, 0)[0] == 0x22 ^ 0x44


def test_a_payload_that_is_too_short_is_refused():
    with pytest.raises(ValueError, match="needs 8 bytes"):
        Checksum("crc8-j1850", 7).verify(rows("1122"), 0)
    with pytest.raises(ValueError, match="needs 2 bytes"):
        Counter(8, 4).extract(rows("11"))
    with pytest.raises(ValueError, match="is not one of"):
        Checksum("crc9", 0)


@pytest.mark.parametrize(
    ("check", "shortest"),
    [
        (Checksum("xor", 0), 1),
        (Checksum("crc8-j1850", 7), 8),
        (Checksum("crc8-j1850", 0, over=(1, 7)), 8),
        (Checksum("crc8-j1850", 7, over=(0, 3)), 8),
        (Checksum("j1939", 7), 8),
        (Checksum("e2e-p05", 0), 2),
        (Checksum("e2e-p01", 0), 1),
        (Checksum("e2e-p01-alt", 0), 2),  # with the counter behind it
        (Checksum("e2e-p02", 3), 5),
    ],
)
def test_a_checksum_is_there_from_so_many_bytes_on(check, shortest):
    assert check.shortest == shortest
    payload = np.zeros((1, shortest), np.uint8)
    check.fill(payload, 0x123)
    assert check.verify(payload, 0x123).all()
    with pytest.raises(ValueError, match=f"needs {shortest} bytes, the payload has {shortest - 1}"):
        check.expected(payload[:, :-1], 0x123)


def test_the_bytes_of_an_identifier_count_as_many_as_it_needs():
    """By hand: 0x11 plus each byte of the identifier."""
    payload = rows("1100")
    for identifier, total in ((0, 0x11), (0xFF, 0x110), (0x100, 0x12), (0x18FEF100, 0x11 + 0x18 + 0xFE + 0xF1)):
        assert Checksum("sum8-id", 1).expected(payload, identifier)[0] == total & 0xFF
        # One that is given counts in place of the identifier.
        assert Checksum("sum8-id", 1, data_id=identifier).expected(payload, 0x7)[0] == total & 0xFF
        assert Checksum("sum8", 1, data_id=identifier).expected(payload, 0x7)[0] == total & 0xFF
    assert Checksum("sum8", 1).expected(payload, 0x7)[0] == 0x11


def test_a_list_of_data_ids_belongs_to_profile_2_and_has_sixteen():
    with pytest.raises(TypeError, match="a list of data IDs belongs to e2e-p02 only"):
        Checksum("crc8-j1850", 0, data_id=(1, 2)).expected(rows("0000"), 0)
    with pytest.raises(ValueError, match="takes one data ID or sixteen, not 15"):
        Checksum("e2e-p02", 0, data_id=(0,) * 15).expected(rows("0000"), 0)
    assert expected("e2e-p02", "005122", byte=0) == expected("e2e-p02", "005122", byte=0, data_id=0)
    assert expected("e2e-p02", "005122", byte=0, data_id=0x105) == 0xAD  # its low byte: 5, as above


def test_a_counter_is_somewhere_in_a_payload():
    for start, length in ((-1, 4), (0, 0), (0, 33)):
        with pytest.raises(ValueError, match=f"a counter of {length} bits from bit {start} is impossible"):
            Counter(start, length)
    assert [Counter(start, length).shortest for start, length in ((0, 8), (0, 9), (7, 1), (8, 1), (4, 32))] == [
        1,
        2,
        1,
        2,
        5,
    ]


def test_a_counter_wraps_at_its_modulus_when_it_is_written():
    payload = np.full((4, 2), 0xFF, np.uint8)
    Counter(4, 8, modulus=15).insert(payload, np.array([0, 14, 15, 31]))
    assert Counter(4, 8).extract(payload).tolist() == [0, 14, 0, 1]
    assert payload[0].tolist() == [0x0F, 0xF0]


def test_half_the_range_is_the_furthest_jump():
    """16 values: eight further may be lost frames, nine further is a step back of seven."""
    steps = Counter(0, 4).classify(np.array([0, 2, 10, 3, 3, 2], np.int64))
    assert steps.tolist() == [Step.FIRST, Step.JUMP, Step.JUMP, Step.BACK, Step.REPEAT, Step.BACK]
    assert Counter(0, 4).steps(np.array([15, 0, 9])).tolist() == [1, 9]


@given(st.integers(0, 60), st.integers(1, 32), st.lists(st.binary(min_size=12, max_size=12), min_size=1, max_size=5))
def test_counter_bits_and_back(start, length, payloads):
    payload = np.array([list(p) for p in payloads], np.uint8)
    counter = Counter(start, length)
    whole = [int.from_bytes(p, "little") >> start & (1 << length) - 1 for p in payloads]
    assert counter.extract(payload).tolist() == whole
    other = payload.copy()
    counter.insert(other, np.zeros(len(payloads), np.int64))
    assert not counter.extract(other).any()
    counter.insert(other, np.array(whole, np.int64))
    assert np.array_equal(other, payload)


def test_counter_steps_are_sorted():
    counter = Counter(0, 4)
    values = np.array([14, 15, 0, 0, 3, 2, 3], np.int64)
    steps = counter.classify(values)
    assert steps.tolist() == [Step.FIRST, Step.NEXT, Step.NEXT, Step.REPEAT, Step.JUMP, Step.BACK, Step.NEXT]
    assert Counter(0, 4, modulus=15).classify(np.array([13, 14, 0])).tolist() == [Step.FIRST, Step.NEXT, Step.NEXT]
    assert Counter(3, 1).classify(np.array([0, 1, 1])).tolist() == [Step.FIRST, Step.NEXT, Step.REPEAT]
    assert counter.classify(np.zeros(0, np.int64)).tolist() == []
