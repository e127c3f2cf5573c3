"""The program ends with its terminal, and when it is told to, whatever the screen does."""

import os
import signal
from contextlib import suppress
from pathlib import Path

from .terminal import Watched

ROOT = Path(__file__).parents[2]


def test_it_ends_by_itself_when_its_terminal_went_without_a_word(tmp_path):
    one = Watched(
        str(ROOT / "captures" / "wrenfell_keyon.asc"), "--speed", "0.05", "--car",
        str(ROOT / "dbc_examples" / "wrenfell.toml"), folder=tmp_path,
    )  # fmt: skip
    try:
        one.until("playing")
        os.close(one._ours)  # not its controlling terminal: nobody sends SIGHUP
        one._ours = os.open(os.devnull, os.O_RDWR)
        assert one.process.wait(30) == 0
    finally:
        one.close()


def test_a_signal_ends_it_at_once_while_the_terminal_is_there(tmp_path):
    one = Watched(str(ROOT / "captures" / "wrenfell_keyon.asc"), folder=tmp_path)
    try:
        one.until("at the end")
        one.process.send_signal(signal.SIGTERM)
        with suppress(OSError):  # it may have closed its end already
            one.drain(0.5)
        assert one.process.wait(20) == 0
    finally:
        one.close()
