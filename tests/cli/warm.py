"""The program as a shell starts it, without the cost of its start: forked from a process that has loaded it.

Run as a program this is the server: it reads one JSON object a line, and answers each with one.
"""

import atexit
import importlib
import json
import os
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

LOADED = (
    "pyarrow.csv",
    "pyarrow.parquet",
    "buswright.diagnosis.detect",
    "buswright.layout.draft.car_file",
    "buswright.report.files.tables",
    "buswright.report.health.report",
    "buswright.simulate.source",
    "buswright.tui.app",
)
"""What takes the commands most of their start; loaded once, for all of them."""


@cache
def _server() -> subprocess.Popen[str]:
    server = subprocess.Popen(
        [sys.executable, str(Path(__file__))], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    atexit.register(server.communicate)
    return server


def command(*words: object, cwd: Path | str = ".", stdout: str = "") -> subprocess.CompletedProcess[str]:
    """Run the program with these words, its standard output at a path, at "closed", or kept (the default)."""
    server = _server()
    assert server.stdin
    assert server.stdout
    with tempfile.TemporaryDirectory() as place:
        kept = Path(place, "out"), Path(place, "err")
        job = {"words": [str(word) for word in words], "cwd": str(Path(cwd).resolve()), "environment": dict(os.environ)}
        job |= {"stdout": stdout or str(kept[0]), "stderr": str(kept[1])}
        server.stdin.write(json.dumps(job) + "\n")
        server.stdin.flush()
        status = json.loads(server.stdout.readline())
        out, err = (path.read_text(encoding="utf-8") if path.exists() else "" for path in kept)
    return subprocess.CompletedProcess(job["words"], status, out, err)


def _be_the_program(job) -> int:
    """Return the exit status, with streams and folder as asked for."""
    from buswright.cli.main import entry

    os.chdir(job["cwd"])
    os.environ.clear()
    os.environ.update(job["environment"])
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.dup2(os.open(job["stderr"], os.O_WRONLY | os.O_CREAT), 2)
    if job["stdout"] == "closed":
        os.close(1)
        sys.stdout = None  # what Python makes of it when it starts
    else:
        os.dup2(os.open(job["stdout"], os.O_WRONLY | os.O_CREAT), 1)
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115  (as long as the process)
    sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    sys.argv = ["buswright", *job["words"]]
    try:
        entry()
    except SystemExit as end:
        status = int(end.code or 0)
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    return status


def _serve() -> None:
    for name in LOADED:
        importlib.import_module(name)
    for line in sys.stdin:
        job = json.loads(line)
        child = os.fork()
        if not child:
            os._exit(_be_the_program(job))
        print(json.dumps(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])), flush=True)


if __name__ == "__main__":
    _serve()
