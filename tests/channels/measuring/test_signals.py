"""What a signal says of its own samples: absent, out of range, marked by its sender."""

import numpy as np
import pytest

from buswright.channels.measuring.signals import quality_of_signal, signal_quality
from buswright.channels.samples.series import Quality
from buswright.messages.decoding.columns import Reason
from buswright.messages.decoding.decode import Decoder
from buswright.messages.decoding.plan import conversion_of
from buswright.messages.model import J1939, Signal
from tests.messages.databases import one_message
from tests.messages.frame_batches import frames_of

SHORT, ABSENT, RANGE, INVALID = (
    int(bit) for bit in (Quality.SHORT_FRAME, Quality.MUX_ABSENT, Quality.DATABASE_RANGE, Quality.SENDER_INVALID)
)


def quality(signal, raws, *, reasons=None, protocol="", dtype=None):
    raw = np.array(raws, dtype or ("f4" if signal.is_float else "i8" if signal.signed else "u8"))
    value = conversion_of(signal).apply(raw)
    why = None if reasons is None else np.array(reasons, np.uint8)
    found = quality_of_signal(signal, raw, value, why, protocol)
    return None if found is None else found.tolist()


def test_each_reason_is_an_objection_and_silences_the_others():
    signal = Signal("Level", 0, 8, minimum=0.0, maximum=10.0, invalid=200.0)
    reasons = [0, Reason.SHORT_FRAME, Reason.MUX_ABSENT, Reason.UNDECODABLE, 0, 0]
    assert quality(signal, [5, 99, 99, 99, 99, 200], reasons=reasons) == [
        0, SHORT, ABSENT, INVALID, RANGE, RANGE | INVALID,
    ]  # fmt: skip
    assert quality(signal, [5, 6], reasons=[0, 0]) is None
    assert quality(signal, [5, 6]) is None
    assert quality(signal, [99, 99], reasons=[1, 1]) == [SHORT, SHORT]
    assert quality(signal, []) is None


@pytest.mark.parametrize(
    ("low", "high", "raws", "expected"),
    [
        # Steps of 0.5: half a step beyond the range is rounding.
        (1.0, 2.0, [1, 2, 4, 5], [RANGE, 0, 0, RANGE]),
        (0.75, 2.25, [1, 2, 4, 5], None),
        (0.76, 2.24, [1, 2, 4, 5], [RANGE, 0, 0, RANGE]),
        (1.0, 1.0, [0, 9], None),  # no range
        (2.0, 1.0, [0, 9], None),
        (None, 1.0, [0, 9], None),
        (1.0, None, [0, 9], None),
        (0.0, 0.5, [0, 1, 2], [0, 0, RANGE]),
    ],
)
def test_a_range_is_left_by_more_than_half_a_step(low, high, raws, expected):
    assert quality(Signal("Level", 0, 8, scale=0.5, minimum=low, maximum=high), raws) == expected
    flipped = Signal(
        "Level", 0, 8, scale=-0.5, minimum=None if high is None else -high, maximum=None if low is None else -low
    )
    assert quality(flipped, raws) == expected


def test_a_value_that_has_a_name_is_never_out_of_range():
    signal = Signal("Gear", 0, 8, minimum=1.0, maximum=6.0, choices={0: "neutral", 255: "none"})
    assert quality(signal, [0, 1, 6, 7, 255]) == [0, 0, 0, RANGE, 0]
    assert quality(signal, [0, 255]) is None


@pytest.mark.parametrize(
    ("signal", "raws", "expected"),
    [
        # SAE J1939-71, table 1: FE.. is an error, FF.. not available, and below that a value.
        (Signal("Oil", 0, 8), [0xFD, 0xFE, 0xFF], [0, INVALID, INVALID]),
        (Signal("Speed", 0, 16), [0xFDFF, 0xFE00, 0xFFFF], [0, INVALID, INVALID]),
        (Signal("Hours", 0, 32), [0xFDFFFFFF, 0xFE000000, 0xFFFFFFFF], [0, INVALID, INVALID]),
        (Signal("Odd", 0, 24), [0xFFFFFF], None),
        (Signal("Bits", 0, 2), [3], None),
        (Signal("Signed", 0, 8, signed=True), [-1, -2], None),
        (Signal("Float", 0, 32, is_float=True), [4e9], None),
        (Signal("Mux", 0, 8, is_multiplexer=True), [0xFF], None),
        (Signal("AliveCounter", 0, 8), [0xFF], None),
    ],
)
def test_codes_of_j1939_are_no_measurement(signal, raws, expected):
    assert quality(signal, raws, protocol=J1939) == expected
    assert quality(signal, raws) is None


def test_both_ways_of_saying_not_available_count():
    signal = Signal("Oil", 0, 8, invalid=7.0)
    assert quality(signal, [7, 8, 0xFF], protocol=J1939) == [INVALID, 0, INVALID]
    floating = Signal("Oil", 0, 32, is_float=True, invalid=7.0)
    assert quality(floating, [7, np.nan, 8]) == [INVALID, INVALID, 0]
    assert quality(floating, [8, 9]) is None
    half = Signal("Oil", 0, 16, is_float=True, invalid=1e30)
    assert quality(half, [1, np.nan], dtype="f2") == [0, INVALID]


def test_a_decoded_column_is_judged_by_its_message():
    database = one_message(Signal("Oil", 0, 8), protocol=J1939, extended=True)
    (table,) = Decoder(database).decode(frames_of([(0x100, True, b"\xff"), (0x100, True, b"\x05"), (0x100, True, b"")]))
    found = signal_quality(table["Oil"])
    assert found is not None
    assert found.tolist() == [INVALID, 0, SHORT]
