"""A lane, run here without a thread of its own: what it takes, counts, survives and says."""

import struct
from types import SimpleNamespace

import can
import pytest

from buswright.errors import UserError
from buswright.frames.live import lane as live_lane
from buswright.frames.live.address import parse_live
from buswright.frames.live.buffer import LiveBuffer
from buswright.frames.live.bus import Opened
from buswright.frames.live.lane import Lane
from tests.frames.live_fakes import START, message, unplugged

NOW_NS = 1_770_000_100 * 10**9


class Script:
    """A bus that gives what is written down, and ends the lane behind it."""

    def __init__(self, *items):
        self.items, self.waits, self.closed, self.lane = list(items), [], 0, None

    def receive(self, timeout_s):
        self.waits.append(timeout_s)
        if not self.items:
            self.lane.stop()
            return None
        item = self.items.pop(0)
        if isinstance(item, Exception):
            raise item
        return item

    def close(self):
        self.closed += 1


@pytest.fixture
def run(monkeypatch):
    """Run a lane over the buses that its openings give, one second of the wall clock for each look at it."""
    looks = iter(range(1000))
    monkeypatch.setattr(live_lane, "wall_ns", lambda: NOW_NS + next(looks) * 10**9)

    def lane_over(*openings, stamped_by="kernel", pauses=None):
        left = list(openings)

        def opened():
            bus = left.pop(0)
            if isinstance(bus, Exception):
                raise bus
            bus.lane = lane
            return Opened(bus, {}, stamped_by)

        first = left.pop(0)
        lane = Lane(parse_live("live:fake/can0"), 3, Opened(first, {}, stamped_by), opened)
        first.lane = lane
        if pauses is not None:
            wait = lane._stop.wait
            lane._stop.wait = lambda seconds: pauses.append(seconds) or wait(0)
        lane._run()
        return lane

    return lane_over


def frames_of(lane):
    columns, dropped = lane.buffer.take(lane.index)
    return columns.freeze(["a", "b", "c", lane.address.name]), dropped


def said(lane):
    return [(event.kind, event.bus, event.text, dict(event.values)) for event in lane.events]


def test_frames_are_taken_and_the_bus_is_closed(run):
    bus = Script(message(1), None, message(2, b"\x05"))
    lane = run(bus)
    frames, dropped = frames_of(lane)
    assert (frames.id.tolist(), frames.bus.tolist(), dropped) == ([1, 2], [3, 3], 0)
    assert (bus.closed, lane.connected, said(lane)) == (1, True, [])
    assert bus.waits == [0.1, 0.1, 0.1, 0.1, 0.0]  # the last one takes what came at the end
    assert lane.opened.listener is bus


def test_what_came_before_the_end_is_taken_and_what_the_kernel_stamped_later_is_not(run):
    stopped = Script(message(1))
    stopped.receive = lambda _timeout: stopped.items.pop(0) if stopped.items else None
    stopped.items += [message(2), message(3, at=START + 10**9), message(4)]
    lane = Lane(parse_live("live:fake/can0"), 0, Opened(stopped, {}, "kernel"), lambda: None)
    lane.stop()
    lane._run()
    assert frames_of(lane)[0].id.tolist() == [1, 2]
    stopped.items[:] = [message(5), message(6, at=START + 10**9), message(0x800), message(7)]
    host = Lane(parse_live("live:fake/can0"), 0, Opened(stopped, {}, "host"), lambda: None)
    host.stop()
    host._run()
    assert frames_of(host)[0].id.tolist() == [5, 6, 7]
    assert list(host.damaged) == [("identifier out of range", "")]


@pytest.mark.parametrize(
    ("seconds", "taken", "dropped"),
    [(9.0, [0, 1, 2, 3], 0), (10.0, [], 4), (12.0, [], 4), (12.1, [], 0)],
)
def test_at_the_end_ten_seconds_are_taken_and_two_are_counted(seconds, taken, dropped, monkeypatch):
    bus = Script(*(message(k) for k in range(4)))
    lane = bus.lane = Lane(parse_live("live:fake/can0"), 0, Opened(bus, {}, "kernel"), lambda: None)
    clock = SimpleNamespace(time=lambda: START + 100, monotonic=iter([50.0, *[50.0 + seconds] * 9]).__next__)
    monkeypatch.setattr(live_lane, "time", clock)
    lane._drain()
    frames, lost = frames_of(lane)
    assert (frames.id.tolist(), lost) == (taken, dropped)


def test_stamps_that_count_from_the_adapters_start_keep_their_distances(run, monkeypatch):
    monkeypatch.setattr(live_lane.time, "time", lambda: START)
    lane = run(Script(message(1, at=5.0), message(2, at=5.25), message(3, at=1.0)))
    assert frames_of(lane)[0].time_ns.tolist() == [round((START + at) * 1e6) * 1000 for at in (0.0, 0.25, -4.0)]
    monkeypatch.setattr(live_lane.time, "time", lambda: START + 1000)
    lane = run(Script(message(1, at=5.0), unplugged()), Script(message(2, at=5.0), message(3, at=6.0)), pauses=[])
    assert frames_of(lane)[0].time_ns.tolist() == [round((START + 1000 + at) * 1e9) for at in (0, 0, 1)]


@pytest.mark.parametrize(("stamp", "kept"), [(1e8, True), (1e8 - 1, False)])
def test_a_stamp_from_the_year_1973_on_is_a_date(stamp, kept, run, monkeypatch):
    monkeypatch.setattr(live_lane.time, "time", lambda: START)
    lane = run(Script(message(1, at=stamp)))
    assert frames_of(lane)[0].time_ns.tolist() == [round((stamp if kept else START) * 1e9)]


# Damage -------------------------------------------------------------------------------------------------------------


def caused(fault, cause, depth=1):
    inner = cause
    for _ in range(depth - 1):
        outer = can.CanOperationError("between")
        outer.__cause__, inner = inner, outer
    fault.__cause__ = inner
    return fault


@pytest.mark.parametrize(
    "fault",
    [
        ValueError("junk"),
        TypeError("junk"),
        KeyError("junk"),
        IndexError("junk"),
        AssertionError("junk"),
        struct.error("junk"),
        caused(can.CanOperationError("junk"), ValueError("inner")),
        caused(can.CanOperationError("junk"), ValueError("inner"), 4),
    ],
)
def test_one_garbled_message_costs_one(fault, run):
    lane = run(Script(message(1), fault, message(2)))
    assert frames_of(lane)[0].id.tolist() == [1, 2]
    assert list(lane.damaged) == [("unreadable message", f"{type(fault).__name__}: {fault}")]
    assert said(lane) == []


@pytest.mark.parametrize(
    "fault",
    [
        can.CanOperationError("no more"),
        OSError(5, "Input/output error"),
        caused(can.CanOperationError("no more"), OSError("gone")),
        caused(ValueError("bad"), OSError("gone")),
        caused(can.CanOperationError("no more"), ValueError("too far in"), 5),
    ],
)
def test_an_interface_that_is_gone_is_no_garbled_message(fault, run):
    lane = run(Script(message(1), fault), Script(message(2)), pauses=[])
    assert frames_of(lane)[0].id.tolist() == [1, 2]
    assert [(event[0], event[3].get("state")) for event in said(lane)] == [
        ("interface", "lost"),
        ("interface", "back"),
        ("gap", None),
    ]
    assert not lane.damaged


def test_a_fault_within_another_counts_where_nothing_was_named_as_its_cause(run):
    fault = can.CanOperationError("outer")
    fault.__context__ = ValueError("inner")
    assert [reason for reason, _ in run(Script(fault)).damaged] == ["unreadable message"]


def test_a_message_that_no_bus_can_carry_is_counted_by_its_reason(run):
    lane = run(Script(message(0x800), message(1), message(data=bytes(3), dlc=8)))
    assert list(lane.damaged) == [
        ("identifier out of range", ""),
        ("payload shorter or longer than its length code", ""),
    ]
    assert frames_of(lane)[0].id.tolist() == [1]


@pytest.mark.parametrize(("garbled", "openings"), [(500, 1), (501, 2)])
def test_five_hundred_garbled_messages_in_a_row_are_borne(garbled, openings, run):
    pauses = []
    first = Script(*(ValueError("junk") for _ in range(garbled)), message(1))
    lane = run(first, Script(message(2)), pauses=pauses)
    assert (first.closed, len(lane.damaged)) == (1, garbled)
    assert frames_of(lane)[0].id.tolist() == ([1] if openings == 1 else [2])
    assert pauses[:490] == [0.001] * 490  # behind the tenth, it lets others run
    assert len(pauses) == garbled - 10 + (openings == 2)


def test_a_good_message_between_begins_the_count_anew(run):
    first = Script(*(ValueError("junk") for _ in range(400)), message(1), *(ValueError("junk") for _ in range(400)))
    lane = run(first, pauses=[])
    assert (len(lane.damaged), said(lane)) == (800, [])
    lane = run(Script(message(1), *(ValueError("junk") for _ in range(500))), pauses=[])
    assert (len(lane.damaged), said(lane)) == (500, [])


# Reconnecting -------------------------------------------------------------------------------------------------------


def test_the_way_back_is_told_from_the_loss_to_the_gap(run):
    pauses = []
    gone, other = UserError("live:fake/can0: can't be opened: gone"), UserError("asleep\nand more")
    first, second = Script(message(1), OSError(5, "pulled out")), Script(message(2), message(3))
    lane = run(first, gone, gone, other, other, gone, gone, second, pauses=pauses)
    assert pauses == [0.1, 0.2, 0.5, 1.0, 2.0, 2.0, 2.0]
    assert said(lane) == [
        ("interface", "can0", "can0 was lost: [Errno 5] pulled out", {"state": "lost"}),
        ("interface", "can0", f"can0 still can't be opened: {gone}".split("\n")[0], {"state": "waiting"}),
        ("interface", "can0", "can0 still can't be opened: asleep", {"state": "waiting"}),
        ("interface", "can0", f"can0 still can't be opened: {gone}".split("\n")[0], {"state": "waiting"}),
        ("interface", "can0", "can0 is back", {"state": "back", "attempts": 7}),
        (
            "gap",
            "can0",
            "this program did not receive can0 for 5.000 s: a gap in the recording, not on the bus",
            {"start_ns": NOW_NS, "seconds": 5.0},
        ),
    ]
    assert [event.time_ns - NOW_NS for event in lane.events] == [k * 10**9 for k in range(6)]
    assert (first.closed, second.closed, lane.connected, lane.opened.listener) == (7, 1, True, second)
    assert frames_of(lane)[0].id.tolist() == [1, 2, 3]
    assert second.waits[0] == 0.1


def test_a_bus_that_is_opened_but_says_nothing_or_nonsense_is_back(run):
    for first_word, ids in ((None, [2]), (message(0x800), [2])):
        lane = run(Script(OSError("gone")), Script(first_word, message(2)), pauses=[])
        assert frames_of(lane)[0].id.tolist() == ids
        assert [event[0] for event in said(lane)] == ["interface", "interface", "gap"]
        assert not lane.damaged


def test_a_loss_that_lasts_to_the_end_is_a_gap(run):
    first = Script(OSError("x" * 300))
    lanes = []

    def reopen():
        lanes[0].stop()
        raise TimeoutError("y" * 300)

    lane = Lane(parse_live("live:fake/can0"), 0, Opened(first, {}, "kernel"), reopen)
    lanes.append(lane)
    lane._run()
    assert [event[0] for event in said(lane)] == ["interface", "interface", "gap"]
    assert [event[2][:40].rstrip("xy") for event in said(lane)[:2]] == [
        "can0 was lost: ",
        "can0 still can't be opened: ",
    ]
    assert [event[2].count("x") + event[2].count("y") for event in said(lane)[:2]] == [200, 200]
    assert lane.connected is False


def test_a_lane_that_was_never_started_has_ended():
    lane = Lane(parse_live("live:fake/can0"), 0, Opened(Script(), {}, "host"), lambda: None)
    assert lane.join(0.0)
    assert (lane.stamped_by, lane._thread.daemon, lane._thread.name) == ("host", True, "receive can0")
    assert (lane.events.maxlen, lane.damaged.maxlen) == (10_000, 10_000)


def test_the_wall_clock_is_read_in_whole_microseconds(monkeypatch):
    monkeypatch.setattr(live_lane.time, "time_ns", lambda: 1_770_000_000_123_456_789)
    assert live_lane.wall_ns() == 1_770_000_000_123_456_000


# The buffer ---------------------------------------------------------------------------------------------------------


def test_a_full_buffer_counts_what_it_drops_and_begins_anew_when_it_was_taken():
    buffer = LiveBuffer(capacity=3)
    halves = []
    for k in range(5):
        buffer.append(k, 0x100 + k, k, 9 if k == 1 else 2, bytes(range(12)) if k == 1 else b"\x01\x02")
        halves.append(buffer.half_full)
    assert halves == [False, True, True, True, True]
    buffer.refuse()
    columns, dropped = buffer.take(7)
    assert dropped == 3
    assert not buffer.half_full
    assert (columns.time_ns.tolist(), columns.id.tolist()) == ([0, 1, 2], [0x100, 0x101, 0x102])
    assert (columns.flags.tolist(), columns.dlc.tolist()) == ([0, 1, 2], [2, 9, 2])
    assert (columns.length.tolist(), columns.bus.tolist()) == ([2, 12, 2], [7, 7, 7])
    assert columns.payload.tolist() == [[1, 2, *[0] * 6], list(range(8)), [1, 2, *[0] * 6]]
    assert columns.long_row.tolist() == [1]
    assert columns.long_payload[0].tolist() == [*range(12), *[0] * 52]
    buffer.append(9, 1, 0, 8, bytes(8))
    assert columns.time_ns.tolist() == [0, 1, 2]  # what was taken stays
    columns, dropped = buffer.take(0)
    assert (columns.time_ns.tolist(), columns.long_row.tolist(), dropped) == ([9], [], 0)
    assert len(buffer.take(0)[0]) == 0


def test_exactly_half_is_not_yet_half_full():
    buffer = LiveBuffer(capacity=4)
    for _ in range(2):
        buffer.append(0, 1, 0, 0, b"")
    assert not buffer.half_full
    buffer.append(0, 1, 0, 0, b"")
    assert buffer.half_full


def test_a_bus_at_full_load_has_sixteen_seconds():
    """Some eight thousand frames a second are a full bus at 1 Mbit/s: 125 bits are a usual frame of eight bytes."""
    assert 16 * 8_000 <= LiveBuffer()._capacity < 17 * 8_000
