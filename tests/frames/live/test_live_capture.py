"""A live capture over lanes that a test fills: order, waiting, the end, drops, clocks, and what is said of each."""

from collections import deque
from types import SimpleNamespace

import pytest

from buswright.errors import UserError
from buswright.frames.live import capture as live_capture
from buswright.frames.live.address import parse_all, parse_live
from buswright.frames.live.buffer import LiveBuffer
from buswright.frames.live.bus import Opened
from buswright.frames.live.capture import Drops, LiveCapture, open_live
from buswright.frames.live.listen_only import Listening, Proof
from tests.frames.live_fakes import SAFE, START, FakeAdapter, FakeBus, gone

T0 = round(START * 1e9)
MS = 1_000_000


class FakeLane:
    """A lane that receives nothing by itself."""

    def __init__(self, address, index, *, stamped_by="kernel", capacity=100):
        self.address, self.index, self.stamped_by = address, index, stamped_by
        self.buffer = LiveBuffer(capacity)
        self.events, self.damaged = deque(), deque()
        self.connected = True
        self.counts = {}
        self.opened = SimpleNamespace(counters={})
        self.said = []
        self.joins = 1

    def count(self, where, value):
        self.counts[where] = value
        self.opened.counters[where] = lambda: self.counts[where]

    def stop(self):
        self.said.append("stop")

    def join(self, seconds):
        self.said.append(seconds)
        self.joins -= 1
        return self.joins <= 0

    def came(self, *times, identifier=0x100):
        for at in times:
            self.buffer.append(T0 + at, identifier, 0, 0, b"")


class Clock:
    """Wall clock and monotonic clock, moved by the test."""

    def __init__(self):
        self.wall, self.mono = T0 + 1000 * MS, 500.0

    def time_ns(self):
        return self.wall

    def monotonic(self):
        return self.mono

    def monotonic_ns(self):
        return round(self.mono * 1e9)

    def run(self, seconds):
        self.wall += round(seconds * 1e9)
        self.mono += seconds


@pytest.fixture
def clock(monkeypatch):
    made = Clock()
    monkeypatch.setattr(live_capture, "time", made)
    monkeypatch.setattr(live_capture, "wall_ns", made.time_ns)
    return made


@pytest.fixture
def capture_of(clock):
    def made(*names, backend="fake", **options):
        addresses = parse_all([f"live:{backend}/{name}" for name in names])
        lanes = [FakeLane(address, k, **options) for k, address in enumerate(addresses)]
        capture = LiveCapture(addresses, lanes, {address.name: SAFE for address in addresses}, bench=False)
        capture._stopped.wait = lambda seconds: clock.run(seconds) or capture.stopped
        return capture, lanes

    return made


def times(frames):
    return [(frames.buses[bus], (at - T0) // MS) for bus, at in zip(frames.bus, frames.time_ns.tolist(), strict=True)]


def told(capture):
    return [(event.kind, event.bus, event.text, dict(event.values)) for event in capture.events]


# Order --------------------------------------------------------------------------------------------------------------


def test_one_bus_is_handed_on_as_it_came(capture_of, clock):
    capture, (lane,) = capture_of("a")
    lane.came(999 * MS, 1001 * MS, 5 * MS)
    assert times(capture.poll(0)) == [("a", 999), ("a", 1001), ("a", 5)]
    assert len(capture.poll(0)) == 0


def test_what_is_newer_than_twenty_milliseconds_waits_once_for_the_other_buses(capture_of, clock):
    capture, (a, b) = capture_of("a", "b")
    a.came(900 * MS, 980 * MS, 981 * MS, 990 * MS)  # it is 1000 ms
    assert times(capture.poll(0)) == [("a", 900), ("a", 980)]
    b.came(970 * MS, 985 * MS, 999 * MS)
    assert times(capture.poll(0)) == [("b", 970), ("a", 981), ("a", 990)]
    assert times(capture.poll(0)) == [("b", 985), ("b", 999)]
    assert len(capture.poll(0)) == 0


def test_nothing_waits_once_it_was_stopped(capture_of, clock):
    capture, (a, b) = capture_of("a", "b")
    a.came(999 * MS)
    assert len(capture.poll(0)) == 0
    b.came(998 * MS, 1005 * MS)
    assert not capture.stopped
    capture.stop()
    assert capture.stopped
    assert times(capture.poll(0)) == [("b", 998), ("a", 999), ("b", 1005)]


def test_time_that_goes_back_on_a_bus_stays_behind_what_came_before_it(capture_of, clock):
    capture, (a, b) = capture_of("a", "b")
    a.came(500 * MS, 100 * MS)
    b.came(300 * MS, 501 * MS)
    assert times(capture.poll(0)) == [("b", 300), ("a", 500), ("a", 100), ("b", 501)]
    a.came(200 * MS)
    b.came(400 * MS, 502 * MS)
    assert times(capture.poll(0)) == [("a", 200), ("b", 400), ("b", 502)]


def test_the_first_frame_gives_the_first_time(capture_of, clock):
    capture, (lane,) = capture_of("a")
    assert capture.first_time_ns() is None
    lane.came(7 * MS, 9 * MS)
    capture.poll(0)
    lane.came(3 * MS)
    capture.poll(0)
    assert capture.first_time_ns() == T0 + 7 * MS


# The end ------------------------------------------------------------------------------------------------------------


def test_it_ends_two_tenths_of_a_second_behind_the_time_that_was_asked_for(capture_of, clock):
    capture, (lane,) = capture_of("a")
    asked = []
    capture.stop_at(lambda first_ns: asked.append(first_ns) or first_ns + 500 * MS)
    lane.came(600 * MS)
    assert len(capture.poll(0)) == 1
    assert asked == [T0 + 600 * MS]
    clock.run(0.2)  # 1200 ms; it ends at 1100
    lane.came(1099 * MS, 1100 * MS, 1101 * MS)
    assert times(capture.poll(0)) == [("a", 1099), ("a", 1100)]
    assert not capture.stopped
    clock.run(0.1)
    lane.came(1150 * MS, 1050 * MS)
    assert times(capture.poll(0)) == [("a", 1050)]
    assert not capture.stopped  # just 200 ms behind
    clock.run(0.001)
    capture.poll(0)
    assert capture.stopped


def test_before_the_end_what_is_stamped_later_is_taken_all_the_same(capture_of, clock):
    """A clock of an adapter may run ahead of the computer's."""
    capture, (lane,) = capture_of("a")
    capture.stop_at(lambda first_ns: first_ns + 600 * MS)
    lane.came(600 * MS, 1300 * MS)
    assert times(capture.poll(0)) == [("a", 600), ("a", 1300)]


@pytest.mark.parametrize("step", [3600.0, -3600.0])
def test_a_length_of_running_does_not_depend_on_the_wall_clock(step, capture_of, clock):
    capture, (lane,) = capture_of("a")
    capture.stop_at(lambda first_ns: first_ns + 2000 * MS, running=True)
    lane.came(1000 * MS)
    capture.poll(0)
    clock.wall += round(step * 1e9)
    clock.run(1.9)
    lane.came(2900 * MS + round(step * 1e9))
    assert len(capture.poll(0)) == 1
    clock.run(0.31)
    assert len(capture.poll(0)) == 0
    assert capture.stopped
    assert [kind for kind, *_ in told(capture)] == ["clock"]


def test_a_time_of_day_does(capture_of, clock):
    capture, (lane,) = capture_of("a")
    capture.stop_at(lambda first_ns: first_ns + 2000 * MS)
    lane.came(1000 * MS)
    capture.poll(0)
    clock.wall += 3600 * 10**9
    capture.poll(0)
    assert capture.stopped


# Closing ------------------------------------------------------------------------------------------------------------


def test_closing_stops_and_waits_for_every_lane_once(capture_of, clock):
    capture, lanes = capture_of("a", "b")
    lanes[1].joins = 3
    with capture as entered:
        assert entered is capture
    capture.close()
    assert lanes[0].said == ["stop", *[0.03] * 3]
    assert lanes[1].said == ["stop", *[0.03] * 3]
    assert capture.stopped
    with pytest.raises(RuntimeError, match="read only once"):
        list(capture)


def test_a_thread_that_neither_ends_nor_brings_anything_is_left_behind(capture_of, clock):
    capture, (lane,) = capture_of("a", capacity=4)
    lane.joins = 10**9
    left = [30]

    def join(_seconds):
        clock.run(1.0)
        if left[0]:  # it still brings something for some time
            left[0] -= 1
            lane.came(1 * MS, 2 * MS, 3 * MS)
        return False

    lane.join = join
    capture.close()
    assert clock.mono == 500 + 30 + 5
    assert len(capture.poll(0)) == 90


def test_iterating_hands_out_what_there_is_until_the_end_and_closes(capture_of, clock):
    capture, (lane,) = capture_of("a")
    lane.came(1 * MS)
    batches = iter(capture)
    assert times(next(batches)) == [("a", 1)]
    lane.came(2 * MS)
    capture.stop()
    assert [times(each) for each in batches] == [[("a", 2)]]
    assert lane.said[0] == "stop"
    capture, _ = capture_of("a")
    capture.stop()
    assert list(capture) == []  # no batch is empty


# What is said -------------------------------------------------------------------------------------------------------


def test_what_lanes_say_is_passed_on(capture_of, clock):
    capture, (a, b) = capture_of("a", "b")
    a.damaged += [("garbled", "x"), ("garbled", "y")]
    b.events.append(live_capture.Event(5, "b", "note", {}, "hello"))
    capture.poll(0)
    assert [(each.reason, each.path, each.line, each.text, each.count) for each in capture.problems] == [
        ("garbled", "live:fake/a", 0, "x", 2)
    ]
    text = "2 messages of a could not be read: garbled between the adapter and this program"
    assert told(capture) == [("note", "b", "hello", {}), ("note", "a", text, {"damaged": 2})]
    clock.run(0.6)
    capture.poll(0)
    assert len(capture.events) == 2


def test_counters_are_looked_at_twice_a_second(capture_of, clock):
    capture, (lane,) = capture_of("a")
    looks = []
    lane.opened.counters["socket"] = lambda: looks.append(clock.mono) or 0
    for _ in range(8):
        capture.poll(0)
        clock.run(0.25)
    assert looks == [500.0, 500.5, 501.0, 501.5]


def test_what_the_kernel_dropped_counts_from_the_first_look(capture_of, clock):
    capture, (lane,) = capture_of("a")
    found = []
    for socket, interface in ((7, None), (7, None), (9, 4), (None, 5), (12, 3), (12, 6)):
        lane.count("socket", socket)
        lane.count("interface", interface)
        capture.poll(0)
        found.append((capture.drops["a"].kernel["socket"], capture.drops["a"].kernel["interface"]))
        clock.run(0.6)
    # The interface's counter began anew at 3: what it had lost stays, and it counts on from there.
    assert found == [(0, None), (0, None), (2, 0), (2, 1), (5, 1), (5, 4)]
    assert told(capture) == [
        ("drop", "a", f"{n} frames of a dropped ({total} so far): counted by the kernel's {where}",
         {"dropped": n, "total": total, "where": where})
        for n, total, where in ((2, 2, "socket"), (1, 1, "interface"), (3, 5, "socket"), (3, 4, "interface"))
    ]  # fmt: skip
    assert capture.drops["a"].lost == 9
    assert capture.drops["a"].known


def test_what_found_the_queue_full_is_counted_at_once(capture_of, clock):
    capture, (lane,) = capture_of("a", capacity=2)
    for _ in range(2):
        lane.came(1 * MS, 2 * MS, 3 * MS, 4 * MS)
        assert len(capture.poll(0)) == 2
    texts = [text for _, _, text, _ in told(capture)]
    assert texts == [f"2 frames of a dropped ({total} so far): this program could not keep up" for total in (2, 4)]
    assert [values["where"] for *_, values in told(capture)] == ["queue", "queue"]
    assert capture.drops == {"a": Drops(4, {})}
    assert not capture.drops["a"].known


@pytest.mark.parametrize(
    ("drops", "lost", "known"),
    [
        (Drops(0, {}), 0, False),
        (Drops(1, {"socket": None}), 1, False),
        (Drops(1, {"socket": None, "interface": 2}), 3, True),
        (Drops(0, {"socket": 0}), 0, True),
    ],
)
def test_what_is_known_of_drops(drops, lost, known):
    assert (drops.lost, drops.known) == (lost, known)


@pytest.mark.parametrize(
    ("step_ms", "said"), [(50, []), (-50, []), (51, ["+0.051"]), (-51, ["-0.051"]), (3_600_000, ["+3600.000"])]
)
def test_a_wall_clock_that_moves_by_more_than_a_twentieth_of_a_second_was_set(step_ms, said, capture_of, clock):
    capture, _ = capture_of("a")
    clock.wall += step_ms * MS
    capture.poll(0)
    capture.poll(0)
    assert told(capture) == [
        (
            "clock",
            None,
            f"the wall clock moved by {step} s: it was set, or the computer slept",
            {"step_s": step_ms / 1e3},
        )
        for step in said
    ]


@pytest.mark.parametrize(("late_s", "said"), [(1.0, 0), (1.1, 1)])
def test_a_wait_that_takes_a_second_longer_was_no_wait(late_s, said, capture_of, clock):
    capture, _ = capture_of("a")
    capture._stopped.wait = lambda seconds: clock.run(seconds + late_s)
    capture.poll(0.03)
    texts = [text for kind, _, text, _ in told(capture) if kind == "note"]
    assert texts == ["this program did not run for 1.1 s: it was suspended, or the computer was too busy"] * said


def test_a_poll_waits_until_there_is_half_a_buffer_or_its_time_is_over(capture_of, clock):
    capture, (lane,) = capture_of("a", capacity=4)
    waits = []

    def wait(seconds):
        waits.append(round(seconds, 6))
        clock.run(seconds)
        lane.came(len(waits) * MS)
        return False

    capture._stopped.wait = wait
    assert len(capture.poll(0.07)) == 3  # more than half of four
    assert waits == [0.03, 0.03, 0.01]
    lane.came(1 * MS, 2 * MS, 3 * MS)
    assert len(capture.poll(10.0)) == 3
    assert len(waits) == 3
    capture._stopped.wait = lambda seconds: waits.append(seconds) or True
    capture.poll(10.0)
    assert len(waits) == 4


@pytest.mark.parametrize(
    ("states", "said"),
    [
        ([None, True, True], []),
        ([True, False, True], ["down", "up"]),
        ([True, None, None, False], ["gone"]),
        ([False, False], []),
    ],
)
def test_an_interface_that_changes_its_state_is_an_event(states, said, capture_of, clock, monkeypatch):
    capture, _ = capture_of("can0", backend="socketcan")
    left = list(states)
    monkeypatch.setattr(live_capture, "interface_is_up", lambda name: left.pop(0) if name == "can0" else None)
    for _ in states:
        capture.poll(0)
        clock.run(0.6)
    assert told(capture) == [("interface", "can0", f"can0 is {state}", {"state": state}) for state in said]
    assert left == []


def test_what_a_live_capture_is(capture_of, clock):
    capture, lanes = capture_of("a", "b")
    assert (capture.format, capture.size, capture.buses) == ("live", 0, ("a", "b"))
    assert [str(path) for path in capture.paths] == ["live:fake/a", "live:fake/b"]
    assert (capture.clock.origin, capture.clock.source, capture.clock.resolution_ns) == ("epoch", "kernel", 1000)
    lanes[1].connected = False
    assert capture.connected == {"a": True, "b": False}
    assert dict(capture.proofs) == {"a": SAFE, "b": SAFE}
    mixed = [
        FakeLane(address, k, stamped_by=by)
        for (k, address), by in zip(enumerate(capture.addresses), ("host", "kernel"), strict=True)
    ]
    assert LiveCapture(capture.addresses, mixed, {}, bench=True).clock.source == "unknown"


# Opening ------------------------------------------------------------------------------------------------------------

UNPROVEN = Proof(Listening.NOT_PROVEN, "nobody knows")


@pytest.mark.parametrize(
    ("options", "opens", "acknowledging"),
    [({}, False, None), ({"may_acknowledge": True}, True, False), ({"bench": True}, True, True)],
)
def test_an_unproven_listener_is_opened_with_consent_only(options, opens, acknowledging):
    adapter = FakeAdapter(can0=[FakeBus()], can1=[FakeBus()])
    proofs = {"can0": SAFE, "can1": UNPROVEN}
    sources = ["live:fake/can0", "live:fake/can1"]
    arguments = {"opener": adapter, "proving": lambda address: proofs[address.name], **options}
    if not opens:
        with pytest.raises(UserError) as caught:
            open_live(sources, **arguments)
        assert adapter.opened == []
        assert "CAUTION: can1 may acknowledge" in str(caught.value)
        assert "--may-acknowledge" in caught.value.hint
        return
    with open_live(sources, **arguments) as capture:
        assert capture.bench is bool(options.get("bench"))
    assert adapter.acknowledging == [acknowledging] * 2


@pytest.mark.parametrize(("up", "refused"), [(False, True), (True, False), (None, False)])
def test_an_interface_that_is_down_is_not_opened(up, refused, monkeypatch):
    monkeypatch.setattr(live_capture, "interface_is_up", lambda _name: up)
    adapter = FakeAdapter(can0=[FakeBus()])
    if refused:
        with pytest.raises(UserError) as caught:
            open_live(["live:socketcan/can0"], opener=adapter, proving=lambda _address: SAFE)
        assert caught.value.hint == "sudo ip link set can0 up"
        assert adapter.opened == []
    else:
        open_live(["live:socketcan/can0"], opener=adapter, proving=lambda _address: SAFE).close()
        assert adapter.opened == ["can0"]


@pytest.mark.parametrize(
    ("first", "now", "opens"),
    [
        (Proof(Listening.PROVEN, ""), Proof(Listening.PROVEN, ""), True),
        (Proof(Listening.PROVEN, ""), UNPROVEN, False),
        (UNPROVEN, UNPROVEN, True),
        (SAFE, UNPROVEN, True),
    ],
)
def test_what_was_proven_is_proven_again_before_it_is_opened_again(first, now, opens):
    address = parse_live("live:fake/can0")
    opened = Opened(FakeBus(), {}, "host")
    asked = []
    reopen = live_capture._reopener(
        address, True, lambda where, bench: asked.append((where, bench)) or opened, lambda _address: now, first
    )
    if opens:
        assert reopen() is opened
        assert asked == [(address, True)]
    else:
        with pytest.raises(UserError, match="can0 came back, but not in listen-only mode"):
            reopen()


def test_buses_that_were_open_already_are_closed_when_a_later_one_fails():
    buses = [FakeBus(), FakeBus()]
    with pytest.raises(UserError, match="No such device"):
        open_live(
            [f"live:fake/can{k}" for k in range(3)],
            opener=FakeAdapter(can0=[buses[0]], can1=[buses[1]], can2=[gone()]),
            proving=lambda _address: SAFE,
        )
    assert [bus.closed for bus in buses] == [True, True]
