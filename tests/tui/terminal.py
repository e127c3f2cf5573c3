"""The workbench as a real process on a pseudo-terminal, which may be slow."""

import codecs
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
from contextlib import contextmanager
from fcntl import ioctl
from pathlib import Path

from rich.cells import cell_len

COLUMNS, LINES = 120, 40
_PART = re.compile("\x1b\\[([?>]?)([0-9;]*)[$]?([A-Za-z])|\x1b\\][^\x07]*\x07|\x1b|([^\x1b]+)")
_UNFINISHED = re.compile("\x1b(?:\\[[?>0-9;$]*|\\][^\x07]*)?$")


class Grid:
    """What a terminal shows of the few codes that we write: places, blanking, text; colours are passed over.

    Places, erasing and repeating after ECMA-48, 8.3.20 (CUF), 8.3.21 (CUP), 8.3.39 (ED), 8.3.41 (EL) and 8.3.103 (REP).
    """

    def __init__(self, columns, lines):
        self._columns = columns
        self._cells = [[" "] * columns for _ in range(lines)]
        self._x = self._y = self.questions = 0
        self._rest = self._last = ""
        self._decode = codecs.getincrementaldecoder("utf-8")("replace").decode

    def feed(self, data):
        text = self._rest + self._decode(data)
        cut = match.start() if (match := _UNFINISHED.search(text)) else len(text)
        self._rest = text[cut:]
        for private, numbers, final, signs in _PART.findall(text[:cut]):
            if signs:
                self._write(signs)
            elif final == "H" and not private:
                self._y, self._x = (int(each or 1) - 1 for each in f"{numbers};1".split(";")[:2])
            elif final == "C" and not private:
                self._x += int(numbers or 1)
            elif final == "K" and not numbers:
                self._cells[self._y][self._x :] = [" "] * (self._columns - self._x)
            elif final == "J" and numbers == "2":
                self._cells = [[" "] * self._columns for _ in self._cells]
            elif final == "b" and not private:
                self._write(self._last * int(numbers or 1))
            elif final == "n" and numbers == "6":
                self.questions += 1

    def _write(self, signs):
        for sign in signs:
            if sign == "\r":
                self._x = 0
            elif sign == "\n":
                self._y += 1
            elif sign >= " ":
                self._last = sign
                width = cell_len(sign)
                self._cells[self._y][self._x : self._x + width] = [sign, ""][:width]
                self._x += width

    @property
    def lines(self):
        return ["".join(cells) for cells in self._cells]


class Watched:
    """The program on a terminal of its own.

    Parameters
    ----------
    size
        Columns and lines.
    bytes_per_s
        What the line carries; None: as much as is written. Nothing is carried while nobody reads.
    answers
        Whether it says where its cursor is when it is asked.
    """

    def __init__(self, *words, folder, size=(COLUMNS, LINES), bytes_per_s=None, answers=True):
        self._ours, theirs = pty.openpty()
        columns, lines = size
        ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))
        self.grid, self.read = Grid(columns, lines), 0
        self._bytes_per_s, self._answers, self._carried_s = bytes_per_s, answers, time.perf_counter()
        environment = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor", "XDG_STATE_HOME": str(folder)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "buswright", "watch", *words],
            stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder, env=environment, start_new_session=True,
        )  # fmt: skip
        os.close(theirs)

    def press(self, key):
        os.write(self._ours, key)

    def until(self, text="", *, without=None, timeout_s=60.0):
        """Read on until a text is shown, and another one no more; return seconds."""
        begun = time.perf_counter()
        while not (any(text in each for each in self.grid.lines) and not self._shows(without)):
            left = begun + timeout_s - time.perf_counter()
            assert left > 0, "\n".join(self.grid.lines)
            self._take(left)
        return time.perf_counter() - begun

    def _shows(self, text):
        return text is not None and any(text in each for each in self.grid.lines)

    def drain(self, seconds):
        end = time.perf_counter() + seconds
        while (left := end - time.perf_counter()) > 0:
            self._take(left)

    def _take(self, wait_s):
        """Take what the line carries, and answer."""
        size = 1 << 16
        if self._bytes_per_s is not None:
            time.sleep(0.01)
            now = time.perf_counter()
            size = max(1, round(min(now - self._carried_s, 0.1) * self._bytes_per_s))
            self._carried_s, wait_s = now, min(wait_s, 0.01)
        if not select.select([self._ours], [], [], wait_s)[0]:
            return
        data = os.read(self._ours, size)
        self.read += len(data)
        asked = self.grid.questions
        self.grid.feed(data)
        if self._answers:
            os.write(self._ours, b"\x1b[1;1R" * (self.grid.questions - asked))

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
def watched(*words, folder, **line):
    one = Watched(*words, folder=folder, **line)
    try:
        one.until("1 Overv")
        yield one
    finally:
        one.close()
