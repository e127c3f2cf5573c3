"""Encoding is the decoder's inverse, and the same bytes as cantools."""

from __future__ import annotations

import cantools.database
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.errors import DatabaseError
from buswright.messages.database import load_database
from buswright.messages.decoding.columns import SignalTable
from buswright.messages.decoding.decode import Decoder
from buswright.messages.decoding.encode import encode, to_raw
from buswright.messages.model import Database, Message, Signal
from tests.messages.databases import one_message
from tests.messages.frame_batches import frames_of
from tests.source_distributions import source_distribution


def decode(message: Message, payload: np.ndarray) -> SignalTable:
    rows = [(message.id, message.extended, row.tobytes()) for row in payload]
    (table,) = Decoder(Database(("made.dbc",), (message,))).decode(frames_of(rows))
    return table


@settings(max_examples=100, deadline=None)
@given(
    st.integers(1, 64),
    st.booleans(),
    st.booleans(),
    st.sampled_from([1, 0.1, 0.125, -0.5, 3, 1e-6, -7]),
    st.sampled_from([0, -40, 0.05, 1000]),
    st.integers(0, 2**32),
)
def test_what_is_decoded_encodes_to_the_same_payload(
    length: int, signed: bool, big_endian: bool, scale: float, offset: float, seed: int
) -> None:
    start = 7 if big_endian else 0
    message = one_message(
        Signal("s", start, length, big_endian=big_endian, signed=signed, scale=scale, offset=offset)
    ).messages[0]
    exact = isinstance(scale, int) and isinstance(offset, int)
    if length > 48 and not exact:
        return  # float64 no longer tells neighbouring raw values apart
    payload = np.frombuffer(np.random.default_rng(seed).bytes(64), dtype=np.uint8).reshape(8, 8)
    table = decode(message, payload)
    if table["s"].value.dtype.kind == "f" and length > 53:
        return
    again = encode(message, {"s": table["s"].value})
    assert decode(message, again)["s"].raw.tolist() == table["s"].raw.tolist()


def test_the_same_bytes_as_cantools_for_its_own_databases() -> None:
    corpus = source_distribution("cantools") / "tests" / "files" / "dbc"
    rng = np.random.default_rng(8)
    written = 0
    for name in ("motohawk.dbc", "abs.dbc", "vehicle.dbc", "floating_point.dbc", "signed.dbc", "socialledge.dbc"):
        library = cantools.database.load_file(corpus / name, strict=False)
        assert isinstance(library, cantools.database.Database)
        for ours, theirs in zip(load_database(corpus / name), library.messages, strict=True):
            if not ours.signals or ours.length > 64:
                continue
            table = decode(ours, np.frombuffer(rng.bytes(ours.length * 10), dtype=np.uint8).reshape(10, ours.length))
            finite = {column.name: np.nan_to_num(column.value, posinf=0, neginf=0) for column in table}
            payload = encode(ours, finite)
            for row in range(10):
                values = {
                    column.name: value[row].item()
                    for column, value in zip(table, finite.values(), strict=True)
                    if column.valid is None or column.valid[row]
                }
                try:
                    expected = theirs.encode(values, strict=False)
                except (cantools.database.EncodeError, OverflowError):
                    continue  # random bytes select a multiplexer value that it doesn't know
                written += 1
                assert payload[row].tobytes() == expected, f"{name} {ours.name} {values}"
    assert written > 1000


def test_values_beyond_the_raw_range_are_held_at_its_ends() -> None:
    unsigned = Signal("s", 0, 8, scale=0.5, offset=-10)
    assert to_raw(unsigned, [-1e9, -10, 0.25, 117.5, 1e9, np.inf, -np.inf]).tolist() == [0, 0, 20, 255, 255, 255, 0]
    signed = Signal("s", 0, 8, signed=True)
    assert to_raw(signed, [-200.0, -128.0, 127.4, 200.0]).tolist() == [-128, -128, 127, 127]
    wide = Signal("s", 0, 64)
    assert to_raw(wide, [1e30, -1.0]).tolist() == [2**64 - 1, 0]
    assert to_raw(Signal("s", 0, 64, signed=True), [1e30, -1e30]).tolist() == [2**63 - 1, -(2**63)]


def test_halves_round_to_even_as_python_rounds() -> None:
    assert to_raw(Signal("s", 0, 8), [0.5, 1.5, 2.5]).tolist() == [0, 2, 2]
    assert to_raw(Signal("s", 0, 60, scale=2), np.array([1, 3, 5, 2**58 + 1])).tolist() == [0, 2, 2, 2**57]


def test_nan_becomes_not_available() -> None:
    assert to_raw(Signal("s", 0, 8), [np.nan]).tolist() == [255]
    assert to_raw(Signal("s", 0, 8, signed=True), [np.nan]).tolist() == [-128]
    assert to_raw(Signal("s", 0, 8, invalid=254.0), [np.nan, 3.0]).tolist() == [254, 3]
    message = one_message(Signal("s", 0, 32, is_float=True)).messages[0]
    assert np.isnan(decode(message, encode(message, {"s": [np.nan]}))["s"].value).all()


def test_unnamed_signals_start_at_their_initial_value() -> None:
    message = one_message(Signal("a", 0, 8, initial=7.0, scale=0.5), Signal("b", 8, 8), Signal("c", 16, 8)).messages[0]
    assert encode(message, {"c": np.array([1.0, 2.0])}).tolist() == [[7, 0, 1, 0, 0, 0, 0, 0], [7, 0, 2, 0, 0, 0, 0, 0]]
    assert encode(message, {}, count=2)[:, 0].tolist() == [7, 7]


def test_multiplexed_signals_are_written_where_they_are_selected() -> None:
    message = one_message(
        Signal("m", 0, 8, is_multiplexer=True),
        Signal("a", 8, 8, multiplexer="m", mux_values=((0, 0),)),
        Signal("b", 8, 8, multiplexer="m", mux_values=((1, 2),)),
    ).messages[0]
    payload = encode(message, {"m": np.arange(4), "a": 10.0, "b": [20.0, 21.0, 22.0, 23.0]})
    assert payload[:, 1].tolist() == [10, 21, 22, 0]


def test_what_cannot_be_written_is_refused() -> None:
    message = one_message(Signal("speed", 0, 8), Signal("far", 60, 8), Signal("odd", 0, 24, is_float=True)).messages[0]
    with pytest.raises(DatabaseError, match="did you mean 'speed'"):
        encode(message, {"sped": [1.0]})
    with pytest.raises(DatabaseError, match="does not fit"):
        encode(message, {"far": [1.0]})
    with pytest.raises(DatabaseError, match="24 bits"):
        encode(message, {"odd": [1.0]})
    with pytest.raises(DatabaseError, match="different lengths"):
        encode(message, {"speed": [1.0, 2.0]}, count=3)


@pytest.mark.parametrize(
    ("signal", "values", "raws"),
    [
        # Both ends, one beyond, and a half on either side of them.
        (Signal("s", 0, 8), [-0.5, 0, 254.5, 255, 255.5], [0, 0, 254, 255, 255]),
        (Signal("s", 0, 8, signed=True), [-128.6, -128, -127.5, 127, 127.6], [-128, -128, -128, 127, 127]),
        (Signal("s", 0, 8, scale=-2, offset=10), [10.0, 8.0, -500.0, -501.0, 11.0], [0, 1, 255, 255, 0]),
        (Signal("s", 0, 8, scale=-2, offset=10), np.array([10, 8, -500, -502, 12]), [0, 1, 255, 255, 0]),
        # Whole numbers go without float64: the halves to even, whichever way the scale points.
        (Signal("s", 0, 64, scale=2), np.array([1, 3, 5, 2**62 + 1]), [0, 2, 2, 2**61]),
        (
            Signal("s", 0, 64, scale=-2, offset=0, signed=True),
            np.array([1, 3, 5, 2**62 + 3]),
            [0, -2, -2, -(2**61) - 2],
        ),
        (
            Signal("s", 0, 64, scale=3),
            np.array([2**62, 2**62 + 1, 2**62 + 2]),
            [2**62 // 3, 2**62 // 3 + 1, 2**62 // 3 + 1],
        ),
        (Signal("s", 0, 64, offset=-5), np.array([2**63 - 1, -6, -5]), [2**63 + 4, 0, 0]),
        (Signal("s", 0, 64, signed=True), np.array([-(2**63), 2**63 - 1]), [-(2**63), 2**63 - 1]),
        (Signal("s", 0, 64), np.array([2**64 - 1], np.uint64), [2**64 - 1]),
        (Signal("s", 0, 54), np.array([2**53 + 1]), [2**53 + 1]),
        (Signal("s", 0, 54, offset=-(2**53)), np.array([2**53 - 3]), [2**54 - 3]),
        (Signal("s", 0, 53, offset=1), np.array([2**53 - 1, 2**60]), [2**53 - 2, 2**53 - 1]),
        (Signal("s", 0, 32, is_float=True, scale=0.5, offset=1), [1.0, 2.0], [0, 2]),
        (Signal("s", 0, 8, invalid=254.0, signed=False), [np.nan], [254]),
        (Signal("s", 0, 16, signed=True), [np.nan, np.inf, -np.inf], [-(2**15), 2**15 - 1, -(2**15)]),
    ],
)
def test_a_value_becomes_the_nearest_raw_value(signal: Signal, values: np.ndarray, raws: list[int]) -> None:
    assert to_raw(signal, values).tolist() == raws


def test_payloads_are_as_long_as_the_message_and_no_longer_than_a_frame() -> None:
    for length, size in ((3, 3), (64, 64), (65, 64)):
        assert encode(one_message(Signal("s", 0, 8), length=length).messages[0], {"s": 1.0}).shape == (1, size)
    last = one_message(Signal("s", 504, 8), length=65).messages[0]
    assert encode(last, {"s": 7.0})[0, 63] == 7
    with pytest.raises(DatabaseError, match="M: s does not fit into 64 bytes"):
        encode(one_message(Signal("s", 505, 8), length=65).messages[0], {"s": 7.0})
    with pytest.raises(DatabaseError, match="M: s does not fit into 1 bytes"):
        encode(one_message(Signal("s", 1, 8), length=1).messages[0], {"s": 7.0})


def test_a_signal_without_bits_or_with_too_many_is_refused() -> None:
    for length in (0, 65):
        with pytest.raises(DatabaseError, match=f"s: {length} bits can't be written"):
            encode(one_message(Signal("s", 0, length), length=16).messages[0], {"s": 7.0})
        with pytest.raises(DatabaseError, match=f"s: {length} bits can't be written"):
            encode(one_message(Signal("s", 0, length, initial=1.0), length=16).messages[0], {})


def test_a_chain_of_multiplexers_selects_together() -> None:
    message = one_message(
        Signal("m", 0, 8, is_multiplexer=True),
        Signal("n", 8, 8, is_multiplexer=True, multiplexer="m", mux_values=((1, 1),)),
        Signal("a", 16, 8, multiplexer="n", mux_values=((2, 2),)),
    ).messages[0]
    payload = encode(message, {"m": [1, 1, 0], "n": [2, 3, 2], "a": [9, 9, 9]})
    assert payload[:, :3].tolist() == [[1, 2, 9], [1, 3, 0], [0, 0, 0]]
    # A multiplexer that nobody names is 0.
    assert encode(message, {"n": [2.0], "a": [9.0]})[:, :3].tolist() == [[0, 0, 0]]


def test_two_signals_in_one_byte_leave_each_other_alone() -> None:
    message = one_message(Signal("low", 0, 4), Signal("high", 4, 4), Signal("over", 11, 10, big_endian=True)).messages[
        0
    ]
    payload = encode(message, {"low": [0xA], "high": [0x5], "over": [0x3FF]})
    # `over` takes bits 3..0 of byte 1 and 7..2 of byte 2.
    assert payload.tolist() == [[0x5A, 0x0F, 0xFC, 0, 0, 0, 0, 0]]
    assert encode(message, {"low": [0xA, 0x1]}).tolist() == [[0xA] + [0] * 7, [0x1] + [0] * 7]
