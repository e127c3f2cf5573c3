"""A process that works for a season: it is given one function and item after the other; see processes.py."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import traceback
from contextlib import suppress
from typing import IO, Any, NoReturn

from buswright.season.work.workers import tried
from buswright.writing import WritingError

RESULT, RAISED, BROKEN = "result", "raised", "broken"
"""What an answer is: a result, a fault of disk or system, a fault of this program."""


def work(told: IO[bytes], answers: IO[bytes]) -> None:
    """Work until nothing more comes: the one who asks has ended, or was killed."""
    with suppress(EOFError, BrokenPipeError):
        while True:
            pickle.dump(_answer(*pickle.load(told)), answers)  # noqa: S301  (of this program's own process)
            answers.flush()


def _answer(function: Any, item: Any) -> tuple[str, object]:
    try:
        return RESULT, tried(function, item)
    except (WritingError, OSError) as fault:
        return RAISED, fault
    except Exception:  # noqa: BLE001  (said where the program ends)
        return BROKEN, traceback.format_exc()


def _ended(*_: object) -> NoReturn:
    raise SystemExit(1)  # what is half written is removed on the way


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the other process's, which ends this one
    signal.signal(signal.SIGTERM, _ended)
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing that prints gets between the answers
    work(sys.stdin.buffer, answers)
