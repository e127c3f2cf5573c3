"""Runs commands again and again, each in a child whose disk fails, or that is killed, at a chosen moment.

A process of its own: it reads one JSON object a line and answers each with one. It forks for every run, so that a
run costs no more than the command itself.
"""

import errno
import json
import os
import resource
import signal
import sys
import time
from pathlib import Path

WRITES = {"open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.chmod", "shutil.rmtree", "ctypes.dlsym"}
"""What Python does to a disk, as its audit events call it; the last stands for the exchange of two folders."""


class Disk:
    """Counts what is done to a folder, and spoils it from a chosen moment on."""

    def __init__(self, folder, kind, at):
        self.folder, self.kind, self.at, self.count = folder, kind, at, 0

    def __call__(self, event, details):
        if event not in WRITES:
            return
        if event == "open" and not (isinstance(details[2], int) and details[2] & (os.O_WRONLY | os.O_RDWR)):
            return
        if event != "ctypes.dlsym" and not str(details[0]).startswith(self.folder):
            return
        if event == "ctypes.dlsym" and details[1] != "renameat2":
            return
        self.count += 1
        if self.kind == "SIGKILL" and self.count == self.at:
            os.kill(os.getpid(), signal.SIGKILL)
        if self.kind == "Ctrl-C" and self.count == self.at:
            signal.raise_signal(signal.SIGINT)
        if self.kind.startswith("E") and self.count >= self.at and event != "ctypes.dlsym":
            number = getattr(errno, self.kind)
            raise OSError(number, os.strerror(number), str(details[0]))


def run(job):
    """Run one command in a child; return its status (negative: the signal) and how often it wrote."""
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        from buswright.cli.main import status_of

        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        disk = Disk(job["folder"], job["kind"], job["at"])
        if job["kind"] == "limit":  # the system itself refuses every byte behind it
            resource.setrlimit(resource.RLIMIT_FSIZE, (job["at"], job["at"]))
        sys.addaudithook(disk)
        status = status_of(job["arguments"])
        os.write(writing, str(disk.count).encode())
        os._exit(status)
    os.close(writing)
    if job["kind"] == "later":
        time.sleep(job["at"])
        os.kill(child, signal.SIGKILL)
    count = os.read(reading, 20)
    os.close(reading)
    return {"status": os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), "writes": int(count or 0)}


def serve():
    """Answer until there is no more."""
    import pyarrow.csv
    import pyarrow.parquet  # noqa: F401  (loaded once, for all children)

    import buswright.channels.session
    import buswright.cli.main
    import buswright.diagnosis.detect  # noqa: F401

    sys.dont_write_bytecode = True  # a disk that fails must not spoil what other tests load
    os.chdir(Path(sys.argv[1]))
    for line in sys.stdin:
        print(json.dumps(run(json.loads(line))), flush=True)


if __name__ == "__main__":
    serve()
