"""demo --live: what it prints is what can be listened to; what is typed happens; it always ends cleanly."""

import contextlib
import os
import re
import select
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from tests.ports import free_ports
from tests.simulate.listening import PATIENCE_S, assert_heard, multicast, rows_of, serial, stopping

from buswright.cli.main import main
from buswright.errors import UserError
from buswright.frames.table import concatenate
from buswright.simulate.live.serial_line import has_pseudo_terminals
from buswright.simulate.run import simulate_run

pytest.importorskip("msgpack")
pytest.importorskip("serial")

needs_terminals = pytest.mark.skipif(not has_pseudo_terminals(), reason="this system has no pseudo-terminals")
SOURCE = re.compile(r"^    live:(?P<backend>\w+)/(?P<channel>[^?]+)\?(?P<key>\w+)=(?P<value>\d+)&name=(?P<bus>\w+)$")


class Demo:
    """A running `demo --live`."""

    def __init__(self, *words, port=None, stdin=subprocess.PIPE, **options):
        self.port = free_ports(2) if port is None else port
        command = [sys.executable, "-m", "buswright", "demo", "--live", "--port", str(self.port), *words]
        options = {"stdin": stdin, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True} | options
        self.process = subprocess.Popen(command, **options)

    def __enter__(self):
        return self

    def __exit__(self, *fault):
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()

    def until(self, words):
        lines = []
        while words not in (lines or [""])[-1]:
            line = self.process.stdout.readline()
            assert line, (lines, self.process.stderr.read())
            lines.append(line.rstrip("\n"))
        return lines

    def type(self, words):
        self.process.stdin.write(words + "\n")
        self.process.stdin.flush()

    def rest(self):
        """Wait for the end. That a busy machine could not keep up is no fault, and is left out of what it said."""
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out, re.sub(r"^This computer could not keep up: .*\n", "", err)


def until(condition):
    """Wait until something is so."""
    end = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


def simulated(seconds, bus, count):
    """Return the first frames of a bus."""
    frames = concatenate(list(simulate_run(seconds)))
    return rows_of(frames.take(np.flatnonzero(frames.bus == bus)[:count]))


@needs_terminals
def test_what_it_prints_can_be_listened_to():
    port = free_ports(2)
    with stopping(multicast(port), multicast(port + 1)) as heard, Demo("--seconds", "60", port=port) as demo:
        lines = demo.until("For example")
        assert [line for line in lines if " bus, " in line] == ["  engine bus, 500 kbit/s", "  chassis bus, 1 Mbit/s"]
        found = [match for line in lines if (match := SOURCE.match(line))]
        kinds = [(match["backend"], match["key"], match["bus"]) for match in found]
        each = [("udp_multicast", "port"), ("slcan", "bitrate")]
        assert kinds == [(*kind, bus) for bus in ("can0", "can1") for kind in each]
        assert [int(match["value"]) for match in found] == [port, 500_000, port + 1, 1_000_000]
        with stopping(serial(found[1]["channel"], 500_000)) as (late,):
            until(lambda: len(late.received) > 100 and min(len(one.received) for one in heard) > 1000)
            demo.type("end")
            status, out, err = demo.rest()
    assert (status, err) == (0, "")
    told = re.search(r"Drove \S+ s; frames: engine (\S+), chassis (\S+)", out)
    engine, chassis = (simulated(60.0, bus, int(told[1 + bus].replace(",", ""))) for bus in (0, 1))
    for listener, frames in zip(heard, (engine, chassis), strict=True):
        assert_heard(listener, frames)
    first = next(at for at in range(len(engine)) if engine[at : at + 100] == late.received[:100])
    assert late.received == engine[first : first + len(late.received)]  # from where the port was opened, whole


def test_faults_are_typed_while_it_drives():
    with Demo("--seconds", "60", "--speed", "2") as demo:
        demo.until("Type, then Enter")
        demo.type("module-missing:module:wheel_node")
        assert re.match(r"module-missing on module:wheel_node, from \d+\.\d s", demo.until("from")[-1])
        demo.type("faults")
        assert any("power-cycle" in line for line in demo.until("power-cycle"))
        demo.type("off")
        demo.until("module-missing: ends")
        demo.type("off")
        demo.until("no fault is on")
        demo.type("gremlins")
        demo.type("module-missing:module:xyz")
        demo.type("")
        demo.until("to switch it on")
        demo.type("end")
        status, out, err = demo.rest()
    assert status == 0
    assert "Drove" in out
    assert "there is no fault 'gremlins'" in err
    assert "has no module 'xyz'" in err
    assert "Traceback" not in err


def test_nothing_to_read_is_no_reason_to_end():
    with Demo("--seconds", "2", stdin=subprocess.DEVNULL) as demo:
        status, out, err = demo.rest()
    assert (status, err) == (0, "")
    assert re.search(r"^Drove [2-9]\.\d s", out, re.M)


@pytest.mark.skipif(os.name == "nt", reason="signals as POSIX has them")
@pytest.mark.parametrize("number", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_it_ends_cleanly_when_told_to(number):
    with Demo() as demo:
        demo.until("Type, then Enter")
        demo.process.send_signal(getattr(signal, number))
        status, out, err = demo.rest()
    assert (status, err) == (0, "")
    assert "Drove" in out
    with socket.socket() as claim:  # nothing holds the port any more
        claim.bind(("127.0.0.1", demo.port))


@needs_terminals
def test_it_ends_when_its_terminal_is_closed():
    here, there = os.openpty()
    with Demo(stdin=there, stdout=there, stderr=there, start_new_session=True, preexec_fn=take_terminal) as demo:
        os.close(there)
        read = b""
        while b"Type, then Enter" not in read:
            assert select.select([here], [], [], PATIENCE_S)[0], read
            read += os.read(here, 4096)
        os.close(here)
        assert demo.process.wait(PATIENCE_S) == 0


def take_terminal():
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks at /proc")
def test_it_is_one_process():
    with Demo() as demo:
        demo.until("Type, then Enter")
        children = Path(f"/proc/{demo.process.pid}/task/{demo.process.pid}/children").read_text()
        demo.process.send_signal(signal.SIGINT)
        demo.rest()
    assert children.split() == []


def test_two_at_once_need_two_ports():
    with Demo(stdin=subprocess.DEVNULL) as demo:
        demo.until("For example")
        with pytest.raises(UserError, match="another program already sends on port"):
            main(["demo", "--live", "--port", str(demo.port + 1)])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--speed", "2"], "need --live"),
        (["--port", "40000"], "need --live"),
        (["--live", "--speed", "0"], "--speed 0: must be 0.1 to 100"),
        (["--live", "--port", "80"], "port 80: out of range"),
        (["--live", "--json"], "can't be used with"),
        (["--live", "--save", "x"], "can't be used with"),
        (["--live", "--fault", "bad-lines"], "fault of a recording"),
        (["--live", "--fault", "module-missing:module:xyz"], "has no module 'xyz'"),
        (["--live", "--seconds", "5", "--fault", "bus-errors@7s"], "begins after the end"),
        (["--fault", "gremlins"], "there is no fault"),
    ],
)
def test_what_cannot_be(words, says):
    port = [] if "--port" in words or "--live" not in words else ["--port", str(free_ports(2))]
    with contextlib.suppress(SystemExit), pytest.raises(UserError, match=re.escape(says)) as caught:
        main(["demo", *words, *port])
    assert caught.value.hint


def test_a_fault_in_the_demo_itself(capsys):
    assert main(["demo", "--seconds", "6", "--fault", "id-missing:id:chassis/1B1@2s", "--json"]) == 0
    broken = capsys.readouterr().out
    assert main(["demo", "--seconds", "6", "--json"]) == 0
    assert broken != capsys.readouterr().out
