"""The workbench as a real process on a pseudo-terminal."""

import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time
from contextlib import contextmanager
from fcntl import ioctl
from pathlib import Path

LINES, COLUMNS = 40, 120


class Watched:
    """The program on a terminal of its own."""

    def __init__(self, *words, folder):
        self._ours, theirs = pty.openpty()
        ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))
        environment = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor", "XDG_STATE_HOME": str(folder)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "buswright", "watch", *words],
            stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder, env=environment, start_new_session=True,
        )  # fmt: skip
        os.close(theirs)

    def press(self, key):
        os.write(self._ours, key)

    def until(self, text, timeout_s=60.0):
        """Read on until a text was written; return seconds."""
        begun, read = time.perf_counter(), b""
        while text not in read:
            left = begun + timeout_s - time.perf_counter()
            assert left > 0, read[-2000:]
            if select.select([self._ours], [], [], left)[0]:
                read += os.read(self._ours, 1 << 16)
        return time.perf_counter() - begun

    def drain(self, seconds):
        end = time.perf_counter() + seconds
        while (left := end - time.perf_counter()) > 0:
            if select.select([self._ours], [], [], left)[0]:
                os.read(self._ours, 1 << 16)

    def cpu_s(self):
        ticks = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()[11:13]
        return sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")

    def memory_mb(self):
        return int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

    def close(self):
        self.process.kill()
        self.process.wait()
        os.close(self._ours)


@contextmanager
def watched(*words, folder):
    one = Watched(*words, folder=folder)
    try:
        one.until(b"Overview")
        yield one
    finally:
        one.close()
