"""A process that tries files one after the other, each within bounds of time and memory: `runner.py FOLDER`.

It reads one JSON object a line (a format and a range of numbers) and answers with what went wrong. A number always
gives the same file.
"""

import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
import traceback
from pathlib import Path

from buswright.errors import UserError
from buswright.frames.formats import library, library_process
from tests.fuzz import formats, hostile, mutations
from tests.fuzz.seeds import SEEDS

SECONDS, MEGABYTES = 5, 300
"""Of computing, and of memory beyond what the program has, that a file may take."""
_HANG_S = 90
"""By the clock: a reader that waits computes nothing."""
FOREIGN = ("BLF", "TRC", "SQLite", "CSV")


class _Bound(BaseException):
    """A file took too long; no handler of the program may catch it."""


class Forked:
    """The process that reads a foreign format, as a fork: the same code without the start of a Python."""

    def __init__(self, command, **_):
        form, path = command[-2:]
        reading, writing = os.pipe()
        self._child = os.fork()
        if not self._child:
            status = 1
            try:
                signal.setitimer(signal.ITIMER_REAL, 0)
                os.close(reading)
                with os.fdopen(writing, "wb") as out:
                    library_process.main(form, path, out)
                status = 0
            finally:
                os._exit(status)
        os.close(writing)
        self.stdout = os.fdopen(reading, "rb")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.stdout.close()
        os.waitpid(self._child, 0)

    def kill(self):
        os.kill(self._child, signal.SIGKILL)


def file_of(form, number):
    """Return a file, its seed, what was damaged on purpose, and whether a command shall read it."""
    rng = random.Random(f"{form} {number}")
    seeds = _seeds(form)
    seed = rng.choice(seeds)
    check = formats.CHECKS[form]
    if number < hostile.count(form):
        return hostile.HOSTILE[form]()[number], seed, None, False
    if isinstance(check, formats.TextCapture) and rng.random() < 0.15:
        data, bad = mutations.with_bad_lines(rng, seed.data, check.bad, behind=seed.head)
        return data, seed, bad, False
    text = form not in ("BLF", "SQLite", "pack")
    return mutations.mutated(rng, seed.data, text=text), seed, None, rng.random() < 0.25


_made = {}


def _seeds(form):
    if form not in _made:
        _made[form] = SEEDS[form]()
    return _made[form]


def try_file(form, number, folder):
    """Check one file; return what is wrong with the program, empty if nothing."""
    data, seed, bad, as_command = file_of(form, number)
    check = formats.CHECKS[form]
    for old in folder.iterdir():
        if old.name.startswith(("run.log.events", "out", "accepted", "drafted")) and old.is_file():
            old.unlink()
    library.subprocess.Popen = Forked if number % 50 else _POPEN
    begun = _computed()
    try:
        if as_command:
            formats.command(form, data, number, folder)
        elif bad is not None:
            check(data, seed, folder, bad)
        else:
            check(data, seed, folder)
    except UserError:
        pass
    except _Bound:
        return f"no end after {_HANG_S} s: {''.join(traceback.format_exc()[-1500:])}"
    except formats.BrokenError as broken:
        return str(broken)
    except BaseException:  # noqa: BLE001  (whatever it is, it is a fault)
        return traceback.format_exc()[-2500:]
    took = _computed() - begun
    return f"took {took:.1f} s of computing" if took > SECONDS else ""


_POPEN = subprocess.Popen


def _computed():
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def _limited(bytes_more):
    """Let allocations beyond the limit fail: a file that eats memory ends in a MemoryError."""
    now = int(Path("/proc/self/statm").read_text().split()[5]) * 4096
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    resource.setrlimit(resource.RLIMIT_DATA, (now + bytes_more, hard))


def _too_long(*_):
    raise _Bound


def warm_up():
    """Import what commands import late, so that no file pays for it."""
    import can  # noqa: F401
    import pyarrow.csv
    import pyarrow.parquet  # noqa: F401

    import buswright.channels.session
    import buswright.diagnosis.detect
    import buswright.health.track
    import buswright.layout.draft
    import buswright.layout.handover.take
    import buswright.layout.handover.unpack
    import buswright.report.car.differences  # noqa: F401
    from buswright.cli.main import build_parser

    build_parser()


def serve(folder):
    """Answer until there is no more."""
    warm_up()
    folder = formats.folder_of(folder)
    os.chdir(folder)
    signal.signal(signal.SIGALRM, _too_long)
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)
    for line in sys.stdin:
        form, first, last = json.loads(line)
        wrong = []
        for form_number in range(first, last):
            _seeds(form)
            _limited(MEGABYTES << 20)
            signal.setitimer(signal.ITIMER_REAL, _HANG_S)
            if said := try_file(form, form_number, folder):
                wrong.append([form_number, said])
            signal.setitimer(signal.ITIMER_REAL, 0)
        print(json.dumps(wrong), file=answers, flush=True)


if __name__ == "__main__":
    serve(sys.argv[1])
