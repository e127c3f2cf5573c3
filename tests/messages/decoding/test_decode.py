"""Short and long frames, multiplexing, selection, counting; and that breaking the decoder is noticed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.errors import DatabaseError, UserError
from buswright.frames.captures.opening import open_capture
from buswright.frames.table import Flag, Frames, concatenate
from buswright.messages.database import load_database
from buswright.messages.decoding.columns import Reason, SignalTable
from buswright.messages.decoding.decode import Decoder
from buswright.messages.decoding.selection import SignalSelection
from buswright.messages.model import Database, Message, Signal
from tests.messages.databases import from_text, one_message
from tests.messages.frame_batches import frames_of
from tests.source_distributions import source_distribution


def decode(database: Database, *payloads: bytes) -> tuple[SignalTable, Decoder]:
    decoder = Decoder(database)
    message = database.messages[0]
    (table,) = decoder.decode(frames_of([(message.id, message.extended, payload) for payload in payloads]))
    return table, decoder


# --- payloads of the wrong length ------------------------------------------------------------------------------


def test_what_fits_into_a_short_frame_is_decoded_and_the_rest_marked() -> None:
    database = one_message(Signal("a", 0, 8), Signal("b", 8, 16, scale=0.5), Signal("c", 31, 16, big_endian=True))
    table, decoder = decode(database, bytes(range(1, 9)), b"\x01\x02", b"\x01\x02\x03", b"")
    assert table["a"].valid is not None
    assert table["a"].valid.tolist() == [True, True, True, False]
    assert table["b"].reasons is not None
    assert table["b"].reasons.tolist() == [0, Reason.SHORT_FRAME, 0, Reason.SHORT_FRAME]
    assert table["b"].raw.tolist() == [0x0302, 0, 0x0302, 0]
    np.testing.assert_array_equal(table["b"].value, [385.0, np.nan, 385.0, np.nan])
    assert table["c"].raw.tolist() == [0x0405, 0, 0, 0]
    assert decoder.counts.short == {"can0/M": 3}
    assert decoder.counts.long == {}


def test_a_signal_partly_inside_is_not_there() -> None:
    table, _ = decode(one_message(Signal("twelve", 4, 12), Signal("edge", 8, 8)), b"\xff", b"\xff\xff")
    assert table["twelve"].valid is not None
    assert table["twelve"].valid.tolist() == [False, True]
    assert table["edge"].valid is not None
    assert table["edge"].valid.tolist() == [False, True]


def test_a_signal_behind_eight_bytes_needs_the_ninth() -> None:
    database = one_message(Signal("ninth", 64, 8), Signal("first", 0, 8), length=12)
    table, _ = decode(database, bytes(8), bytes(8) + b"\x07" + bytes(3))
    assert table["ninth"].raw.tolist() == [0, 7]
    assert table["ninth"].reasons is not None
    assert table["ninth"].reasons.tolist() == [Reason.SHORT_FRAME, 0]
    assert table["first"].reasons is None
    table, _ = decode(database, bytes(8))
    assert table["ninth"].reasons is not None
    assert table["ninth"].reasons.tolist() == [Reason.SHORT_FRAME]
    assert "ninth" in table
    assert "tenth" not in table
    assert table.names == ("ninth", "first")


@pytest.mark.parametrize(
    ("signal", "reason"),
    [
        (Signal("far", 505, 8), Reason.SHORT_FRAME),  # beyond any frame
        (Signal("far", 504, 8), Reason.SHORT_FRAME),  # in the last byte of the longest one
        (Signal("far", 0, 65), Reason.UNDECODABLE),
        (Signal("far", 505, 8, multiplexer="gone", mux_values=((0, 0),)), Reason.UNDECODABLE),
        (Signal("far", 0, 8, multiplexer="gone", mux_values=((0, 0),)), Reason.UNDECODABLE),
    ],
)
def test_what_no_frame_gives_says_why(signal: Signal, reason: Reason) -> None:
    table, _ = decode(one_message(signal, length=64), bytes(8))
    assert table["far"].reasons is not None
    assert table["far"].reasons.tolist() == [reason]
    assert table["far"].raw.tolist() == [0]


def test_over_long_frames_decode_and_are_counted_but_padding_of_fd_frames_is_not() -> None:
    table, decoder = decode(one_message(Signal("a", 0, 8), length=4), b"\x07" * 5, b"\x08" * 4)
    assert table["a"].value.tolist() == [7, 8]
    assert decoder.counts.long == {"can0/M": 1}
    _, decoder = decode(one_message(Signal("a", 0, 8), length=10), bytes(12))
    assert decoder.counts.long == {}


def test_a_signal_in_bytes_that_the_message_should_not_have_is_read_where_they_are() -> None:
    table, _ = decode(one_message(Signal("beyond", 24, 8), length=2), b"\x01\x02\x03\x04", b"\x01\x02")
    assert table["beyond"].raw.tolist() == [4, 0]
    assert table["beyond"].valid is not None
    assert table["beyond"].valid.tolist() == [True, False]


def test_long_payloads_stay_with_their_rows() -> None:
    database = one_message(Signal("low", 0, 16), Signal("high", 8 * 62, 16), length=64)
    payloads = [bytes([n, 0, *range(n, n + 60), n, 1]) for n in range(20)]
    other = (0x7FF, False, b"\xee" * 8)
    rows = [row for n, payload in enumerate(payloads) for row in ([other] * (n % 3) + [(0x100, False, payload)])]
    rows += [(0x100, False, b"\x63\x00"), (0x100, False, b"\x63\x00" + bytes(10))]
    (table,) = Decoder(database).decode(frames_of(rows))
    assert table["low"].raw.tolist() == [*range(20), 99, 99]
    assert table["high"].raw.tolist() == [256 + n for n in range(20)] + [0, 0]
    assert table["high"].valid is not None
    assert table["high"].valid.tolist() == [True] * 20 + [False, False]


def test_reasons_exclude_no_other() -> None:
    bits = [int(reason) for reason in Reason.__members__.values()]
    assert sum(bits) == np.bitwise_or.reduce(bits)


def test_what_cannot_be_decoded_says_so() -> None:
    table, _ = decode(one_message(Signal("odd", 0, 24, is_float=True), Signal("a", 0, 8)), bytes(8))
    assert table["odd"].reasons is not None
    assert table["odd"].reasons.tolist() == [Reason.UNDECODABLE]
    assert np.isnan(table["odd"].value).all()
    assert table["a"].valid is None


# --- multiplexing ----------------------------------------------------------------------------------------------


def nested() -> Database:
    """OUTER selects `x` (0), INNER (1..2); INNER selects `y` (5) and `z` (6, 8..9)."""
    return one_message(
        Signal("OUTER", 0, 4, is_multiplexer=True),
        Signal("INNER", 4, 4, is_multiplexer=True, multiplexer="OUTER", mux_values=((1, 2),)),
        Signal("x", 8, 8, multiplexer="OUTER", mux_values=((0, 0),)),
        Signal("y", 8, 8, multiplexer="INNER", mux_values=((5, 5),)),
        Signal("z", 8, 16, signed=True, multiplexer="INNER", mux_values=((6, 6), (8, 9))),
        Signal("always", 56, 8),
    )


def test_nested_multiplexers_select_through_the_whole_chain() -> None:
    selectors = [0x50, 0x51, 0x52, 0x53, 0x61, 0x81, 0x92, 0x72]
    table, decoder = decode(nested(), *(bytes([s, 0x11, 0xFF, 0, 0, 0, 0, 9]) for s in selectors))
    there = {c.name: [True] * 8 if c.valid is None else c.valid.tolist() for c in table}
    assert there["x"] == [True, *[False] * 7]
    assert there["INNER"] == [False, True, True, False, True, True, True, True]
    assert there["y"] == [False, True, True, False, False, False, False, False]
    assert there["z"] == [False, False, False, False, True, True, True, False]
    assert there["always"] == [True] * 8
    assert table["z"].reasons is not None
    assert table["z"].reasons[0] == Reason.MUX_ABSENT
    # OUTER 3 and INNER 7 are known to nobody; the INNER of a frame where OUTER selects `x` is no multiplexer.
    assert decoder.counts.undefined_mux == {"can0/M/OUTER": 1, "can0/M/INNER": 1}


def test_a_short_frame_that_hides_the_multiplexer_is_short_not_absent() -> None:
    database = one_message(
        Signal("M1", 16, 8, is_multiplexer=True), Signal("a", 0, 8, multiplexer="M1", mux_values=((0, 0),))
    )
    table, decoder = decode(database, b"\x01\x02", b"\x01\x02\x00", b"\x01\x02\x09")
    assert table["a"].reasons is not None
    assert table["a"].reasons.tolist() == [Reason.SHORT_FRAME, 0, Reason.MUX_ABSENT]
    assert decoder.counts.undefined_mux == {"can0/M/M1": 1}


def test_a_signal_that_nothing_selects_is_never_there() -> None:
    table, _ = decode(one_message(Signal("a", 0, 8, multiplexer="gone", mux_values=((0, 0),))), bytes(8))
    assert table["a"].reasons is not None
    assert table["a"].reasons.tolist() == [Reason.UNDECODABLE]


def test_multiplexers_that_select_each_other_do_not_hang() -> None:
    table, _ = decode(
        one_message(
            Signal("a", 0, 8, is_multiplexer=True, multiplexer="b", mux_values=((0, 0),)),
            Signal("b", 8, 8, is_multiplexer=True, multiplexer="a", mux_values=((0, 0),)),
        ),
        bytes(8),
    )
    assert table["a"].reasons is not None
    assert table["a"].reasons.tolist() == [Reason.UNDECODABLE]


# --- batches ---------------------------------------------------------------------------------------------------


def mixed(count: int, seed: int) -> Frames:
    """Frames of three messages, one long, with strays, error and remote frames between them."""
    rng = np.random.default_rng(seed)
    ids = rng.choice([0x100, 0x200, 0x300, 0x400], count).tolist()
    rows = [(i, False, rng.bytes(24 if i == 0x300 else int(rng.integers(0, 9)))) for i in ids]
    flags = rng.choice([0, 0, 0, 0, Flag.ERROR, Flag.REMOTE], count).tolist()
    return frames_of(rows, buses=("can0", "can1"), bus=rng.integers(0, 2, count).tolist(), flags=flags)


def three_messages() -> Database:
    return Database(
        paths=("made.dbc",),
        messages=(
            Message("A", 0x100, False, 8, (Signal("a", 3, 13, scale=0.1, offset=-5),)),
            Message("B", 0x200, False, 6, (Signal("b", 7, 16, big_endian=True, signed=True), Signal("c", 40, 8))),
            Message("C", 0x300, False, 24, (Signal("d", 100, 30),)),
        ),
    )


@given(st.integers(0, 2**32), st.lists(st.integers(0, 300), max_size=4))
def test_any_cutting_into_batches_gives_the_same_columns_and_counts(seed: int, cuts: list[int]) -> None:
    frames = mixed(300, seed)
    whole = Decoder(three_messages())
    expected = {f"{t.name}/{c.name}": (t.time_ns, c.raw, c.value, c.reasons) for t in whole.decode(frames) for c in t}
    pieces = Decoder(three_messages())
    found: dict[str, list[tuple[np.ndarray, ...]]] = {}
    for start, stop in zip([0, *sorted(cuts)], [*sorted(cuts), 300], strict=True):
        for table in pieces.decode(frames.slice(start, stop)):
            for column in table:
                why = column.reasons if column.reasons is not None else np.zeros(len(table), dtype=np.uint8)
                parts = (table.time_ns, column.raw, column.value, why)
                found.setdefault(f"{table.name}/{column.name}", []).append(parts)
    assert found.keys() == expected.keys()
    for name, (time_ns, raw, value, reasons) in expected.items():
        joined = [np.concatenate(parts) for parts in zip(*found[name], strict=True)]
        np.testing.assert_array_equal(joined[0], time_ns)
        np.testing.assert_array_equal(joined[1], raw)
        np.testing.assert_array_equal(joined[2], value)
        np.testing.assert_array_equal(joined[3], reasons if reasons is not None else 0)
    assert pieces.counts == whole.counts
    assert sum(whole.counts.unmatched.values()) + whole.counts.errors + whole.counts.remotes > 0


def test_every_frame_is_counted_once() -> None:
    frames = mixed(500, 7)
    decoder = Decoder(three_messages(), select=SignalSelection.parse(["*/A/*", "can1/300/*"]))
    decoder.decode(frames)
    c = decoder.counts
    lost = sum(c.unmatched.values()) + sum(c.transport.values())
    assert c.frames == 500 == c.decoded + c.not_selected + c.errors + c.remotes + c.unlisted + lost
    assert c.errors == np.count_nonzero(frames.has(Flag.ERROR))
    assert c.unmatched.keys() == {("can0", "400"), ("can1", "400")}
    assert c.not_selected > 0


def test_a_batch_has_its_tables_by_name() -> None:
    batch = Decoder(three_messages()).decode(frames_of([(0x200, False, bytes(8)), (0x100, False, bytes(8))] * 2))
    assert set(batch.names) == {"can0/A", "can0/B"}
    assert (len(batch), "can0/A" in batch, "can0/C" in batch, "A" in batch) == (2, True, False, False)
    assert [len(batch[name]) for name in batch.names] == [2, 2]
    assert batch["can0/A"].rows.tolist() == [1, 3]
    assert [(table.bus, table.message.name) for table in batch] == [tuple(name.split("/")) for name in batch.names]
    with pytest.raises(KeyError):
        batch["can0/C"]


def test_an_empty_batch_has_no_tables() -> None:
    assert len(Decoder(three_messages()).decode(mixed(3, 1).slice(0, 0))) == 0


def test_more_messages_than_a_byte_can_number() -> None:
    messages = tuple(Message(f"M{n}", n, False, 8, (Signal("s", 0, 16),)) for n in range(700))
    rows = [(n, False, n.to_bytes(2, "little") + bytes(6)) for _ in range(2) for n in range(700)]
    batch = Decoder(Database(("made.dbc",), messages)).decode(frames_of(rows))
    assert len(batch) == 700
    assert all(table["s"].raw.tolist() == [table.message.id] * 2 for table in batch)


def test_rows_and_times_point_into_the_batch() -> None:
    frames = mixed(200, 3)
    for table in Decoder(three_messages()).decode(frames):
        assert (np.diff(table.rows) > 0).all()
        np.testing.assert_array_equal(frames.id[table.rows], table.message.id)
        np.testing.assert_array_equal(frames.time_ns[table.rows], table.time_ns)
        np.testing.assert_array_equal(frames.length[table.rows], table.length)


# --- selection -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("patterns", "expected"),
    [
        (["*"], {"can0/A/a", "can0/B/b", "can0/B/c"}),
        (["can0/B"], {"can0/B/b", "can0/B/c"}),
        (["b"], {"can0/B/b"}),
        (["can?/1*/*"], {"can0/A/a"}),
        (["*/200/c", "*/A/a"], {"can0/A/a", "can0/B/c"}),
        (["can1/*/*"], set()),
        (["*/00000100/*"], set()),
    ],
)
def test_selection_by_name_and_identifier(patterns: list[str], expected: set[str]) -> None:
    decoder = Decoder(three_messages(), select=SignalSelection.parse(patterns))
    batch = decoder.decode(frames_of([(0x100, False, bytes(8)), (0x200, False, bytes(8))]))
    assert {f"{table.name}/{column.name}" for table in batch for column in table} == expected
    assert len(decoder.unused_patterns()) == (0 if expected else 1)


def test_a_pattern_that_fits_nothing_is_named() -> None:
    decoder = Decoder(three_messages(), select=SignalSelection.parse(["*/A/*", "chassis/A/q", "speed"]))
    decoder.decode(frames_of([(0x100, False, bytes(8))]))
    assert decoder.unused_patterns() == ("chassis/A/q", "speed")


@pytest.mark.parametrize("pattern", ["", "a/b/c/d", "a//b", " / "])
def test_a_pattern_that_is_none_is_refused_with_an_example(pattern: str) -> None:
    with pytest.raises(UserError, match="bus/message/signal"):
        SignalSelection.parse([pattern])


def test_a_wrong_name_gets_the_closest_one() -> None:
    table, _ = decode(three_messages(), bytes(8))
    with pytest.raises(DatabaseError, match="did you mean 'a'"):
        table["aa"]


# --- value tables ----------------------------------------------------------------------------------------------


def test_value_tables_are_kept_and_values_stay_numbers(tmp_path: Path) -> None:
    database = from_text(
        tmp_path, 'VERSION ""\nBO_ 256 M: 8 A\n SG_ gear : 0|3@1+ (1,0) [0|0] "" B\nVAL_ 256 gear 0 "N" 1 "first" ;\n'
    )
    table, _ = decode(database, b"\x01" + bytes(7), b"\x05" + bytes(7))
    assert table["gear"].value.tolist() == [1, 5]
    assert dict(table["gear"].labels) == {0: "N", 1: "first"}


# --- breaking it is noticed ------------------------------------------------------------------------------------


def test_a_flipped_byte_order_or_an_ignored_multiplexer_changes_what_is_decoded() -> None:
    """The comparison with cantools could only pass by accident if these gave the same columns."""
    corpus = source_distribution("cantools") / "tests" / "files" / "dbc"
    rng = np.random.default_rng(5)
    changed = {"order": 0, "multiplexer": 0}
    for name in ("motohawk.dbc", "multiplex_2.dbc", "abs.dbc"):
        for message in load_database(corpus / name):
            payloads = [rng.bytes(message.length) for _ in range(20)]
            right, _ = decode(Database((name,), (message,)), *payloads)
            for column in right:
                signal = column.signal
                if signal.length > 8 and signal.end_bit <= 8 * message.length:
                    end = 8 * (signal.start // 8) + 7 - signal.start % 8 if not signal.big_endian else signal.start
                    flipped = _with(message, signal.name, start=end, big_endian=not signal.big_endian)
                    wrong, _ = decode(Database((name,), (flipped,)), *payloads)
                    changed["order"] += not np.array_equal(wrong[signal.name].raw, column.raw)
                if signal.multiplexer is not None:
                    wrong, _ = decode(
                        Database((name,), (_with(message, signal.name, multiplexer=None, mux_values=()),)), *payloads
                    )
                    assert column.valid is not None
                    changed["multiplexer"] += wrong[signal.name].valid is None
    assert changed["order"] >= 10
    assert changed["multiplexer"] >= 10


def _with(message: Message, name: str, **changes: object) -> Message:
    from dataclasses import replace

    signals = tuple(replace(s, **changes) if s.name == name else s for s in message.signals)  # type: ignore[arg-type]
    return replace(message, signals=signals)


def test_batches_joined_decode_like_one() -> None:
    one, two = mixed(100, 1), mixed(100, 2)
    joined = Decoder(three_messages()).decode(concatenate([one, two]))
    first = Decoder(three_messages()).decode(one)
    assert joined["can0/A"]["a"].raw[: len(first["can0/A"])].tolist() == first["can0/A"]["a"].raw.tolist()


def test_a_decoded_batch_is_let_go_at_once():
    """No circle of references keeps a batch until the collector runs: memory stays bounded on long captures."""
    import gc
    import weakref

    decoder = Decoder(load_database(str(Path(__file__).parents[3] / "dbc_examples" / "wrenfell_chassis.dbc")))
    frames = next(iter(open_capture(Path(__file__).parents[3] / "captures" / "wrenfell_run.log")))
    gc.disable()
    try:
        batch = decoder.decode(frames)
        watched = [weakref.ref(table) for table in batch]
        for table in batch:
            for column in table:
                assert len(column.value) == len(table)
        del batch, table, column
        assert watched
        assert all(each() is None for each in watched)
    finally:
        gc.enable()


def test_only_a_multiplexer_has_values_that_nobody_knows() -> None:
    """A gear of 7 has no name in its value table, and selects nothing."""
    database = one_message(Signal("gear", 0, 8, choices={1: "first"}), Signal("m", 8, 8, is_multiplexer=True))
    _, decoder = decode(database, b"\x07\x07")
    assert decoder.counts.undefined_mux == {}
