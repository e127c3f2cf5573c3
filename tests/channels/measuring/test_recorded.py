"""A capture's messages in memory: segments, counters and checksums, and which source address is meant."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.carfile.model import Entries, FrameEntry, FrameName
from buswright.channels.measuring import recorded as module
from buswright.channels.measuring.recorded import Recorded, Segments
from buswright.channels.samples.series import Quality
from buswright.channels.spool import Spool
from buswright.frames.table import Flag
from buswright.messages.checksum import Checksum, Counter
from buswright.messages.decoding.decode import Decoder
from buswright.messages.model import J1939, Database, Message, Signal
from tests.frames.frame_batches import batch_of
from tests.messages.databases import one_message

MS = 1_000_000
STALE, WRONG = int(Quality.STALE_COUNTER), int(Quality.BAD_CHECKSUM)


def frames(*rows, buses=("a", "b")):
    """Rows of (time in ms, bus, payload), all of one identifier."""
    return batch_of([(time * MS, bus, 0x100, 0, 8, payload) for time, bus, payload in rows], buses)


def starts(*batches):
    segments = Segments()
    return [segments.starts(frames(*((time, bus, b"") for time, bus in batch))) for batch in batches], segments.count


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 2)), min_size=1, max_size=14), st.data())
def test_time_goes_back_on_no_bus_within_a_segment_however_frames_are_cut(rows, data):
    whole = frames(*((time, bus, b"") for time, bus in rows), buses=("a", "b", "c"))
    found = Segments().starts(whole)
    for bus in range(3):
        mine = np.flatnonzero(whole.bus == bus)
        back = mine[1:][np.diff(whole.time_ns[mine]) < 0]
        # Between the frame before a step back and that step lies a start, or the step is one.
        before = mine[np.searchsorted(mine, back) - 1]
        assert (np.searchsorted(found, back, side="right") > np.searchsorted(found, before, side="right")).all()
    cut = data.draw(st.integers(0, len(rows)))
    parts, segments = (whole.slice(0, cut), whole.slice(cut, len(rows))), Segments()
    assert [
        start + shift for part, shift in zip(parts, (0, cut), strict=True) for start in segments.starts(part)
    ] == found
    assert segments.count == 1 + len(found)


@pytest.mark.parametrize(
    ("batches", "expected", "count"),
    [
        ([[(0, 0), (10, 0)]], [[]], 1),
        ([[(0, 0), (10, 0), (5, 0)]], [[2]], 2),
        # Both buses go back: one new segment, begun by the first of them; each bus only once.
        ([[(50, 0), (50, 1), (5, 0), (6, 1), (7, 0)]], [[2]], 2),
        ([[(50, 0), (50, 1), (5, 0)], [(6, 1), (7, 0)]], [[2], []], 2),
        # A second time: another segment.
        ([[(50, 0), (50, 1), (5, 0), (6, 1), (1, 0), (2, 1)]], [[2, 4]], 3),
        ([[(50, 0), (5, 0), (1, 0)]], [[1, 2]], 3),
        # A bus that is seen first in the new segment, or that had gone on in it, is of that.
        ([[(50, 0), (5, 0), (6, 1)], [(2, 1)]], [[1], [0]], 3),
        ([[(50, 0), (50, 1), (5, 0), (60, 1)], [(7, 1)]], [[2], [0]], 3),
        # Between buses is no step.
        ([[(50, 0), (5, 1), (51, 0), (6, 1)]], [[]], 1),
    ],
)
def test_a_clock_that_jumps_back_begins_one_segment_of_all_buses(batches, expected, count):
    assert starts(*batches) == (expected, count)


def recorded(batches, *, entry=None, database=None, spool=None):
    database = database or one_message(Signal("s", 0, 8), Signal("c", 8, 4))
    entries = None
    if entry is not None:
        entries = Entries({entry.name: entry}, {"a": database})
    found = Recorded(Decoder(database), entries, spool)
    for batch in batches:
        found.add(batch)
    return found


def test_a_segment_without_a_frame_of_a_message_repeats_the_next_start():
    """Message M is there in the first and third segment of four."""
    other = 0x200
    rows = [(50, 0x100), (60, other), (5, other), (9, other), (1, 0x100), (2, 0x100), (0, other)]
    batch = batch_of([(time * MS, 0, identifier, 0, 8, bytes(8)) for time, identifier in rows])
    for cuts in ([batch], [batch.slice(k, k + 1) for k in range(len(rows))], [batch.slice(0, 4), batch.slice(4, 7)]):
        found = recorded(cuts)
        assert found.segment_count == 4
        assert found.messages["can0/M"].segments(4).tolist() == [0, 1, 1, 3]
        assert found.messages["can0/M"].time_ns().tolist() == [50 * MS, 1 * MS, 2 * MS]


def test_counters_and_checksums_are_judged_frame_by_frame_however_they_are_cut():
    """A counter in bits 8 to 11 that stands still twice, and an exclusive or in byte 2 that is wrong once."""
    counts, wrong = [0, 1, 1, 2, 2, 4, 3], {3}
    payloads = [bytes([7, count, 7 ^ count ^ (number in wrong)]) for number, count in enumerate(counts)]
    payloads.insert(5, b"\x01")  # too short for either: neither is judged, and the counter goes on behind it
    payloads.append(bytes([7, 4, 7 ^ 4, 5]))  # longer: all its bytes but the checksum's count
    batch = frames(*((number * 10, 0, payload) for number, payload in enumerate(payloads)))
    entry = FrameEntry(FrameName("a", 0x100, False), counter=Counter(8, 4), checksum=Checksum("xor", 2))
    expected = [0, 0, STALE, WRONG, STALE, 0, 0, 0, WRONG]
    for cuts in ([batch], [batch.slice(k, k + 1) for k in range(9)], [batch.slice(0, 2), batch.slice(2, 9)]):
        quality = recorded(cuts, entry=entry).messages["a/M"].frame_quality()
        assert quality.tolist() == expected
    assert recorded([batch]).messages["a/M"].frame_quality() is None
    assert recorded([batch.slice(0, 2)], entry=entry).messages["a/M"].frame_quality() is None


def test_a_checksum_over_the_identifier_takes_the_one_that_was_sent():
    entry = FrameEntry(FrameName("a", 0x18FEF100, True), checksum=Checksum("sum8-id", 1))
    message = Message("CCVS", 0x18FEF1FE, True, 8, (Signal("s", 0, 8),), protocol=J1939)
    database = Database((), (message,))
    sums = {identifier: sum(identifier.to_bytes(4, "big")) & 0xFF for identifier in (0x18FEF100, 0x0CFEF100)}
    rows = [(k * MS, 0, identifier, int(Flag.EXTENDED), 2, bytes([0, total])) for k, (identifier, total) in
            enumerate([*sums.items(), (0x18FEF100, sums[0x0CFEF100])])]  # fmt: skip
    found = recorded([batch_of(rows, ("a",))], entry=entry, database=database)
    assert found.messages["a/CCVS@00"].frame_quality().tolist() == [0, 0, WRONG]


def test_a_message_without_a_source_address_is_the_one_that_came_first():
    message = Message("CCVS", 0x18FEF1FE, True, 8, (Signal("s", 0, 8),), protocol=J1939)
    rows = [(k * MS, 0, identifier, int(Flag.EXTENDED), 1, b"\0") for k, identifier in
            enumerate([0x123, 0x18FEF117, 0x18FEF105, 0x18FEF117])]  # fmt: skip
    batch = batch_of(rows, ("a",))
    for cuts in ([batch], [batch.slice(k, k + 1) for k in range(4)]):
        found = recorded(cuts, database=Database((), (message,)))
        assert found.of_signal("a/CCVS").group.source == 0x17
        assert [found.messages[name].arrival for name in ("a/CCVS@17", "a/CCVS@05")] == [1, 2]
        assert {each.group.source for each in found.of_any_source("a/CCVS")} == {0x05, 0x17}
        assert found.of_signal("a/CCVS@05").group.source == 0x05
        assert found.of_any_source("a/CCVS@05") == []
        assert (found.of_signal("a/OTHER"), found.of_any_source("a/OTHER")) == (None, [])


def test_the_first_time_is_that_of_the_first_frame_that_has_one():
    def batch(*times):
        return batch_of(
            [(abs(time) * MS, 0, 0x300, int(Flag.UNTIMED) if time <= 0 else 0, 0, b"") for time in times], ("a",)
        )

    assert (recorded([batch(7, 8)]).first_ns, recorded([batch(7, 8)]).untimed) == (7 * MS, False)
    assert (recorded([batch(0, -1, 9)]).first_ns, recorded([batch(0, -1, 9)]).untimed) == (9 * MS, True)
    assert (recorded([batch(0)]).first_ns, recorded([batch(0), batch(5), batch(3)]).first_ns) == (None, 5 * MS)


def test_columns_go_to_a_file_once_enough_frames_came(tmp_path, monkeypatch):
    """At four frames and three a batch, with every second one."""
    monkeypatch.setattr(module, "SPOOLED_FRAMES", 4)
    batch = frames((0, 0, b"\1\2"), (10, 0, b"\1\2"), (20, 0, b"\1\2"))
    moved = []
    monkeypatch.setattr(module.RecordedMessage, "columns", lambda message: moved.append(len(message.time_ns())) or ())
    with Spool(tmp_path) as spool:
        recorded([batch] * 5, spool=spool)
    assert moved == [6, 12]


def test_what_was_moved_to_a_file_is_the_same(tmp_path):
    database = one_message(Signal("s", 0, 8), Signal("c", 8, 4))
    batches = [
        frames(*((k, 0, bytes([k % 256, 1])[: 1 + k % 2]) for k in range(start, start + 5000))) for start in (0, 5000)
    ]
    with Spool(tmp_path) as spool:
        held, moved = Recorded(Decoder(database), None), Recorded(Decoder(database), None, spool)
        for batch in batches:
            held.add(batch)
            moved.add(batch)
            moved.move()
        moved.move(whole=True)
        held.move(whole=True)  # nowhere to go
        for name in ("s", "c"):
            one, other = (each.messages["a/M"].signals[name] for each in (held, moved))
            assert np.array_equal(one.raw(), other.raw())
            assert np.array_equal(one.reasons() if name == "c" else 0, other.reasons() if name == "c" else 0)
            assert np.array_equal(one.value(), other.value(), equal_nan=True)
        assert moved.messages["a/M"].time_ns() is moved.messages["a/M"].time_ns()
        assert not isinstance(moved.messages["a/M"].time_ns().base, type(None))
