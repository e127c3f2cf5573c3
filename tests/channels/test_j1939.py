"""J1939: one message of several source addresses, each with its own channels, entries, rates, counters and checksums.

From memory of SAE J1939-71 and -21: EEC1 is parameter group 61444 (F004), of which bytes 4 and 5 are the engine speed
in steps of 0.125 rpm; TSC1 is group 0, addressed to one module, its last byte a message counter with a checksum over
payload and identifier above it; addresses 0 and 1 are the first and second engine, 3 the transmission, 11 the brakes,
254 (FE) the null address.
"""

from pathlib import Path

import numpy as np
import pytest

import buswright as bw
from buswright.channels.carfile.load import check_car_file
from buswright.channels.carfile.model import FrameName
from buswright.channels.following.follow import Follower
from buswright.channels.session import Session
from buswright.cli.main import main
from buswright.health.track import HealthTracker
from tests.frames.frame_batches import batch_of

MS = 1_000_000
EXTENDED = 1 << 31
DATABASE = f"""VERSION ""
BU_: ENGINE
BO_ {EXTENDED | 0x0CF004FE} EEC1: 8 Vector__XXX
 SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Vector__XXX
BO_ {EXTENDED | 0x0C0000FE} TSC1: 8 Vector__XXX
 SG_ RequestedSpeed : 8|16@1+ (0.125,0) [0|8031.875] "rpm" Vector__XXX
BA_DEF_ "ProtocolType" STRING ;
BA_DEF_DEF_ "ProtocolType" "";
BA_ "ProtocolType" "J1939";
"""
CAR = """format = 1
[bus.truck]
bitrate = 250_000
interfaces = ["can0"]
databases = ["truck.dbc"]
[module.first_engine]
bus = "truck"
messages = ["EEC1@00"]
[module.second_engine]
bus = "truck"
messages = ["0CF00401"]
[channel.speed]
signal = "truck/EEC1@00/EngineSpeed"
[channel.second_speed]
signal = "truck/EEC1@01/EngineSpeed"
expected_hz = 20
[channel.any_speed]
signal = "truck/EEC1/EngineSpeed"
[channel.wish]
signal = "truck/TSC1@03/RequestedSpeed"
[channel.other_wish]
signal = "truck/TSC1@0B/RequestedSpeed"
[frame."truck/0CF00400"]
period_ms = 10
counter = { start = 0, length = 4 }
thresholds = { jitter_sd = 0.4 }
[frame."truck/0C0000FE"]
checksum = { kind = "j1939", byte = 7 }
"""
FIRST, SECOND = FrameName("truck", 0x0CF00400, True), FrameName("truck", 0x0CF00401, True)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("truck")
    (path / "truck.dbc").write_text(DATABASE)
    (path / "car.toml").write_text(CAR)
    return path


@pytest.fixture(scope="module")
def car(folder):
    return bw.load_car_file(folder / "car.toml")


def speed_payload(counter: int, raw: int) -> bytes:
    return bytes([counter, 0xFF, 0xFF]) + raw.to_bytes(2, "little") + b"\xff\xff\xff"


def rows(seconds: float = 2.0):
    """The second engine's first frame comes first; its counter stands still, the first engine's once, too."""
    first = [
        (k * 10 * MS + 1, 0, FIRST.id, 1, 8, speed_payload((k - (k == 50)) % 16, 8000 + k % 7 * 9))
        for k in range(round(seconds * 100))
    ]
    second = [(k * 50 * MS, 0, SECOND.id, 1, 8, speed_payload(5, 6400)) for k in range(round(seconds * 20))]
    asked = bytes.fromhex("01401FA0FFFFFF")
    requests = [
        (0x0C000003, asked + b"\x50"),
        (0x0C000003, asked + b"\x35"),
        (0x0C00000B, bytes(7) + b"\x17"),
        (0x0C00000B, bytes(7) + b"\x27"),
        (0x0C000103, asked + b"\x50"),
    ]
    more = [(k * MS + 2, 0, identifier, 1, 8, payload) for k, (identifier, payload) in enumerate(requests)]
    return sorted([*first, *second, *more])


def bits(series, bit) -> list[int]:
    return [] if series.quality is None else np.flatnonzero(series.quality & np.uint16(bit)).tolist()


def test_the_car_file_checks_without_a_word(folder):
    assert not check_car_file(folder / "car.toml").faults


def test_each_source_address_has_its_own_channel(car):
    session = Session([batch_of(rows())], car)
    assert session["speed"].value[:2].tolist() == [1000.0, 1001.125]
    assert set(session["second_speed"].value.tolist()) == {800.0}
    assert [len(session[name]) for name in ("speed", "second_speed")] == [200, 40]


def test_counters_are_those_of_the_address_that_the_entry_names(car):
    session = Session([batch_of(rows())], car)
    assert bits(session["speed"], bw.Quality.STALE_COUNTER) == [50]
    assert bits(session["second_speed"], bw.Quality.STALE_COUNTER) == []


def test_an_entry_of_the_null_address_is_for_every_source_and_checksums_are_over_the_identifier_seen(car):
    session = Session([batch_of(rows())], car)
    # Published rows: 5 of 0C000003, 1 of 0C00000B; another destination makes another sum.
    assert bits(session["wish"], bw.Quality.BAD_CHECKSUM) == [2]
    assert bits(session["other_wish"], bw.Quality.BAD_CHECKSUM) == [1]


def test_periods_and_thresholds_are_those_of_the_source_address(car):
    session = Session([batch_of(rows())], car)
    assert session.expected("speed").due_hz == pytest.approx(100)
    assert session.expected("second_speed").due_hz == pytest.approx(20)
    tracker = HealthTracker(car=car)
    tracker.update(batch_of(rows()))
    ids = tracker.result().ids
    assert ids[FIRST].expected.period_ns.value == 10 * MS
    assert ids[FIRST].expected.counter.source == "car file"
    assert ids[SECOND].expected.period_ns.value == pytest.approx(50 * MS)
    assert ids[SECOND].expected.period_ns.source == "car file: expected_hz"
    assert ids[SECOND].expected.counter.source != "car file"
    assert (ids[FIRST].module, ids[SECOND].module) == ("first_engine", "second_engine")
    default = car.threshold("jitter_sd", frame=SECOND)
    assert car.threshold("jitter_sd", frame=FIRST) == 0.4 != default
    assert car.threshold("jitter_sd", frame=FIRST._replace(id=0x18F00400)) == 0.4, "of whatever priority"


def test_a_module_of_one_source_address_that_never_came_is_named(car):
    tracker = HealthTracker(car=car)
    tracker.update(batch_of([row for row in rows() if row[2] != FIRST.id]))
    gone = {name: [one.text for one in module.never_came] for name, module in tracker.result().modules.items()}
    assert gone == {("truck", "first_engine"): ["EEC1@00"], ("truck", "second_engine"): []}


@pytest.mark.parametrize("size", [1, 7, 10_000])
def test_a_channel_without_an_address_is_of_the_first_that_came_however_frames_are_cut(car, size):
    frames = batch_of(rows())
    session = Session([frames], car)
    assert set(session["any_speed"].value.tolist()) == {800.0}
    assert session.sources_of("any_speed") == ("EEC1@01", "EEC1@00")
    assert session.sources_of("speed") == ()
    follower = Follower(car)
    for piece in frames.pieces(size):
        follower.update(piece)
        if size > 1:
            follower.result(int(piece.time_ns[-1]))
    now = {each.name: each for each in follower.result(int(frames.time_ns[-1]))}
    assert (now["any_speed"].message, now["any_speed"].samples, now["any_speed"].maximum) == ("EEC1@01", 40, 800.0)
    assert now["speed"].samples == 200


def test_decode_says_which_address_was_taken(folder, capsys):
    log = folder / "run.log"
    lines = [f"({row[0] / 1e9:.6f}) can0 {row[2]:08X}#{row[5].hex().upper()}\n" for row in rows()]
    log.write_text("".join(lines))
    words = ["decode", str(log), "--car", str(folder / "car.toml"), "--out", str(folder / "x.csv"), "--force"]
    assert main(words) == 0
    text = capsys.readouterr().out
    assert "any_speed: of source address 01 alone; EEC1@00 came too" in text
    assert "never came" not in text
    lines = [line for line in lines if "0CF00401" not in line]
    log.write_text("".join(lines))
    assert main(words) == 0
    assert "never came: 1 module: truck/second_engine" in (text := capsys.readouterr().out)
    assert "never came: 1 channel: second_speed" in text


def test_a_draft_has_a_channel_for_each_source_address(folder, tmp_path, capsys):
    log = folder / "long.log"
    lines = [f"({row[0] / 1e9:.6f}) can0 {row[2]:08X}#{row[5].hex().upper()}\n" for row in rows(10.0)]
    log.write_text("".join(lines))
    out = tmp_path / "car.toml"
    words = ["draft", str(log), "--dbc", f"truck={folder / 'truck.dbc'}", "--bus", "truck=can0", "--out", str(out)]
    assert main(words) == 0
    drafted = bw.load_car_file(out)
    assert {name: str(channel.signal) for name, channel in drafted.channels.items()} == {
        "engine_speed_00": "truck/EEC1@00/EngineSpeed",
        "engine_speed_01": "truck/EEC1@01/EngineSpeed",
        "requested_speed_03": "truck/TSC1@03/RequestedSpeed",
        "requested_speed_0b": "truck/TSC1@0B/RequestedSpeed",
    }
    assert drafted.frames[FIRST].period_ms == 10
    assert drafted.frames[SECOND].period_ms == 50
    assert drafted.frames[FIRST].counter is not None
    assert drafted.frames[SECOND].counter is None
    session = bw.open_session(log, drafted)
    assert set(session["engine_speed_01"].value.tolist()) == {800.0}
    before = out.read_bytes()
    assert main([*words, "--add"]) == 0
    assert out.read_bytes() == before, "nothing is new"


@pytest.mark.parametrize(
    ("signal", "said"),
    [
        ("EEC1@1", 'no message "EEC1@1"'),
        ("EEC1@0b", 'no message "EEC1@0b"'),
        ("EEC1@GG", 'no message "EEC1@GG"'),
    ],
)
def test_what_is_no_source_address_is_refused(folder, signal, said):
    path = folder / "wrong.toml"
    path.write_text(CAR.replace('"truck/EEC1@00/EngineSpeed"', f'"truck/{signal}/EngineSpeed"', 1))
    (fault,) = (each for each in check_car_file(path).errors if each.key == "channel.speed.signal")
    assert said in fault.text
    assert "two hex digits" in fault.hint


def test_only_j1939_has_source_addresses(folder):
    (folder / "plain.dbc").write_text(DATABASE.partition("BA_DEF_")[0])
    path = folder / "plain.toml"
    path.write_text(CAR.replace("truck.dbc", "plain.dbc"))
    faults = check_car_file(path).errors
    assert len([fault for fault in faults if "EEC1 is not J1939" in fault.text]) == 3
