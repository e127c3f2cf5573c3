"""Markers by single keys: which keys make which, and a real recorder on a real pseudo-terminal."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.cli.commands.captures.record import Told
from buswright.cli.terminal.markers import Keys
from buswright.cli.terminal.status_line import StatusLine, one_line
from buswright.frames.captures.sidecar import sidecar_of
from buswright.frames.live.capture import Drops
from buswright.frames.recording.run import Recording

posix = pytest.mark.skipif(sys.platform == "win32", reason="POSIX terminals")
UP, F5 = b"\x1b[A", b"\x1b[15~"
"""What an arrow and a function key send: ECMA-48, 5.4; xterm's control sequences, `PC-Style Function Keys`."""


class Pressed:
    """What became of keys; each batch comes a nanosecond after the one before, None is a pause."""

    def __init__(self, *batches):
        self.markers, self.shown = [], []
        self.turned = 0
        self.keys = Keys(lambda time_ns, words: self.markers.append((time_ns, words)), self.shown.append, self.turn)
        for now, batch in enumerate(batches):
            if batch is None:
                self.keys.pause()
            else:
                self.keys.press(batch, now)

    def turn(self):
        self.turned += 1


def test_the_bells_own_key_turns_the_sound_and_is_no_marker():
    pressed = Pressed(b"a\ab\n", b"\a")
    assert (pressed.turned, pressed.markers) == (2, [(0, "ab")])


def recording(*, gaps=0, connected=True, lost=0, notes=()):
    drops = {"main": Drops(lost, {"socket": None})}
    return Recording((Path("run.log"),), 1, 1.0, 1, drops, {"main": connected}, gaps, 0, {}, notes, {}, "")


def test_it_rings_when_something_more_is_lost_and_not_for_what_was_told():
    read, write = os.pipe()
    line = StatusLine(write)
    told, rings = Told(line), []
    moved = recording(gaps=1, lost=3, notes=("moved",))
    away = recording(connected=False)
    for so_far in (recording(), away, away, recording(gaps=1), recording(gaps=1, lost=3), moved, moved):
        told(so_far)
        time.sleep(0.05)
        rings.append(os.read(read, 4096).count(b"\a"))
    line.turn_sound()
    told(recording(gaps=2, lost=9))
    time.sleep(0.05)
    assert b"\a" not in os.read(read, 4096)
    line.close()
    os.close(read)
    os.close(write)
    assert rings == [0, 1, 0, 0, 1, 1, 0]


@pytest.mark.parametrize(
    ("batches", "markers"),
    [
        ([b"w", b"i", b"g", b"\r"], [(0, "wig")]),
        ([b"wiggled plug C12\n"], [(0, "wiggled plug C12")]),
        ([b"\n", b" ", b"\r"], [(0, ""), (1, ""), (2, "")]),
        ([b"a", b" ", b"b", b" \n"], [(0, "a b")]),
        ([b"a", b"b", b"\x1b", None, b"\n"], [(4, "")]),
        ([b"ab", b"\x1b", b"c\n"], [(2, "c")]),
        ([b"a", UP, F5, b"\x1bOP", b"b\n"], [(0, "ab")]),
        ([b"a", b"\x1b", b"[A", b"b\n"], [(0, "ab")]),
        ([b"a", b"\x7f", b"b", b"\n"], [(2, "b")]),
        ([b"a", b"\x08", b" "], [(2, "")]),
        ([b"abc", b"\x15", b"d\n"], [(2, "d")]),
        ([b"\xc2", b"\xb0C\n"], [(1, "°C")]),
        ([b"a\tb\x01c\n"], [(0, "abc")]),
        ([b"\xff\n"], [(0, "\N{REPLACEMENT CHARACTER}")]),
    ],
)
def test_the_first_key_is_the_moment_and_the_keys_are_the_words(batches, markers):
    assert Pressed(*batches).markers == markers


def test_what_is_typed_is_shown_until_it_is_kept_or_dropped():
    assert Pressed(b"a", b"b", b"\n", b"c", b"\x1b", None, b" ", UP).shown == ["a", "ab", None, "c", None]


def test_words_still_being_typed_at_the_end_are_kept():
    pressed = Pressed(b"plug", b" C1")
    pressed.keys.finish()
    pressed.keys.finish()
    assert pressed.markers == [(0, "plug C1")]


@given(st.lists(st.binary(max_size=6) | st.none(), max_size=20))
def test_any_keys_leave_it_working(batches):
    pressed = Pressed(*batches, None, b"\n", b"\x15", b"ok\n")
    assert pressed.markers[-1][1].endswith("ok")


@pytest.mark.parametrize("columns", [10, 40, 80, 200])
@pytest.mark.parametrize("words", [None, "", "plug", "long words about a plug " * 5])
def test_one_line_never_needs_two(columns, words):
    line = one_line("0:01:02  96 frames  0 dropped", words, columns)
    assert len(line) <= max(columns, 40)
    if words:
        assert words[-10:] + "_" in line
    if columns == 200:
        assert "96 frames" in line


# A real recorder -----------------------------------------------------------------------------------------------------

SHELL = """
import os, signal, subprocess, sys, fcntl, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGTTOU, signal.SIG_IGN)
signal.signal(signal.SIGHUP, signal.SIG_IGN)
def job():
    os.setpgid(0, 0)
    os.tcsetpgrp(0, os.getpid())
    signal.signal(signal.SIGTTOU, signal.SIG_DFL)
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
child = subprocess.Popen(sys.argv[2:], preexec_fn=job)
open(sys.argv[1], "w").write(f"{child.pid} ")
status = child.wait()
sys.exit(status if status >= 0 else 128 - status)
"""
"""A shell with job control reduced to this: without one that waits, no process can be suspended by its terminal."""


def until(condition, timeout_s=30.0):
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.005)


class Crew:
    """A recorder on a terminal, and the keys of somebody in front of it."""

    def __init__(self, tmp_path, *words):
        import pty

        self.out, number = tmp_path / "run.log", tmp_path / "pid"
        self.master, self.terminal = pty.openpty()
        command = ["-m", "buswright", "record", "live:virtual/x", "--out", str(self.out), *words]
        self.shell = subprocess.Popen(
            [sys.executable, "-c", SHELL, str(number), sys.executable, *command],
            stdin=self.terminal, stdout=self.terminal, stderr=self.terminal, start_new_session=True,
        )  # fmt: skip
        os.set_blocking(self.master, False)
        self.shown = ""
        until(lambda: number.exists() and number.read_text().endswith(" "))
        self.recorder = int(number.read_text())
        until(lambda: not self.cooked)
        self.until_shown("Ctrl-C ends")

    def __enter__(self):
        return self

    def __exit__(self, *fault):
        for end in (self.recorder, self.shell.pid):
            if self.shell.poll() is None:
                os.kill(end, signal.SIGKILL)
        self.shell.wait()
        os.close(self.master)
        os.close(self.terminal)

    @property
    def cooked(self):
        """Whether the terminal gives lines and echoes them, as it did at first."""
        import termios

        mode = termios.tcgetattr(self.terminal)[3]
        assert bool(mode & termios.ICANON) == bool(mode & termios.ECHO)
        return bool(mode & termios.ICANON)

    def press(self, keys):
        os.write(self.master, keys)

    def until_shown(self, words):
        def came():
            with contextlib.suppress(BlockingIOError):
                self.shown += os.read(self.master, 65536).decode("utf-8", "replace")
            return words in self.shown

        until(came)
        self.shown = self.shown.partition(words)[2]

    def until_marked(self, count):
        until(lambda: len(self.markers()) == count)

    def until_suspended(self, wanted):
        stat = Path(f"/proc/{self.recorder}/stat")
        until(lambda: (stat.read_text().rpartition(")")[2].split()[0] == "T") is wanted)

    def end(self, number=None):
        """Interrupt it by key, or by a signal; wait for its end and return its status."""
        if number is None:
            self.press(b"\x03")
        else:
            os.kill(self.recorder, number)
        return self.shell.wait(30)

    def markers(self):
        lines = [line for line in sidecar_of(self.out).read_bytes().split(b"\n") if b'"kind":"marker"' in line]
        return [json.loads(line) for line in lines]


def texts(markers):
    return [marker["text"] for marker in markers]


@posix
def test_keys_set_markers_and_are_echoed_beside_the_status(tmp_path):
    with Crew(tmp_path) as crew:
        crew.press(b"w")
        crew.until_shown("marker: w_")
        between = time.time_ns()
        crew.press(b"iggled plug C12")
        crew.until_shown("wiggled plug C12_   0:00:0")
        crew.press(b"\r")
        crew.until_marked(1)
        crew.press(b" ")
        crew.until_marked(2)
        crew.press(b"no, nothing\x1b")
        crew.until_shown("nothing_")
        crew.until_shown("\r0:00:0")
        crew.press(b"\n")
        crew.until_marked(3)
        crew.press(b"not ended")
        crew.until_shown("not ended_")
        assert crew.end() == 0
        assert crew.cooked
        assert texts(crew.markers()) == ["wiggled plug C12", "marker 2", "marker 3", "not ended"]
        assert crew.markers()[0]["time_ns"] <= between
        crew.until_shown("\n0 frames in ")
        crew.until_shown("4 markers")


@posix
@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGTERM, 0), (signal.SIGHUP, 0), (getattr(signal, "SIGQUIT", 0), 128 + 3)]
)
def test_the_terminal_is_put_back_by_every_signal(number, status, tmp_path):
    with Crew(tmp_path) as crew:
        assert crew.end(number) == status
        assert crew.cooked


@posix
def test_the_terminal_is_put_back_when_the_recording_fails(tmp_path):
    with Crew(tmp_path) as crew:
        import resource

        resource.prlimit(crew.recorder, resource.RLIMIT_FSIZE, (900, 900))
        crew.press(b"x" * 1000 + b"\n")
        assert crew.shell.wait(30) == 2
        crew.until_shown("can't be written any further")
        assert crew.cooked


@pytest.mark.skipif(sys.platform != "linux", reason="/proc tells who is suspended")
def test_suspended_it_gives_the_terminal_back_and_takes_it_again(tmp_path):
    with Crew(tmp_path) as crew:
        crew.press(b"\x1a")
        crew.until_suspended(True)
        assert crew.cooked
        os.kill(crew.recorder, signal.SIGCONT)
        until(lambda: not crew.cooked)
        crew.press(b"back\n")
        crew.until_marked(1)
        assert crew.end() == 0
        assert crew.cooked
        assert texts(crew.markers()) == ["back"]
