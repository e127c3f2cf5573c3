"""Signals typed in words: read, refused with what to type, and the same after a way through a DBC."""

from contextlib import suppress

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.errors import DatabaseError
from buswright.messages.database import load_database
from buswright.messages.dbc.writing import dbc_of
from buswright.messages.decoding.decode import Decoder
from buswright.messages.model import Database, Message, Signal
from buswright.messages.typed import EXAMPLE, NAMELESS, typed_signal, typed_words

from .frame_batches import frames_of


@pytest.mark.parametrize(
    ("text", "signal"),
    [
        (EXAMPLE, Signal("oil_temp", 23, 16, True, True, False, 0.1, -40, unit="degC")),
        ("byte 0", Signal(NAMELESS, 0, 8)),
        ("in V, x0.001; Bytes 4 - 5 LITTLE", Signal(NAMELESS, 32, 16, scale=0.001, unit="V")),
        ("bit 12 length 10 big *2 + 3", Signal(NAMELESS, 12, 10, True, scale=2, offset=3)),
        ("bytes 0-3 float as lambda", Signal("lambda", 0, 32, is_float=True)),
        ("bytes 1-2 ×1e-3 -1.5E1", Signal(NAMELESS, 8, 16, scale=0.001, offset=-15)),
        ("bytes 0-7 float", Signal(NAMELESS, 0, 64, is_float=True)),
        ("byte 63", Signal(NAMELESS, 504, 8)),
        ("byte 63 big", Signal(NAMELESS, 511, 8, True)),
        ("bit 511 length 1", Signal(NAMELESS, 511, 1)),
        ("BYTE 2 SIGNED BIG", Signal(NAMELESS, 23, 8, True, True)),
        (f"byte 0 as {'a' * 32}", Signal("a" * 32, 0, 8)),
        ("byte 0 +9007199254740991", Signal(NAMELESS, 0, 8, offset=9007199254740991)),
    ],
)
def test_words_in_any_order_are_a_signal(text, signal):
    assert typed_signal(text) == signal


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "where does it lie"),
        ("big signed x0.1", "where does it lie"),
        ("bytes 3-2", "last byte lies before"),
        ("bytes 2-3 middle", "'middle' is not understood"),
        ("bytes 2-3x0.1", "'bytes' is not understood"),
        ("byte 1 byte 2", "said already"),
        ("byte 1 bit 3 length 2", "both say where"),
        ("bytes 0-8", "1 to 64 bits, not 72"),
        ("bit 3 length 0", "1 to 64 bits, not 0"),
        ("byte 64", "no payload is so long"),
        ("bytes 0-1 float", "32 or 64 bits, not 16"),
        ("byte 0 x0", "factor of 0"),
        ("byte 0 x1e999", "too large"),
        ("byte 0 as 2nd", "no name of a signal"),
        (f"byte 0 as {'a' * 33}", "no name of a signal"),
        ("bit 0 length 65", "1 to 64 bits, not 65"),
        ("bit 505 length 8", "no payload is so long: 64 bytes at most"),
        ("bit 500 big length 2", "'bit' is not understood"),
        ("bytes 0-7 float float", "said already"),
        ("byte 99999999999999999999999", "no payload is so long"),
    ],
)
def test_what_is_no_signal_is_said_with_what_to_type(text, said):
    with pytest.raises(DatabaseError, match=said) as caught:
        typed_signal(text)
    assert caught.value.hint


@pytest.mark.parametrize(
    ("signal", "words"),
    [
        (typed_signal(EXAMPLE), "bytes 2-3 big signed x0.1 -40 in degC as oil_temp"),
        (Signal("a", 8, 8), "byte 1 as a"),
        (Signal("a", 15, 8, True), "byte 1 big as a"),
        (Signal("a", 0, 16), "bytes 0-1 as a"),
        (Signal("a", 7, 8), "bit 7 length 8 as a"),  # over two bytes
        (Signal("a", 8, 8, True), "bit 8 length 8 big as a"),
        (Signal("a", 0, 12, scale=2, offset=1.5), "bit 0 length 12 x2 +1.5 as a"),
        (Signal("a", 0, 32, is_float=True, signed=True, unit="V"), "bytes 0-3 float in V as a"),
    ],
)
def test_a_signal_in_words(signal, words):
    assert typed_words(signal) == words


@settings(max_examples=60)
@given(
    st.lists(st.sampled_from((*EXAMPLE.split(), "bit", "7", "length", "float", "*", "é", "٣", "x1e999")), max_size=8)
)
def test_whatever_is_typed_is_a_signal_or_a_reason(words):
    text = " ".join(words)
    with suppress(DatabaseError):
        signal = typed_signal(text)
        assert 1 <= signal.length <= 64
        assert signal.end_bit <= 512


def words(signal):
    kind = "float" if signal.is_float else "signed" if signal.signed else "unsigned"
    order = "big" if signal.big_endian else "little"
    return (
        f"bit {signal.start} length {signal.length} {order} {kind} x{signal.scale!r} {signal.offset:+} "
        f"in {signal.unit} as {signal.name}"
    )


@st.composite
def signals(draw):
    is_float = draw(st.booleans())
    length = 32 if is_float else draw(st.integers(1, 32))
    first = draw(st.integers(0, 64 - length))
    big = draw(st.booleans())
    start = 8 * (first // 8) + 7 - first % 8 if big else first
    scale = draw(st.sampled_from((1, 2, 0.1, 0.001, -0.25)))
    return Signal(
        "S", start, length, big, not is_float and draw(st.booleans()), is_float, scale,
        draw(st.sampled_from((0, -40, 12.5))), unit="bar",
    )  # fmt: skip


@given(signals(), st.binary(min_size=8, max_size=8))
def test_a_typed_signal_decodes_as_its_database_does_elsewhere(signal, payload):
    assert typed_signal(words(signal)) == signal
    assert typed_signal(typed_words(signal)) == signal
    text = dbc_of([Message("M", 0x123, False, 8, (signal,))])
    theirs = cantools.database.load_string(text, "dbc").decode_message(0x123, payload, decode_choices=False)["S"]
    (table,) = Decoder({"*": Database((), (Message("M", 0x123, False, 8, (typed_signal(words(signal)),)),))}).decode(
        frames_of([(0x123, False, payload)])
    )
    assert np.array_equal(table["S"].value[0], theirs, equal_nan=True)


def test_a_database_of_typed_signals_keeps_everything(tmp_path):
    own = typed_signal(EXAMPLE), typed_signal("bytes 2-3 as other")  # on the same bits: which is right is being tried
    messages = [
        Message("ID_1A0", 0x1A0, False, 8, own, cycle_time_ms=5.0),
        Message("ID_18FF1A42", 0x18FF1A42, True, 4, (typed_signal("bytes 0-3 float"),)),
    ]
    path = tmp_path / "trial.dbc"
    path.write_text(dbc_of(messages), encoding="utf-8")
    for mine, read in zip(messages, load_database(path), strict=True):
        assert (read.name, read.id, read.extended, read.length, read.cycle_time_ms) == (
            mine.name, mine.id, mine.extended, mine.length, mine.cycle_time_ms,
        )  # fmt: skip
        for one, other in zip(*(sorted(each.signals, key=lambda one: one.name) for each in (mine, read)), strict=True):
            for what in ("name", "start", "length", "big_endian", "signed", "is_float", "scale", "offset", "unit"):
                assert getattr(one, what) == getattr(other, what), what


def test_a_whole_number_stays_whole_as_far_as_a_float_tells_it_from_its_neighbours():
    for text, kind in (("9007199254740991", int), ("9007199254740992", float), ("2.5", float), ("2.0", int)):
        assert type(typed_signal(f"byte 0 +{text}").offset) is kind
