"""Recording, and listening, as a user types it; with python-can's in-process buses, and real processes to end."""

import io
import itertools
import json
import os
import resource
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import can
import jsonschema
import numpy as np
import pyarrow.parquet as pq
import pytest

import buswright
from buswright.cli import live_source
from buswright.cli.main import main
from buswright.errors import UserError
from buswright.frames.captures.opening import open_capture
from buswright.frames.captures.sidecar import sidecar_of
from buswright.frames.live import capture as live_capture
from buswright.frames.live import find_bitrate
from buswright.frames.live.listen_only import Listening, Proof
from buswright.frames.table import concatenate

ROOT = Path(__file__).parents[2]
SCHEMAS = Path(buswright.__file__).parent / "report" / "schemas"
UNPROVEN = Proof(Listening.NOT_PROVEN, "a test says so", ("sudo ip link set x down",))


def until(condition, timeout_s=60.0):
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.005)


@pytest.fixture
def sender():
    """Send on a bus of this process all the time, a counter in every frame; tells the bus's name."""
    name, ended = f"cli-{time.monotonic_ns()}", threading.Event()

    def run():
        with can.Bus(interface="virtual", channel=name) as bus:
            for count in itertools.count():
                if ended.wait(0.002):
                    return
                bus.send(
                    can.Message(arbitration_id=0x100 + count % 4, is_extended_id=False, data=count.to_bytes(8, "big"))
                )

    thread = threading.Thread(target=run)
    thread.start()
    yield f"live:virtual/{name}"
    ended.set()
    thread.join()


def sidecar_lines(path):
    return [json.loads(line) for line in sidecar_of(path).read_text(encoding="utf-8").splitlines()]


def frames_of(path):
    return concatenate(list(open_capture(path)))


def counts(frames):
    return [int.from_bytes(frames.payload_of(k), "big") for k in range(len(frames))]


def schema(name):
    return json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))


def test_so_many_frames_are_recorded_and_told(sender, tmp_path, capsys):
    out = tmp_path / "run.log"
    assert main(["record", sender, "--out", str(out), "--frames", "100"]) == 0
    printed = capsys.readouterr()
    assert printed.out.startswith("100 frames in ")
    assert f"recorded to {out} (--frames 100)" in printed.out
    assert "dropped" in printed.out
    assert printed.err == ""
    found = counts(frames_of(out))
    assert found == list(range(found[0], found[0] + 100))


def test_the_result_as_json_keeps_its_schema(sender, tmp_path, capsys):
    assert main(["record", sender, "--out", str(tmp_path / "run.asc.gz"), "--frames", "20", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, schema("record"))
    assert document["frames"] == 20
    assert document["files"] == [str(tmp_path / "run.asc.gz")]


def test_the_car_file_is_noted_with_its_hash_even_if_it_is_faulty(sender, tmp_path, monkeypatch, capsys):
    import hashlib

    (tmp_path / "car.toml").write_text("this is no car file")
    monkeypatch.chdir(tmp_path)
    assert main(["record", sender, "--out", "run.log", "--frames", "5"]) == 0
    header = sidecar_lines(tmp_path / "run.log")[0]
    assert header["car"] == {"path": "car.toml", "hash": hashlib.sha256(b"this is no car file").hexdigest()}
    assert header["program"].startswith("buswright ")
    assert [one["listening"] for one in header["interfaces"]] == ["not needed"]


def test_contents_tells_what_the_sidecar_says(sender, tmp_path, capsys):
    out = tmp_path / "run.log"
    main(["record", sender, "--out", str(out), "--frames", "5"])
    capsys.readouterr()
    main(["contents", str(out), "--json"])
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, schema("contents"))
    assert document["metadata"]["ended"] == "--frames 5"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["record", "run.log", "--out", "x.log"], "not a live bus"),
        (["record", "live:virtual/a", "run.log", "--out", "x.log"], "can't be read together"),
        (["record", "live:virtual/a", "--out", "x.blf"], "unknown file ending"),
        (["record", "live:virtual/a", "--out", "x.log", "--seconds", "0"], "must be above 0"),
        (["record", "live:virtual/a", "--out", "x.log", "--rotate-mb", "-1"], "must be above 0"),
        (["record", "live:virtual/a", "live:virtual/a", "--out", "x.log"], "both would be called"),
        (["record", "live:virtual/a", "--out", "x.log", "--car", "none.toml"], "none.toml"),
        (["cut", "live:virtual/a", "--out", "x.log"], "reads recordings only"),
        (["contents", "live:nosuch/a"], "may acknowledge"),
        (["contents", "live:nosuch/a", "--may-acknowledge"], "no backend"),
    ],
)
def test_a_wrong_call_is_said(words, says, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UserError, match=says) as caught:
        main(words)
    assert caught.value.hint
    assert not any(tmp_path.glob("x*"))


def test_nothing_is_overwritten_without_force(sender, tmp_path, capsys):
    out = tmp_path / "run.log"
    sidecar_of(out).write_text("mine")
    with pytest.raises(UserError, match="exists already"):
        main(["record", sender, "--out", str(out), "--frames", "5"])
    assert sidecar_of(out).read_text() == "mine"
    assert main(["record", sender, "--out", str(out), "--frames", "5", "--force"]) == 0


# Consent -------------------------------------------------------------------------------------------------------------


@pytest.fixture
def unproven(monkeypatch):
    monkeypatch.setattr("buswright.frames.live.listen_only.prove", lambda address: UNPROVEN)
    monkeypatch.setattr(live_capture.open_live, "__kwdefaults__", {
        **live_capture.open_live.__kwdefaults__, "proving": lambda address: UNPROVEN
    })  # fmt: skip


def test_an_unproven_listener_is_refused_where_nobody_can_be_asked(sender, unproven, tmp_path, capsys):
    with pytest.raises(UserError, match="may acknowledge frames") as caught:
        main(["record", sender, "--out", str(tmp_path / "run.log"), "--frames", "5"])
    assert "--may-acknowledge" in caught.value.hint
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize("option", ["--may-acknowledge", "--bench"])
def test_consent_is_warned_of_and_noted(option, sender, unproven, tmp_path, capsys):
    out = tmp_path / "run.log"
    assert main(["record", sender, "--out", str(out), "--frames", "5", option]) == 0
    warned = capsys.readouterr().err
    assert "may acknowledge frames" in warned
    assert ("Never connect it to a car" in warned) is (option == "--bench")
    header = sidecar_lines(out)[0]
    assert header["may_acknowledge"] is True
    assert header["bench"] is (option == "--bench")
    assert header["interfaces"][0]["listening"] == "not proven"


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize(("answer", "opened"), [("yes\n", True), ("no\n", False), ("\n", False), ("y\n", False)])
def test_on_a_terminal_it_is_asked_for(answer, opened, unproven, monkeypatch):
    monkeypatch.setattr(sys, "stdin", Terminal(answer))
    monkeypatch.setattr(sys, "stderr", Terminal())
    if opened:
        assert live_source._asked(["live:test/can0"])
    else:
        with pytest.raises(UserError, match="not opened"):
            live_source._asked(["live:test/can0"])


# Other commands on a live bus ----------------------------------------------------------------------------------------


def interrupt_soon(seconds):
    timer = threading.Timer(seconds, os.kill, (os.getpid(), signal.SIGINT))
    timer.start()
    return timer


def test_contents_of_a_live_bus_ends_with_ctrl_c(sender, capsys):
    timer = interrupt_soon(0.4)
    before = signal.getsignal(signal.SIGINT)
    assert main(["contents", sender, "--json"]) == 0
    timer.join()
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, schema("contents"))
    assert document["format"] == "live"
    assert document["frames"] > 0
    assert {one["id"] for one in document["identifiers"]} <= {"100", "101", "102", "103"}
    assert signal.getsignal(signal.SIGINT) is before


def test_health_of_a_live_bus_ends_at_its_window(sender, capsys):
    assert main(["health", sender, "--to", "0.3", "--json", "--fail-on", "never"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, schema("health"))


def test_decode_of_a_live_bus_reads_it_twice(sender, tmp_path, capsys):
    database = tmp_path / "count.dbc"
    database.write_text(
        'VERSION ""\nBS_:\nBU_: A\nBO_ 256 COUNT: 8 A\n SG_ low : 7|64@0+ (1,0) [0|0] "" Vector__XXX\n',
        encoding="utf-8",
    )
    out = tmp_path / "decoded.parquet"
    words = ["decode", sender, "--dbc", str(database), "--to", "0.3", "--rate", "100", "--out", str(out)]
    assert main(words) == 0
    table = pq.read_table(out)
    values = np.asarray(table.column(1))
    assert len(values) > 5
    assert (np.diff(values[~np.isnan(values)]) >= 0).all()


# Ending real processes -----------------------------------------------------------------------------------------------


def start(out, *words, **options):
    command = [sys.executable, "-m", "buswright", "record", "live:virtual/x", "--out", str(out), *words]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **options)
    until(lambda: sidecar_of(out).exists() and sidecar_of(out).read_bytes().count(b"\n") >= 1)
    return child


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.parametrize(
    ("number", "why"),
    [(signal.SIGINT, "Ctrl-C"), (signal.SIGTERM, "terminated"), (signal.SIGHUP, "the terminal was closed")],
)
def test_a_polite_signal_ends_a_recording_cleanly(number, why, tmp_path):
    out = tmp_path / "run.log"
    child = start(out, stdin=subprocess.DEVNULL)
    child.send_signal(number)
    printed, errors = child.communicate(timeout=30)
    assert child.returncode == 0, errors
    assert errors == ""
    assert f"({why})" in printed
    assert sidecar_lines(out)[-1]["why"] == why


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX terminals")
def test_a_closed_terminal_ends_a_recording_cleanly(tmp_path):
    import fcntl
    import pty
    import termios

    out, (master, slave) = tmp_path / "run.log", pty.openpty()
    command = [sys.executable, "-m", "buswright", "record", "live:virtual/x", "--out", str(out)]
    child = subprocess.Popen(
        command,
        stdin=slave,
        stdout=slave,
        stderr=slave,
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509  (no thread runs by then)
    )
    os.close(slave)
    until(lambda: sidecar_of(out).exists() and sidecar_of(out).read_bytes().count(b"\n") >= 1)
    os.write(master, b"wiggled plug C12\n")
    until(lambda: b"plug C12" in sidecar_of(out).read_bytes())
    shown = os.read(master, 65536).decode()
    os.close(master)
    assert child.wait(timeout=30) == 0
    assert "Recording x to" in shown
    assert "room for" in shown
    events, end = sidecar_lines(out)[1:-1], sidecar_lines(out)[-1]
    assert [(event["kind"], event["text"]) for event in events] == [("marker", "wiggled plug C12")]
    assert end["why"] == "the terminal was closed"


@pytest.mark.skipif(sys.platform == "win32", reason="select on pipes")
def test_lines_of_standard_input_are_markers(tmp_path):
    out = tmp_path / "run.log"
    child = start(out, stdin=subprocess.PIPE)
    before = time.time_ns()
    child.stdin.write("wiggled plug C12 °\n\n")
    child.stdin.flush()
    until(lambda: sidecar_of(out).read_bytes().count(b"marker") >= 2)
    child.send_signal(signal.SIGINT)
    child.communicate(timeout=30)
    capture = open_capture(out)
    list(capture)
    first, second = capture.events
    assert (first.kind, first.text, second.text) == ("marker", "wiggled plug C12 °", "marker 2")
    assert before - 1000 <= first.time_ns <= second.time_ns <= time.time_ns()


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX limits")
def test_a_disk_that_takes_no_more_is_a_clear_end(tmp_path):
    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (10, 10))

    out = tmp_path / "run.log"
    command = [sys.executable, "-B", "-m", "buswright", "record", "live:virtual/x", "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, preexec_fn=limit, stdin=subprocess.DEVNULL)
    assert done.returncode == 2
    assert "can't be written any further" in done.stderr
    assert "Traceback" not in done.stderr


# Interfaces ----------------------------------------------------------------------------------------------------------


def test_what_is_there_is_listed_in_the_schema(capsys):
    assert main(["interfaces", "--json"]) == 0
    jsonschema.validate(json.loads(capsys.readouterr().out), schema("interfaces"))
    assert main(["interfaces"]) == 0
    assert "live:socketcand/can0?host=" in capsys.readouterr().out


@pytest.mark.parametrize(("frames", "status"), [(40, 0), (3, 1)])
def test_the_search_for_a_bit_rate_says_why(frames, status, capsys, monkeypatch):
    class Heard:
        def __init__(self):
            self.left = frames

        def receive(self, timeout_s):
            self.left -= 1
            if self.left < 0:
                time.sleep(timeout_s)
                return None
            return can.Message(arbitration_id=self.left % 3, is_extended_id=False)

        def close(self):
            pass

    monkeypatch.setattr(find_bitrate, "LISTEN_S", 0.01)
    monkeypatch.setattr(find_bitrate, "tuner", lambda address: lambda rate: Heard())
    assert main(["interfaces", "--find-bitrate", "live:socketcan/can0"]) == status
    text = capsys.readouterr().out
    assert "1,000,000 bit/s" in text
    assert ("The bit rate is" in text) is (status == 0)
    assert main(["interfaces", "--find-bitrate", "live:socketcan/can0", "--json"]) == status
    jsonschema.validate(json.loads(capsys.readouterr().out), schema("interfaces"))
