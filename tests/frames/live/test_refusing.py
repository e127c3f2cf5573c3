"""An adapter on a serial line that refuses to listen only says so, and a recording of it is no success."""

import json
import os
import sys
import threading
import tty
from contextlib import suppress

import pytest

from buswright.cli.main import status_of
from buswright.errors import UserError
from buswright.frames.live.address import parse_live
from buswright.frames.live.bus import open_bus

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
FRAME = b"t1232AABB\r"


class SerialAdapter(threading.Thread):
    """A serial adapter at the other end of a pseudo-terminal; what it answers to L is the test's."""

    def __init__(self, to_listen, *, hears=b"", silent=False):
        super().__init__(daemon=True)
        self.here, self.there = os.openpty()
        tty.setraw(self.there)
        self.source = f"live:slcan/{os.ttyname(self.there)}?bitrate=500000&sleep_after_open=0"
        self.to_listen, self.hears, self.silent = to_listen, hears, silent
        self.commands = []
        self.start()

    def run(self):
        waiting, opened = b"", False
        while True:
            try:
                waiting += os.read(self.here, 100)
            except OSError:
                return
            while b"\r" in waiting:
                command, _, waiting = waiting.partition(b"\r")
                self.commands.append(command)
                answer = b"\r"
                if command == b"L":
                    answer, opened = (b"\a", opened) if opened else (self.to_listen, self.to_listen == b"\r")
                elif command == b"O":
                    opened = True
                elif command == b"C":
                    answer, opened = (b"\r" if opened else b"\a"), False
                elif command == b"V":
                    answer = b"V1013\r"
                frames = self.hears if opened and command in b"LO" else b""
                with suppress(OSError):
                    os.write(self.here, frames if self.silent else answer + frames)

    def close(self):
        os.close(self.there)  # nobody holds it any more, so the thread's reading fails
        self.join(30)
        os.close(self.here)


@pytest.fixture
def adapter():
    made = []

    def make(*arguments, **options):
        made.append(SerialAdapter(*arguments, **options))
        return made[-1]

    yield make
    for each in made:
        each.close()


def test_a_refusal_is_an_error_that_says_what_to_do(adapter):
    refusing = adapter(b"\a")
    with pytest.raises(UserError, match="refuses to listen only") as caught:
        open_bus(parse_live(refusing.source))
    assert "--bench" in caught.value.hint
    assert b"O" not in refusing.commands


@pytest.mark.parametrize("silent", [False, True])
def test_one_that_listens_or_answers_nothing_is_heard(silent, adapter):
    opened = open_bus(parse_live(adapter(b"\r", hears=FRAME * 3, silent=silent).source))
    try:
        assert [opened.listener.receive(5.0).arbitration_id for _ in range(3)] == [0x123] * 3
    finally:
        opened.listener.close()


def test_on_a_bench_it_is_not_asked(adapter):
    refusing = adapter(b"\a", hears=FRAME)
    opened = open_bus(parse_live(refusing.source), acknowledging=True)
    opened.listener.close()
    assert b"L" not in refusing.commands


@pytest.mark.parametrize("words", [["record", "--out", "run.log"], ["health"], ["contents"]])
def test_a_command_ends_with_it(words, adapter, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    refusing = adapter(b"\a")
    as_json = ["--json"] if words[0] == "health" else []
    assert status_of([words[0], refusing.source, *words[1:], *as_json, "--may-acknowledge"]) == 2
    said = capsys.readouterr()
    assert "refuses to listen only" in said.err
    if as_json:
        assert json.loads(said.out)["schema"] == "buswright.error/1"
    assert not [path.name for path in tmp_path.iterdir()]
