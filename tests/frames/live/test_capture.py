"""Live buses: what is received, what is survived, and that a live batch equals what its recording gives back."""

import contextlib
import io
import threading
import time
from types import SimpleNamespace

import can
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.errors import UserError
from buswright.frames.formats.candump.reader import FORMAT
from buswright.frames.formats.candump.writer import write_candump
from buswright.frames.formats.reading import Reading
from buswright.frames.live import capture as live_capture
from buswright.frames.live import kernel_drops
from buswright.frames.live import lane as live_lane
from buswright.frames.live.address import parse_all, parse_live
from buswright.frames.live.buffer import LiveBuffer
from buswright.frames.live.bus import Opened, _explained, open_bus
from buswright.frames.live.capture import open_live
from buswright.frames.live.find_bitrate import CANDIDATES, find_bitrate
from buswright.frames.live.listen_only import Listening, Proof
from buswright.frames.message import DamagedMessageError, row_of
from buswright.frames.table import Flag, concatenate
from tests.frames.frame_batches import rows_of
from tests.frames.live_fakes import SAFE, START, FakeAdapter, FakeBus, gone, message, poll_until, unplugged, until
from tests.ports import free_ports

NOT_PROVEN = Proof(Listening.NOT_PROVEN, "a test says so", ("sudo ip link set can0 down",))


@pytest.fixture(autouse=True)
def hurry(monkeypatch):
    monkeypatch.setattr(live_lane, "BACK_OFF_S", (0.001,))
    monkeypatch.setattr(live_lane, "RECEIVE_TIMEOUT_S", 0.01)
    monkeypatch.setattr(live_capture, "LOOK_S", 0.0)


def opened(adapter, *names, **options):
    options.setdefault("proving", lambda address: SAFE)
    return open_live([f"live:fake/{name}" for name in names or ("can0",)], opener=adapter, **options)


def frames_in(batches):
    return sum(map(len, batches))


def kinds(capture):
    return [event.kind for event in capture.events]


# Addresses -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "backend", "channel", "options", "name"),
    [
        ("live:socketcan/can0", "socketcan", "can0", {}, "can0"),
        ("live:slcan//dev/ttyACM0?bitrate=500000", "slcan", "/dev/ttyACM0", {"bitrate": 500_000}, "ttyACM0"),
        ("live:slcan/COM3?bitrate=500k&rtscts=true", "slcan", "COM3", {"bitrate": 500_000, "rtscts": True}, "COM3"),
        ("live:slcan//dev/by-id/x?bitrate=83.3k", "slcan", "/dev/by-id/x", {"bitrate": 83_300}, "by-id/x"),
        ("live:udp_multicast/239.0.0.2?port=431", "udp_multicast", "239.0.0.2", {"port": 431}, "239.0.0.2:431"),
        ("live:udp_multicast/ff15::1?port=9", "udp_multicast", "ff15::1", {"port": 9}, "ff15::1:9"),
        ("live:kvaser/0?bitrate=1M", "kvaser", "0", {"bitrate": 1_000_000}, "kvaser0"),
        ("live:gs_usb/", "gs_usb", "", {}, "gs_usb"),
        ("live:virtual/a%2Fb%20c?name=left%20side", "virtual", "a/b c", {}, "left_side"),
        ("live:socketcand/can0?host=192.0.2.7&port=29536&gain=0.5", "socketcand", "can0",
         {"host": "192.0.2.7", "port": 29536, "gain": 0.5}, "can0"),
    ],
)  # fmt: skip
def test_an_address_is_backend_channel_and_options(text, backend, channel, options, name):
    address = parse_live(text)
    assert (address.backend, address.channel, dict(address.options), address.name) == (backend, channel, options, name)
    assert str(address) == text


@pytest.mark.parametrize(
    "text",
    [
        "can0",
        "live:",
        "live:socketcan",
        "live:/can0",
        "live:x/y?bitrate",
        "live:x/y?=3",
        "live:slcan/COM3?bitrate=fast",
    ],
)
def test_what_is_no_address_is_refused_with_an_example(text):
    with pytest.raises(UserError) as caught:
        parse_live(text)
    assert caught.value.hint


@pytest.mark.parametrize("option", ["listen_only=false", "driver_mode=1", "monitor=no", "state=ACTIVE"])
def test_an_address_can_not_switch_listening_only_off(option):
    with pytest.raises(UserError, match="can't be set here"):
        parse_live(f"live:slcan//dev/ttyACM0?bitrate=500000&{option}")


def test_two_buses_need_two_names():
    with pytest.raises(UserError, match="both would be called can0") as caught:
        parse_all(["live:socketcan/can0", "live:socketcand/can0?host=h&port=1"])
    assert "&name=can1" in caught.value.hint
    assert [a.name for a in parse_all(["live:socketcan/can0", "live:socketcand/can0?host=h&name=far"])] == [
        "can0",
        "far",
    ]


@given(st.text(max_size=40))
def test_any_text_is_an_address_or_refused(text):
    with contextlib.suppress(UserError):
        assert parse_live("live:" + text).backend


# Messages ------------------------------------------------------------------------------------------------------------

SWITCHES = ("is_remote_frame", "is_error_frame", "is_fd", "bitrate_switch", "error_state_indicator", "is_rx")
FLAGS = st.fixed_dictionaries({name: st.booleans() for name in SWITCHES})


@given(
    st.floats(0.0, 4e9), st.integers(0, 0x1FFFFFFF), st.booleans(), FLAGS, st.binary(max_size=64), st.integers(0, 15)
)
def test_whatever_is_taken_from_a_bus_its_recording_gives_back(at, identifier, extended, flags, data, dlc):
    received = can.Message(
        timestamp=at, arbitration_id=identifier, is_extended_id=extended, data=data, dlc=dlc, **flags
    )
    buffer = LiveBuffer(4)
    try:
        buffer.append(*row_of(received))
    except DamagedMessageError:
        return
    frames = buffer.take(0)[0].freeze(["can0"])
    stream = io.BytesIO()
    losses = write_candump([frames], stream)
    back = concatenate(list(FORMAT.read(io.BytesIO(stream.getvalue()), Reading("x"))))
    assert rows_of(back) == rows_of(frames)
    assert not losses


@pytest.mark.parametrize(
    ("fields", "flag"),
    [
        ({"is_extended_id": True}, Flag.EXTENDED),
        ({"is_remote_frame": True, "data": b"", "dlc": 4}, Flag.REMOTE),
        ({"is_error_frame": True}, Flag.ERROR),
        ({"is_fd": True, "bitrate_switch": True}, Flag.FD | Flag.BRS),
        ({"is_fd": True, "error_state_indicator": True, "data": bytes(48)}, Flag.FD | Flag.ESI),
        ({"is_rx": False}, Flag.TRANSMITTED),
    ],
)
def test_kind_and_direction_of_a_message_are_kept(fields, flag):
    time_ns, identifier, flags, dlc, payload = row_of(message(**fields))
    assert (time_ns, identifier, Flag(flags)) == (1_770_000_000_000_000_000, 0x123, flag)
    if flag is Flag.REMOTE:
        assert (dlc, payload) == (4, b"")
    if flag is Flag.ERROR:
        assert (dlc, payload) == (8, b"\x01\x02" + bytes(6))


@pytest.mark.parametrize(
    "damaged",
    [
        {"data": bytes(9)},
        {"data": bytes(3), "dlc": 8},
        {"identifier": 0x800},
        {"identifier": 0x20000000, "is_extended_id": True},
        {"data": bytes(65), "is_fd": True},
    ],
)
def test_what_no_bus_can_carry_is_refused(damaged):
    with pytest.raises(DamagedMessageError):
        row_of(message(**damaged))


def test_stamps_are_quantised_to_a_microsecond():
    assert row_of(message(at=START + 0.1234567))[0] == 1_770_000_000_123_457_000


# Receiving -----------------------------------------------------------------------------------------------------------


def test_batches_come_out_as_columns_with_all_bus_names():
    bus = FakeBus(*(message(k, bytes([k] * (k % 9)), START + k / 1000) for k in range(100)))
    with opened(FakeAdapter(can0=[bus])) as capture:
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 100))
    assert frames.id.tolist() == list(range(100))
    assert frames.length.tolist() == [k % 9 for k in range(100)]
    assert frames.payload_of(17) == bytes([17] * 8)
    assert capture.buses == ("can0",)
    assert (capture.clock.origin, capture.clock.source, capture.clock.resolution_ns) == ("epoch", "kernel", 1000)
    assert not capture.problems
    assert bus.closed


def test_long_payloads_keep_their_rows():
    data = [bytes(range(k, k + size)) for k, size in enumerate([3, 64, 8, 12, 0, 20])]
    bus = FakeBus(*(message(1, d, is_fd=True) for d in data))
    with opened(FakeAdapter(can0=[bus])) as capture:
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 6))
    assert [frames.payload_of(k) for k in range(6)] == data


def test_several_buses_are_merged_by_time():
    now = time.time()
    left = FakeBus(*(message(1, at=now + k / 1000) for k in range(0, 200, 2)))
    right = FakeBus(*(message(2, at=now + k / 1000) for k in range(1, 200, 2)))
    with opened(FakeAdapter(can0=[left], can1=[right]), "can0", "can1") as capture:
        until(lambda: left._items.empty() and right._items.empty())
        time.sleep(0.01)
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 200))
    assert frames.id.tolist() == [1, 2] * 100
    assert frames.buses == ("can0", "can1")


def test_time_that_goes_back_on_one_bus_stays_as_it_came():
    now = time.time()
    left = FakeBus(*(message(k, at=now + step) for k, step in enumerate([0.000, 0.003, 0.001, 0.004])))
    right = FakeBus(message(9, at=now + 0.002))
    with opened(FakeAdapter(can0=[left], can1=[right]), "can0", "can1") as capture:
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 5))
    assert frames.id[frames.bus == 0].tolist() == [0, 1, 2, 3]


def test_iterating_ends_when_it_is_stopped_and_gives_what_came():
    bus = FakeBus(*(message(k) for k in range(50)))
    capture = opened(FakeAdapter(can0=[bus]))
    until(bus._items.empty)
    got = []
    for frames in capture:
        got.append(frames)
        if frames_in(got) == 50:
            threading.Thread(target=capture.stop).start()
    assert frames_in(got) == 50
    with pytest.raises(RuntimeError, match="only once"):
        list(capture)


def test_iterating_ends_by_itself_at_a_time_that_follows_from_the_first_frame():
    bus = FakeBus(message(1, at=time.time()))
    capture = opened(FakeAdapter(can0=[bus]))
    capture.stop_at(lambda first_ns: first_ns)
    assert frames_in(capture) == 1
    assert capture.first_time_ns() is not None


def test_stamps_that_count_from_the_adapters_start_are_put_on_the_epoch():
    before = time.time_ns()
    bus = FakeBus(message(1, at=12.5), message(2, at=12.75))
    with opened(FakeAdapter(can0=[bus])) as capture:
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 2))
    assert before - 1000 <= frames.time_ns[0] <= time.time_ns()
    assert abs(int(np.diff(frames.time_ns)[0]) - 250_000_000) <= 1000


def test_python_cans_virtual_bus_can_be_listened_to():
    sender = can.Bus(interface="virtual", channel="listened", protocol=can.CanProtocol.CAN_FD)
    with open_live(["live:virtual/listened"]) as capture:
        for k in range(20):
            sender.send(message(k, bytes([k]) * 12, is_fd=True))
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 20))
    sender.shutdown()
    assert frames.id.tolist() == list(range(20))
    assert frames.has(Flag.FD).all()


def test_multicast_datagrams_can_be_listened_to_and_its_drops_counted():
    pytest.importorskip("msgpack")
    port = free_ports()
    address = f"live:udp_multicast/239.74.163.9?port={port}&hop_limit=0"
    try:
        capture = open_live([address])
        sender = can.Bus(interface="udp_multicast", channel="239.74.163.9", port=port, hop_limit=0)
        sender.send(message(0x7FF))
    except (OSError, UserError, can.CanError):
        pytest.skip("no multicast here")
    with capture:
        for k in range(50):
            sender.send(message(k))
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 51))
        assert frames.id.tolist() == [0x7FF, *range(50)]
        known = capture.drops[f"239.74.163.9:{port}"]
    sender.shutdown()
    assert known.queue == 0
    assert known.kernel in ({"socket": 0}, {"socket": None})


def test_what_came_while_a_later_bus_was_being_opened_is_no_burst_at_the_start():
    first, second = FakeBus(message(0x001), message(0x002)), FakeBus()

    def opener(address, acknowledging):
        if address.name == "can1":
            until(lambda: first.idle)  # fetched, and so stamped, while this one takes its time
        return Opened(first if address.name == "can0" else second, {}, "host")

    with opened(opener, "can0", "can1") as capture:
        first.give(message(0x003))
        second.give(message(0x004))
        batches = poll_until(capture, lambda batches: frames_in(batches) >= 2)
        assert sorted(identifier for batch in batches for identifier in batch.id.tolist()) == [0x003, 0x004]


# Surviving -----------------------------------------------------------------------------------------------------------


def test_an_unplugged_adapter_is_opened_again_and_the_gap_is_the_recorders_own():
    first, second = FakeBus(message(1), unplugged()), FakeBus(message(2))
    adapter = FakeAdapter(can0=[first, gone(), gone(), second])
    with opened(adapter) as capture:
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 2))
        poll_until(capture, lambda batches: "gap" in kinds(capture))
        assert capture.connected == {"can0": True}
    assert frames.id.tolist() == [1, 2]
    assert first.closed
    states = [event.values["state"] for event in capture.events if event.kind == "interface"]
    assert states == ["lost", "waiting", "back"]
    (gap,) = (event for event in capture.events if event.kind == "gap")
    assert gap.bus == "can0"
    assert gap.values["start_ns"] <= gap.time_ns
    assert "a gap in the recording" in gap.text
    assert len(adapter.opened) == 4


def test_a_bus_that_fails_again_at_once_is_not_called_back():
    adapter = FakeAdapter(can0=[FakeBus(unplugged()), FakeBus(unplugged()), FakeBus(unplugged()), FakeBus(message(7))])
    with opened(adapter) as capture:
        poll_until(capture, lambda batches: frames_in(batches) == 1)
        poll_until(capture, lambda batches: "gap" in kinds(capture))
    assert kinds(capture).count("gap") == 1


def test_a_gap_that_lasts_to_the_end_is_marked_too():
    capture = opened(FakeAdapter(can0=[FakeBus(message(1), unplugged()), gone()]))
    poll_until(capture, lambda batches: "interface" in kinds(capture))
    assert capture.connected == {"can0": False}
    capture.close()
    capture.poll(0)
    assert kinds(capture)[-1] == "gap"


def test_one_bus_that_fails_leaves_the_others_alone():
    adapter = FakeAdapter(can0=[FakeBus(unplugged()), gone()], can1=[FakeBus(*(message(k) for k in range(30)))])
    with opened(adapter, "can0", "can1") as capture:
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 30))
    assert set(frames.bus.tolist()) == {1}


def test_garbled_messages_are_counted_and_nothing_else_is_lost():
    garbled = [ValueError("invalid literal for int()"), message(data=bytes(3), dlc=8)]
    unpacked = can.CanOperationError("could not unpack received message")
    unpacked.__cause__ = TypeError("unexpected keyword")
    bus = FakeBus(message(1), *garbled, message(2), unpacked, message(3))
    adapter = FakeAdapter(can0=[bus])
    with opened(adapter) as capture:
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 3))
        poll_until(capture, lambda batches: len(capture.problems) == 3)
        poll_until(capture, lambda batches: sum(event.values["damaged"] for event in capture.events) == 3)
    assert frames.id.tolist() == [1, 2, 3]
    assert sorted(capture.problems.counts.values()) == [1, 2]
    assert adapter.opened == ["can0"]
    assert set(kinds(capture)) == {"note"}


def test_a_program_that_stood_still_says_so(monkeypatch):
    monkeypatch.setattr(live_capture, "STILL_S", -1.0)
    with opened(FakeAdapter(can0=[FakeBus()])) as capture:
        capture.poll(0.001)
    assert "did not run" in capture.events[0].text


def test_an_endless_stream_of_garbage_begins_the_connection_anew(monkeypatch):
    monkeypatch.setattr(live_lane, "DAMAGED_IN_A_ROW", 20)
    adapter = FakeAdapter(can0=[FakeBus(*(ValueError("junk") for _ in range(60))), FakeBus(message(5))])
    with opened(adapter) as capture:
        poll_until(capture, lambda batches: frames_in(batches) == 1)
        poll_until(capture, lambda batches: "gap" in kinds(capture))


def test_a_storm_of_error_frames_is_frames():
    bus = FakeBus(*(message(0x88, bytes(8), START + k / 1e4, is_error_frame=True) for k in range(5000)))
    with opened(FakeAdapter(can0=[bus])) as capture:
        frames = concatenate(poll_until(capture, lambda batches: frames_in(batches) == 5000))
    assert frames.has(Flag.ERROR).all()
    assert set(frames.id.tolist()) == {0x88}


def test_silence_is_no_fault():
    with opened(FakeAdapter(can0=[FakeBus()])) as capture:
        for _ in range(20):
            assert len(capture.poll(0.002)) == 0
    assert capture.events == ()


def test_what_has_come_by_the_end_is_taken():
    bus = FakeBus()
    capture = opened(FakeAdapter(can0=[bus]))
    with capture._lanes[0].buffer._lock:  # the thread is held up at its first frame
        bus.give(*(message(k) for k in range(50)))
        until(lambda: bus._items.qsize() == 49)
        threading.Timer(0.05, capture._lanes[0].stop).start()
        until(capture._lanes[0]._stop.is_set)
    capture.close()
    assert len(capture.poll(0)) == 50


class PatientBus(FakeBus):
    """Is never ahead by more than half of the buffer that its frames go to, however slow the other thread is."""

    buffer = None

    def receive(self, timeout_s):
        for _ in range(60_000):
            if self.buffer is not None and not self.buffer.half_full:
                break
            time.sleep(0.001)
        return super().receive(timeout_s)


def test_a_program_that_is_far_behind_at_the_end_takes_all_of_it(monkeypatch):
    """As far as ten seconds go, which are no part of this test: the machine may be busy."""
    monkeypatch.setattr(live_lane, "DRAIN_S", 600.0)
    monkeypatch.setattr(live_capture, "CLOSE_S", 600.0)
    monkeypatch.setattr(live_capture, "BATCH_S", 0.005)
    bus = PatientBus(*(message(k % 8, k.to_bytes(8, "big")) for k in range(5_000)))
    capture = opened(FakeAdapter(can0=[bus]), capacity=1 << 10)
    bus.buffer = capture._lanes[0].buffer
    capture.close()
    whole = concatenate([capture.poll(0)])
    assert [int.from_bytes(data.tobytes(), "big") for data in whole.payload] == list(range(5_000))
    assert capture.drops["can0"].queue == 0


def test_what_is_left_at_the_end_is_counted(monkeypatch):
    monkeypatch.setattr(live_lane, "DRAIN_S", -0.001)
    bus = FakeBus()
    capture = opened(FakeAdapter(can0=[bus]))
    capture._lanes[0].stop()
    capture._lanes[0].join(60)
    bus.closed = False
    bus.give(*(message(k % 8) for k in range(500)), message(1, at=time.time() + 3600))
    capture._lanes[0]._drain()
    capture.close()
    assert len(capture.poll(0)) == 0
    assert capture.drops["can0"].queue == 500  # what was sent after the end is none of it
    assert bus._items.qsize() == 0


@pytest.mark.parametrize("step_s", [7200, -7200])
def test_five_seconds_are_five_seconds_of_running(step_s, monkeypatch):
    """The wall clock is set two hours off in the middle; a time of day, though, is a time of day."""
    now = [START, 100.0]
    clock = SimpleNamespace(
        time_ns=lambda: round(now[0] * 1e9), monotonic_ns=lambda: round(now[1] * 1e9), monotonic=time.monotonic
    )
    monkeypatch.setattr(live_capture, "time", clock)
    monkeypatch.setattr(live_capture, "wall_ns", clock.time_ns)
    bus = FakeBus()
    with opened(FakeAdapter(can0=[bus])) as capture:
        capture.stop_at(lambda first_ns: first_ns + 5_000_000_000, running=True)
        came = []
        for second in range(9):
            if second == 2:
                now[0] += step_s
            bus.give(message(second, at=now[0]))
            came += poll_until(capture, lambda batches: frames_in(batches) or capture.stopped)
            if capture.stopped:
                break
            now[0], now[1] = now[0] + 1, now[1] + 1
    assert concatenate(came).id.tolist() == [0, 1, 2, 3, 4, 5]
    assert kinds(capture) == ["clock"]


def test_a_full_queue_is_counted():
    bus = FakeBus(*(message(k) for k in range(100)))
    with opened(FakeAdapter(can0=[bus]), capacity=64) as capture:
        until(bus._items.empty)
        until(lambda: capture._lanes[0].buffer._dropped == 36)
        assert len(capture.poll(0)) == 64
        bus.give(message(7))
        poll_until(capture, lambda batches: frames_in(batches) == 1)
        assert capture.drops["can0"].queue == 36
    (drop,) = (event for event in capture.events if event.kind == "drop")
    assert (drop.bus, dict(drop.values)) == ("can0", {"dropped": 36, "total": 36, "where": "queue"})


def test_what_the_kernel_dropped_is_counted_from_the_beginning_of_listening():
    adapter, count = FakeAdapter(can0=[FakeBus()]), [1000]
    adapter.counters["can0"] = {"socket": lambda: count[0], "interface": lambda: None}
    with opened(adapter) as capture:
        capture.poll(0)
        assert capture.events == ()
        for count[0] in (1007, 1007, 1010, 3, 5):
            capture.poll(0)
        assert capture.drops["can0"].kernel == {"socket": 12, "interface": None}
        assert capture.drops["can0"].known
    drops = [event.values["dropped"] for event in capture.events]
    assert drops == [7, 3, 2]
    assert [event.values["total"] for event in capture.events] == [7, 10, 12]


def test_a_kernel_that_tells_nothing_leaves_the_count_unknown():
    adapter = FakeAdapter(can0=[FakeBus()])
    adapter.counters["can0"] = {"socket": lambda: None}
    with opened(adapter) as capture:
        capture.poll(0)
        assert not capture.drops["can0"].known


def test_interface_statistics_are_added_up(tmp_path):
    folder = tmp_path / "can0" / "statistics"
    folder.mkdir(parents=True)
    counter = kernel_drops.interface_drops("can0", tmp_path)
    assert counter() is None
    (folder / "rx_dropped").write_text("5\n")
    (folder / "rx_over_errors").write_text("7\n")
    (folder / "rx_packets").write_text("999\n")
    assert counter() == 12


def test_a_wall_clock_that_is_set_is_an_event(monkeypatch):
    with opened(FakeAdapter(can0=[FakeBus()])) as capture:
        capture.poll(0)
        assert capture.events == ()
        capture._clock_offset -= 3_600_000_000_000
        capture.poll(0)
        capture.poll(0)
    (event,) = capture.events
    assert (event.kind, event.bus) == ("clock", None)
    assert event.values["step_s"] == pytest.approx(3600, abs=0.1)


def test_an_interface_that_goes_down_and_up_is_an_event(monkeypatch):
    state = [True]
    monkeypatch.setattr(live_capture, "interface_is_up", lambda name: state[0])
    capture = open_live(["live:socketcan/can7"], opener=FakeAdapter(can7=[FakeBus()]), proving=lambda address: SAFE)
    with capture:
        for state[0] in (True, False, False, True, None):
            capture.poll(0)
    assert [event.values["state"] for event in capture.events] == ["down", "up", "gone"]


# Opening -------------------------------------------------------------------------------------------------------------


def test_an_unproven_listener_needs_consent_and_is_told_how_to_be_set():
    adapter = FakeAdapter(can0=[FakeBus()])
    with pytest.raises(UserError, match="may acknowledge") as caught:
        opened(adapter, proving=lambda address: NOT_PROVEN)
    assert "sudo ip link set can0 down" in caught.value.message
    assert "--may-acknowledge" in caught.value.hint
    assert adapter.opened == []


@pytest.mark.parametrize(("options", "acknowledging"), [({"may_acknowledge": True}, False), ({"bench": True}, True)])
def test_consent_opens_it_and_only_a_bench_acknowledges(options, acknowledging):
    adapter = FakeAdapter(can0=[FakeBus()])
    with opened(adapter, proving=lambda address: NOT_PROVEN, **options) as capture:
        assert capture.proofs["can0"] is NOT_PROVEN
        assert capture.bench is acknowledging
    assert adapter.acknowledging == [acknowledging]


def test_an_interface_that_comes_back_in_normal_mode_stays_closed():
    proofs = [Proof(Listening.PROVEN, "read back")]
    adapter = FakeAdapter(can0=[FakeBus(message(1), unplugged()), FakeBus(message(2))])

    def proving(address):
        return proofs.pop() if proofs else NOT_PROVEN

    with opened(adapter, proving=proving) as capture:
        poll_until(capture, lambda batches: any("not in listen-only mode" in event.text for event in capture.events))
    assert adapter.opened == ["can0"]


def test_if_one_of_two_can_not_be_opened_the_other_is_closed():
    bus = FakeBus()
    with pytest.raises(UserError, match="No such device"):
        opened(FakeAdapter(can0=[bus], can1=[gone()]), "can0", "can1")
    assert bus.closed


def test_an_unknown_backend_is_named_with_the_nearest():
    with pytest.raises(UserError, match="no backend") as caught:
        open_bus(parse_live("live:socketcann/can0"))
    assert "socketcan" in caught.value.hint


def test_a_serial_line_needs_its_bit_rate():
    with pytest.raises(UserError, match="at which bit rate"):
        open_bus(parse_live("live:slcan//dev/nowhere"))


def test_what_a_backend_raises_leads_on():
    fault = OSError(19, "No such device")
    said = _explained(parse_live("live:socketcan/can9"), fault)
    assert "No such device" in said.message
    assert "buswright interfaces" in said.hint


# Bit rate ------------------------------------------------------------------------------------------------------------


class Ticking:
    """A clock that a fake bus moves on."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


class Heard:
    """A bus at one rate: its items come every 10 ms, then nothing."""

    def __init__(self, clock, items):
        self._clock, self._items, self.closed = clock, list(items), False

    def receive(self, timeout_s):
        self._clock.now += 0.01 if self._items else timeout_s
        if not self._items:
            return None
        item = self._items.pop(0)
        if isinstance(item, Exception):
            raise item
        return item

    def close(self):
        self.closed = True


TRAFFIC = [message(1 + k % 3) for k in range(60)]
ERRORS = [message(8, bytes(8), is_error_frame=True) for _ in range(60)]


@pytest.mark.parametrize(
    ("by_rate", "found"),
    [
        ({500_000: TRAFFIC}, 500_000),
        ({1_000_000: ERRORS, 500_000: ERRORS, 83_333: TRAFFIC}, 83_333),
        ({500_000: TRAFFIC[:50] + ERRORS[:1]}, None),
        ({500_000: [message(1)] * 60}, None),
        ({500_000: TRAFFIC[:19]}, None),
        ({500_000: TRAFFIC[:20]}, 500_000),
        ({250_000: [ValueError("junk")] * 60, 125_000: TRAFFIC}, 125_000),
        ({}, None),
    ],
)
def test_a_bit_rate_is_accepted_on_evidence_and_said_why(by_rate, found):
    clock, buses = Ticking(), []

    def open_at(rate):
        buses.append(Heard(clock, by_rate.get(rate, [])))
        return buses[-1]

    search = find_bitrate(open_at, clock=clock)
    assert search.bitrate == found
    tried = CANDIDATES if found is None else CANDIDATES[: CANDIDATES.index(found) + 1]
    assert tuple(trial.bitrate for trial in search.trials) == tried
    assert all(trial.why for trial in search.trials)
    assert all(bus.closed for bus in buses)
    assert clock.now <= len(tried) * 1.02
