"""candump files: every form, every fault, and the array path against the exact path."""

import io
from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.frames.formats.candump import lines as candump_lines
from buswright.frames.formats.candump import reader as candump
from buswright.frames.formats.reading import Reading, read_chunks
from buswright.frames.table import Flag, Frames, concatenate
from tests.frames.frame_batches import rows_of

DATA = Path(__file__).parents[3] / "data"
EXT, REM, ERR, FD = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)
BRS, ESI, TX, UNTIMED = int(Flag.BRS), int(Flag.ESI), int(Flag.TRANSMITTED), int(Flag.UNTIMED)
S = 1_000_000_000


def read(text: bytes, **options: str) -> tuple[Frames, Reading]:
    reading = Reading("test.log", **options)  # type: ignore[arg-type]
    return concatenate(list(candump.FORMAT.read(io.BytesIO(text), reading))), reading


# line -> (time, bus, id, flags, dlc, payload)
LINES = {
    "(1596811271.072403) can2 3A6#9A9EFF7F2F00": (
        1596811271072403000, "can2", 0x3A6, 0, 6, "9a9eff7f2f00"),
    "(1.000001) can0 7FF#": (1000001000, "can0", 0x7FF, 0, 0, ""),
    "(1.000001) can0 000#1122334455667788": (1000001000, "can0", 0, 0, 8, "1122334455667788"),
    "(1596811271.072403219) vcan_chassis_10 18FEF1A3#0102": (
        1596811271072403219, "vcan_chassis_10", 0x18FEF1A3, EXT, 2, "0102"),
    "(1.000001) can0 00000123#01": (1000001000, "can0", 0x123, EXT, 1, "01"),
    "(1.000001) can0 123#R": (1000001000, "can0", 0x123, REM, 0, ""),
    "(1.000001) can0 123#R8": (1000001000, "can0", 0x123, REM, 8, ""),
    "(1.000001) can0 123#R8_C": (1000001000, "can0", 0x123, REM, 12, ""),
    "(1.000001) can0 1FFFFFFF#R4": (1000001000, "can0", 0x1FFFFFFF, EXT | REM, 4, ""),
    "(1.000001) can0 123#1122334455667788_9": (1000001000, "can0", 0x123, 0, 9, "1122334455667788"),
    "(1.000001) can0 123#1122334455667788_F": (1000001000, "can0", 0x123, 0, 15, "1122334455667788"),
    "(1.000001) can0 123#11.22.33": (1000001000, "can0", 0x123, 0, 3, "112233"),
    "(1.000001) can0 123##0": (1000001000, "can0", 0x123, FD, 0, ""),
    "(1.000001) can0 123##1" + "AB" * 12: (1000001000, "can0", 0x123, FD | BRS, 9, "ab" * 12),
    "(1.000001) can0 18DA00F1##3" + "0F" * 64: (1000001000, "can0", 0x18DA00F1, EXT | FD | BRS | ESI, 15, "0f" * 64),
    "(1.000001) can0 123##5112233": (1000001000, "can0", 0x123, FD | BRS, 3, "112233"),
    "(1.000001) can0 123#1122 T": (1000001000, "can0", 0x123, TX, 2, "1122"),
    "(1.000001) can0 123#1122 R": (1000001000, "can0", 0x123, 0, 2, "1122"),
    "(1.000001) can0 123##11122 T": (1000001000, "can0", 0x123, FD | BRS | TX, 2, "1122"),
    "(1.000001) can0 20000004#0020000000000080": (1000001000, "can0", 4, ERR, 8, "0020000000000080"),
    "(1.000001) can0 200001FF#0000000000000000": (1000001000, "can0", 0x1FF, ERR, 8, "00" * 8),
    " (1.000001)  can0  123   [2]  11 22": (1000001000, "can0", 0x123, 0, 2, "1122"),
    " (1.000001)  can0  123   [0] ": (1000001000, "can0", 0x123, 0, 0, ""),
    " (1.000001)  can0  123   [8]  11 22 33 44 55 66 77 88   '.\"3DUfw.'": (
        1000001000, "can0", 0x123, 0, 8, "1122334455667788"),
    " (1.000001)  can0  123   {F}  11 22 33 44 55 66 77 88": (1000001000, "can0", 0x123, 0, 15, "1122334455667788"),
    " (1.000001)  can0  18FEF1A3   [8]  11 22 33 44 55 66 77 88": (
        1000001000, "can0", 0x18FEF1A3, EXT, 8, "1122334455667788"),
    " (1.000001)  can0  123   [3]  remote request": (1000001000, "can0", 0x123, REM, 3, ""),
    " (1.000001)  can0  123   [0]  remote request": (1000001000, "can0", 0x123, REM, 0, ""),
    " (1.000001)  can0  TX - -  123   [2]  11 22": (1000001000, "can0", 0x123, TX, 2, "1122"),
    " (1.000001)  can0  RX - -  123   [2]  11 22": (1000001000, "can0", 0x123, 0, 2, "1122"),
    " (1.000001)  can0  RX B E  123  [12]  " + " ".join(["0A"] * 12): (
        1000001000, "can0", 0x123, FD | BRS | ESI, 9, "0a" * 12),
    " (1.000001)  can0  123  [02]  11 22": (1000001000, "can0", 0x123, FD, 2, "1122"),
    " (1.000001)  can0  20000088   [8]  00 00 08 00 00 00 60 00   ERRORFRAME": (
        1000001000, "can0", 0x88, ERR, 8, "0000080000006000"),
    " (1.000001)  can0  123   [3]  33`22`11": (1000001000, "can0", 0x123, 0, 3, "112233"),
    " (1.000001)  can0  123   [2]  00010001 11110000": (1000001000, "can0", 0x123, 0, 2, "11f0"),
    "  can0  123   [2]  11 22": (0, "can0", 0x123, UNTIMED, 2, "1122"),
    " (2026-11-24 10:30:00.250000)  can0  123   [1]  11": (1795516200250000000, "can0", 0x123, 0, 1, "11"),
}  # fmt: skip


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_each_form_alone_and_among_many(line, ending):
    text = line.encode() + ending
    assert rows_of(read(text)[0]) == [LINES[line]]
    frames, reading = read(b"(0.5) x 1#" + ending + text * 200)
    assert rows_of(frames) == [LINES[line]] * 200
    assert reading.problems.counts == {"bad identifier": 1}


REJECTED = {
    "(1.000001) can0 123#112": "odd number of hex digits",
    "(1.000001) can0 123#112233445566778899": "payload too long",
    "(1.000001) can0 123#11GG": "bad hex digit",
    "(1.000001) can0 800#11": "impossible identifier",
    "(1.000001) can0 40000000#11": "impossible identifier",
    "(1.000001) can0 FFFFFFFF#11": "impossible identifier",
    "(1.000001) can0 1234#11": "bad identifier",
    "(1.000001) can0 #11": "not a frame line",
    "(1.000001) can0 12Z#11": "bad identifier",
    "(1.000001) can0 123##1" + "AB" * 9: "not a CAN FD length",
    "(1.000001) can0 123##": "bad hex digit",
    "(1.000001) can0 123#1122_9": "bad raw length code",
    "(1.000001) can0 123#R9": "bad length",
    "(1.000001) can0": "not a frame line",
    "(99999999999.000001) can0 123#11": "bad time stamp",
    "(2026-13-24 10:30:00.250000) can0 123#11": "bad time stamp",
    "(1.0000001234) can0 123#11": "not a frame line",
    " (1.000001)  can0  123   [3]  11 22": "payload shorter than its length",
    " (1.000001)  can0  123   [9]  11 22 33 44 55 66 77 88 99": "payload too long",
    " (1.000001)  can0  123   [2]  11 2": "bad payload byte",
    " (1.000001)  can0  123  [09]  11 22 33 44 55 66 77 88 99": "not a CAN FD length",
    "\0\1\2\xff junk": "not a frame line",
}


@pytest.mark.parametrize("line", REJECTED)
def test_a_bad_line_is_counted_and_costs_no_other(line):
    good = b"(1.000001) can0 123#1122\n"
    frames, reading = read(good * 100 + line.encode("latin-1") + b"\n" + good * 100)
    assert len(frames) == 200
    (problem,) = reading.problems
    assert (problem.reason, problem.line, problem.count) == (REJECTED[line], 101, 1)
    assert problem.text == line.encode("latin-1").decode("utf-8", "backslashreplace")
    assert reading.problems.rejected == 1


@pytest.mark.parametrize("form", ["(1.000001) {} {}#{}", " (1.000001)  {}  {}   [2]  {}", "  {}  {}   [2]  {}"])
@pytest.mark.parametrize(("identifier", "payload"), [("123", "1G 22"), ("8FF", "11 22"), ("12", "11 22")])
def test_junk_lines_make_no_buses(form, identifier, payload):
    tight = payload if "[" in form else payload.replace(" ", "")
    good = form.format("can7", "123", "11 22" if "[" in form else "1122")
    junk = [form.format(f"x{k}", identifier, tight) for k in range(300)]
    frames, reading = read("\n".join([*junk, *[good] * 100, *junk, ""]).encode())
    assert len(frames) == 100
    assert reading.buses == ["can7"]
    assert reading.problems.rejected == 600


def test_nothing_in_nothing_out():
    for text in (b"", b"\n", b"\r\n\r\n", b"\xef\xbb\xbf"):
        frames, reading = read(text)
        assert len(frames) == 0
        assert not reading.problems


def test_byte_order_mark_and_missing_last_line_end():
    frames, reading = read(b"\xef\xbb\xbf(1.000001) can0 123#11\n(1.000002) can0 123#22")
    assert [row[5] for row in rows_of(frames)] == ["11", "22"]
    assert reading.problems.counts == {"last line without a line end, may be cut off": 1}
    assert reading.problems.rejected == 0


def test_first_and_last_line_cut_off():
    frames, reading = read(b"23) can0 123#11\n(1.000002) can0 123#22\n(1.000003) can0 123#3")
    assert [row[5] for row in rows_of(frames)] == ["22"]
    assert reading.problems.counts["not a frame line"] == 1
    assert reading.problems.counts["odd number of hex digits"] == 1


def test_differences_are_summed_over_all_interfaces():
    text = b"".join(
        b" (000.%06d)  can%d  123   [1]  %02X\n" % (0 if k == 0 else 1000 + k % 3, k % 2, k) for k in range(200)
    )
    frames, reading = read(text)
    steps = [0] + [1000 + k % 3 for k in range(1, 200)]
    assert frames.time_ns.tolist() == (np.cumsum(steps) * 1000).tolist()
    assert reading.clock.origin == "capture"
    assert "time stamps" in reading.metadata


def test_stamps_from_zero_stay_as_they_are():
    text = b"".join(b" (000.%06d)  can%d  123   [1]  %02X\n" % (k * 997, k % 2, k) for k in range(200))
    frames, reading = read(text)
    assert frames.time_ns.tolist() == [k * 997_000 for k in range(200)]
    assert reading.clock.origin == "capture"


@pytest.mark.parametrize("tick", [1, 100, 1000, 10_000, 1_000_000])
def test_coarse_stamps_from_zero_are_no_differences(tick):
    at = [k * 211 // tick * tick for k in range(20_000)]
    text = b"".join(b"(%d.%06d) can%d 123#%02X\n" % (*divmod(t, 1_000_000), k % 2, k % 256) for k, t in enumerate(at))
    frames, _ = read(text)
    assert frames.time_ns.tolist() == [t * 1000 for t in at]


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 1000),
    st.integers(51, 30_000),
    st.sampled_from([1, 10, 1000]),
    st.integers(0, 40),
    st.booleans(),
)
def test_differences_and_stamps_from_zero_are_told_apart(seed, most, tick, mixing, differences):
    """Whatever the ticks of the clock, and where the frames of two interfaces are written a little out of order."""
    at = np.cumsum([0, *np.random.default_rng(seed).integers(50, most, 300)]) // tick * tick
    if differences:
        written = np.diff(at, prepend=0)
    else:
        written = np.maximum(at - mixing * (np.arange(len(at)) % 2), 0)
        written[0] = 0
    text = b"".join(b"(%d.%06d) can0 123#11\n" % divmod(t, 1_000_000) for t in written.tolist())
    frames, reading = read(text)
    assert ("time stamps" in reading.metadata) == differences
    assert frames.time_ns.tolist() == ((at if differences else written) * 1000).tolist()


@pytest.mark.parametrize("count", [30, 400])
def test_a_steady_clockwork_of_differences(count):
    frames, reading = read(b"(0.000000) can0 123#11\n" + b"(0.010000) can0 123#11\n" * count)
    assert frames.time_ns[-1] == count * 10_000_000
    assert "time stamps" in reading.metadata


def test_two_runs_behind_one_another_are_no_differences():
    run = b"".join(b"(%d.%06d) can0 123#11\n" % divmod(k * 997, 1_000_000) for k in range(3000))
    frames, _ = read(run + run)
    assert int(frames.time_ns.max()) == 2999 * 997_000


def test_no_stamps_at_all():
    frames, reading = read(b"  can0  123   [2]  11 22\n" * 300)
    assert frames.has(Flag.UNTIMED).all()
    assert reading.clock.origin == "none"
    _, reading = read(b"  can0  123   [2]  11 22\nDROPCOUNT: dropped 5 CAN frames on 'can0' socket (total drops 12)\n")
    assert [event.time_ns for event in reading.events] == [None]


def test_dates_take_the_zone_that_is_assumed():
    line = b" (2026-07-24 10:30:00.250000)  can0  123   [1]  11\n"
    utc, _ = read(line)
    offset, reading = read(line, timezone="+02:00")
    named, _ = read(line, timezone="Europe/Vienna")
    assert utc.time_ns[0] - offset.time_ns[0] == 7200 * S
    assert named.time_ns[0] == offset.time_ns[0]
    assert reading.clock.timezone == "+02:00"


def test_dropped_frames_become_an_event():
    good = b"(1.000001) can0 123#1122\n"
    frames, reading = read(good + b"DROPCOUNT: dropped 5 CAN frames on 'can0' socket (total drops 12)\n" + good)
    assert len(frames) == 2
    (event,) = reading.events
    assert (event.kind, event.bus, dict(event.values)) == ("drop", "can0", {"dropped": 5, "total": 12})
    assert event.time_ns == 1_000_001_000
    assert not reading.problems


def test_more_names_than_a_capture_can_have_lose_no_frame():
    text = b"".join(b"(1.000001) n%d 123#11\n" % k for k in range(400))
    frames, reading = read(text)
    assert len(frames) == 400
    assert len(frames.buses) == 255
    assert frames.buses[-1] == "(more)"
    assert reading.problems.counts == {"more than 254 interface names": 146}


@pytest.mark.parametrize("name", [b"c\x1b[2J", b"can\xff", b"\xc3\x28", b"\x7fcan"])
def test_a_damaged_name_is_a_bad_line_and_no_new_bus(name):
    good = b"(1.000001) can0 123#11\n"
    frames, reading = read(good + (b"(1.000001) " + name + b" 123#11\n") * 80 + good * 80)
    assert frames.buses == ("can0",)
    assert len(frames) == 81
    assert reading.problems.counts == {"bad interface name": 80}


def test_a_name_beyond_ascii_is_a_name():
    frames, reading = read("(1.000001) motör 123#11\n".encode() * 3)
    assert frames.buses == ("motör",)
    assert not reading.problems


def test_junk_without_line_ends_is_passed_over():
    good = b"(1.000001) can0 123#1122\n"
    frames, reading = read(good + bytes(3 << 20) + b"\n" + good * 3)
    assert len(frames) == 4
    assert reading.problems.counts == {"line too long": 1}
    (problem,) = reading.problems
    assert problem.line == 2


def exactly(text: bytes) -> tuple[list[tuple[int, str, int, int, int, str]], dict[str, int]]:
    """The same file, every line through the exact path."""
    reading, stamps = Reading("test.log"), candump_lines.Stamps()
    found = []
    for chunk in read_chunks(io.BytesIO(text), reading):
        columns = candump._read_chunk(chunk, reading, stamps, arrays=False)
        found += rows_of(columns.freeze(reading.buses))
    return found, reading.problems.counts


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_arrays_agree_with_the_exact_path_on_damaged_files(data):
    lines = data.draw(st.lists(st.sampled_from([*LINES, *REJECTED, ""]), min_size=1, max_size=12))
    text = bytearray(b"(5.000000) can0 100#00\n" + "\n".join(lines * 20).encode("latin-1") + b"\n")
    for _ in range(data.draw(st.integers(0, 30))):
        at = data.draw(st.integers(0, len(text) - 1))
        kind = data.draw(st.integers(0, 2))
        if kind == 0:
            text[at] = data.draw(st.sampled_from(b"0123456789abcdefABCDEFgG#().[] \t\r\n\x00\x19\x80\xff_'RTX"))
        elif kind == 1:
            del text[at : at + data.draw(st.integers(1, 5))]
        else:
            text[at:at] = data.draw(st.binary(min_size=1, max_size=5))
    wanted, counts = exactly(bytes(text))
    frames, reading = read(bytes(text))
    if "time stamps" in reading.metadata:  # differences were summed; compare all but the time
        assert [row[1:] for row in rows_of(frames)] == [row[1:] for row in wanted]
    else:
        assert rows_of(frames) == wanted
    assert reading.problems.counts == counts


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=3000))
def test_no_bytes_break_the_reader(text):
    frames, reading = read(text)
    assert len(frames) + reading.problems.rejected <= text.count(b"\n") + 1


def test_a_file_written_by_python_can_reads_the_same(tmp_path):
    """python-can's CanutilsLogWriter as the outside source."""
    rng = np.random.default_rng(3)
    path = tmp_path / "written.log"
    sent = []
    with can.CanutilsLogWriter(str(path)) as writer:
        for k in range(3000):
            fd = k % 7 == 0
            length = int(rng.choice([0, 8, 12, 64])) if fd else int(rng.integers(0, 9))
            remote = not fd and k % 11 == 0
            message = can.Message(
                timestamp=1_700_000_000 + k / 64,  # exact in binary, so that both agree on the microsecond
                arbitration_id=int(rng.integers(0, 0x1FFFFFFF if k % 3 == 0 else 0x800)),
                is_extended_id=k % 3 == 0,
                is_remote_frame=remote,
                is_fd=fd,
                bitrate_switch=fd and k % 2 == 0,
                error_state_indicator=fd and k % 3 == 0,
                is_rx=k % 5 != 0,
                dlc=length,
                data=None if remote else rng.bytes(length),
                channel=f"vcan{k % 3}",
            )
            writer.on_message_received(message)
            sent.append(message)
    frames, reading = read(path.read_bytes())
    assert not reading.problems
    for row, m in zip(rows_of(frames), sent, strict=True):
        flags = (
            EXT * m.is_extended_id | REM * m.is_remote_frame | FD * m.is_fd | BRS * m.bitrate_switch
            | ESI * m.error_state_indicator | TX * (not m.is_rx)
        )  # fmt: skip
        # Deliberate difference: python-can's writer leaves out the length that a remote frame asks for.
        code = 0 if m.is_remote_frame else m.dlc if not m.is_fd else {0: 0, 8: 8, 12: 9, 64: 15}[m.dlc]
        assert row == (round(m.timestamp * 1e6) * 1000, m.channel, m.arbitration_id, flags, code, bytes(m.data).hex())


def test_a_road_car_is_read_whole():
    """10,000 frames of a road car, against python-can's reader."""
    path = DATA / "road_car.log"
    frames, reading = read(path.read_bytes())
    assert not reading.problems
    assert len(frames) == 10_000
    for row, m in zip(rows_of(frames), can.CanutilsLogReader(str(path)), strict=True):
        assert row[1:] == (m.channel, m.arbitration_id, EXT * m.is_extended_id, m.dlc, bytes(m.data).hex())
        assert abs(row[0] - m.timestamp * 1e9) < 300  # python-can keeps float seconds


def test_a_stamp_is_exact_to_the_nanosecond():
    frames, _ = read(b"(1596811271.000000001) can0 123#11\n" * 3 + b"(1596811271.999999999) can0 123#11\n")
    assert frames.time_ns.tolist() == [1596811271000000001] * 3 + [1596811271999999999]


def test_digits_that_come_late_make_the_clock_as_fine():
    early, late = b"(1.000001) can0 123#11\n" * 60_000, b"(2.000000001) can0 123#11\n"
    assert read(early)[1].clock.resolution_ns == 1000
    assert read(early + late)[1].clock.resolution_ns == 1


def test_batches_are_bounded_and_lossless(monkeypatch):
    monkeypatch.setattr("buswright.frames.formats.reading.BATCH_FRAMES", 1000)
    reading = Reading("x")
    text = b"".join(b"(1.%06d) can%d 123#%04X\n" % (k, k % 3, k % 65536) for k in range(200_000))
    batches = list(candump.FORMAT.read(io.BytesIO(text), reading))
    assert max(len(b) for b in batches) < 100_000
    whole = concatenate(batches)
    assert whole.time_ns.tolist() == [S + k * 1000 for k in range(200_000)]


@pytest.mark.parametrize(
    ("head", "expected"),
    [
        (b"(1.000001) can0 123#11\n", True),
        (b"garbage\n  can0  123   [2]  11 22\n", True),
        (b"date Sat Nov 14 10:30:00 2026\nbase hex  timestamps absolute\n   0.5 1 123 Rx d 1 00\n", False),
        (b"\x00\x01\x02", False),
        (b"", False),
    ],
)
def test_sniffing(head, expected):
    assert candump.sniff(head, "any.txt") is expected
